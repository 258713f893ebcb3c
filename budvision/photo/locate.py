"""Find the cut face in a whole photograph and cut the square round it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeVar, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from budvision.photo.segmenter import Segmenter, softmax

__all__ = [
    "Near",
    "Place",
    "box_round",
    "cut_out",
    "inside_of",
    "letterboxed",
    "look_near",
    "quarter_turns",
    "seek",
    "turned_box",
    "turned_by",
]

Uint8 = NDArray[np.uint8]
Float32 = NDArray[np.float32]
Box = tuple[int, int, int, int]
Picture = TypeVar("Picture", bound=NDArray[Any])

FRAME_PX = 256
"""Side of the first look."""
FINE_FRAME_PX = 512
"""Side of a second first look, where the first found nothing and the picture is large enough."""
OUTSIDE = 114
"""Grey level of what lies outside the photograph, as in training."""
FACE_OF_CROP = 0.74
"""Long side of the face over the side of the square round it."""


def quarter_turns(image: Uint8) -> int:
    """Return how many counter-clockwise quarter turns bring the brightest half on top."""
    rows, cols = max(1, image.shape[0] // 2), max(1, image.shape[1] // 2)
    halves = (image[:rows], image[:, -cols:], image[-rows:], image[:, :cols])
    return int(np.argmax([sum(cv2.mean(half)[:3]) for half in halves]))


def turned_by(image: Picture, turns: int) -> Picture:
    """Turn a picture counter-clockwise by quarter turns; unlike a view it lies whole in memory."""
    how = (None, cv2.ROTATE_90_COUNTERCLOCKWISE, cv2.ROTATE_180, cv2.ROTATE_90_CLOCKWISE)[turns % 4]
    return image if how is None else cast(Picture, cv2.rotate(image, how))


@dataclass(frozen=True, slots=True)
class Place:
    """The face in the turned frame: centre and long side in pixels of the image."""

    row: float
    col: float
    long_px: float


def letterboxed(image: Uint8, side: int, turns: int = 0) -> tuple[Uint8, float, int, int]:
    """Lay a picture into a grey square, turned; return it, its scale and its upper left corner.

    Parameters
    ----------
    image : ndarray of uint8, (rows, cols, 3)
    side : int
        Of the square, in pixels.
    turns : int
        Counter-clockwise quarter turns; turning what is small costs little.
    """
    scale = side / max(image.shape[:2])
    size = (max(1, round(image.shape[1] * scale)), max(1, round(image.shape[0] * scale)))
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    small = turned_by(np.asarray(cv2.resize(image, size, interpolation=how), np.uint8), turns)
    square = np.full((side, side, 3), OUTSIDE, np.uint8)
    top, left = (side - small.shape[0]) // 2, (side - small.shape[1]) // 2
    square[top : top + small.shape[0], left : left + small.shape[1]] = small
    return square, scale, top, left


def _biggest(face: Float32, least: int) -> tuple[float, float, float] | None:
    """Return centre and long side of the heaviest region of face probability, in map pixels."""
    mask = (face > 0.5).astype(np.uint8)
    count, index, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    best, weight = 0, 0.0
    for k in range(1, count):
        if stats[k, cv2.CC_STAT_AREA] >= least:
            own = float(face[index == k].sum())
            if own > weight:
                best, weight = k, own
    if not best:
        return None
    x, y, w, h = (int(stats[best, k]) for k in range(4))
    return y + h / 2, x + w / 2, float(max(w, h))


def seek(image: Uint8, segmenter: Segmenter, turns: int) -> tuple[Place | None, Float32]:
    """Look at the whole frame, once more and finer where nothing was found in a large picture.

    Parameters
    ----------
    image : ndarray of uint8, (rows, cols, 3)
    segmenter : Segmenter
    turns : int
        Counter-clockwise quarter turns of `image` to look at.

    Returns
    -------
    place : Place or None
        In the turned frame.
    judged : ndarray of float32
        Share of each judgement on the whole frame.
    """
    place, judged = _look(image, segmenter, FRAME_PX, turns)
    if place is None and max(image.shape[:2]) >= 1.5 * FINE_FRAME_PX:
        place, judged = _look(image, segmenter, FINE_FRAME_PX, turns)
    return place, judged


def _look(
    image: Uint8, segmenter: Segmenter, side: int, turns: int
) -> tuple[Place | None, Float32]:
    square, scale, top, left = letterboxed(image, side, turns)
    maps, whole = segmenter.run(square)
    shares = softmax(maps[:5])
    tissue = 1 - shares[0]
    found = _biggest(tissue, 6)
    judged = softmax(whole[3:])
    if found is None:
        return None, judged
    row, col, long = (value * 2 for value in found)
    return Place((row - top) / scale, (col - left) / scale, long / scale), judged


def cut_out(image: Uint8, box: Box, side: int, turns: int) -> Uint8:
    """Cut a square out of a turned picture; only what is cut out is turned.

    Parameters
    ----------
    image : ndarray of uint8, (rows, cols, 3)
    box : tuple of int
        (row0, col0, row1, col1) in the turned picture; it may lie partly outside.
    side : int
        Of the square that comes out, in pixels.
    turns : int
        Counter-clockwise quarter turns of `image`.
    """
    rows, cols = image.shape[:2]
    row0, col0, row1, col1 = turned_box(box, turns, (rows, cols))
    part: Uint8 = image[max(0, row0) : min(rows, row1), max(0, col0) : min(cols, col1)]
    pads = (max(0, -row0), max(0, row1 - rows), max(0, -col0), max(0, col1 - cols))
    if any(pads):
        grey = (OUTSIDE, OUTSIDE, OUTSIDE)
        part = np.asarray(
            cv2.copyMakeBorder(part, *pads, cv2.BORDER_CONSTANT, value=grey), np.uint8
        )
    how = cv2.INTER_AREA if part.shape[0] > side else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(turned_by(part, turns), (side, side), interpolation=how), np.uint8)


def inside_of(box: Box, shape: tuple[int, int], side: int) -> tuple[slice, slice]:
    """Return the rows and columns of a crop that lie inside a photograph of `shape`."""
    slices = []
    for low, high, size in ((box[0], box[2], shape[0]), (box[1], box[3], shape[1])):
        per_px = side / (high - low)
        first = max(0, round(-low * per_px))
        slices.append(slice(first, max(first, side - max(0, round((high - size) * per_px)))))
    return slices[0], slices[1]


def box_round(place: Place) -> tuple[int, int, int, int]:
    side = max(16, round(place.long_px / FACE_OF_CROP))
    row0, col0 = round(place.row - side / 2), round(place.col - side / 2)
    return row0, col0, row0 + side, col0 + side


def turned_box(
    box: tuple[int, int, int, int], turns: int, shape: tuple[int, int]
) -> tuple[int, int, int, int]:
    """Bring a box of the turned image (turned `turns` times) back to the image of `shape`."""
    row0, col0, row1, col1 = box
    rows, cols = shape
    if turns == 1:
        return col0, cols - row1, col1, cols - row0
    if turns == 2:
        return rows - row1, cols - col1, rows - row0, cols - col0
    if turns == 3:
        return rows - col1, row0, rows - col0, row1
    return box


@dataclass(frozen=True, slots=True, kw_only=True)
class Near:
    """The look at the square round the face; `face_px` is its long side in pixels of the image.

    `shares` are those of the labels, `maps` the logits of what else it tells of each pixel.
    """

    box: Box
    crop: Uint8
    shares: Float32
    maps: Float32
    whole: Float32
    face_px: float


def look_near(image: Uint8, turns: int, place: Place, segmenter: Segmenter) -> Near:
    """Segment the square round a face, once more where the first square was off."""
    half = segmenter.crop_px / 2
    for attempt in range(2):
        box = box_round(place)
        crop = cut_out(image, box, segmenter.crop_px, turns)
        maps, whole = segmenter.run(crop)
        shares = softmax(maps[:5])
        seen = _biggest(1 - shares[0], 20)
        if attempt or seen is None:
            break
        per_px = (box[2] - box[0]) / half
        now = Place(box[0] + seen[0] * per_px, box[1] + seen[1] * per_px, seen[2] * per_px)
        off = np.hypot(now.row - place.row, now.col - place.col) / (box[2] - box[0])
        if 0.75 < now.long_px / place.long_px < 1.3 and off < 0.12:
            break
        place = now
    face_px = place.long_px if seen is None else seen[2] * (box[2] - box[0]) / half
    return Near(box=box, crop=crop, shares=shares, maps=maps[5:], whole=whole, face_px=face_px)
