"""The camera: lens, sensor, processing and file, from linear light to an sRGB picture."""

from __future__ import annotations

import cv2
import numpy as np

from budvision.render.fields import Array

__all__ = ["photographed"]

_BLUR_USABLE = 0.011
"""Largest blur of a usable photograph: Gaussian sigma as a share of the face's long axis."""
_BLUR_HOPELESS = (0.034, 0.09)


def _vignette(picture: Array, rng: np.random.Generator, camera: str) -> Array:
    rows, cols = picture.shape[:2]
    y, x = np.mgrid[0:rows, 0:cols].astype(np.float32)
    away = np.hypot((x - cols / 2) / cols, (y - rows / 2) / rows) * 2
    if camera == "microscope" and rng.random() < 0.4:  # the eyepiece's rim
        edge = np.clip((rng.uniform(0.92, 1.25) - away) * rng.uniform(8, 40), 0, 1)
        return np.asarray(picture * edge[..., None])
    fall = 1 - rng.uniform(0, 0.35) * np.clip(away, 0, 1.4) ** 2
    return np.asarray(picture * fall[..., None])


def _motion(picture: Array, rng: np.random.Generator, length: float) -> Array:
    size = max(3, int(length) | 1)
    line = np.zeros((size, size), np.float32)
    line[size // 2] = 1
    turn = cv2.getRotationMatrix2D((size / 2 - 0.5, size / 2 - 0.5), float(rng.uniform(0, 180)), 1)
    kernel: Array = np.asarray(cv2.warpAffine(line, turn, (size, size)), np.float32)
    return cv2.filter2D(picture, -1, kernel / max(float(kernel.sum()), 1e-3))


def _tone(picture: Array, rng: np.random.Generator) -> Array:
    """sRGB curve with a camera's own contrast and saturation."""
    x = np.clip(picture, 0, None)
    knee = rng.uniform(0.7, 1.0)
    x = (
        np.where(x > knee, knee + (1 - knee) * np.tanh((x - knee) / max(1 - knee, 1e-3)), x)
        if rng.random() < 0.5
        else np.clip(x, 0, 1)
    )
    y = np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-6) ** (1 / 2.4) - 0.055)
    if rng.random() < 0.7:
        bend = rng.uniform(-0.3, 0.6)
        y = y + bend * (y * y * (3 - 2 * y) - y)
    if rng.random() < 0.7:
        grey = y.mean(axis=2, keepdims=True)
        y = grey + (y - grey) * rng.uniform(0.65, 1.45)
    if rng.random() < 0.3:
        low, high = rng.uniform(0, 0.08), rng.uniform(0.9, 1)
        y = low + (high - low) * y
    return np.asarray(np.clip(y, 0, 1), np.float32)


def _jpeg(image: Array, rng: np.random.Generator, low: int) -> Array:
    quality = int(rng.integers(low, 99))
    done, data = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise RuntimeError("the picture could not be written as JPEG")
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8)


def _exposed(
    picture: Array,
    rng: np.random.Generator,
    *,
    tint: Array,
    stops: float,
    length_px: float,
    fault: str,
    centre: tuple[float, float] | None,
) -> Array:
    """Balance the light's colour, meter, and expose."""
    balance = (1 / tint) ** np.float32(np.clip(rng.normal(0.8, 0.3), 0, 1.15))
    balance = balance * np.exp(rng.normal(0, 0.07, 3)).astype(np.float32)
    picture = picture * (balance / balance[1])
    metered = picture
    if centre is not None and rng.random() < 0.7:
        r, c, reach = int(centre[1]), int(centre[0]), max(4, int(length_px))
        metered = picture[max(0, r - reach) : r + reach, max(0, c - reach) : c + reach]
    level = float(np.mean(metered)) + 1e-3
    target = float(np.exp(rng.normal(np.log(0.2), 0.25)))
    if fault == "too_dark":
        stops = float(rng.uniform(-6.5, -4.0))
    elif fault == "blown_out":
        stops = float(rng.uniform(2.8, 4.5))
    picture = picture * np.float32(min(target / level, 12) * 2.0**stops)
    if fault != "blown_out" and stops > 0:  # keep tissue below clipping
        picture = np.minimum(picture, 1.6)
    return picture


def _fringed(picture: Array, rng: np.random.Generator) -> Array:
    """Enlarge red and shrink blue a little, as a lens with coloured fringes does."""
    rows, cols = picture.shape[:2]
    picture = picture.copy()
    shift = rng.uniform(0.3, 1.5) * max(rows, cols) / 400
    for channel, way in ((0, 1), (2, -1)):
        scale = 1 + way * shift / max(rows, cols)
        warp = np.array(
            [[scale, 0, cols / 2 * (1 - scale)], [0, scale, rows / 2 * (1 - scale)]], np.float32
        )
        picture[..., channel] = cv2.warpAffine(
            np.ascontiguousarray(picture[..., channel]),
            warp,
            (cols, rows),
            borderMode=cv2.BORDER_REFLECT,
        )
    return picture


def _blurred(
    picture: Array,
    rng: np.random.Generator,
    *,
    length_px: float,
    hopeless: bool,
    centre: tuple[float, float] | None,
) -> Array:
    """Blur by focus, motion and depth of field; beyond use where `hopeless`."""
    if hopeless:
        sigma = length_px * float(rng.uniform(*_BLUR_HOPELESS))
        if rng.random() < 0.35:
            picture = _motion(picture, rng, sigma * 4.5)
        return cv2.GaussianBlur(picture, (0, 0), sigma)
    sigma = length_px * float(rng.uniform(0, _BLUR_USABLE)) * float(rng.random() < 0.7)
    if sigma > 0.3:
        picture = cv2.GaussianBlur(picture, (0, 0), sigma)
    if rng.random() < 0.12:
        picture = _motion(picture, rng, length_px * rng.uniform(0.01, 0.035))
    if rng.random() < 0.2 and centre is not None:  # shallow depth of field
        rows, cols = picture.shape[:2]
        soft = cv2.GaussianBlur(picture, (0, 0), max(1.0, length_px * rng.uniform(0.02, 0.12)))
        y, x = np.mgrid[0:rows, 0:cols].astype(np.float32)
        away = np.hypot(x - centre[0], y - centre[1]) / max(length_px, 1)
        share = np.clip((away - 0.75) * rng.uniform(0.6, 3), 0, 1)[..., None]
        picture = picture + share * (soft - picture)
    return picture


def _developed(image: Array, rng: np.random.Generator, camera: str) -> Array:
    """Smooth, sharpen and compress, as cameras and chats do."""
    rows, cols = image.shape[:2]
    draw = rng.random()
    if camera == "phone" and draw < 0.4:  # the denoiser's smear
        image = cv2.bilateralFilter(image, 5, float(rng.uniform(10, 45)), 2.0)
    elif draw < 0.08:
        image = cv2.medianBlur(image, 3)
    if rng.random() < 0.4:  # sharpening halos
        soft = cv2.GaussianBlur(image, (0, 0), float(rng.uniform(0.7, 2)))
        amount = float(rng.uniform(0.2, 1.2))
        image = cv2.addWeighted(image, 1 + amount, soft, -amount, 0)
    image = np.ascontiguousarray(image[..., ::-1])
    if camera == "chat":
        small = float(rng.uniform(0.4, 0.8))
        low = cv2.resize(image, None, fx=small, fy=small, interpolation=cv2.INTER_AREA)
        image = cv2.resize(_jpeg(low, rng, 40), (cols, rows), interpolation=cv2.INTER_CUBIC)
    for _ in range(int(rng.integers(0, 3))):
        image = _jpeg(image, rng, 40)
    return np.ascontiguousarray(image[..., ::-1])


def photographed(
    picture: Array,
    rng: np.random.Generator,
    *,
    camera: str,
    tint: Array,
    stops: float,
    length_px: float,
    fault: str = "",
    centre: tuple[float, float] | None = None,
) -> Array:
    """Photograph linear light.

    Parameters
    ----------
    picture : ndarray of float32, (rows, cols, 3)
        Linear light.
    camera : str
        phone, microscope, webcam, camera or chat.
    tint : ndarray, (3,)
        Colour of the light, most of which the white balance takes out.
    stops : float
        Exposure error.
    length_px : float
        Long axis of the face (or of the main thing), the yardstick of blur.
    fault : str
        too_blurred, too_dark, blown_out or empty.
    centre : tuple of float, optional
        (x, y) of what the exposure is metered on; the whole picture when left out.

    Returns
    -------
    ndarray of uint8, (rows, cols, 3)
        sRGB.
    """
    picture = _exposed(
        picture, rng, tint=tint, stops=stops, length_px=length_px, fault=fault, centre=centre
    )
    picture = _vignette(picture, rng, camera)
    if rng.random() < 0.25:
        picture = _fringed(picture, rng)
    hopeless = fault == "too_blurred"
    picture = _blurred(picture, rng, length_px=length_px, hopeless=hopeless, centre=centre)
    noise = float(rng.uniform(0, 0.02)) * (2.5 if camera == "webcam" else 1)
    if fault == "too_dark":
        noise *= 0.3
    grain = rng.standard_normal(picture.shape, dtype=np.float32)
    if rng.random() < 0.4:
        grain = cv2.GaussianBlur(grain, (0, 0), float(rng.uniform(0.5, 1.2))) * 1.6
    picture = picture + grain * np.sqrt(np.clip(picture, 0, 1) * 0.5 + 0.02) * np.float32(noise)
    image: Array = np.asarray(np.round(_tone(picture, rng) * 255), np.uint8)
    return _developed(image, rng, camera)
