"""Cane tags: the text of their QR code, and reading it from a photograph."""

from __future__ import annotations

import re
from dataclasses import dataclass

import cv2
import numpy as np
import zxingcpp
from numpy.typing import NDArray

from budvision.errors import InputError

__all__ = ["NEXT_BUD", "TagText", "parse_tag", "read_codes", "tag_text"]

NEXT_BUD = "BV1:NEXT"
"""Text on the back of the photo card: turned over and photographed, it means "next bud"."""

_FORM = re.compile(r"BV1:([A-Z2-7]{6}):([0-9A-Z.%+/-]{1,12})")
_LONG_SIDE_PX = 1400


@dataclass(frozen=True, slots=True)
class TagText:
    """What a cane tag says: the plan's key and the cane."""

    key: str
    cane: str


def tag_text(key: str, cane: str) -> str:
    """Return the text of a cane's QR code, in the small alphabet that keeps the code coarse.

    Parameters
    ----------
    key : str
        Six letters and figures that name the plan.
    cane : str
        The cane's label: up to 12 figures, capital letters or ``. % + / -``.

    Raises
    ------
    InputError
        When key or label do not fit.
    """
    text = f"BV1:{key}:{cane}"
    if not _FORM.fullmatch(text):
        raise InputError(
            f"the cane's label is {cane!r} and the key {key!r}",
            expected="a label of up to 12 figures, capital letters or . % + / -",
            do="Give the cane a short label, for instance its number.", where="cane tag",
        )
    return text


def parse_tag(text: str) -> TagText | None:
    """Take a code's text apart; None where it is no cane tag of ours."""
    match = _FORM.fullmatch(text.strip())
    return TagText(match[1], match[2]) if match else None


def read_codes(image: NDArray[np.uint8], *, side_px: int = _LONG_SIDE_PX) -> tuple[str, ...]:
    """Read the QR codes in a photograph.

    Parameters
    ----------
    image : ndarray of uint8, shape (rows, cols, 3)
        Upright sRGB photograph.
    side_px : int
        Codes are read in a copy with at most this longest side.

    Returns
    -------
    tuple of str
        Texts, each once, in reading order; empty where no code can be read.
    """
    scale = min(1.0, side_px / max(image.shape[:2]))
    if scale < 1:
        image = np.asarray(
            cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)
    grey = np.asarray(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), np.uint8)
    found = zxingcpp.read_barcodes(
        grey, formats=zxingcpp.BarcodeFormats([zxingcpp.BarcodeFormat.QRCode]),
        try_invert=False)
    return tuple(dict.fromkeys(code.text for code in found if code.text))
