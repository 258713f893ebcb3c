"""Examples cut out of a folder of path-traced photographs with masks and truth.

The folder holds ``truth.jsonl``, one line a photograph, with ``images/`` and ``masks/`` (0
background, 1 to 3 tissues, 4 scales and wool). Photographs whose number leaves 2 when divided by
`FOLDS` are held out: nothing is trained on them.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from budvision.photo.locate import OUTSIDE
from budvision.render.examples import UNKNOWN, Example, heat_of
from budvision.render.fields import Array
from budvision.render.process import processed
from budvision.vocabulary import TISSUES

__all__ = ["BROWN_UNKNOWN", "FOLDS", "TracedPhoto", "is_held_out", "load_traced", "traced_example"]

FOLDS = 3
BROWN_UNKNOWN = 128
"""Brownness of pixels of tissue that is brown in part, nobody knows where."""
_WHY_NOT = {"very_blurred": "too_blurred", "very_dark": "too_dark", "blown_out": "blown_out"}


@dataclass(frozen=True, slots=True, kw_only=True)
class TracedPhoto:
    """One photograph with its truth.

    Attributes
    ----------
    number : int
    image, labels : ndarray of uint8
        (rows, cols, 3) RGB and (rows, cols).
    state : tuple of int
        1 dead, 0 live, UNKNOWN where the tissue does not show.
    exposed : tuple of bool
    brown : tuple of float
        Brown share of each tissue.
    points : tuple
        (row, col, radius) of each growing point in pixels, None where it does not show.
    judgement : str
        Of `JUDGEMENTS`.
    face : tuple of float
        Row, column and long side of the face; of the whole picture where there is none.
    """

    number: int
    image: Array
    labels: Array
    state: tuple[int, ...]
    exposed: tuple[bool, ...]
    brown: tuple[float, ...]
    points: tuple[tuple[float, float, float] | None, ...]
    judgement: str
    face: tuple[float, float, float]


def is_held_out(number: int) -> bool:
    """Say whether nothing may be trained on the photograph of that number."""
    return number % FOLDS == 2


def _judgement_of(truth: dict[str, Any]) -> str:
    if truth["kind"] == "distractor":
        return "too_deep" if truth.get("distractor") == "cane_section" else "no_cut_face"
    if truth["kind"] == "unusable":
        return _WHY_NOT[truth["unusable_reason"]]
    return "usable"


def load_traced(folder: Path, *, held_out: bool | None = None) -> list[TracedPhoto]:
    """Read the photographs of a folder: all, those held out, or those to train on."""
    found = []
    for line in (folder / "truth.jsonl").read_text(encoding="utf-8").splitlines():
        truth = json.loads(line)
        number = int(truth["index"])
        if held_out is not None and is_held_out(number) != held_out:
            continue
        image = np.asarray(cv2.imread(str(folder / truth["file"])), np.uint8)
        labels = np.asarray(cv2.imread(str(folder / truth["mask"]), cv2.IMREAD_GRAYSCALE), np.uint8)
        scale = image.shape[1] / float(truth["width"])
        if labels.shape != image.shape[:2]:
            size = (image.shape[1], image.shape[0])
            labels = np.asarray(
                cv2.resize(labels, size, interpolation=cv2.INTER_NEAREST), np.uint8)
        own = [truth["tissues"][tissue.value] for tissue in TISSUES]
        rows, cols = np.nonzero(labels)
        face = (image.shape[0] / 2, image.shape[1] / 2, 0.8 * max(image.shape[:2]))
        if rows.size:
            face = (float(rows.min() + rows.max()) / 2, float(cols.min() + cols.max()) / 2,
                    float(max(np.ptp(rows), np.ptp(cols)) + 1))
        points: list[tuple[float, float, float] | None] = []
        for one in own:
            if not one.get("visible"):
                points.append(None)
                continue
            x, y = (scale * float(v) for v in one["growing_point_px"])
            points.append((y, x, scale * float(np.sqrt(one["area_px"] / np.pi))))
        found.append(TracedPhoto(
            number=number, image=np.ascontiguousarray(image[..., ::-1]), labels=labels,
            state=tuple(int(one["verdict"] == "dead") if one.get("visible") else UNKNOWN
                        for one in own),
            exposed=tuple(bool(one.get("visible")) for one in own),
            brown=tuple(float(one.get("brown_fraction") or 0.0) for one in own),
            points=tuple(points), judgement=_judgement_of(truth), face=face))
    return found


def traced_example(
    rng: np.random.Generator, photo: TracedPhoto, *, side_px: int, close: bool
) -> Example:
    """Cut a turned and scaled square out of a photograph, round the face or of the whole."""
    row, col, long_px = photo.face
    if close:
        wanted = side_px * float(rng.uniform(0.55, 0.95))
        shift = rng.normal(0, 0.05, 2) * long_px
    else:
        wanted = long_px * side_px / max(photo.image.shape[:2]) * float(rng.uniform(0.5, 1.4))
        row, col = photo.image.shape[0] / 2, photo.image.shape[1] / 2
        shift = rng.normal(0, 0.05, 2) * max(photo.image.shape[:2])
    zoom = wanted / max(long_px, 1.0)
    angle = float(rng.uniform(0, 360))
    image = photo.image
    less = 1.0
    if zoom < 0.6:
        less = zoom / 0.6
        image = cv2.resize(image, None, fx=less, fy=less, interpolation=cv2.INTER_AREA)
    middle = (col + float(shift[0]), row + float(shift[1]))
    turn = np.asarray(cv2.getRotationMatrix2D(middle, angle, zoom), np.float64)
    turn[:, 2] += side_px / 2 - np.array([col + shift[0], row + shift[1]])
    if rng.random() < 0.5:
        turn[0] = -turn[0]
        turn[0, 2] += side_px
    small = turn.copy()
    small[:, :2] /= less
    grey = (OUTSIDE, OUTSIDE, OUTSIDE)
    size = (side_px, side_px)
    square = cv2.warpAffine(image, small, size, flags=cv2.INTER_LINEAR, borderValue=grey)
    labels = cv2.warpAffine(photo.labels, turn, size, flags=cv2.INTER_NEAREST)
    brown = np.zeros((side_px, side_px), np.uint8)
    points = []
    for k, point in enumerate(photo.points):
        if point is None:
            continue
        x, y = turn @ np.array([point[1], point[0], 1.0])
        points.append((float(y), float(x), point[2] * zoom))
        share = photo.brown[k]
        level = 0 if share < 0.02 else 255 if share > 0.97 else BROWN_UNKNOWN
        brown[labels == k + 1] = level
    heat = np.where((labels > 0) & (labels < 4), heat_of(points, size), 0).astype(np.uint8)
    if rng.random() < 0.45:
        process = ("usb", "phone", "smear")[int(rng.choice(3, p=(0.5, 0.3, 0.2)))]
        square = processed(np.asarray(square, np.uint8), rng, process=process, face_px=wanted)
    whole = [int((photo.labels == k).sum()) * zoom**2 for k in (1, 2, 3)]
    left = [int((labels == k).sum()) for k in (1, 2, 3)]
    exposed = [
        0 if left[k] < 4 else UNKNOWN if left[k] < 0.6 * whole[k] else 1 for k in range(3)]
    judgement = photo.judgement
    if judgement == "usable" and left[0] < 0.7 * whole[0]:
        judgement = ""
    return Example(
        image=np.asarray(square, np.uint8), labels=np.asarray(labels, np.uint8), growing=heat,
        dead=brown, exposed=(exposed[0], exposed[1], exposed[2]),
        state=(photo.state[0], photo.state[1], photo.state[2]), judgement=judgement, close=close)
