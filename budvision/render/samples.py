"""The photographs of `sample_images`: one sampling of an invented vineyard, two blocks.

Drawn by the stand-in renderer, which the default model has never learned from, so that the demo
shows the model on pictures it does not know. Rebuild with
``python -m budvision.render.samples --out sample_images``.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from PIL import Image

from budvision.render.standin.cut import Lab, StandinTruth, draw_lab, render
from budvision.render.standin.others import render_other
from budvision.vocabulary import TISSUES, Tissue

__all__ = ["BLOCKS", "REVIEWER", "SAMPLING", "SITE", "SampleBlock", "draw_samples", "write_samples"]

SITE = "Wren Lake Vineyard"
SAMPLING = "2026-02-cold-night"
REVIEWER = "Maren Holt"
TECHNICIAN = "Tobias Renn"
_JPEG = {"format": "JPEG", "quality": 86, "optimize": True}


@dataclass(frozen=True, slots=True)
class SampleBlock:
    """One block of the scenario.

    Attributes
    ----------
    mortality : tuple of float
        Share of dead primaries, secondaries and tertiaries on the average cane.
    spread : float
        How unlike the canes are (standard deviation of a cane's share, on the logit).
    """

    name: str
    cultivar: str
    cultivar_class: str
    normal_nodes: int
    canes: int
    nodes: int
    mortality: tuple[float, float, float]
    spread: float
    vigors: tuple[str, ...]
    start: datetime


BLOCKS = (
    SampleBlock(
        "Creek Terrace", "Riesling", "vinifera", 40, 6, 8, (0.29, 0.14, 0.05), 0.35,
        ("medium", "medium", "large", "small", "medium", "large"), datetime(2026, 2, 11, 9, 5)),
    SampleBlock(
        "Upper Shelf", "Marquette", "hybrid", 36, 5, 8, (0.55, 0.30, 0.12), 0.7,
        ("medium", "small", "medium", "large", "medium"), datetime(2026, 2, 11, 13, 40)),
)
_FAULTS = ("blurred", "dark", "too_shallow", "glare", "covered")


@dataclass(frozen=True, slots=True)
class Sample:
    """One photograph with where it belongs and what is true of it."""

    name: str
    block: SampleBlock
    cane: int
    node: int
    cut: int
    image: np.ndarray
    truth: StandinTruth
    taken_at: datetime


def _labs(rng: np.random.Generator, n: int) -> list[Lab]:
    """Draw benches with unlike lamps whose faces are large enough to look at."""
    labs: list[Lab] = []
    while len(labs) < n:
        lab = draw_lab(rng, name=f"bench{len(labs) + 1}")
        if any(lab.lamp.kind == other.lamp.kind for other in labs):
            continue
        labs.append(replace(
            lab, face_share=(0.26, 0.52), aspect=4 / 3, megapixels=0.9,
            turn_spread=min(lab.turn_spread, 0.35)))
    return labs


def draw_samples(block: SampleBlock, *, rng: np.random.Generator) -> Iterator[Sample]:
    """Draw the photographs of one block: every bud, some with two or three cuts.

    Parameters
    ----------
    block : SampleBlock
        Which block.

    Yields
    ------
    Sample
        Photographs in the order they were taken; about one in twelve is unusable, and those buds
        were photographed again in most cases.
    """
    labs = _labs(rng, 3)
    at = block.start
    kinds = [lab.cultivars[0] for lab in labs]
    prefix = block.name.split()[0].lower()
    for cane in range(1, block.canes + 1):
        at += timedelta(minutes=6)
        which = (cane - 1) * len(labs) // block.canes
        lab, kind = labs[which], kinds[which]
        shift = float(rng.normal(0, block.spread))
        for node in range(1, block.nodes + 1):
            shares = [
                float(1 / (1 + np.exp(-(np.log(p / (1 - p)) + shift)))) for p in block.mortality]
            dead: dict[Tissue, bool] = {}
            for tissue, share in zip(TISSUES, shares, strict=True):
                dead[tissue] = bool(rng.random() < share)
            start = int(rng.integers(2**32))
            draw = rng.random()
            if draw < 0.72:
                depths, faults = [float(rng.uniform(0.44, 0.66))], [""]
            elif draw < 0.86:
                depths, faults = [float(rng.uniform(0.28, 0.34)), float(rng.uniform(0.5, 0.66))], [
                    "", ""]
            elif draw < 0.92:
                depths, faults = [0.28, 0.42, 0.6], ["", "", ""]
            else:
                fault = _FAULTS[int(rng.integers(len(_FAULTS)))]
                depths, faults = [0.5, 0.55], [fault, ""]
                if rng.random() < 0.4:
                    depths, faults = depths[:1], faults[:1]
            for cut, (depth, fault) in enumerate(zip(depths, faults, strict=True), start=1):
                at += timedelta(seconds=int(rng.integers(18, 50)))
                drawn = render(
                    np.random.default_rng(start), lab=lab, cultivar=kind, dead=dead, depth=depth,
                    fault=fault)
                yield Sample(f"{prefix}_c{cane}_n{node}_k{cut}.jpg", block, cane, node, cut,
                             drawn.image, drawn.truth, at)
    stray = render_other(rng, lab=labs[0], megapixels=0.9)
    yield Sample(f"{prefix}_c{block.canes}_n{block.nodes}_k9.jpg", block, block.canes, block.nodes,
                 9, stray.image, stray.truth, at + timedelta(seconds=40))


def _jpeg(sample: Sample, *, sideways: bool) -> bytes:
    picture = Image.fromarray(sample.image)
    exif = Image.Exif()
    exif[271], exif[272] = "Hollow Reed", "Pocket 3"  # an invented maker and camera
    exif[306] = sample.taken_at.strftime("%Y:%m:%d %H:%M:%S")
    detail = exif.get_ifd(0x8769)
    detail[36867] = exif[306]
    detail[36881] = "-08:00"
    if sideways:
        exif[274] = 6              # a quarter turn off, as phones store it
        picture = picture.transpose(Image.Transpose.ROTATE_90)
    out = io.BytesIO()
    picture.save(out, exif=exif, **_JPEG)  # type: ignore[arg-type]
    return out.getvalue()


def _word(truth: StandinTruth, tissue: Tissue) -> str:
    own = truth.tissues[tissue]
    if not own.exposed:
        return "not_exposed"
    return "dead" if own.dead else "live"


def _reviewer_calls(cuts: Sequence[Sample], *, rng: np.random.Generator) -> list[str] | None:
    """Give the invented reviewer's calls of one bud from its usable cuts, deepest first."""
    usable = [c for c in cuts if c.truth.usable]
    if not usable:
        return None
    words = []
    for tissue in TISSUES:
        word = next((w for c in reversed(usable) if (w := _word(c.truth, tissue)) != "not_exposed"),
                    "not_exposed")
        if word in ("live", "dead") and rng.random() < 0.03:
            word = "unsure"
        words.append(word)
    return words


def write_samples(folder: Path, *, rng: np.random.Generator) -> int:
    """Write photographs, `manifest.csv`, `calls.csv` (first block), `truth.csv` and `SHA256SUMS`.

    Returns
    -------
    int
        Number of photographs.
    """
    folder.mkdir(parents=True, exist_ok=True)
    manifest: list[list[object]] = []
    calls: list[list[object]] = []
    truths: list[list[object]] = []
    sums: list[str] = []
    for block in BLOCKS:
        samples = list(draw_samples(block, rng=rng))
        for sample in samples:
            data = _jpeg(sample, sideways=bool(rng.random() < 0.15))
            (folder / sample.name).write_bytes(data)
            sums.append(f"{hashlib.sha256(data).hexdigest()}  {sample.name}")
            vigor = block.vigors[sample.cane - 1]
            manifest.append([
                sample.name, block.name, sample.cane, sample.node, sample.cut,
                f"v{sample.cane * 7}",
                vigor, block.cultivar])
            truths.append([
                sample.name, int(sample.truth.usable), sample.truth.fault,
                *(_word(sample.truth, t) if sample.truth.usable else "" for t in TISSUES),
                sample.truth.light])
        if block is not BLOCKS[0]:
            continue
        buds = sorted({(s.cane, s.node) for s in samples})
        for cane, node in buds:
            own = [s for s in samples if (s.cane, s.node) == (cane, node) and s.cut < 9]
            words = _reviewer_calls(own, rng=rng)
            if words:
                calls.append([block.name, cane, node, *words])
    _write(folder / "manifest.csv",
           ["file", "block", "cane", "node", "cut", "vine", "vigor", "cultivar"], manifest)
    _write(folder / "calls.csv", ["block", "cane", "node", *(t.value for t in TISSUES)], calls)
    _write(folder / "truth.csv", ["file", "usable", "fault", *(t.value for t in TISSUES), "light"],
           truths)
    (folder / "SHA256SUMS").write_text("\n".join(sums) + "\n", encoding="utf-8")
    return len(manifest)


def _write(path: Path, header: list[str], rows: list[list[object]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(header)
        out.writerows(rows)


def main() -> None:
    """Write the sample photographs."""
    parser = argparse.ArgumentParser(prog="python -m budvision.render.samples")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--rng", type=int, default=20260211)
    given = parser.parse_args()
    n = write_samples(given.out, rng=np.random.default_rng(given.rng))
    import sys

    sys.stderr.write(f"{n} photographs in {given.out}\n")


if __name__ == "__main__":
    main()
