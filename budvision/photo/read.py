"""File to upright sRGB plus capture facts: the only door for pixels.

A photograph comes as a path or as bytes. What it is is found from its content, never from its
name. Whatever comes out is upright (all eight EXIF orientations are applied exactly once), 8 bit,
three channels, sRGB. Whatever cannot be used is refused with a code and the next step.
"""

from __future__ import annotations

import hashlib
import warnings
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from PIL import ExifTags, Image

from budvision.errors import PhotoError
from budvision.photo.decode import (
    FORMATS,
    MAX_PIXELS,
    MIN_SIDE_PX,
    decode,
    identify,
    refusals,
)
from budvision.photo.profiles import to_srgb
from budvision.photo.workers import run

__all__ = ["MAX_BYTES", "MAX_PIXELS", "MIN_SIDE_PX", "Capture", "Photo", "read_photo"]

Uint8 = npt.NDArray[np.uint8]

MAX_BYTES = 1 << 30
"""Largest file, in bytes, that is opened at all."""

# Pillow's guard against bombs, at our limit; its warning is an error here, turned into ours.
Image.MAX_IMAGE_PIXELS = MAX_PIXELS
warnings.filterwarnings("error", category=Image.DecompressionBombWarning)


@dataclass(frozen=True, slots=True, kw_only=True)
class Capture:
    """What a file says of how the photograph was taken.

    Attributes
    ----------
    format : str
        JPEG, PNG, TIFF, WEBP, HEIC or BMP, found from the content.
    taken_at : datetime or None
        Time of exposure; with a time zone only where the camera wrote one.
    make, model : str
        Maker and model of the camera, empty where not written.
    orientation : int
        EXIF orientation of the file, 1 to 8; already applied to the pixels.
    n_bytes : int
        Size of the file.
    """

    format: str
    taken_at: datetime | None
    make: str
    model: str
    orientation: int
    n_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """An upright photograph in sRGB.

    Attributes
    ----------
    image : ndarray of uint8, shape (rows, columns, 3)
        Upright sRGB pixels, perhaps of reduced size.
    width_px, height_px : int
        Size of the upright photograph at full size.
    scale : float
        Pixels of `image` per pixel at full size, in (0, 1].
    sha256 : str
        Of the original bytes, 64 hexadecimal digits.
    capture : Capture
        Facts from the file's own header.
    """

    image: Uint8
    width_px: int
    height_px: int
    scale: float
    sha256: str
    capture: Capture


def read_photo(source: Path | bytes, *, max_side_px: int | None = None, name: str = "") -> Photo:
    """Read a photograph as upright 8-bit sRGB.

    Parameters
    ----------
    source : Path or bytes
        The file, or what is in it.
    max_side_px : int, optional
        Longest side, in pixels, that the caller needs; the image comes no larger. JPEGs are then
        decoded at a half, quarter or eighth where that suffices, which is much faster.
    name : str, optional
        What to call the photograph in errors; a path's own name when left out.

    Returns
    -------
    Photo
        The pixels and what the file says of itself.

    Raises
    ------
    PhotoError
        With the code ``empty_file``, ``truncated``, ``not_an_image``, ``animated``,
        ``too_many_pixels``, ``too_small`` or ``unreadable``.

    Notes
    -----
    Embedded colour profiles other than sRGB are converted (relative colorimetric). Transparent
    parts are laid over white. Samples of 16 bits are taken to fill the range 0 to 65535, or 0 to
    4095 where none is larger, as microscope cameras of 12 bits write them. The size that a file
    declares is checked before anything is decoded.
    """
    where = name or (source.name if isinstance(source, Path) else "photo")
    whole = source if isinstance(source, bytes) else source.absolute()
    return run(_read, whole, max_side_px, where, where=where)


def get_ready() -> None:
    """Start a process that decodes, ahead of the first photograph."""
    run(_ready, where="decoder")


def _ready() -> None:
    """Do nothing; what decodes is imported on the way here."""


def _read(source: Path | bytes, max_side_px: int | None, where: str) -> Photo:
    """Read a photograph in this process."""
    data = _bytes_of(source, where)
    if not data:
        raise PhotoError(
            "the file is empty (0 bytes)", expected=f"a {FORMATS} photograph", where=where,
            do="Copy it from the camera again.", code="empty_file",
        )
    with refusals(where):
        return _photo(data, identify(data, where), max_side_px, where)


def _photo(data: bytes, kind: str, max_side_px: int | None, where: str) -> Photo:
    """Decode, shrink, convert and turn."""
    decoded = decode(data, kind, max_side_px=max_side_px, where=where)
    pixels = decoded.pixels
    full_width, full_height = decoded.size
    if max_side_px is not None and max(pixels.shape[:2]) > max_side_px:
        shrink = max_side_px / max(pixels.shape[:2])
        size = tuple(max(1, round(side * shrink)) for side in (pixels.shape[1], pixels.shape[0]))
        pixels = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
    profile = decoded.header.info.get("icc_profile")
    if profile:
        pixels = to_srgb(pixels, profile)
    image = _upright(pixels, decoded.turn)
    exif = decoded.header.getexif()
    if decoded.turn >= 5:
        full_width, full_height = full_height, full_width
    return Photo(
        image=image, width_px=full_width, height_px=full_height,
        scale=min(1.0, max(image.shape[:2]) / max(full_width, full_height)),
        sha256=hashlib.sha256(data).hexdigest(),
        capture=Capture(
            format=kind, taken_at=_taken_at(exif), make=_text(exif, ExifTags.Base.Make),
            model=_text(exif, ExifTags.Base.Model), orientation=decoded.orientation,
            n_bytes=len(data),
        ),
    )


def _bytes_of(source: Path | bytes, where: str) -> bytes:
    if isinstance(source, bytes):
        return source
    try:
        size = source.stat().st_size
        if size > MAX_BYTES:
            raise PhotoError(
                f"the file has {size:,} bytes", expected=f"at most {MAX_BYTES:,}", where=where,
                do="Export it as a JPEG of its own size.", code="too_many_pixels",
            )
        return source.read_bytes()
    except OSError as error:
        raise PhotoError(
            f"the file cannot be read ({error.strerror or error})", expected="a readable file",
            where=where, do="Check the name, the folder and its permissions.", code="unreadable",
        ) from error


def _upright(pixels: Uint8, orientation: int) -> Uint8:
    """Turn and mirror as the EXIF standard says (CIPA DC-008, tag Orientation)."""
    if orientation in (2, 3):
        pixels = pixels[:, ::-1]
    if orientation in (3, 4):
        pixels = pixels[::-1]
    if orientation in (5, 6, 7, 8):
        pixels = pixels.transpose(1, 0, 2)
        if orientation in (6, 7):
            pixels = pixels[:, ::-1]
        if orientation in (7, 8):
            pixels = pixels[::-1]
    return np.ascontiguousarray(pixels)


def _text(exif: Image.Exif, tag: int) -> str:
    value = exif.get(tag, "")
    text = value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)
    return text.replace("\0", " ").strip()[:80]


def _taken_at(exif: Image.Exif) -> datetime | None:
    try:
        inner = exif.get_ifd(ExifTags.IFD.Exif)
    except (ValueError, KeyError, TypeError, SyntaxError, OSError):
        inner = {}
    stamp = inner.get(ExifTags.Base.DateTimeOriginal) or exif.get(ExifTags.Base.DateTime)
    zone = inner.get(ExifTags.Base.OffsetTimeOriginal) or inner.get(ExifTags.Base.OffsetTime)
    if not isinstance(stamp, str):
        return None
    text = stamp.strip().rstrip("\0")
    if isinstance(zone, str) and len(zone.strip().rstrip("\0")) == 6:
        try:
            return datetime.strptime(text + zone.strip().rstrip("\0"), "%Y:%m:%d %H:%M:%S%z")
        except ValueError:
            pass
    try:
        return datetime.strptime(text, "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
