"""What is private goes, and the pixels stay as they were.

The pictures are written by Pillow and read back by Pillow: an outside reader judges both the
metadata and the pixels.
"""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import pytest
from PIL import Image, PngImagePlugin

from budvision.archive.privacy import without_private_metadata

SECRETS = (b"Petra Quill", b"SN-774411", b"remark by Petra", b"phone of Petra")


def _exif() -> Image.Exif:
    exif = Image.Exif()
    exif[0x0112] = 6                      # orientation
    exif[0x010F], exif[0x0110] = "Makerly", "Model 5"
    exif[0x013B] = "Petra Quill"          # artist
    exif[0x013C] = "phone of Petra"       # host computer
    inner = exif.get_ifd(0x8769)
    inner[0x9003] = "2026:01:20 09:00:00"
    inner[0x9286] = b"ASCII\0\0\0remark by Petra"
    inner[0xA430] = "Petra Quill"
    inner[0xA431] = "SN-774411"
    inner[0x927C] = b"maker SN-774411"
    gps = exif.get_ifd(0x8825)
    gps[1], gps[2], gps[3], gps[4] = "N", (49.0, 53.0, 17.25), "W", (119.0, 29.0, 3.5)
    return exif


def _picture() -> Image.Image:
    rng = np.random.default_rng(1)
    return Image.fromarray(rng.integers(0, 255, (40, 60, 3), dtype=np.uint8))


def _saved(kind: str, **more: Any) -> bytes:
    buffer = io.BytesIO()
    if kind == "PNG":
        text = PngImagePlugin.PngInfo()
        text.add_text("Author", "Petra Quill")
        more["pnginfo"] = text
    _picture().save(buffer, kind, exif=_exif(), **more)
    return buffer.getvalue()


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF"])
def test_private_goes_pixels_stay(kind: str) -> None:
    data = _saved(kind)
    assert any(secret in data for secret in SECRETS)
    clean = without_private_metadata(data)
    for secret in SECRETS:
        assert secret not in clean
    before, after = Image.open(io.BytesIO(data)), Image.open(io.BytesIO(clean))
    exif = after.getexif()
    assert exif[0x0112] == 6
    assert exif[0x0110] == "Model 5"
    assert not exif.get_ifd(0x8825)
    assert np.array_equal(np.asarray(before), np.asarray(after))


def test_progressive_jpeg_keeps_its_scans() -> None:
    data = _saved("JPEG", progressive=True, quality=90)
    clean = without_private_metadata(data)
    assert np.array_equal(np.asarray(Image.open(io.BytesIO(data))),
                          np.asarray(Image.open(io.BytesIO(clean))))
    assert data[data.index(b"\xff\xda"):] == clean[clean.index(b"\xff\xda"):]


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF"])
def test_nothing_private_nothing_changed(kind: str) -> None:
    buffer = io.BytesIO()
    _picture().save(buffer, kind)
    data = buffer.getvalue()
    assert without_private_metadata(data) == data


def test_cleaning_twice_is_cleaning_once() -> None:
    for kind in ("JPEG", "PNG", "WEBP", "TIFF"):
        clean = without_private_metadata(_saved(kind))
        assert without_private_metadata(clean) == clean


def test_comment_xmp_and_what_follows_the_end_are_dropped() -> None:
    buffer = io.BytesIO()
    _picture().save(buffer, "JPEG", comment=b"remark by Petra",
                    xmp=b"<x:xmpmeta>Petra Quill</x:xmpmeta>")
    data = buffer.getvalue() + b"film clip SN-774411"
    clean = without_private_metadata(data)
    for secret in SECRETS:
        assert secret not in clean
    assert clean.endswith(b"\xff\xd9")


@pytest.mark.parametrize("n", [0, 3, 12, 40, 200])
def test_damaged_files_do_not_raise(n: int) -> None:
    for kind in ("JPEG", "PNG", "WEBP", "TIFF"):
        assert isinstance(without_private_metadata(_saved(kind)[:n]), bytes)
