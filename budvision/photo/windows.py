"""The smallest rows and columns round a region, so that work is done only where it counts."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Window", "depth_round", "window_round"]

Window = tuple[slice, slice]


def window_round(region: NDArray[Any], margin: int) -> Window:
    """Return the smallest rows and columns round what is not 0, with a margin where there is room.

    Parameters
    ----------
    region : ndarray, shape (rows, columns)
    margin : int
        Pixels.

    Returns
    -------
    tuple of slice
        Rows and columns; empty ones where nothing is in the region.
    """
    rows, columns = np.flatnonzero(region.any(axis=1)), np.flatnonzero(region.any(axis=0))
    if not rows.size:
        return slice(0), slice(0)
    return (
        slice(max(0, rows[0] - margin), rows[-1] + 1 + margin),
        slice(max(0, columns[0] - margin), columns[-1] + 1 + margin),
    )


def depth_round(depth: NDArray[np.float32], point: tuple[int, int]) -> NDArray[np.float32]:
    """Return depth below the rim as if a growing point were the deepest.

    Parameters
    ----------
    depth : ndarray of float32, shape (rows, columns)
        Distance to the region's rim in pixels; 0 outside.
    point : tuple of int
        Row and column of the growing point.

    Returns
    -------
    ndarray of float32, shape (rows, columns)
        Nearness to the point times a mix of 0.35 and 0.65 of the depth; 0 outside.
    """
    inside = np.flatnonzero(depth > 0)
    rows, cols = np.divmod(inside, depth.shape[1])
    away = np.hypot(rows - point[0], cols - point[1])
    near = np.clip(1.0 - away / max(float(away.max(initial=0.0)), 1.0), 0, None)
    rim = depth.ravel().take(inside) / max(float(depth.max()), 1e-6)
    round_it = np.zeros(depth.shape, np.float32)
    round_it.ravel()[inside] = np.maximum(near * (0.35 + 0.65 * rim), 1e-3)
    return round_it
