"""A sheet of held-out renders, the truth beside what was found, to be looked at by people."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from budvision.errors import NothingToDoError
from budvision.learning.scenes import HANDS, Scene
from budvision.photo.overlay import draw_overlay
from budvision.photo.segment import Segmentation, Segmenter, segment
from budvision.photo.windows import window_round
from budvision.verdict.model import ALONE_DOUBT, SWAP_DOUBT
from budvision.vocabulary import LABEL_SCALES, TISSUES, Tissue

__all__ = ["montage"]

Uint8 = NDArray[np.uint8]

TILE_PX: Final = 240
COLUMNS: Final = 5
_STRIP_PX: Final = 38
_EACH: Final = 6
"""Photographs of a kind on a sheet of all kinds, before others come first."""


def _double(image: Uint8) -> tuple[int, int]:
    """Return width and height that bring the longer side to two tiles, for thin lines."""
    scale = 2 * TILE_PX / max(image.shape[:2])
    return max(1, round(image.shape[1] * scale)), max(1, round(image.shape[0] * scale))


def _tile(image: Uint8) -> Uint8:
    scale = TILE_PX / max(image.shape[:2])
    size = (max(1, round(image.shape[1] * scale)), max(1, round(image.shape[0] * scale)))
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    small = cv2.resize(np.ascontiguousarray(image), size, interpolation=how)
    tile = np.full((TILE_PX, TILE_PX, 3), 40, np.uint8)
    top, left = (TILE_PX - small.shape[0]) // 2, (TILE_PX - small.shape[1]) // 2
    tile[top : top + small.shape[0], left : left + small.shape[1]] = small
    return tile


def _texts(found: Segmentation) -> dict[Tissue, str]:
    """Name the tissues, a flanker that may be the other one with a question mark."""
    flankers = [t for t in TISSUES[1:] if found.shows(t)]
    limit = SWAP_DOUBT if len(flankers) > 1 else ALONE_DOUBT
    mark = "?" if found.swap_doubt > limit else ""
    return {t: t.value + (mark if t in flankers else "") for t in TISSUES}


def _of_all_kinds(seeds: Iterable[int], hand: str) -> Iterator[tuple[int, Scene]]:
    """Draw photographs, those to refuse too, passing over kinds that were shown often enough."""
    shown: Counter[str] = Counter()
    for seed in seeds:
        scene = HANDS[hand](seed)
        if any(shown[kind] < _EACH for kind in scene.kinds):
            shown.update(scene.kinds)
            yield seed, scene


def _usable(seeds: Iterable[int], hand: str) -> Iterator[tuple[int, Scene]]:
    return ((seed, scene) for seed in seeds if (scene := HANDS[hand](seed)).usable)


def montage(
    seeds: Iterable[int], *, segmenter: Segmenter, hand: str = "tidy", n: int = 30,
    all_kinds: bool = False,
) -> Uint8:
    """Lay out renders of cut buds, each with the true outlines and the found ones.

    Parameters
    ----------
    seeds : iterable of int
        Photographs that nothing was trained on; unusable ones are passed over.
    segmenter : Segmenter
    hand : str
        Who draws, of `budvision.learning.scenes.HANDS`.
    n : int
        Photographs on the sheet.
    all_kinds : bool
        Show a few of every kind of trouble, those that are to be refused too.

    Returns
    -------
    ndarray of uint8, shape (rows, columns, 3)
        Five pairs a row: truth on the left, found on the right, with the seed and, where it was
        refused, why. A question mark stands where which flanker it is is doubted.

    Raises
    ------
    NothingToDoError
        When none of the photographs is usable.
    """
    cells: list[Uint8] = []
    for seed, scene in _of_all_kinds(seeds, hand) if all_kinds else _usable(seeds, hand):
        found = segment(scene.image, segmenter=segmenter)
        full = found.full_labels(scene.image.shape[0], scene.image.shape[1])
        for tissue in TISSUES:  # as a proposal shows it: what is not exposed is wool
            if not found.shows(tissue):
                full[full == tissue.label] = LABEL_SCALES
        texts = _texts(found)
        reach = cv2.boundingRect((scene.labels > 0).astype(np.uint8))[2:]
        where = (window_round(scene.labels, round(0.15 * max(reach))) if max(reach)
                 else (slice(None), slice(None)))
        large = cv2.resize(np.ascontiguousarray(scene.image[where]), _double(scene.image[where]))
        pair = [
            _tile(draw_overlay(np.asarray(large, np.uint8), np.ascontiguousarray(labels[where]),
                               texts=words))
            for labels, words in ((scene.labels, None), (full, texts))
        ]
        strip = np.full((_STRIP_PX, 2 * TILE_PX, 3), 255, np.uint8)
        codes = ", ".join(reason.code for reason in found.reasons)
        right = "" if scene.usable else f"to refuse: {scene.why_not}"
        for row, text in ((15, f"{seed}  {right}  {'refused: ' + codes if codes else ''}"),
                          (31, ", ".join(scene.kinds))):
            cv2.putText(strip, text, (6, row), cv2.FONT_HERSHEY_SIMPLEX, 0.4, (0, 0, 0), 1,
                        cv2.LINE_AA)
        cells.append(np.vstack([strip, np.hstack(pair)]))
        if len(cells) == n:
            break
    if not cells:
        raise NothingToDoError(
            "none of these photographs can be judged", where="montage",
            expected="at least one usable photograph", do="Draw more of them.")
    while len(cells) % COLUMNS:
        cells.append(np.full_like(cells[0], 255))
    rows = [np.hstack(cells[first : first + COLUMNS]) for first in range(0, len(cells), COLUMNS)]
    return np.vstack(rows)
