"""What a person could see in a finished photograph, and of each tissue in it.

A render knows every label, also of tissue that nobody could tell in the photograph: burnt out to
white, of the same colour as the wool beside it, or cut off by the edge of the frame. And it knows
what fault was asked for, also where a lamp turned up too far has left dark tissue well lit. What
cannot be seen is asked neither of the network nor of the evaluation.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np

from budvision.photo.quality import burnt_out
from budvision.photo.windows import window_round
from budvision.render.fields import Array
from budvision.vocabulary import TISSUES, Tissue

__all__ = [
    "DARK_BELOW",
    "LEAST_DIFFERENCE",
    "MOST_CLIPPED",
    "Sight",
    "can_be_told",
    "on_the_border",
    "sights",
]

LEAST_DIFFERENCE = 6.0
"""Colour difference (CIE 1976) from what lies round a tissue below which nobody tells it."""
MOST_CLIPPED = 0.5
"""Share of a tissue burnt out above which nobody can judge it."""
DARK_BELOW = 75.0
"""Grey level (0 to 255) that a tenth of the face exceeds: below it the face is dark. Of renders
meant to be too dark all lie below 72, of good ones 1 in 60 (900 photographs)."""
_CROP_PX = 160
_BURNT_FROM = 250


@dataclass(frozen=True, slots=True)
class Sight:
    """How well one tissue shows.

    Attributes
    ----------
    difference : float
        Colour difference (CIE 1976) between tissue and surroundings: the larger of that of the
        medians and that of the spreads of lightness.
    clipped : float
        Share of the tissue burnt out in two channels or all, in [0, 1].
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
    white = _burnt_out(small)
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


def on_the_border(image: Array, labels: Array, why_not: str) -> bool:
    """Say whether people would disagree about a photograph that a render calls good or faulty.

    So it is where one meant to be too dark shows the face in the light, one meant to be blown out
    shows most of the primary, and a good one is as dark as those that are too dark.

    Parameters
    ----------
    image, labels
        As for `sights`.
    why_not : str
        Why the render calls it unusable, empty for a good one.
    """
    if why_not not in ("", "too_dark", "blown_out") or not (labels > 0).any():
        return False
    window = window_round(labels, 0)
    part, own = image[window], labels[window]
    face = own > 0
    if why_not == "blown_out":
        primary = own == Tissue.PRIMARY.label
        return bool(_burnt_out(part)[primary if primary.any() else face].mean() <= MOST_CLIPPED)
    grey = cv2.cvtColor(np.ascontiguousarray(part), cv2.COLOR_RGB2GRAY)
    dark = float(np.quantile(grey[face], 0.9)) < DARK_BELOW
    return dark == (why_not == "")


def _burnt_out(image: Array) -> Array:
    """Return where two channels or all stand at the top of what the photograph holds.

    A camera's curve may end below 255: the brightest thousandth of the face tells where.
    """
    highest = float(np.quantile(image.max(2), 0.999))
    top = min(_BURNT_FROM, highest - 4) if highest > 215 else _BURNT_FROM
    return burnt_out(image, top=top)


def _difference(tissue: Array, around: Array) -> float:
    middles = float(np.linalg.norm(np.median(tissue, 0) - np.median(around, 0)))
    spreads = abs(float(tissue[:, 0].std()) - float(around[:, 0].std()))
    return max(middles, 2.0 * spreads)
