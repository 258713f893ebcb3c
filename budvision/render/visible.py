"""What a person could see of each tissue in a finished photograph.

A render knows every label, also of tissue that nobody could tell in the photograph: burnt out to
white, of the same colour as the wool beside it, or cut off by the edge of the frame. What cannot be
seen is asked neither of the network nor of the evaluation.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np

from budvision.photo.windows import window_round
from budvision.render.fields import Array
from budvision.vocabulary import TISSUES, Tissue

__all__ = ["LEAST_DIFFERENCE", "MOST_CLIPPED", "Sight", "can_be_told", "sights"]

LEAST_DIFFERENCE = 6.0
"""Colour difference (CIE 1976) from what lies round a tissue below which nobody tells it."""
MOST_CLIPPED = 0.5
"""Share of a tissue burnt out to white above which nobody can judge it."""
_CROP_PX = 160


@dataclass(frozen=True, slots=True)
class Sight:
    """How well one tissue shows.

    Attributes
    ----------
    difference : float
        Colour difference (CIE 1976) between tissue and surroundings: the larger of that of the
        medians and that of the spreads of lightness.
    clipped : float
        Share of the tissue burnt out to white, in [0, 1].
    cut_off : bool
        Whether the edge of the frame cuts it.
    """

    difference: float
    clipped: float
    cut_off: bool

    @property
    def clear(self) -> bool:
        """Whether a person could tell and judge the tissue."""
        return (
            self.difference >= LEAST_DIFFERENCE
            and self.clipped <= MOST_CLIPPED
            and not self.cut_off
        )


def sights(image: Array, labels: Array) -> Mapping[Tissue, Sight]:
    """Measure how well each labelled tissue shows.

    Parameters
    ----------
    image : ndarray of uint8, (rows, cols, 3)
        Upright sRGB.
    labels : ndarray of uint8, (rows, cols)
        0 background, 1 to 3 tissues, 4 scales and wool.

    Returns
    -------
    mapping of Tissue to Sight
        For the tissues that still show when the face is reduced to 160 pixels.
    """
    window = window_round(labels, 0)
    part, own = image[window], labels[window]
    if not own.size:
        return {}
    height, width = own.shape
    scale = _CROP_PX / max(width, height)
    size = (max(4, round(width * scale)), max(4, round(height * scale)))
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    small = cv2.resize(np.ascontiguousarray(part), size, interpolation=how)
    marks = cv2.resize(np.ascontiguousarray(own), size, interpolation=cv2.INTER_NEAREST)
    lab = cv2.cvtColor(
        cv2.GaussianBlur(small, (0, 0), 1.5).astype(np.float32) / 255, cv2.COLOR_RGB2Lab
    )
    white = small.min(2) >= 250
    found = {}
    for tissue in TISSUES:
        mask = marks == tissue.label
        if not mask.any():
            continue
        reach = max(2, round(0.5 * float(np.sqrt(mask.sum() / np.pi))))
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
        ring = (cv2.dilate(mask.astype(np.uint8), disc) > 0) & ~mask & (marks == 4)
        inner = cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        inner = inner if inner.any() else mask
        full = labels == tissue.label
        found[tissue] = Sight(
            difference=_difference(lab[inner], lab[ring]) if ring.sum() > 8 else 100.0,
            clipped=float(white[mask].mean()),
            cut_off=bool(
                full[0].any() or full[-1].any() or full[:, 0].any() or full[:, -1].any()
            ),
        )
    return found


def can_be_told(
    image: Array, labels: Array, exposed: Mapping[Tissue, bool]
) -> Mapping[Tissue, bool]:
    """Say of each tissue whether a person could tell it; True of one that is not exposed.

    Parameters
    ----------
    image, labels
        As for `sights`.
    exposed : mapping of Tissue to bool
        Whether the cut has reached it.
    """
    seen = sights(image, labels)
    return {t: not exposed[t] or (t in seen and seen[t].clear) for t in TISSUES}


def _difference(tissue: Array, around: Array) -> float:
    middles = float(np.linalg.norm(np.median(tissue, 0) - np.median(around, 0)))
    spreads = abs(float(tissue[:, 0].std()) - float(around[:, 0].std()))
    return max(middles, 2.0 * spreads)
