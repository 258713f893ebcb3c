"""How much structure a green primary has: live centres have rings, cambium is smooth."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["ring_contrast"]

LEAST_RADIUS_PX = 16.0
"""Radius of the primary in the crop below which its structure cannot be told."""


def ring_contrast(crop: NDArray[np.uint8], primary: NDArray[np.bool_]) -> float | None:
    """Measure the contrast of lines and rings inside the primary.

    Parameters
    ----------
    crop : ndarray of uint8, (n, n, 3)
        sRGB picture of the face.
    primary : ndarray of bool, (n, n)

    Returns
    -------
    float or None
        Spread (10th to 90th percentile) of log lightness between a twentieth and about a fifth of
        the radius, inside the inner three quarters; None where the region is too small to tell.

    Notes
    -----
    Trade rule: cut too deep, the cane's cambium is olive green and smooth, a live bud centre is
    brighter green with concentric rings (Missouri State University, bud injury evaluation). Blur
    lowers the measure, so that it is only read on faces found sharp.
    """
    radius = float(np.sqrt(primary.sum() / np.pi))
    if radius < LEAST_RADIUS_PX:
        return None
    light = np.log(cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY).astype(np.float32) + np.float32(8))
    depth = cv2.distanceTransform(primary.astype(np.uint8), cv2.DIST_L2, 3)
    band = cv2.GaussianBlur(light, (0, 0), max(0.8, 0.05 * radius)) - cv2.GaussianBlur(
        light, (0, 0), 0.22 * radius
    )
    low, high = np.quantile(band[depth > 0.25 * float(depth.max())], (0.1, 0.9))
    return float(high - low)
