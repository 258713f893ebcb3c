"""Count the gate's three answers, both ways: good photographs held up, bad ones let through.

``python -m budvision.learning.gate_table [--folder DIR] [--renders N] [--standin N]``

A folder holds ``truth.jsonl`` with ``file``, ``usable``, ``mask`` and ``outline_px`` of each
photograph. Good ones of it are also spoilt by degrees, since a fault asked for says nothing of
where it begins to matter.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from budvision.learning.observe import BORDERLINE, draw_scene, draw_standin
from budvision.photo.overlay import encode_picture
from budvision.verdict.propose import Proposer, propose_photo
from budvision.vocabulary import GateAnswer

__all__ = ["count_answers", "main", "smeared", "veiled"]

Uint8 = npt.NDArray[np.uint8]

SMEARS: Final = (0.03, 0.05, 0.08, 0.12, 0.18)
"""Way of the hand as a share of the face's long axis."""
VEILS: Final = (0.05, 0.15, 0.3, 0.5)
"""Share of the tissue under a reflection."""
FIRST_SEED: Final = 7_700_000_000


def smeared(image: Uint8, length_px: float, angle: float) -> Uint8:
    """Smear a photograph as a hand that moves does: along a line, in linear light.

    Parameters
    ----------
    image : ndarray of uint8, shape (rows, columns, 3)
    angle : float
        Radians.
    """
    side = max(3, int(np.ceil(length_px)) | 1)
    kernel = np.zeros((side, side), np.float32)
    way = np.array([np.cos(angle), np.sin(angle)]) * length_px / 2
    ends = [tuple(np.rint(side // 2 + sign * way).astype(int).tolist()) for sign in (-1, 1)]
    cv2.line(kernel, ends[0], ends[1], 1.0, 1, cv2.LINE_AA)
    light = (image.astype(np.float32) / 255) ** 2.2
    moved = cv2.filter2D(light, -1, kernel / kernel.sum(), borderType=cv2.BORDER_REFLECT)
    return np.asarray(np.clip(moved, 0, 1) ** (1 / 2.2) * 255 + 0.5, np.uint8)


def veiled(image: Uint8, labels: Uint8, *, share: float, rng: np.random.Generator) -> Uint8:
    """Lay a reflection with a soft edge over a share of the tissue.

    Parameters
    ----------
    image : ndarray of uint8, shape (rows, columns, 3)
    labels : ndarray of uint8, shape (rows, columns)
        1 to 3 are tissues.
    share : float
        Of the tissue, in (0, 1).
    """
    tissue = (labels >= 1) & (labels <= 3)
    rows, cols = np.nonzero(tissue)
    start = int(rng.integers(rows.size))
    down, across = np.mgrid[: labels.shape[0], : labels.shape[1]].astype(np.float32)
    down, across = down - rows[start], across - cols[start]
    turn, flat = float(rng.uniform(0, np.pi)), float(rng.uniform(1, 2))
    away = np.hypot(across * np.cos(turn) + down * np.sin(turn),
                    (down * np.cos(turn) - across * np.sin(turn)) * flat)
    away += 36 * cv2.GaussianBlur(rng.normal(0, 1, labels.shape).astype(np.float32), (0, 0), 12)
    reach = float(np.quantile(away[tissue], share))
    strength = 1 / (1 + np.exp(np.clip((away - reach) / max(3.0, 0.06 * abs(reach)), -30, 30)))
    light = (image.astype(np.float32) / 255) ** 2.2 + strength[..., None] * rng.uniform(0.9, 1.6)
    return np.asarray(np.clip(light, 0, 1) ** (1 / 2.2) * 255 + 0.5, np.uint8)


def _of_folder(folder: Path, rng: np.random.Generator) -> Iterator[tuple[str, bytes]]:
    rows = [json.loads(line) for line in (folder / "truth.jsonl").read_text().splitlines()]
    good = [row for row in rows if row["usable"]]
    for row in rows:
        yield ("usable" if row["usable"] else "not usable"), (folder / row["file"]).read_bytes()
    for number, row in enumerate(good):
        image = np.asarray(cv2.imread(str(folder / row["file"])), np.uint8)[..., ::-1]
        labels = np.asarray(cv2.imread(str(folder / row["mask"]), cv2.IMREAD_GRAYSCALE), np.uint8)
        long_px = float(np.ptp(np.array(row["outline_px"]), axis=0).max())
        smear, veil = SMEARS[number % len(SMEARS)], VEILS[number % len(VEILS)]
        moved = smeared(image, smear * long_px, float(rng.uniform(0, np.pi)))
        yield (f"smeared over {100 * smear:.0f} % of the face",
               encode_picture(moved, "jpeg", quality=92))
        glared = veiled(image, labels, share=veil, rng=rng)
        yield (f"reflection over {100 * veil:.0f} % of the tissue",
               encode_picture(glared, "jpeg", quality=92))


def _of_renders(n: int, *, standin: bool) -> Iterator[tuple[str, bytes]]:
    name = "second renderer" if standin else "renderer"
    for number in range(n):
        scene = (draw_standin if standin else draw_scene)(FIRST_SEED + number)
        if scene.why_not == BORDERLINE:
            continue
        kind = "usable" if scene.usable else f"not usable ({scene.why_not or 'no_cut_face'})"
        yield f"{name}: {kind}", encode_picture(scene.image, "jpeg", quality=92)


def count_answers(
    photographs: Iterator[tuple[str, bytes]], *, proposer: Proposer
) -> dict[str, Counter[GateAnswer]]:
    """Count the gate's answers for each kind of photograph.

    Parameters
    ----------
    photographs : iterator of (str, bytes)
        Kind and file.

    Returns
    -------
    dict of str to Counter of GateAnswer
    """
    table: dict[str, Counter[GateAnswer]] = {}
    for kind, data in photographs:
        proposal, _ = propose_photo(data, proposer=proposer, with_labels=False)
        table.setdefault(kind, Counter())[proposal.answer] += 1
    return table


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command."""
    parser = argparse.ArgumentParser(
        prog="python -m budvision.learning.gate_table", description=__doc__.split("\n")[0])
    parser.add_argument("--folder", type=Path, help="folder with truth.jsonl")
    parser.add_argument("--renders", type=int, default=0, help="photographs of the renderer")
    parser.add_argument("--standin", type=int, default=0, help="of the second renderer")
    parser.add_argument("--model", default=None, help="name or path; the default model if left out")
    given = parser.parse_args(arguments)
    proposer = Proposer.load(given.model)
    table: dict[str, Counter[GateAnswer]] = {}
    if given.folder is not None:
        table |= count_answers(_of_folder(given.folder, np.random.default_rng(5)),
                               proposer=proposer)
    table |= count_answers(_of_renders(given.renders, standin=False), proposer=proposer)
    table |= count_answers(_of_renders(given.standin, standin=True), proposer=proposer)
    out = sys.stdout
    out.write(f"{'photographs':44}{'n':>6}{'good':>8}{'look':>8}{'again':>8}\n")
    for kind, counts in sorted(table.items()):
        row = "".join(f"{counts[answer]:8}" for answer in GateAnswer)
        out.write(f"{kind:44}{counts.total():6}{row}\n")


if __name__ == "__main__":
    main()
