"""Sharp, lit and near enough to be judged? Which not, and what to do.

The measures are taken on the square crop round the face, since a blurred bench does not matter.
Thresholds were set on rendered photographs: see `LIMITS`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from budvision.photo.colour import linear_light
from budvision.photo.windows import window_round
from budvision.vocabulary import Reason

__all__ = ["LIMITS", "REASONS", "Quality", "burnt_out", "judge", "measure_quality", "refusals"]

Uint8 = npt.NDArray[np.uint8]

LIMITS: Final[Mapping[str, float]] = MappingProxyType(
    {
        "sharpness": 0.0095,
        "light": 0.010,
        "clipped_share": 0.62,
        "glare_share": 0.6,
        "face_px": 48.0,
        "colour_spread": 6.0,
    }
)
"""Least sharpness, light, face width and colour; most clipped and glaring share.

Set on 2,600 rendered crops so that about 1 in 500 usable ones is refused by each: they are a
backstop. The network judges the same faults itself, and more finely, but for a primary alone that
is burnt out: of 685 usable crops none had over 0.48 of it so.
"""

REASONS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "too_blurred": "The cut face is too blurred to judge. Hold the camera still, focus on the "
        "cut and take it again.",
        "too_dark": "The cut face is too dark to judge. Add light from the side and take it again.",
        "blown_out": "The cut face is overexposed. Lower the exposure or the lamp and take it "
        "again.",
        "glare": "Glare covers the primary. Dab the cut dry or turn the lamp, and take it again.",
        "too_small": "The cut face is too small in the picture. Go nearer and take it again.",
        "no_colour": "The photograph has no colour. Switch the camera to colour and take it "
        "again.",
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Quality:
    """Measures of a crop.

    Attributes
    ----------
    sharpness : float
        95 % less 30 % quantile of the detail finer than two pixels, over the mean brightness.
    light : float
        Median linear light of the face, in [0, 1].
    clipped_share : float
        Share of the face clipped to white.
    glare_share : float
        Share of the primary clipped in two channels or all: its colour is gone.
    face_px : float
        Width of the face in pixels of the photograph at full size.
    colour_spread : float
        Largest less smallest channel, 95 % quantile over the crop, 0 to 255.
    detail : float
        Slope of the detail of one and a half to four pixels, in the direction in which the face
        has least of it, over the mean brightness. A hand that moves takes it away along its way,
        a lens out of focus everywhere; noise is finer.
    """

    sharpness: float
    light: float
    clipped_share: float
    glare_share: float
    face_px: float
    colour_spread: float
    detail: float


def burnt_out(image: Uint8, *, top: float = 250) -> npt.NDArray[np.bool_]:
    """Return where two channels or all have reached the top, so that the colour is gone.

    Parameters
    ----------
    image : ndarray of uint8, shape (rows, columns, 3)
    top : float
        Level from which a channel is burnt out.

    Returns
    -------
    ndarray of bool, shape (rows, columns)
    """
    red, green, blue = cv2.split(image)
    return np.asarray(cv2.max(cv2.min(red, green), cv2.min(cv2.max(red, green), blue)) >= top)


def measure_quality(crop: Uint8, labels: Uint8, *, face_px: float) -> Quality:
    """Measure sharpness, light, clipping and size of a cut face.

    Parameters
    ----------
    crop : ndarray of uint8, shape (n, n, 3)
        sRGB square round the face.
    labels : ndarray of uint8, shape (n, n)
        0 background, 1 to 3 tissues, 4 scales and wool.
    face_px : float
        Width of the face in the photograph at full size.
    """
    face = labels > 0
    if int(face.sum()) < 50:
        face = np.ones_like(face)
    grey = np.asarray(cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY), np.uint8)
    scale = max(float(cv2.mean(grey, face.astype(np.uint8))[0]), 8.0)
    rows, cols = (slice(one.start & ~1, one.stop) for one in window_round(face, 8))
    near, level = face[rows, cols], grey[rows, cols].astype(np.float32)
    fine = level - cv2.GaussianBlur(level, (9, 9), 2.0)
    # the strong edges tell of focus: noise lifts the median of the fine detail, not its tail
    edge = cv2.blur(np.abs(fine), (3, 3))[::2, ::2][near[::2, ::2]]
    low, high = int(0.3 * (edge.size - 1)), int(0.95 * (edge.size - 1))
    edge = np.partition(edge, (low, high))
    sharpness = float(edge[high] - edge[low]) / scale
    red, green, blue = cv2.split(crop)
    most, least = cv2.max(cv2.max(red, green), blue), cv2.min(cv2.min(red, green), blue)
    primary = window_round(labels == 1, 0)
    shown = labels[primary] == 1
    glare_share = (float(burnt_out(np.ascontiguousarray(crop[primary]))[shown].mean())
                   if np.count_nonzero(shown) >= 30 else 0.0)
    counts = np.cumsum(np.bincount(cv2.subtract(most, least).ravel(), minlength=256))
    middle = np.bincount(green[face], minlength=256).cumsum()
    light = linear_light(np.array([[[int(np.searchsorted(middle, middle[-1] / 2))] * 3]], np.uint8))
    return Quality(
        sharpness=sharpness, light=float(light[0, 0, 1]),
        clipped_share=float((least[face] >= 250).mean()), glare_share=glare_share, face_px=face_px,
        colour_spread=float(np.searchsorted(counts, 0.95 * counts[-1])),
        detail=_least_detail(level, near) / scale,
    )


def _least_detail(level: npt.NDArray[np.float32], face: npt.NDArray[np.bool_]) -> float:
    """Return the root mean square slope of the detail in the direction that has least of it."""
    window = window_round(face, 8)
    near, inside = np.ascontiguousarray(level[window]), face[window].astype(np.uint8)
    band = cv2.GaussianBlur(near, (0, 0), 1.5) - cv2.GaussianBlur(near, (0, 0), 4.0)
    across, down = (cv2.Sobel(band, cv2.CV_32F, *way, ksize=3, scale=1 / 8)
                    for way in ((1, 0), (0, 1)))
    inner = cv2.erode(inside, np.ones((9, 9), np.uint8))  # the face's own edge is no detail
    kept = inner if inner.any() else inside
    both, rows, cols = (float(cv2.mean(product, kept)[0]) for product in (
        across * down, down * down, across * across))
    least = np.linalg.eigvalsh([[cols, both], [both, rows]])[0]
    return float(np.sqrt(max(least, 0.0)))


def judge(crop: Uint8, labels: Uint8, *, face_px: float) -> tuple[Reason, ...]:
    """Say why a cut face cannot be judged; nothing where it can.

    Parameters
    ----------
    crop, labels, face_px
        As for `measure_quality`.

    Returns
    -------
    tuple of Reason
        Codes ``too_blurred``, ``too_dark``, ``blown_out``, ``glare``, ``too_small`` and
        ``no_colour``, each with the next step.
    """
    return refusals(measure_quality(crop, labels, face_px=face_px))


def refusals(seen: Quality) -> tuple[Reason, ...]:
    """Return the reasons of `judge` from what was measured already."""
    codes = [
        ("too_small", seen.face_px < LIMITS["face_px"]),
        ("too_dark", seen.light < LIMITS["light"]),
        ("blown_out", seen.clipped_share > LIMITS["clipped_share"]),
        ("glare", seen.glare_share > LIMITS["glare_share"]),
        ("no_colour", seen.colour_spread < LIMITS["colour_spread"]),
        ("too_blurred", seen.sharpness < LIMITS["sharpness"]),
    ]
    return tuple(Reason(code, REASONS[code]) for code, bad in codes if bad)
