"""The camera: lens, sensor, processing and file."""

from __future__ import annotations

import cv2
import numpy as np

from budvision.render.anatomy import Layout
from budvision.render.fields import Array
from budvision.render.world import World

__all__ = ["expose", "recompressed"]


def _disk(radius: float) -> Array:
    size = int(np.ceil(radius)) * 2 + 1
    y, x = np.mgrid[:size, :size] - size // 2
    kernel = np.clip(radius + 0.5 - np.hypot(x, y), 0, 1).astype(np.float32)
    return np.asarray(kernel / kernel.sum())


def _motion(rng: np.random.Generator, length: float) -> Array:
    size = max(3, int(length) | 1)
    kernel = np.zeros((size, size), np.float32)
    angle = rng.uniform(0, np.pi)
    half = size // 2
    cv2.line(
        kernel,
        (round(half - half * np.cos(angle)), round(half - half * np.sin(angle))),
        (round(half + half * np.cos(angle)), round(half + half * np.sin(angle))),
        1.0,
        1,
        cv2.LINE_AA,
    )
    return kernel / max(1e-6, float(kernel.sum()))


def _lens(image: Array, rng: np.random.Generator, world: World, layout: Layout | None) -> Array:
    size = 2 * layout.long_px if layout else 0.4 * max(image.shape[:2])
    if world.fault == "too_blurred":
        if rng.random() < 0.7:
            sigma = size * float(rng.uniform(0.034, 0.1))
            image = cv2.GaussianBlur(image, (0, 0), sigma)
        else:
            length = min(size * float(rng.uniform(0.22, 0.5)), 90)
            image = cv2.filter2D(image, -1, _motion(rng, length))
            image = cv2.GaussianBlur(image, (0, 0), max(0.5, 0.02 * size))
    elif rng.random() < 0.6:
        blur = size * abs(float(rng.normal(0, 0.007)))
        if blur > 0.35:
            how = rng.random()
            if how < 0.5:
                image = cv2.GaussianBlur(image, (0, 0), min(blur, 0.02 * size))
            elif how < 0.8:
                image = cv2.filter2D(image, -1, _disk(min(1.6 * blur, 0.03 * size)))
            else:
                image = cv2.filter2D(image, -1, _motion(rng, min(3.5 * blur, 0.06 * size)))
    if layout and rng.random() < 0.35:
        shape = image.shape[:2]
        soft = cv2.GaussianBlur(image, (0, 0), max(1.0, size * float(rng.uniform(0.01, 0.05))))
        x = (np.arange(shape[1], dtype=np.float32) - np.float32(layout.centre[0])) / np.float32(
            size
        )
        y = (np.arange(shape[0], dtype=np.float32) - np.float32(layout.centre[1])) / np.float32(
            size
        )
        away = np.sqrt(x[None, :] ** 2 + y[:, None] ** 2)
        share = np.clip((away - 0.55) * float(rng.uniform(1, 6)), 0, 1)
        image = image + share[..., None] * (soft - image)
    if rng.random() < 0.3:
        rows, cols = image.shape[:2]
        for channel, sign in ((0, 1), (2, -1)):
            grow = 1 + sign * float(rng.normal(0, 0.004))
            move = np.array(
                [[grow, 0, cols / 2 * (1 - grow)], [0, grow, rows / 2 * (1 - grow)]], np.float32
            )
            image[..., channel] = cv2.warpAffine(
                np.ascontiguousarray(image[..., channel]),
                move,
                (cols, rows),
                borderMode=cv2.BORDER_REPLICATE,
            )
    if world.camera == "microscope" or rng.random() < 0.2:
        rows, cols = image.shape[:2]
        x = np.linspace(-1, 1, cols, dtype=np.float32) - np.float32(rng.normal(0, 0.06))
        y = np.linspace(-1, 1, rows, dtype=np.float32) - np.float32(rng.normal(0, 0.06))
        away = x[None, :] ** 2 + (y[:, None] * np.float32(rows / cols)) ** 2
        image = (
            image * (1 - np.float32(rng.uniform(0.1, 0.6)) * np.clip(away, 0, 1.5) / 1.5)[..., None]
        )
        if world.camera == "microscope" and rng.random() < 0.35:
            edge = float(rng.uniform(0.85, 1.25))
            hole = 1 / (
                1 + np.exp(np.clip((np.sqrt(away) - edge) * float(rng.uniform(20, 80)), -30, 30))
            )
            image = image * hole[..., None].astype(np.float32)
    return image


def _develop(image: Array, rng: np.random.Generator) -> Array:
    """Turn linear light into display values with a tone curve of some kind."""
    image = np.clip(image, 0, None)
    shoulder = float(rng.uniform(0, 1))
    image = np.minimum(image / (1 + shoulder * 0.35 * image) * (1 + 0.35 * shoulder), 1.0)
    gamma = 1 / float(rng.uniform(1.9, 2.5))
    out = np.power(image + 1e-5, np.float32(gamma))
    bend = float(rng.normal(0, 0.25))
    out = out + np.float32(bend) * out * (1 - out) * (2 * out - 1)
    grey = out.mean(2, keepdims=True)
    out = grey + (out - grey) * np.float32(np.exp(rng.normal(0, 0.16)))
    lift = float(rng.uniform(0, 0.06)) if rng.random() < 0.3 else 0.0
    return np.asarray(np.clip(lift + (1 - lift) * out, 0, 1), np.float32)


def recompressed(image: Array, quality: int) -> Array:
    """Pass an RGB uint8 image through JPEG at a quality."""
    done, data = cv2.imencode(".jpg", image[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise RuntimeError("the picture could not be written as JPEG")
    back = np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8)
    return np.ascontiguousarray(back[..., ::-1])


def expose(
    image: Array,
    rng: np.random.Generator,
    world: World,
    layout: Layout | None,
    *,
    out_shape: tuple[int, int] | None = None,
) -> Array:
    """Photograph the light of a scene.

    Parameters
    ----------
    image : ndarray of float32, shape (rows, cols, 3)
        Linear light.
    out_shape : tuple of int, optional
        Rows and columns of the photograph; the scene's own when left out.

    Returns
    -------
    ndarray of uint8, shape (rows, cols, 3)
    """
    image = _lens(image, rng, world, layout)
    shape = image.shape[:2]
    if out_shape and out_shape != shape:
        shape = out_shape
        image = cv2.resize(image, shape[::-1], interpolation=cv2.INTER_CUBIC)
    noise = (
        float(rng.uniform(0, 0.03))
        if world.camera in ("phone", "camera")
        else float(rng.uniform(0, 0.05))
    )
    if rng.random() < 0.8:
        field = rng.standard_normal(image.shape, dtype=np.float32)
        image = image + field * np.sqrt(np.clip(image, 0, 1) * noise**2 + (0.25 * noise) ** 2)
    out = _develop(image, rng)
    if world.camera in ("phone", "chat") and rng.random() < 0.5:
        smooth = cv2.medianBlur((out * 255).astype(np.uint8), 3).astype(np.float32) / 255
        out = out + np.float32(rng.uniform(0.3, 1)) * (smooth - out)
    if rng.random() < 0.5:
        soft = cv2.GaussianBlur(out, (0, 0), float(rng.uniform(0.7, 2.0)))
        out = out + np.float32(rng.uniform(0.1, 1.2)) * (out - soft)
    result: Array = (np.clip(out, 0, 1) * 255 + 0.5).astype(np.uint8)
    if world.camera == "chat" or rng.random() < 0.08:
        shrink = float(rng.uniform(0.45, 0.85))
        small = cv2.resize(result, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        result = cv2.resize(small, shape[::-1], interpolation=cv2.INTER_LINEAR)
    for _ in range(1 + int(world.camera == "chat")):
        result = recompressed(result, int(rng.integers(40, 99)))
    return result
