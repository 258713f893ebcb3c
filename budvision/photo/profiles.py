"""Embedded colour profiles to sRGB, relative colorimetric."""

from __future__ import annotations

import io
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageCms

__all__ = ["cmyk_to_srgb", "to_srgb"]

Uint8 = npt.NDArray[np.uint8]


@lru_cache(maxsize=16)
def _transform(profile: bytes, mode: str) -> ImageCms.ImageCmsTransform | None:
    """Build the conversion of a profile to sRGB; None where it is sRGB or not usable."""
    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        if "srgb" in (ImageCms.getProfileDescription(source) or "").lower():
            return None
        return ImageCms.buildTransform(
            source, ImageCms.createProfile("sRGB"), mode, "RGB",
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        )
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return None


def to_srgb(pixels: Uint8, profile: bytes) -> Uint8:
    """Convert pixels of three channels by their profile; as they are where it is sRGB."""
    transform = _transform(profile, "RGB")
    if transform is None:
        return pixels
    converted = ImageCms.applyTransform(Image.fromarray(pixels), transform)
    return pixels if converted is None else np.array(converted)


def cmyk_to_srgb(header: Image.Image) -> Uint8 | None:
    """Convert a CMYK picture by its own profile; None where that cannot be used."""
    transform = _transform(header.info["icc_profile"], "CMYK")
    if transform is None:
        return None
    converted = ImageCms.applyTransform(header, transform)
    return None if converted is None else np.array(converted)
