"""The smallest rows and columns round a region, so that work is done only where it counts."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Window", "window_round"]

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
