"""Bytes to pixels, format by format: identify, check before decoding, decode.

Only `budvision.photo.read` uses this module; everything else goes through its `read_photo`.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from PIL import ExifTags, Image, UnidentifiedImageError

from budvision.errors import PhotoError
from budvision.photo.profiles import cmyk_to_srgb
from budvision.photo.workers import MOST_MB, no_room

__all__ = [
    "FORMATS",
    "MAX_PIXELS",
    "MIN_SIDE_PX",
    "Decoded",
    "decode",
    "identify",
    "refusals",
]

Uint8 = npt.NDArray[np.uint8]

MIN_SIDE_PX = 640
"""Shortest longest side, in pixels, that can be judged."""
MAX_PIXELS = 110_000_000
"""Most pixels of one photograph: 100 megapixels, and the 108 of a common phone sensor."""
MOST_SCANS = 200
"""Most scans of a JPEG; cameras write one, and progressive files about ten."""
_WEBP_BYTES = 16
"""Memory that a WebP decoder takes, in bytes a pixel."""
FORMATS = "JPEG, PNG, TIFF, WebP, HEIC or BMP"


@dataclass(frozen=True, slots=True)
class Decoded:
    """Pixels of a file and what is left to do with them.

    Attributes
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
        In the file's own colours, perhaps of reduced size.
    header : PIL.Image.Image
        For its ``info`` and EXIF.
    size : tuple of int
        (width, height) at full size, lying as `pixels` lie.
    orientation : int
        What the file says, 1 to 8.
    turn : int
        The orientation still to be applied to `pixels`; 1 where the decoder applied it.
    """

    pixels: Uint8
    header: Image.Image
    size: tuple[int, int]
    orientation: int
    turn: int


def decode(data: bytes, kind: str, *, max_side_px: int | None, where: str) -> Decoded:
    """Check a file's declared size and frames, then decode it.

    Parameters
    ----------
    data : bytes
        The whole file.
    kind : str
        What `identify` said.
    max_side_px : int or None
        Longest side needed; a JPEG comes at the smallest of full, half, quarter and eighth size
        that is no smaller.
    where : str
        Name for errors.

    Raises
    ------
    PhotoError
        ``too_many_pixels``, ``too_small``, ``animated`` or ``truncated``.
    """
    with refusals(where):
        if kind == "HEIC":
            pixels, header = _decode_heic(data, where)
            return Decoded(pixels, header, header.size, 1, 1)
        if kind == "JPEG":
            _check_jpeg_is_whole(data, where)
        if kind == "WEBP" and _webp_pixels(data) * _WEBP_BYTES > MOST_MB * 1e6:
            raise no_room(where)
        header = Image.open(io.BytesIO(data), formats=["JPEG", "MPO"] if kind == "JPEG" else [kind])
        _check_size(*header.size, where)
        _check_single(header, kind, where)
        orientation = int(header.getexif().get(ExifTags.Base.Orientation, 1) or 1)
        deep = _is_deep(header, kind, data)
        pixels = _decode_deep(header, kind, data) if deep else _decode(
            data, header, kind, max_side_px
        )
        orientation = int(header.getexif().get(ExifTags.Base.Orientation, orientation) or 1) if (
            kind == "PNG"  # a PNG's EXIF may stand after its pixels
        ) else orientation
        orientation = orientation if 1 <= orientation <= 8 else 1
        turned = kind == "TIFF" and not deep  # Pillow turns TIFFs, and only those, while loading
        turn = 1 if turned else orientation
        size = header.size
        if kind == "TIFF" and deep:
            size = (pixels.shape[1], pixels.shape[0])
        return Decoded(pixels, header, size, orientation, turn)


def identify(data: bytes, where: str) -> str:
    """Name the format by the file's first bytes.

    Raises
    ------
    PhotoError
        ``not_an_image`` for anything that is not one of `FORMATS`, ``animated`` for moving GIFs.
    """
    head = data[:32]
    if head[:3] == b"\xff\xd8\xff":
        return "JPEG"
    if head[:8] == b"\x89PNG\r\n\x1a\n":
        return "PNG"
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "TIFF"
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "WEBP"
    if head[4:8] == b"ftyp" and head[8:12] in (
        b"heic", b"heix", b"heim", b"heis", b"mif1", b"hevc", b"hevx", b"msf1",
    ):
        return "HEIC"
    if head[:2] == b"BM" and len(data) > 26 and head[6:10] == b"\0\0\0\0":
        return "BMP"
    known = {b"GIF8": "GIF", b"%PDF": "PDF", b"8BPS": "layered", b"PK\x03\x04": "zip"}.get(head[:4])
    if head[4:8] == b"ftyp":
        known = "AVIF" if head[8:12] in (b"avif", b"avis") else "film"
    if known == "GIF" and data.count(b"\x21\xf9\x04") > 1:
        raise PhotoError(
            "it is an animated GIF", expected="one still photograph", where=where,
            do="Send the still photograph.", code="animated",
        )
    if len(data) < 16 and any(data.startswith(start) for start in (b"\xff\xd8", b"\x89PNG"[:2])):
        raise _truncated(where, f"it ends after {len(data)} bytes")
    what = f"it is a {known} file" if known else "its content is not a picture in a known format"
    raise PhotoError(
        what, expected=f"a {FORMATS} photograph", where=where,
        do="Send the photograph as the camera saved it; changing a file's name does not change "
        "its format.", code="not_an_image",
    )


def _truncated(where: str, what: str) -> PhotoError:
    return PhotoError(
        f"the file is cut off or damaged ({what})", expected="a whole photograph", where=where,
        do="Copy it from the camera again.", code="truncated",
    )


@contextmanager
def refusals(where: str) -> Iterator[None]:
    """Turn what the decoders raise into refusals of one form."""
    try:
        yield
    except PhotoError:
        raise
    except (Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise PhotoError(
            "the file declares more pixels than a camera takes",
            expected=f"at most {MAX_PIXELS / 1e6:.0f} megapixels", where=where,
            do="Send a photograph as a camera takes it.", code="too_many_pixels",
        ) from error
    except MemoryError as error:
        raise no_room(where) from error
    except UnidentifiedImageError as error:
        raise _truncated(where, "its header cannot be read") from error
    except (
        OSError, SyntaxError, ValueError, EOFError, KeyError, IndexError, TypeError,
        RuntimeError, AttributeError, OverflowError, ZeroDivisionError, Warning, cv2.error,
    ) as error:
        if isinstance(error, cv2.error) and error.code == cv2.Error.STS_NO_MEM:
            raise no_room(where) from error
        text = str(error).strip().splitlines()[0] if str(error).strip() else type(error).__name__
        raise _truncated(where, text[:120]) from error


def _webp_pixels(data: bytes) -> int:
    """Return the pixels that a WebP file declares; its decoder takes its memory before it says."""
    kind, body = data[12:16], data[20:30]
    if kind == b"VP8X":
        width, height = (int.from_bytes(body[offset:offset + 3], "little") + 1 for offset in (4, 7))
    elif kind == b"VP8L":
        bits = int.from_bytes(body[1:5], "little")
        width, height = (bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1
    else:
        width, height = (int.from_bytes(body[offset:offset + 2], "little") & 0x3FFF
                         for offset in (6, 8))
    return width * height


def _check_size(width: int, height: int, where: str) -> None:
    if width * height > MAX_PIXELS:
        raise PhotoError(
            f"it declares {width} x {height} px, {width * height / 1e6:.0f} megapixels",
            expected=f"at most {MAX_PIXELS / 1e6:.0f}", where=where,
            do="Send a photograph as a camera takes it.", code="too_many_pixels",
        )
    if max(width, height) < MIN_SIDE_PX:
        raise PhotoError(
            f"longest side is {max(width, height)} px", expected=f"at least {MIN_SIDE_PX}",
            where=where, do="Send the original, not a copy from a chat.", code="too_small",
        )


def _check_single(header: Image.Image, kind: str, where: str) -> None:
    n_frames = getattr(header, "n_frames", 1)
    if kind == "JPEG" or n_frames == 1:
        return  # a JPEG's further pictures are previews, depth maps and the like
    if kind == "TIFF":
        tags: Any = header
        raw = 50706 in tags.tag_v2
        full_sizes = 0
        for frame in range(min(n_frames, 16)):
            tags.seek(frame)
            full_sizes += not int(tags.tag_v2.get(254, 0)) & 1  # bit 0: a reduced-size copy
        tags.seek(0)
        if full_sizes <= 1 and not raw:
            return
        what = "it is a camera raw file" if raw else f"it holds {n_frames} pages"
    else:
        what = f"it is animated ({n_frames} frames)"
    raise PhotoError(
        what, expected="one still photograph", where=where, do="Send one picture a file.",
        code="animated",
    )


def _check_jpeg_is_whole(data: bytes, where: str) -> None:
    """Follow the JPEG's segments to its end marker; the decoder itself would fill up with grey."""
    offset, n_bytes, scans, values = 2, len(data), 0, np.frombuffer(data, np.uint8)
    while offset + 4 <= n_bytes:
        if data[offset] != 0xFF:
            raise _truncated(where, f"no segment at byte {offset}")
        marker = data[offset + 1]
        if marker == 0xD9:
            if scans:
                return
            break
        if marker == 0xFF or marker == 0x01 or 0xD0 <= marker <= 0xD7:
            offset += 1 if marker == 0xFF else 2
            continue
        offset += 2 + int.from_bytes(data[offset + 2 : offset + 4], "big")
        if marker == 0xDA:
            scans += 1
            if scans > MOST_SCANS:
                raise _too_many_scans(data, where)
            here = offset
            while True:  # jump over the scan's data, in blocks, to the next marker
                block = values[here : here + (1 << 16)]
                found = (block[:-1] == 0xFF) & (block[1:] != 0)
                if found.any():
                    starts = np.flatnonzero(found)
                    after = block[starts + 1]
                    starts = starts[(after != 0xFF) & ((after < 0xD0) | (after > 0xD7))]
                    if starts.size:
                        offset = here + int(starts[0])
                        break
                here += max(1, block.size - 1)
                if here >= n_bytes - 1:
                    raise _truncated(where, f"no end after {n_bytes} bytes")
    if scans and data[-2:] == b"\xff\xd9":
        return
    raise _truncated(where, f"no end after {n_bytes} bytes")


def _too_many_scans(data: bytes, where: str) -> PhotoError:
    return PhotoError(
        f"the JPEG stores its picture in about {data.count(bytes((0xFF, 0xDA))):,} scans",
        expected=f"at most {MOST_SCANS}", where=where, code="unreadable",
        do="Send the photograph as the camera saved it.",
    )


def _decode(data: bytes, header: Image.Image, kind: str, max_side_px: int | None) -> Uint8:
    """Decode to (rows, columns, 3), as stored, not yet turned."""
    if kind == "JPEG" and header.mode in ("RGB", "L"):
        factor, longest = 1, max(header.size)
        while max_side_px is not None and factor < 8 and longest / (factor * 2) >= max_side_px:
            factor *= 2
        reduced = {
            1: cv2.IMREAD_COLOR, 2: cv2.IMREAD_REDUCED_COLOR_2,
            4: cv2.IMREAD_REDUCED_COLOR_4, 8: cv2.IMREAD_REDUCED_COLOR_8,
        }[factor]
        return _decode_by_opencv(data, reduced)
    if header.mode == "F":
        raise ValueError("its samples are floating-point numbers")
    if kind == "PNG" and header.mode == "RGB" and "transparency" not in header.info:
        # its checksums first: OpenCV would fill up with black
        Image.open(io.BytesIO(data), formats=["PNG"]).verify()
        return _decode_by_opencv(data, cv2.IMREAD_COLOR)
    header.load()
    shrink = 1 if max_side_px is None else int(max(header.size) // max_side_px)
    if shrink > 1 and header.mode in ("RGB", "RGBA", "L", "CMYK"):
        header = header.reduce(shrink)
    if header.mode == "CMYK" and header.info.get("icc_profile"):
        with_profile = cmyk_to_srgb(header)
        if with_profile is not None:
            header.info.pop("icc_profile")
            return with_profile
    if header.mode in ("RGBA", "LA", "PA", "RGBa", "La") or "transparency" in header.info:
        return _over_white(header.convert("RGBA"))
    if header.mode != "RGB":
        if header.mode not in ("P", "CMYK", "YCbCr"):
            header.info.pop("icc_profile", None)  # a grey profile does not fit three channels
        header = header.convert("RGB")
    return np.array(header)


def _decode_by_opencv(data: bytes, flags: int) -> Uint8:
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), flags | cv2.IMREAD_IGNORE_ORIENTATION)
    if pixels is None:
        raise ValueError("its pixels cannot be decoded")
    return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB, dst=pixels), np.uint8)


def _is_deep(header: Image.Image, kind: str, data: bytes) -> bool:
    if kind == "PNG":
        return data[24] == 16
    if kind != "TIFF":
        return False
    tags: Any = header
    bits = tags.tag_v2.get(258, (8,))
    return bool(max(bits if isinstance(bits, tuple) else (bits,)) > 8)


def _decode_deep(header: Image.Image, kind: str, data: bytes) -> Uint8:
    """Decode samples of 16 bits, as stored."""
    buffer = np.frombuffer(data, np.uint8)
    if kind == "TIFF":
        buffer = _without_orientation(buffer)
    decoded = cv2.imdecode(buffer, cv2.IMREAD_UNCHANGED)
    if decoded is None or decoded.dtype not in (np.uint16, np.uint8):
        raise ValueError("its samples are neither 8 nor 16 bits")
    if decoded.dtype == np.uint16:
        full = 4095.0 if int(decoded.max()) <= 4095 else 65535.0
        decoded = cv2.convertScaleAbs(decoded, alpha=255.0 / full)
    if decoded.ndim == 2:
        header.info.pop("icc_profile", None)  # a grey profile does not fit three channels
        return np.asarray(cv2.cvtColor(decoded, cv2.COLOR_GRAY2RGB), np.uint8)
    if decoded.shape[2] == 3:
        return np.asarray(cv2.cvtColor(decoded, cv2.COLOR_BGR2RGB), np.uint8)
    picture = Image.fromarray(cv2.cvtColor(decoded, cv2.COLOR_BGRA2RGBA))
    return _over_white(picture)


def _over_white(picture: Image.Image) -> Uint8:
    below = Image.new("RGBA", picture.size, (255, 255, 255, 255))
    return np.array(Image.alpha_composite(below, picture).convert("RGB"))


def _without_orientation(buffer: Uint8) -> Uint8:
    """Return a classic TIFF with its orientation tag set to upright, so that it is applied once."""
    data = bytearray(buffer.tobytes())
    order: Any = "little" if data[:2] == b"II" else "big"
    first = int.from_bytes(data[4:8], order)
    for entry in range(int.from_bytes(data[first : first + 2], order)):
        offset = first + 2 + 12 * entry
        if int.from_bytes(data[offset : offset + 2], order) == ExifTags.Base.Orientation:
            data[offset + 8 : offset + 10] = (1).to_bytes(2, order)
    return np.frombuffer(bytes(data), np.uint8)


def _decode_heic(data: bytes, where: str) -> tuple[Uint8, Image.Image]:
    """Decode the primary picture of a HEIC file; the library turns it as the container says."""
    import pi_heif

    picture = pi_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=True)
    _check_size(picture.size[0], picture.size[1], where)
    if data[8:12] in (b"hevc", b"hevx", b"msf1"):
        raise PhotoError(
            "it is a film or a burst", expected="one still photograph", where=where,
            do="Send one picture a file.", code="animated",
        )
    header = picture.to_pillow()
    profile = header.info.get("icc_profile")
    pixels = _over_white(header) if header.mode == "RGBA" else np.array(header.convert("RGB"))
    if profile:
        header.info["icc_profile"] = profile
    header.info["exif"] = picture.info.get("exif")
    return pixels, header
