"""Choose the sample photographs of the demo from path-traced ones, and write them with their table.

``sample_images/scripts`` draws photographs of cut buds by path tracing and writes a
``truth.jsonl`` beside them (``make.py``, ``collect.py``). This chooses among them for four
invented blocks, turns each so that the cane base lies left, and writes the photographs with
``manifest.csv``, ``calls.csv``, ``truth.csv`` and ``SHA256SUMS``.

``python -m budvision.render.samples --photos DIR --earlier-cuts DIR DIR --out sample_images``
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import io
import json
import math
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from budvision.language import plain_count
from budvision.vocabulary import TISSUES, Tissue

__all__ = ["BLOCKS", "SampleBlock", "write_samples"]

_UTC = "+05:00"
_JPEG = {"format": "JPEG", "quality": 76, "optimize": True}
_HALF = (0.4, 0.6)
"""Brown share between which the invented reviewer leaves a tissue unsure."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleBlock:
    """One block of the scenario.

    Attributes
    ----------
    dead : tuple of int
        Dead primaries of each photographed cane.
    nodes : int
        Buds of each cane, from the base.
    paper_canes, paper_dead : int, tuple of float
        Canes that were scored on paper, and the shares of dead primaries, secondaries and
        tertiaries among their buds.
    zones : tuple of str
        Zone of each cane, photographed ones first; empty where the block has none.
    uncalled : tuple of int
        Canes whose calls are left to whoever tries the demo.
    """

    name: str
    cultivar: str
    dead: tuple[int, ...]
    nodes: int
    paper_canes: int
    paper_dead: tuple[tuple[float, float, float], ...]
    start: datetime
    zones: tuple[str, ...] = ()
    uncalled: tuple[int, ...] = ()


BLOCKS = (
    SampleBlock(
        name="Apricot Terrace", cultivar="Rkatsiteli", dead=(1, 0, 1, 1), nodes=8,
        paper_canes=8, paper_dead=((0.08, 0.03, 0.01),), start=datetime(2026, 2, 11, 9, 5)),
    SampleBlock(
        name="Mill Row", cultivar="Saperavi", dead=(2, 3, 4), nodes=8,
        paper_canes=8, paper_dead=((0.34, 0.14, 0.05),), start=datetime(2026, 2, 11, 11, 20),
        uncalled=(2, 3)),
    SampleBlock(
        name="Long Slope", cultivar="Aligoté", dead=(1, 1, 6), nodes=8,
        paper_canes=9, paper_dead=((0.1, 0.04, 0.02),) * 6 + ((0.8, 0.5, 0.3),) * 3,
        start=datetime(2026, 2, 11, 14, 10),
        zones=("slope", "slope", "hollow", *("slope",) * 6, *("hollow",) * 3)),
    SampleBlock(
        name="River Flat", cultivar="Bayan Shirey", dead=(7, 8, 7), nodes=8,
        paper_canes=7, paper_dead=((0.93, 0.75, 0.5),), start=datetime(2026, 2, 12, 9, 15)),
)


@dataclass(frozen=True, slots=True)
class _Drawn:
    """One path-traced photograph and what is true of it."""

    file: Path
    truth: dict[str, Any]

    def word(self, tissue: Tissue) -> str:
        own = self.truth["tissues"][tissue.value]
        return str(own["verdict"]) if own["visible"] else "not_exposed"

    def called(self, tissue: Tissue) -> str:
        """Return what the invented reviewer calls it."""
        own = self.truth["tissues"][tissue.value]
        half = own["visible"] and _HALF[0] <= own["brown_fraction"] <= _HALF[1]
        return "unsure" if half else self.word(tissue)

    def turns(self) -> int:
        """Return the quarter turns, anticlockwise, that bring the secondary to the left."""
        parts = self.truth["tissues"]
        if not (parts["primary"]["visible"] and parts["secondary"]["visible"]):
            return 0
        (px, py), (sx, sy) = (parts[t]["centre_px"] for t in ("primary", "secondary"))
        angle = math.degrees(math.atan2(py - sy, sx - px))  # mathematical, y upwards
        return round((180 - angle) / 90) % 4


def _read(folder: Path) -> list[_Drawn]:
    lines = (folder / "truth.jsonl").read_text(encoding="utf-8").splitlines()
    return [_Drawn(folder / row["file"], row) for row in map(json.loads, lines)]


@dataclass(frozen=True, slots=True)
class _Placed:
    drawn: _Drawn
    block: SampleBlock
    cane: int
    node: int
    cut: int

    @property
    def name(self) -> str:
        prefix = self.block.name.split()[0].lower()
        return f"{prefix}_c{self.cane}_n{self.node}_k{self.cut}.jpg"


def _place(
    drawn: Sequence[_Drawn], earlier: Sequence[_Drawn], *, rng: np.random.Generator
) -> Iterator[_Placed]:
    """Deal the photographs out: as many dead primaries a cane as the scenario says."""
    usable = [one for one in drawn if one.truth["usable"]]
    order = rng.permutation(len(usable))
    pool = {word: [usable[k] for k in order if usable[k].word(Tissue.PRIMARY) == word]
            for word in ("live", "dead")}
    before: dict[int, list[_Drawn]] = {}
    for one in earlier:
        before.setdefault(one.truth["index"], []).append(one)
    bad = [one for one in drawn if one.truth["kind"] == "unusable"]
    others = [one for one in drawn if one.truth["kind"] == "distractor"]
    for block in BLOCKS:
        for cane, n_dead in enumerate(block.dead, start=1):
            is_dead = rng.permutation([k < n_dead for k in range(block.nodes)])
            for node, dead in enumerate(is_dead, start=1):
                own = pool["dead" if dead else "live"].pop()
                cuts = [*before.get(own.truth["index"], ()), own]
                if len(cuts) == 1 and bad and rng.random() < 0.12:
                    cuts.insert(0, bad.pop())
                for cut, photo in enumerate(cuts, start=1):
                    yield _Placed(photo, block, cane, node, cut)
        yield _Placed(others.pop(), block, len(block.dead), block.nodes, 9)


def _jpeg(drawn: _Drawn, taken_at: datetime, *, sideways: bool) -> bytes:
    with Image.open(drawn.file) as opened:
        picture = Image.fromarray(np.rot90(np.asarray(opened.convert("RGB")), drawn.turns()))
    exif = Image.Exif()
    exif[271], exif[272] = "Hollow Reed", "Pocket 3"  # an invented maker and camera
    exif[306] = taken_at.strftime("%Y:%m:%d %H:%M:%S")
    detail = exif.get_ifd(0x8769)
    detail[36867] = exif[306]
    detail[36881] = _UTC
    if sideways:
        exif[274] = 6              # a quarter turn off, as phones store it
        picture = picture.transpose(Image.Transpose.ROTATE_90)
    out = io.BytesIO()
    picture.save(out, exif=exif, **_JPEG)  # type: ignore[arg-type]
    return out.getvalue()


def _photo_calls(block: SampleBlock, cuts: Sequence[_Placed]) -> Iterator[list[object]]:
    for cane, node in sorted({(one.cane, one.node) for one in cuts}):
        own = [one for one in cuts if (one.cane, one.node) == (cane, node) and one.cut < 9
               and one.drawn.truth["usable"]]
        if own and cane not in block.uncalled:
            deepest = max(own, key=lambda one: one.cut).drawn
            yield [cane, node, *(deepest.called(tissue) for tissue in TISSUES)]


def _paper_calls(block: SampleBlock, *, rng: np.random.Generator) -> Iterator[list[object]]:
    for k in range(block.paper_canes):
        shares = block.paper_dead[k % len(block.paper_dead)]
        shift = rng.normal(0, 0.3)
        for node in range(1, block.nodes + 1):
            words = [
                "dead" if rng.random() < 1 / (1 + np.exp(-np.log(p / (1 - p)) - shift)) else "live"
                for p in shares]
            if words[0] == "live" and words[2] == "dead":
                words[2] = "live"
            yield [len(block.dead) + 1 + k, node, *words]


def write_samples(
    photos: Path, earlier_cuts: Sequence[Path], folder: Path, *, rng: np.random.Generator
) -> int:
    """Write photographs, `manifest.csv`, `calls.csv`, `truth.csv` and `SHA256SUMS`.

    Parameters
    ----------
    photos : Path
        Folder as ``sample_images/scripts/make.py`` and ``collect.py`` leave it.
    earlier_cuts : sequence of Path
        Folders of the same form with earlier cuts of some of the same buds, the shallowest first
        (``make.py --depth shallow``, then ``--depth medium``).
    folder : Path
        Where to write.

    Returns
    -------
    int
        Number of photographs.
    """
    folder.mkdir(parents=True, exist_ok=True)
    earlier = [one for part in earlier_cuts for one in _read(part)]
    placed = list(_place(_read(photos), earlier, rng=rng))
    manifest: list[list[object]] = []
    calls: list[list[object]] = []
    truths: list[list[object]] = []
    sums: list[str] = []
    for block in BLOCKS:
        own = [one for one in placed if one.block is block]
        taken_at = block.start
        for one in own:
            taken_at += timedelta(seconds=int(rng.integers(40, 110)))
            data = _jpeg(one.drawn, taken_at, sideways=bool(rng.random() < 0.15))
            (folder / one.name).write_bytes(data)
            sums.append(f"{hashlib.sha256(data).hexdigest()}  {one.name}")
            truth = one.drawn.truth
            manifest.append([one.name, block.name, one.cane, one.node, one.cut,
                             *_cane_facts(block, one.cane), block.cultivar])
            truths.append([
                one.name, int(truth["usable"]),
                truth.get("unusable_reason") or truth.get("distractor") or "",
                *(one.drawn.word(t) if truth["usable"] else "" for t in TISSUES),
                truth["lighting"]])
        for row in [*_photo_calls(block, own), *_paper_calls(block, rng=rng)]:
            calls.append([block.name, *row, *_cane_facts(block, int(str(row[0])))])
    _write(folder / "manifest.csv",
           ["file", "block", "cane", "node", "cut", "vine", "zone", "cultivar"], manifest)
    _write(folder / "calls.csv",
           ["block", "cane", "node", *(t.value for t in TISSUES), "vine", "zone"], calls)
    _write(folder / "truth.csv", ["file", "usable", "fault", *(t.value for t in TISSUES), "light"],
           truths)
    (folder / "SHA256SUMS").write_text("\n".join(sums) + "\n", encoding="utf-8")
    return len(manifest)


def _cane_facts(block: SampleBlock, cane: int) -> list[str]:
    return [f"v{cane * 7}", block.zones[cane - 1] if block.zones else ""]


def _write(path: Path, header: list[str], rows: list[list[object]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(header)
        out.writerows(rows)


def main() -> None:
    """Write the sample photographs."""
    parser = argparse.ArgumentParser(prog="python -m budvision.render.samples")
    parser.add_argument("--photos", type=Path, required=True)
    parser.add_argument("--earlier-cuts", type=Path, nargs="+", required=True,
                        metavar="DIR", help="shallowest first")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--rng", type=int, default=20260211)
    given = parser.parse_args()
    n = write_samples(given.photos, given.earlier_cuts, given.out,
                      rng=np.random.default_rng(given.rng))
    sys.stderr.write(f"{plain_count(n, 'photograph')} in {given.out}\n")


if __name__ == "__main__":
    main()
