"""Example photographs for paper: the cut face, square, with the outline of each tissue."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from budvision.photo.overlay import encode_picture
from budvision.vocabulary import TISSUES

__all__ = ["MOST_PHOTOS", "example_jpeg"]

MOST_PHOTOS = 8
"""Example photographs that a sheet has room for."""

SIDE_PX = 460
_LETTERS = {tissue.label: tissue.value[0].upper() for tissue in TISSUES}


def example_jpeg(
    image: NDArray[np.uint8], labels: NDArray[np.uint8] | None = None,
    box: tuple[float, float, float, float] | None = None, *, side_px: int = SIDE_PX,
) -> bytes:
    """Return a square JPEG of the cut face with its tissues outlined.

    Parameters
    ----------
    image : ndarray of uint8, shape (rows, cols, 3)
        Upright sRGB.
    labels : ndarray of uint8, shape (n, m), optional
        Labels of the square `box`, at any resolution.
    box : tuple of float, optional
        (row0, col0, row1, col1) in pixels of `image`; may reach outside it. The middle square of
        the image when left out.
    side_px : int
        Side of the picture, in pixels.

    Returns
    -------
    bytes
        A JPEG without metadata. Outlines are white on black and lettered P, S and T, so that they
        are seen on any ground and in grey print.
    """
    rows, cols = image.shape[:2]
    if box is None:
        half = min(rows, cols) / 2
        box = (rows / 2 - half, cols / 2 - half, rows / 2 + half, cols / 2 + half)
    row0, col0, row1, col1 = box
    scale_x, scale_y = side_px / (col1 - col0), side_px / (row1 - row0)
    turn = np.array([[scale_x, 0, -col0 * scale_x], [0, scale_y, -row0 * scale_y]], np.float64)
    shrink = min(scale_x, scale_y) < 1
    source = cv2.GaussianBlur(image, (0, 0), 0.5 / min(scale_x, scale_y)) if shrink else image
    face: NDArray[np.uint8] = np.asarray(cv2.warpAffine(
        source, turn, (side_px, side_px), flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE), np.uint8)
    if labels is not None:
        fitted = cv2.resize(labels, (side_px, side_px), interpolation=cv2.INTER_NEAREST)
        _outline(face, np.asarray(fitted, np.uint8))
    return encode_picture(face, "jpeg")


def _outline(face: NDArray[np.uint8], labels: NDArray[np.uint8]) -> None:
    for label, letter in _LETTERS.items():
        found, _ = cv2.findContours((labels == label).astype(np.uint8), cv2.RETR_EXTERNAL,
                                    cv2.CHAIN_APPROX_NONE)
        parts = [part for part in found if cv2.contourArea(part) > labels.size / 5000]
        for colour, width in (((0, 0, 0), 4), ((255, 255, 255), 2)):
            cv2.drawContours(face, parts, -1, colour, width, cv2.LINE_AA)
        if not parts:
            continue
        x, y, w, _ = cv2.boundingRect(max(parts, key=cv2.contourArea))
        foot = (min(x + w // 2 - 9, labels.shape[1] - 24), max(y - 7, 26))
        for colour, width in (((0, 0, 0), 6), ((255, 255, 255), 2)):
            cv2.putText(
                face, letter, foot, cv2.FONT_HERSHEY_SIMPLEX, 0.9, colour, width, cv2.LINE_AA)
