"""Write a folder of stand-in photographs as a laboratory would hand it in, with the truth beside.

``python -m budvision.render.standin --n 40 --out DIR``
"""

from __future__ import annotations

import argparse
import csv
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from budvision.language import plain_count
from budvision.photo.overlay import encode_picture
from budvision.render.standin.cut import FAULTS, Lab, StandinCut, draw_lab, render
from budvision.vocabulary import TISSUES, Tissue

__all__ = ["StandinPhoto", "main", "season_of_cuts", "write_folder"]

TRUTH_COLUMNS = ("file", "block", "cane", "node", "cut", "usable", "fault", "primary", "secondary",
                 "tertiary", "depth", "face_share", "cane_base_deg", "cultivar", "light", "bench")


@dataclass(frozen=True, slots=True)
class StandinPhoto:
    """One photograph of a stand-in season: where the bud stood, and how to render it again."""

    name: str
    block: str
    cane: int
    node: int
    cut: StandinCut


def season_of_cuts(
    rng: np.random.Generator, *, n: int, labs: Sequence[Lab] | None = None, per_cane: int = 8,
    mortality: float = 0.4, unusable: float = 0.04, others: float = 0.02,
    megapixels: tuple[float, float] | None = None,
) -> Iterator[StandinPhoto]:
    """Draw the photographs of a sampling, canes alike in cultivar and in how hard they froze.

    Parameters
    ----------
    n : int
        Photographs, one a bud.
    labs : sequence of Lab, optional
        Whose photographs; one fresh laboratory when left out. Canes go round the laboratories.
    per_cane : int
        Buds of one cane.
    mortality : float
        Mean share of dead primaries; each cane draws its own round it (beta, spread 0.25).
    unusable, others : float
        Share of unusable photographs, and of pictures of other things.
    megapixels : tuple of float, optional
        Range of sizes to draw from instead of each laboratory's own.
    """
    from budvision.render.standin.others import render_other

    labs = [draw_lab(rng)] if labs is None else labs
    for i in range(n):
        cane, node = divmod(i, per_cane)
        if node == 0:
            lab = labs[cane % len(labs)]
            kind = lab.cultivars[int(rng.integers(len(lab.cultivars)))]
            hard = float(rng.beta(4 * mortality, 4 * (1 - mortality)))
        size = None if megapixels is None else float(rng.uniform(*megapixels))
        draw = rng.random()
        if draw < others:
            cut = render_other(rng, lab=lab, megapixels=size)
        else:
            fault = str(rng.choice(FAULTS)) if draw < others + unusable else ""
            cut = render(rng, lab=lab, cultivar=kind, mortality=hard, fault=fault, megapixels=size)
        yield StandinPhoto(f"{lab.name}_{i + 1:04d}.jpg", kind.name or "block", cane + 1, node + 1,
                           cut)


def _word(photo: StandinPhoto, tissue: Tissue) -> str:
    truth = photo.cut.truth.tissues[tissue]
    if not photo.cut.truth.usable:
        return ""
    if not truth.exposed:
        return "not_exposed"
    return "dead" if truth.dead else "live"


def write_folder(photos: Iterator[StandinPhoto], folder: Path, *, labels: bool = True) -> int:
    """Write JPEGs, `manifest.csv`, `calls.csv`, `truth.csv` and, if asked, label PNGs.

    `calls.csv` is what an infallible reviewer would call; unusable photographs have no row.

    Returns
    -------
    int
        Number of photographs.
    """
    folder.mkdir(parents=True, exist_ok=True)
    n = 0
    with (folder / "manifest.csv").open("w", newline="") as m, \
            (folder / "calls.csv").open("w", newline="") as c, \
            (folder / "truth.csv").open("w", newline="") as t:
        manifest, calls, truth = csv.writer(m), csv.writer(c), csv.DictWriter(t, TRUTH_COLUMNS)
        manifest.writerow(["file", "block", "cane", "node", "cut"])
        calls.writerow(["block", "cane", "node", "primary", "secondary", "tertiary"])
        truth.writeheader()
        for photo in photos:
            n += 1
            (folder / photo.name).write_bytes(
                encode_picture(photo.cut.image, "jpeg", quality=92))
            if labels:
                cv2.imwrite(str(folder / f"{Path(photo.name).stem}_labels.png"), photo.cut.labels)
            manifest.writerow([photo.name, photo.block, photo.cane, photo.node, 1])
            words = {tissue.value: _word(photo, tissue) for tissue in TISSUES}
            if photo.cut.truth.usable:
                calls.writerow([photo.block, photo.cane, photo.node, *words.values()])
            own = photo.cut.truth
            truth.writerow({
                "file": photo.name, "block": photo.block, "cane": photo.cane, "node": photo.node,
                "cut": 1, "usable": int(own.usable), "fault": own.fault, **words,
                "depth": round(own.depth, 3), "face_share": round(own.face_share, 4),
                "cane_base_deg": round(own.cane_base_deg, 1), "cultivar": own.cultivar,
                "light": own.light, "bench": own.bench})
    return n


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command."""
    parser = argparse.ArgumentParser(
        prog="python -m budvision.render.standin",
        description="Write stand-in photographs of cut buds with their truth.")
    parser.add_argument("--n", type=int, default=40, help="photographs (default 40)")
    parser.add_argument("--out", type=Path, required=True, help="folder to write to")
    parser.add_argument("--rng", type=int, default=1, help="start of the random numbers (1)")
    parser.add_argument("--labs", type=int, default=1, help="laboratories (1)")
    parser.add_argument("--mortality", type=float, default=0.4, help="mean share dead (0.4)")
    parser.add_argument("--no-labels", action="store_true", help="write no label images")
    given = parser.parse_args(arguments)
    rng = np.random.default_rng(given.rng)
    labs = [draw_lab(rng, name=f"lab{i + 1}") for i in range(given.labs)]
    n = write_folder(season_of_cuts(rng, n=given.n, labs=labs, mortality=given.mortality),
                     given.out, labels=not given.no_labels)
    sys.stdout.write(f"{plain_count(n, 'photograph')} in {given.out}\n")
