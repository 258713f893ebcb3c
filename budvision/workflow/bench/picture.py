"""The small picture that the bench shows after each photograph: the face with its outlines."""

from __future__ import annotations

import logging
import re
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from budvision.errors import NotFoundError
from budvision.files import write_whole
from budvision.photo.overlay import draw_overlay, encode_picture
from budvision.photo.read import read_photo
from budvision.store.session import Season

__all__ = ["CACHE", "answer_picture", "put_away", "small_picture"]

_log = logging.getLogger("budvision.bench")

CACHE = Path("cache") / "bench"
"""Folder of a season that holds the bench's small pictures; it may be deleted at any time."""

Uint8 = npt.NDArray[np.uint8]
SIDE_PX, LARGE_PX = 560, 1280
"""Longest side of the picture beside an answer, and where a person is to look for himself."""


def answer_picture(
    image: Uint8, labels: Uint8 | None, *, side_px: int = SIDE_PX,
    places: Sequence[Sequence[float]] = (),
) -> bytes:
    """Draw the outlines of the tissues over the cut face.

    Parameters
    ----------
    image : ndarray of uint8, shape (rows, cols, 3)
        Upright sRGB photograph at any size.
    labels : ndarray of uint8, shape (any rows, any cols), optional
        Labels of the same view at any size; None leaves the photograph as it is.
    side_px : int
        Longest side of the picture.
    places : sequence of (row0, col0, row1, col1)
        In pixels of `image`: what a person is to look at. It is framed, and the outlines are left
        out so that they hide nothing.

    Returns
    -------
    bytes
        A JPEG; lines and words tell the tissues apart, and nothing says live or dead.
    """
    rows, cols = image.shape[:2]
    top, left, bottom, right = 0, 0, rows, cols
    mask: Uint8 | None = None
    if labels is not None and labels.any():
        mask = np.asarray(
            cv2.resize(labels, (cols, rows), interpolation=cv2.INTER_NEAREST), np.uint8)
        at_rows, at_cols = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
        margin = int(0.2 * max(np.ptp(at_rows), np.ptp(at_cols))) + 4
        top, bottom = max(0, at_rows[0] - margin), min(rows, at_rows[-1] + margin + 1)
        left, right = max(0, at_cols[0] - margin), min(cols, at_cols[-1] + margin + 1)
    part = image[top:bottom, left:right]
    scale = side_px / max(part.shape[:2])
    method = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    picture = np.asarray(cv2.resize(part, None, fx=scale, fy=scale, interpolation=method), np.uint8)
    for row0, col0, row1, col1 in places:
        corners = (np.array([[col0 - left, row0 - top], [col1 - left, row1 - top]]) * scale).round()
        ends = [tuple(int(edge) for edge in corner) for corner in corners]
        for colour, width in (((20, 20, 20), 7), ((255, 255, 255), 3)):
            cv2.rectangle(picture, ends[0], ends[1], colour, width)
    if mask is not None and not places:
        picture = draw_overlay(picture, mask[top:bottom, left:right], max_side_px=side_px)
    return encode_picture(picture, "jpeg", quality=85)


def small_picture(season: Season, sha256: str) -> bytes:
    """Return the small picture of a photograph, a JPEG; a plain one where there is none.

    Raises
    ------
    NotFoundError
        When the season has no such photograph.
    """
    if not re.fullmatch(r"[0-9a-f]{64}", sha256) or sha256 not in season.photos:
        raise NotFoundError("there is no such photograph", where="bench", code="no_photo",
                            do="Load the page again.")
    name = f"{sha256}.jpg"
    try:
        return (season.folder / CACHE / name).read_bytes()
    except OSError:
        photo = read_photo(season.photos.path(sha256), max_side_px=SIDE_PX)
        picture = answer_picture(photo.image, None)
        put_away(season, name, picture)
        return picture


def put_away(season: Season, name: str, data: bytes | str) -> None:
    """Keep what can be made again; a full disk is no reason to keep an answer back."""
    path = season.folder / CACHE / name
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, data, lasting=False)
    except OSError as error:
        _log.warning("%s could not be put away (%s)", name, error.strerror)
