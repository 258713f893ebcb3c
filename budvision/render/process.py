"""What cheap cameras and phones make of a picture: halos, chroma smear, tone mapping, denoising.

Each takes and returns a finished sRGB picture, so that it can follow any lens and any light.
"""

from __future__ import annotations

import cv2
import numpy as np

from budvision.render.camera import recompressed
from budvision.render.fields import Array

__all__ = ["processed"]


def _chroma_smeared(image: Array, rng: np.random.Generator, factor: float) -> Array:
    """Blur and shift the colour, not the light, as chroma subsampling by `factor` does."""
    split = cv2.cvtColor(image, cv2.COLOR_RGB2YCrCb)
    colour = split[..., 1:]
    small = cv2.resize(colour, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
    colour = np.asarray(
        cv2.resize(small, (image.shape[1], image.shape[0]), interpolation=cv2.INTER_LINEAR))
    move = np.array([[1, 0, rng.normal(0, 0.6)], [0, 1, rng.normal(0, 0.4)]], np.float32)
    colour = cv2.warpAffine(colour, move, (image.shape[1], image.shape[0]),
                            borderMode=cv2.BORDER_REPLICATE)
    split[..., 1:] = colour
    return np.asarray(cv2.cvtColor(split, cv2.COLOR_YCrCb2RGB))


def _haloed(image: Array, radius: float, strength: float) -> Array:
    level = image.astype(np.float32)
    soft = cv2.GaussianBlur(level, (0, 0), radius)
    return np.clip(level + np.float32(strength) * (level - soft) + 0.5, 0, 255).astype(np.uint8)


def _denoised(image: Array, rng: np.random.Generator) -> Array:
    """Smear fine texture as a denoiser does and leave a little blotchy noise."""
    if rng.random() < 0.5:
        smooth = cv2.bilateralFilter(np.ascontiguousarray(image), 7, float(rng.uniform(15, 45)),
                                     float(rng.uniform(1.5, 4)))
    else:
        smooth = cv2.medianBlur(np.ascontiguousarray(image), 5 if rng.random() < 0.6 else 3)
    share = float(rng.uniform(0.5, 1.0))
    return np.asarray(cv2.addWeighted(smooth, share, image, 1 - share, 0))


def _usb(image: Array, rng: np.random.Generator, face_px: float) -> Array:
    """Pass through a 640 x 480 microscope: few pixels, halos, strong colour, strong JPEG."""
    size = (image.shape[1], image.shape[0])
    left = float(np.exp(rng.uniform(np.log(85), np.log(330))))
    shrink = min(1.0, left / max(face_px, 1.0))
    small = cv2.resize(image, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    if rng.random() < 0.6:
        small = cv2.GaussianBlur(small, (0, 0), float(rng.uniform(0.4, 1.0)))
    if rng.random() < 0.5:
        small = _denoised(small, rng)
    small = _haloed(small, float(rng.uniform(0.8, 2.6)), float(rng.uniform(0.5, 2.6)))
    level = small.astype(np.float32)
    gain = np.exp(rng.normal(0, 0.07, 3)).astype(np.float32)
    grey = level.mean(2, keepdims=True)
    level = grey + (level - grey) * np.float32(rng.uniform(0.6, 1.5))
    lift = float(rng.uniform(0, 22)) if rng.random() < 0.4 else 0.0
    level = np.clip(lift + level * gain * np.float32(1 - lift / 255), 0, 255)
    if rng.random() < 0.5:
        level += rng.standard_normal(level.shape, dtype=np.float32) * np.float32(rng.uniform(1, 9))
    small = np.clip(level + 0.5, 0, 255).astype(np.uint8)
    small = _chroma_smeared(small, rng, float(rng.uniform(1.5, 4.5)))
    small = recompressed(small, int(rng.integers(14, 60)))
    how = cv2.INTER_LINEAR if rng.random() < 0.7 else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(small, size, interpolation=how)) if shrink < 1 else small


def _phone(image: Array, rng: np.random.Generator, face_px: float) -> Array:
    """Map tones locally, as phones do: shadows lifted, lights held, detail and colour raised."""
    level = image.astype(np.float32) / 255
    light = level.max(2) + 1e-3
    reach = max(2.0, face_px * float(rng.uniform(0.05, 0.4)))
    base = cv2.GaussianBlur(np.log(light), (0, 0), reach)
    middle = np.float32(np.median(base))
    squeeze = np.float32(rng.uniform(0.2, 0.65))
    detail = np.float32(rng.uniform(1.0, 1.5))
    mapped = np.exp(middle + (base - middle) * (1 - squeeze) + (np.log(light) - base) * detail)
    level = level * (mapped / light)[..., None]
    grey = level.mean(2, keepdims=True)
    level = grey + (level - grey) * np.float32(rng.uniform(1.0, 1.45))
    out = np.clip(level * 255 + 0.5, 0, 255).astype(np.uint8)
    if rng.random() < 0.5:
        out = _denoised(out, rng)
    out = _haloed(out, float(rng.uniform(0.7, 1.8)), float(rng.uniform(0.2, 1.2)))
    return recompressed(out, int(rng.integers(55, 96)))


def processed(image: Array, rng: np.random.Generator, *, process: str, face_px: float) -> Array:
    """Pass a finished picture through a kind of processing.

    Parameters
    ----------
    image : ndarray of uint8, (rows, cols, 3)
        sRGB.
    process : str
        ``usb``, ``phone``, ``smear``, or empty for none.
    face_px : float
        Long side of the face in this picture.

    Returns
    -------
    ndarray of uint8, (rows, cols, 3)
    """
    if process == "usb":
        return _usb(image, rng, face_px)
    if process == "phone":
        return _phone(image, rng, face_px)
    if process == "smear":
        out = _denoised(image, rng)
        if rng.random() < 0.5:
            out = _chroma_smeared(out, rng, float(rng.uniform(1.5, 4)))
        return recompressed(out, int(rng.integers(30, 90)))
    return image
