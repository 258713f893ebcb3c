"""Contact sheets: many renders on one picture, to look at."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from budvision.render.cut import render_cut
from budvision.render.fields import Array
from budvision.render.negatives import NEGATIVES, render_negative
from budvision.render.world import sample_world

__all__ = ["contact_sheet", "sheet_of_world"]


def contact_sheet(pictures: Sequence[Array], *, columns: int = 8, tile_px: int = 160) -> Array:
    """Lay pictures out in rows, each brought to a square tile.

    Parameters
    ----------
    pictures : sequence of ndarray of uint8, (rows, cols, 3)
    columns, tile_px : int

    Returns
    -------
    ndarray of uint8
        Black where the last row is not full.
    """
    rows = -(-len(pictures) // columns)
    sheet = np.zeros((rows * tile_px, columns * tile_px, 3), np.uint8)
    for at, picture in enumerate(pictures):
        row, col = divmod(at, columns)
        tile = cv2.resize(picture, (tile_px, tile_px), interpolation=cv2.INTER_AREA)
        sheet[row * tile_px : (row + 1) * tile_px, col * tile_px : (col + 1) * tile_px] = tile
    return sheet


def sheet_of_world(rng: np.random.Generator, *, cuts: int = 32, others: int = 8) -> Array:
    """Draw a contact sheet of cuts in random worlds, then of pictures to refuse."""
    pictures = []
    for _ in range(cuts):
        world = sample_world(rng, face_share=(0.4, 0.95), fault="")
        pictures.append(render_cut(rng, world=world, size_px=192).image)
    for at in range(others):
        kind = NEGATIVES[at * len(NEGATIVES) // max(1, others)]
        pictures.append(render_negative(rng, kind=kind, size_px=192))
    return contact_sheet(pictures)
