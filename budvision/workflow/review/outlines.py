"""Labels as outlines for pages: SVG paths in pixels of the upright photograph at full size."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from budvision.store.queries.proposals import Region
from budvision.vocabulary import TISSUES, Tissue

__all__ = ["Outline", "outline_of_mask", "outlines"]

_ROUND_PX = 4
"""Margin within which smoothing sees nothing of what lies beyond; the rest is not traced."""
_FINER = 3
"""Enlargement before tracing."""
_SMOOTH = cv2.getGaussianKernel(13, 0.6 * _FINER, cv2.CV_32F)


@dataclass(frozen=True, slots=True)
class Outline:
    """One tissue's outline.

    Attributes
    ----------
    path : str
        SVG path data, x and y in pixels of the upright photograph at full size.
    letter : tuple of float
        (x, y) of the topmost point, for the tissue's letter: the growing point in the middle is
        what is judged, and stays free.
    """

    path: str
    letter: tuple[float, float]


def outlines(region: Region | None) -> dict[Tissue, Outline]:
    """Return the outline of every tissue that a region shows."""
    if region is None:
        return {}
    found: dict[Tissue, Outline] = {}
    for tissue in TISSUES:
        one = outline_of_mask(region.labels == tissue.label, region.box)
        if one is not None:
            found[tissue] = one
    return found


def outline_of_mask(
    mask: npt.NDArray[np.bool_], box: tuple[int, int, int, int]
) -> Outline | None:
    """Trace a mask, smoothed by about half of one of its pixels.

    Parameters
    ----------
    mask : ndarray of bool, shape (rows, columns)
        The tissue.
    box : tuple of int
        (row0, col0, row1, col1) that the mask covers, in pixels of the photograph.

    Returns
    -------
    Outline or None
        None for an empty mask.
    """
    if not mask.any():
        return None
    rows, cols = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    top, left = max(0, int(rows[0]) - _ROUND_PX), max(0, int(cols[0]) - _ROUND_PX)
    near = mask[top:int(rows[-1]) + 1 + _ROUND_PX, left:int(cols[-1]) + 1 + _ROUND_PX]
    padded = np.pad(near.astype(np.uint8) * 255, 2)
    fine = cv2.resize(padded, None, fx=_FINER, fy=_FINER, interpolation=cv2.INTER_LINEAR)
    # cv2.GaussianBlur rounds otherwise, by 1 of 255 at most, and takes five times as long
    big = (cv2.sepFilter2D(fine, cv2.CV_8U, _SMOOTH, _SMOOTH) > 127).astype(np.uint8)
    if not big.any():
        big = (fine > 127).astype(np.uint8)
    contours, _ = cv2.findContours(big, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    row0, col0, row1, col1 = box
    step_x, step_y = (col1 - col0) / mask.shape[1], (row1 - row0) / mask.shape[0]

    def place(x: float, y: float) -> tuple[float, float]:
        return (
            col0 + ((x + 0.5) / _FINER - 2 + left) * step_x,
            row0 + ((y + 0.5) / _FINER - 2 + top) * step_y,
        )

    parts: list[str] = []
    for contour in contours:
        slim = cv2.approxPolyDP(contour, 0.7, True)[:, 0, :]
        if len(slim) < 3:
            continue
        points = " ".join("{:.1f} {:.1f}".format(*place(float(x), float(y))) for x, y in slim)
        parts.append(f"M{points}Z")
    y = int(np.flatnonzero(big.any(axis=1))[0])
    x = float(np.flatnonzero(big[y]).mean())
    return Outline(" ".join(parts), place(x, float(y)))
