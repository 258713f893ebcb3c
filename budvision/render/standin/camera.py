"""The stand-in's camera: lens, exposure, filter mosaic, noise, rendering, JPEG."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from budvision.render.standin.light import Sensor
from budvision.render.standin.paint import Plane

__all__ = ["Camera", "draw_camera", "expose"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """Settings of one camera and its software.

    Attributes
    ----------
    blur_px, motion_px : float
        Defocus disc's radius and motion's length, pixels of the final picture.
    fringe : float
        Growth of the red picture over the blue, as a share of the half width.
    noise : float
        Read noise, share of full scale; shot noise is `noise` times 4 at full scale.
    smear : float
        Strength of noise removal, 0 to 1.
    halo : float
        Amount of sharpening.
    tone : str
        srgb, film, flat or punchy.
    balance : tuple of float
        Error of the white balance for red and blue (1 none).
    quality : tuple of int
        JPEG qualities, one a save; empty none.
    stops : float
        Error of exposure.
    falloff : float
        Darkening towards the corners, share.
    eyepiece : bool
        A round dark edge as through a microscope.
    """

    blur_px: float
    motion_px: float
    fringe: float
    noise: float
    smear: float
    halo: float
    tone: str
    balance: tuple[float, float]
    quality: tuple[int, ...]
    stops: float
    falloff: float
    eyepiece: bool


def draw_camera(rng: np.random.Generator) -> Camera:
    """Draw a camera's settings, good enough for the picture to be judged."""
    saves = (int(rng.integers(70, 98)),) if rng.random() < 0.75 else (
        int(rng.integers(60, 96)), int(rng.integers(60, 96)))
    return Camera(
        blur_px=float(rng.uniform(0.0, 1.2)), motion_px=0.0,
        fringe=float(rng.uniform(-0.002, 0.002)), noise=float(np.exp(rng.uniform(-7, -4.3))),
        smear=float(rng.uniform(0, 1)), halo=float(rng.uniform(0, 1.2)),
        tone=str(rng.choice(["srgb", "film", "flat", "punchy"])),
        balance=(float(np.exp(rng.normal(0, 0.06))), float(np.exp(rng.normal(0, 0.08)))),
        quality=saves, stops=float(np.clip(rng.normal(0, 0.35), -1, 0.6)),
        falloff=float(rng.uniform(0, 0.35)), eyepiece=bool(rng.random() < 0.08),
    )


def _lens(rng: np.random.Generator, light: Plane, camera: Camera) -> Plane:
    rows, cols = light.shape[:2]
    if camera.blur_px >= 0.4:
        r = int(np.ceil(camera.blur_px))
        y, x = np.mgrid[-r:r + 1, -r:r + 1]
        disc = np.clip(camera.blur_px + 0.5 - np.hypot(x, y), 0, 1).astype(np.float32)
        light = np.asarray(cv2.filter2D(light, -1, disc / disc.sum()), np.float32)
    if camera.motion_px >= 1.5:
        n = int(camera.motion_px) | 1
        kernel = np.zeros((n, n), np.uint8)
        angle = rng.uniform(0, np.pi)
        half = n / 2 * np.array([np.cos(angle), np.sin(angle)])
        centre = n // 2
        cv2.line(kernel, (int(centre - half[0]), int(centre - half[1])),
                 (int(centre + half[0]), int(centre + half[1])), 255)
        weights = np.asarray(kernel, np.float32) / kernel.sum()
        light = np.asarray(cv2.filter2D(light, -1, weights), np.float32)
    if abs(camera.fringe) > 2e-4:
        out = light.copy()
        for channel, sign in ((0, 1.0), (2, -1.0)):
            s = 1 + sign * camera.fringe
            move = np.array([[s, 0, (1 - s) * cols / 2], [0, s, (1 - s) * rows / 2]], np.float32)
            out[..., channel] = cv2.warpAffine(
                light[..., channel], move, (cols, rows), borderMode=cv2.BORDER_REFLECT)
        light = out
    y, x = np.ogrid[-1:1:rows * 1j, -1:1:cols * 1j]
    radius = np.hypot(x, y * rows / cols).astype(np.float32)
    light = light * (1 - camera.falloff * np.clip(radius, 0, 1.4)[..., None] ** 2 * 0.6)
    if camera.eyepiece:
        light = light * np.clip((rng.uniform(0.85, 1.02) - radius) * 14, 0.004, 1)[..., None]
    return np.asarray(light, np.float32)


def _mosaic(light: Plane) -> Plane:
    """Keep one colour a pixel in a square pattern of four, and fill the others in again."""
    raw = np.empty(light.shape[:2], np.float32)
    raw[0::2, 0::2] = light[0::2, 0::2, 0]
    raw[0::2, 1::2] = light[0::2, 1::2, 1]
    raw[1::2, 0::2] = light[1::2, 0::2, 1]
    raw[1::2, 1::2] = light[1::2, 1::2, 2]
    counts = np.clip(raw * 16383, 0, 65535).astype(np.uint16)
    filled = cv2.cvtColor(counts, cv2.COLOR_BayerBG2RGB)
    return np.asarray(filled, np.float32) / np.float32(16383)


def _tone(linear: Plane, tone: str) -> Plane:
    linear = np.clip(linear, 0, None)
    if tone == "srgb":
        x: NDArray[Any] = np.clip(linear, 0, 1)
        return np.asarray(np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055))
    if tone == "film":
        x = linear * 1.15
        x = (x * (2.51 * x + 0.03)) / (x * (2.43 * x + 0.59) + 0.14)
        return np.asarray(np.clip(x, 0, 1) ** (1 / 1.9))
    if tone == "flat":
        x = linear / (1 + 0.35 * linear) * 1.35
        return np.asarray(np.clip(x, 0, 1) ** (1 / 2.35) * 0.94 + 0.03)
    x = np.clip(linear, 0, 1) ** (1 / 2.2)
    return np.asarray(np.clip(x + 0.22 * np.sin(2 * np.pi * (x - 0.5)) / (2 * np.pi) * 2, 0, 1))


def expose(
    rng: np.random.Generator, light: Plane, *, camera: Camera, sensor: Sensor,
    white: NDArray[np.float32], aim: float,
) -> NDArray[np.uint8]:
    """Turn light on the sensor into a photograph.

    Parameters
    ----------
    light : ndarray, shape (rows, columns, 3), float32
        Sensor values, the green of lit white being 1.
    white : ndarray, shape (3,)
        Sensor value of white under the main lamp.
    aim : float
        Value that the meter gives white.

    Returns
    -------
    ndarray, shape (rows, columns, 3), uint8
        sRGB.
    """
    light = _lens(rng, light, camera) * np.float32(aim * 2.0**camera.stops)
    light = _mosaic(light)
    spread = np.sqrt(camera.noise**2 + camera.noise * 0.02 * np.clip(light, 0, 1))
    grain = rng.standard_normal(light.shape, dtype=np.float32)
    if camera.smear > 0.3:
        grain = cv2.GaussianBlur(grain, (0, 0), 0.7) * np.float32(1.6)
    light = np.clip(light + spread * grain, 0, 1.0)
    gains = np.array([white[1] / white[0] * camera.balance[0], 1.0,
                      white[1] / white[2] * camera.balance[1]], np.float32)
    linear = np.clip((light * gains), 0, 1.3) @ sensor.matrix.T.astype(np.float32)
    shown = np.round(_tone(linear, camera.tone) * 255).clip(0, 255)
    picture: NDArray[Any] = np.asarray(shown, np.uint8)
    if camera.smear > 0.5:
        smooth = cv2.bilateralFilter(picture, 5, 18, 3)
        picture = cv2.addWeighted(smooth, camera.smear, picture, 1 - camera.smear, 0)
    if camera.halo > 0.2:
        soft = cv2.GaussianBlur(picture, (0, 0), 1.3)
        picture = cv2.addWeighted(picture, 1 + camera.halo, soft, -camera.halo, 0)
    for quality in camera.quality:
        done, data = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
        if done:
            back = np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8)
            picture = np.ascontiguousarray(back[..., ::-1])
    return np.asarray(picture, np.uint8)
