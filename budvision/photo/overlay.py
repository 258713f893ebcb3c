"""Outlines for people: each tissue by its own line and letter, told apart without colour."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from budvision.errors import InputError
from budvision.vocabulary import TISSUES, Tissue

__all__ = ["LINES", "draw_overlay", "encode_picture"]

Uint8 = npt.NDArray[np.uint8]

LINES: Final[Mapping[Tissue, tuple[tuple[int, int, int], tuple[int, int]]]] = {
    Tissue.PRIMARY: ((255, 255, 255), (1, 0)),
    Tissue.SECONDARY: ((255, 214, 10), (14, 7)),
    Tissue.TERTIARY: ((90, 200, 255), (3, 6)),
}
"""Colour (sRGB) and dashes (drawn, left out; in line widths) of each tissue's outline: solid white,
long yellow dashes, short blue dots. No pair rests on red against green."""


def draw_overlay(
    image: Uint8, labels: Uint8, *, texts: Mapping[Tissue, str] | None = None,
    max_side_px: int = 1600,
) -> Uint8:
    """Draw the outlines of the tissues on a copy of the photograph.

    Parameters
    ----------
    image : ndarray of uint8, shape (rows, columns, 3)
        Upright sRGB.
    labels : ndarray of uint8, shape (rows, columns) or another size of the same shape
        1 primary, 2 secondary, 3 tertiary; resized to the image where needed.
    texts : mapping of Tissue to str, optional
        What to write beside each; the tissue's name when left out.
    max_side_px : int
        Longest side of the result.

    Returns
    -------
    ndarray of uint8, shape (rows', columns', 3)
    """
    shrink = min(1.0, max_side_px / max(image.shape[:2]))
    size = (max(1, round(image.shape[1] * shrink)), max(1, round(image.shape[0] * shrink)))
    picture = np.array(cv2.resize(image, size, interpolation=cv2.INTER_AREA), np.uint8)
    small = cv2.resize(labels, size, interpolation=cv2.INTER_NEAREST)
    width = max(1, round(max(size) / 500))
    for tissue in TISSUES:
        region = (small == tissue.label).astype(np.uint8)
        if not region.any():
            continue
        colour, dashes = LINES[tissue]
        contours, _ = cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        for contour in contours:
            if len(contour) < 8:
                continue
            points = contour[:, 0, :]
            _dashed(picture, points, (0, 0, 0), width + 2 * max(1, width // 2), (1, 0))
            _dashed(picture, points, colour, width, dashes)
        text = tissue.value if texts is None else texts.get(tissue, tissue.value)
        _write(picture, text, region, colour, width)
    return picture


def _dashed(
    picture: Uint8, points: npt.NDArray[np.int32], colour: tuple[int, int, int], width: int,
    dashes: tuple[int, int],
) -> None:
    drawn, left_out = dashes[0] * width, dashes[1] * width
    if not left_out:
        cv2.polylines(picture, [points], True, colour, width, cv2.LINE_AA)
        return
    for start in range(0, len(points), drawn + left_out):
        piece = points[start : start + drawn + 1]
        cv2.polylines(picture, [piece], False, colour, width + 1, cv2.LINE_AA)


def _write(
    picture: Uint8, text: str, region: Uint8, colour: tuple[int, int, int], width: int
) -> None:
    rows, columns = np.nonzero(region)
    scale = max(0.45, max(picture.shape[:2]) / 1600)
    font = cv2.FONT_HERSHEY_SIMPLEX
    (text_width, text_height), _ = cv2.getTextSize(text, font, scale, width)
    x = int(np.clip(columns.mean() - text_width / 2, 2, picture.shape[1] - text_width - 2))
    y = int(rows.min()) - 6
    if y < text_height + 2:
        y = min(picture.shape[0] - 4, int(rows.max()) + text_height + 6)
    cv2.putText(picture, text, (x, y), font, scale, (0, 0, 0), width * 2 + 2, cv2.LINE_AA)
    cv2.putText(picture, text, (x, y), font, scale, colour, width, cv2.LINE_AA)


def encode_picture(picture: Uint8, kind: str, *, quality: int = 88) -> bytes:
    """Encode a picture for a page or a file.

    Parameters
    ----------
    picture : ndarray of uint8, shape (rows, columns, 3) or (rows, columns)
        sRGB, or labels (as PNG only).
    kind : str
        ``png`` or ``jpeg``.
    quality : int
        Of a JPEG, 1 to 100.

    Raises
    ------
    InputError
        For another kind.
    """
    if kind not in ("png", "jpeg"):
        raise InputError(f"kind is {kind!r}", expected="png or jpeg", where="encode_picture")
    options = [cv2.IMWRITE_JPEG_QUALITY, quality] if kind == "jpeg" else []
    ordered = picture if picture.ndim == 2 else cv2.cvtColor(picture, cv2.COLOR_RGB2BGR)
    done, data = cv2.imencode("." + kind, ordered, options)
    if not done:
        raise InputError("the picture cannot be encoded", where="encode_picture")
    return data.tobytes()
