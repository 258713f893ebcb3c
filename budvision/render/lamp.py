"""Light on the scene: direction, shadow, highlights, colour, gradients."""

from __future__ import annotations

import cv2
import numpy as np

from budvision.render.fields import Array, value_noise
from budvision.render.scene import Scene

__all__ = ["LIGHT_COLOURS", "glare_over", "lit"]

LIGHT_COLOURS: dict[str, tuple[tuple[float, float], ...]] = {
    "daylight": ((0.92, 1.05), (0.97, 1.03), (0.92, 1.1)),
    "shade": ((0.75, 0.92), (0.95, 1.02), (1.08, 1.4)),
    "tungsten": ((1.25, 1.75), (0.92, 1.04), (0.38, 0.68)),
    "fluorescent": ((0.82, 1.0), (1.04, 1.18), (0.8, 1.05)),
    "led_green": ((0.75, 0.95), (1.1, 1.32), (0.75, 1.0)),
    "led_magenta": ((1.02, 1.25), (0.72, 0.92), (1.0, 1.28)),
    "ring": ((0.9, 1.06), (0.96, 1.04), (0.95, 1.18)),
    "side": ((0.95, 1.25), (0.96, 1.03), (0.7, 1.02)),
    "mixed": ((0.8, 1.3), (0.92, 1.1), (0.6, 1.3)),
}
"""Colour of each kind of light as ranges of linear red, green and blue, before the camera's
white balance."""


def _tint(rng: np.random.Generator, kind: str) -> Array:
    return np.array([rng.uniform(*span) for span in LIGHT_COLOURS[kind]], np.float32)


def _normals(height: Array, strength: float) -> tuple[Array, Array]:
    soft = cv2.GaussianBlur(height, (0, 0), 0.8)
    return (
        cv2.Sobel(soft, cv2.CV_32F, 1, 0, scale=strength / 8),
        cv2.Sobel(soft, cv2.CV_32F, 0, 1, scale=strength / 8),
    )


def lit(
    scene: Scene,
    rng: np.random.Generator,
    kind: str,
    *,
    length_px: float,
    centre: tuple[float, float],
) -> tuple[Array, Array]:
    """Light a scene.

    Parameters
    ----------
    kind : str
        A key of LIGHT_COLOURS.
    length_px, centre
        Size and place of the face, for highlights.

    Returns
    -------
    picture : ndarray of float32, (rows, cols, 3)
        Linear light, unclipped.
    tint : ndarray, (3,)
        Colour of the main light, for the camera's white balance.
    """
    rows, cols = scene.shape
    tint = _tint(rng, kind)
    gx, gy = _normals(scene.height, float(rng.uniform(0.3, 1.6)))
    angle = rng.uniform(0, 2 * np.pi)
    hard = 0.75 if kind == "side" else float(rng.uniform(0.05, 0.4))
    slope = np.cos(angle) * gx + np.sin(angle) * gy
    shade = np.clip(1 + hard * slope, 0.25, 2.2)
    y, x = np.mgrid[0:rows, 0:cols].astype(np.float32)
    away = ((x - centre[0]) * np.cos(angle) + (y - centre[1]) * np.sin(angle)) / max(rows, cols)
    shade *= np.exp(np.clip(away * rng.normal(0, 0.9 if kind == "side" else 0.4), -1.5, 1.5))
    if rng.random() < (0.5 if kind == "side" else 0.15):  # a cast shadow
        line = away + 0.06 * value_noise(rng, scene.shape, 3) - rng.uniform(-0.35, 0.35)
        edge = 1 / (1 + np.exp(-np.clip(line * rng.uniform(15, 200), -30, 30)))
        shade *= 1 - rng.uniform(0.2, 0.7) * edge
    picture = scene.rgb * (shade[..., None] * tint).astype(np.float32)
    if kind == "mixed":
        other = _tint(rng, str(rng.choice(["tungsten", "shade", "led_green", "led_magenta"])))
        share = 1 / (
            1 + np.exp(-np.clip((away + rng.uniform(-0.2, 0.2)) * rng.uniform(2, 8), -30, 30))
        )
        picture *= (1 + share[..., None] * (other / tint - 1)).astype(np.float32)
    if rng.random() < 0.7 and scene.gloss.max() > 0.02:
        shine = np.exp(-(((slope - rng.uniform(0.1, 0.8)) / rng.uniform(0.1, 0.35)) ** 2))
        wet = (
            shine
            * scene.gloss
            * np.clip(value_noise(rng, scene.shape, float(rng.uniform(10, 60))), 0, 2)
            * rng.uniform(0.3, 1.5)
        )
        picture += (wet[..., None] * tint).astype(np.float32)
    if kind == "ring" and rng.random() < 0.7:  # the ring mirrored small
        for _ in range(int(rng.integers(1, 5))):
            middle = np.asarray(centre) + rng.normal(0, 0.3, 2) * length_px
            radius = length_px * rng.uniform(0.02, 0.12)
            ring = np.zeros(scene.shape, np.float32)
            cv2.circle(
                ring,
                (int(middle[0]), int(middle[1])),
                max(1, int(radius)),
                1.0,
                max(1, int(radius * rng.uniform(0.2, 0.6))),
                cv2.LINE_AA,
            )
            picture += ring[..., None] * tint * np.float32(rng.uniform(0.3, 1.2))
    if rng.random() < 0.3:  # small highlights
        for _ in range(int(rng.integers(1, 10))):
            middle = np.asarray(centre) + rng.normal(0, 0.3, 2) * length_px
            spot = np.zeros(scene.shape, np.float32)
            cv2.ellipse(
                spot,
                (int(middle[0]), int(middle[1])),
                (
                    max(1, int(length_px * rng.uniform(0.005, 0.05))),
                    max(1, int(length_px * rng.uniform(0.005, 0.025))),
                ),
                float(rng.uniform(0, 180)),
                0,
                360,
                1.0,
                -1,
                cv2.LINE_AA,
            )
            picture += spot[..., None] * tint * np.float32(rng.uniform(0.4, 1.6))
    return picture, tint


def glare_over(
    picture: Array,
    rng: np.random.Generator,
    *,
    centre: tuple[float, float],
    length_px: float,
    tint: Array,
) -> Array:
    """Lay a reflection over most of the tissue, so that it cannot be judged."""
    rows, cols = picture.shape[:2]
    middle = np.asarray(centre) + rng.normal(0, 0.05, 2) * length_px
    spot = np.zeros((rows, cols), np.float32)
    cv2.ellipse(
        spot,
        (int(middle[0]), int(middle[1])),
        (
            max(2, int(length_px * rng.uniform(0.3, 0.55))),
            max(2, int(length_px * rng.uniform(0.22, 0.45))),
        ),
        float(rng.uniform(0, 180)),
        0,
        360,
        1.0,
        -1,
    )
    soft: Array = cv2.GaussianBlur(spot, (0, 0), max(0.8, length_px * rng.uniform(0.02, 0.1)))
    soft *= np.clip(1.1 + 0.3 * value_noise(rng, (rows, cols), float(rng.uniform(3, 12))), 0.5, 2)
    return picture + (soft[..., None] * tint * np.float32(rng.uniform(1.2, 3.0))).astype(np.float32)
