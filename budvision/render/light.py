"""Light on the scene: relief, cast, gradients, shadows, highlights, exposure."""

from __future__ import annotations

import cv2
import numpy as np

from budvision.render.anatomy import Layout
from budvision.render.fields import Array, fractal
from budvision.render.scene import Scene
from budvision.render.world import World

__all__ = ["light_up"]

_GAINS: dict[str, tuple[tuple[float, float], tuple[float, float]]] = {
    "daylight": ((0.94, 1.08), (0.9, 1.1)),
    "shade": ((0.78, 0.95), (1.08, 1.4)),
    "tungsten": ((1.2, 1.75), (0.35, 0.72)),
    "fluorescent": ((0.84, 1.0), (0.8, 1.1)),
    "led_green": ((0.72, 0.93), (0.75, 1.0)),
    "led_magenta": ((1.05, 1.25), (1.03, 1.35)),
    "ring": ((0.92, 1.08), (0.9, 1.15)),
    "side": ((0.9, 1.25), (0.75, 1.1)),
    "mixed": ((0.9, 1.2), (0.8, 1.15)),
}
"""Red and blue gain over green of each light."""


def _cast(rng: np.random.Generator, name: str) -> Array:
    """Return what is left of the light's colour after the camera's own white balance."""
    red, blue = (float(rng.uniform(*span)) for span in _GAINS[name])
    gain = np.array([red, 1.0, blue])
    done = float(rng.choice([0.0, 0.5, 0.8, 1.0], p=[0.2, 0.25, 0.3, 0.25]))
    gain = gain ** (1 - done) * np.exp(rng.normal(0, 0.06, 3))
    return np.asarray(gain / gain.mean(), np.float32)


def _ramp(rng: np.random.Generator, shape: tuple[int, int]) -> Array:
    angle = rng.uniform(0, 2 * np.pi)
    x = np.linspace(-0.5, 0.5, shape[1], dtype=np.float32) * np.float32(np.cos(angle))
    y = np.linspace(-0.5, 0.5, shape[0], dtype=np.float32) * np.float32(np.sin(angle))
    return x[None, :] + y[:, None]


def _highlights(
    scene: Scene, rng: np.random.Generator, layout: Layout | None, world: World
) -> Array:
    """Return mirror-like light of the lamp as a field in [0, 1]."""
    shape = scene.shape
    field = np.zeros(shape, np.uint8)
    side = layout.long_px if layout else 0.3 * max(shape)
    middle = layout.centre if layout else (shape[1] / 2, shape[0] / 2)
    strong = world.fault == "glare"
    count = int(rng.integers(3, 9)) if strong else int(rng.integers(1, 7))
    for _ in range(count):
        spread = 0.35 if strong else 0.6
        centre = (
            int(middle[0] + side * rng.normal(0, spread)),
            int(middle[1] + side * rng.normal(0, spread)),
        )
        size = side * (float(rng.uniform(0.18, 0.5)) if strong else float(rng.uniform(0.01, 0.07)))
        axes = (max(1, int(size)), max(1, int(size * rng.uniform(0.4, 1))))
        thick = -1 if strong or world.light != "ring" else max(1, int(size * 0.35))
        cv2.ellipse(
            field,
            centre,
            axes,
            float(rng.uniform(0, 180)),
            0,
            float(rng.choice([360, 360, 200])),
            255,
            thick,
            cv2.LINE_AA,
        )
    if strong and layout is not None and rng.random() < 0.4:  # a broad sheen over the face
        cv2.ellipse(
            field,
            (
                int(middle[0] + 0.15 * side * rng.normal()),
                int(middle[1] + 0.15 * side * rng.normal()),
            ),
            (max(1, int(side * rng.uniform(0.5, 0.9))), max(1, int(side * rng.uniform(0.4, 0.7)))),
            float(np.degrees(layout.turn)),
            0,
            360,
            255,
            -1,
            cv2.LINE_AA,
        )
    elif strong and layout is not None and rng.random() < 0.35:  # a wet film's, in patches
        patches = fractal(rng, shape, float(rng.uniform(2, 9)), 2)
        rows, cols = np.ogrid[0 : shape[0], 0 : shape[1]]
        near = np.hypot(cols - middle[0], rows - middle[1]) < side * rng.uniform(0.8, 1.3)
        field[near & (patches > np.quantile(patches, rng.uniform(0.05, 0.28)))] = 255
    elif strong and layout is not None:
        spot = layout.spots[0]
        cv2.circle(
            field,
            (int(spot.centre[0]), int(spot.centre[1])),
            max(1, int(spot.radius * rng.uniform(0.75, 1.3))),
            255,
            -1,
            cv2.LINE_AA,
        )
    soft = side * (float(rng.uniform(0.01, 0.06)) if strong else float(rng.uniform(0.002, 0.015)))
    out: Array = field.astype(np.float32) * np.float32(1 / 255)
    if soft > 0.3:
        out = cv2.GaussianBlur(out, (0, 0), soft)
    return out


def light_up(scene: Scene, rng: np.random.Generator, world: World, layout: Layout | None) -> Array:
    """Return the light that reaches the camera: float32 (rows, cols, 3), white near 1."""
    shape = scene.shape
    image = scene.rgb.copy()
    side = world.light == "side"
    relief = float(rng.uniform(0.5, 1.6)) if side else float(rng.uniform(0.0, 0.7))
    if relief > 0.05:
        soft = cv2.GaussianBlur(scene.height, (0, 0), float(rng.uniform(0.6, 2.0)))
        way = rng.uniform(0, 2 * np.pi)
        slope = cv2.Sobel(soft, cv2.CV_32F, 1, 0) * np.float32(np.cos(way) / 8) + cv2.Sobel(
            soft, cv2.CV_32F, 0, 1
        ) * np.float32(np.sin(way) / 8)
        image *= np.clip(1 + np.float32(relief) * slope, 0.25, 2.2)[..., None]
        if side and rng.random() < 0.6:
            reach = 0.1 * (layout.long_px if layout else max(shape) * 0.3)
            move = np.array([[1, 0, reach * np.cos(way)], [0, 1, reach * np.sin(way)]], np.float32)
            moved = cv2.warpAffine(soft, move, shape[::-1], borderMode=cv2.BORDER_REPLICATE)
            shadow = cv2.GaussianBlur(
                np.clip((moved - soft) / (reach + 1e-3) - 0.4, 0, 1), (0, 0), 2
            )
            image *= (1 - np.float32(rng.uniform(0.3, 0.8)) * shadow)[..., None]
    cast = _cast(rng, world.light)
    if world.light == "mixed":
        other = _cast(rng, str(rng.choice(list(_GAINS)[:-1])))
        share = 1 / (1 + np.exp(-6 * _ramp(rng, shape)))
        image *= cast + share[..., None] * (other - cast)
    else:
        image *= cast
    if rng.random() < 0.7:
        image *= np.exp(np.float32(rng.uniform(0, 1.0)) * _ramp(rng, shape))[..., None]
    if rng.random() < 0.2:
        cloud = cv2.GaussianBlur(fractal(rng, shape, 2, 2), (0, 0), 3)
        image *= np.exp(np.float32(rng.uniform(0.1, 0.45)) * cloud)[..., None]
    lamp = (cast * np.float32(rng.uniform(0.8, 2.0))).astype(np.float32)
    shine = np.float32(rng.uniform(0, 0.25)) * scene.gloss
    if world.fault == "glare" or rng.random() < (0.7 if world.light == "ring" else 0.3):
        shine = np.maximum(shine, _highlights(scene, rng, layout, world))
    without = image
    if float(shine.max(initial=0.0)) > 0:
        image = image + shine[..., None] * lamp
    # of half the glares the exposure suits what lies round them
    metered = without if world.fault == "glare" and rng.random() >= 0.5 else image
    if layout is not None:
        (x, y), reach = layout.centre, max(4, int(layout.long_px * rng.uniform(0.6, 2.5)))
        metered = metered[
            max(0, int(y) - reach) : int(y) + reach, max(0, int(x) - reach) : int(x) + reach
        ]
    level = float(metered.mean()) if metered.size else 0.2
    image *= np.float32(min(8.0, float(np.exp(rng.normal(np.log(0.23), 0.2))) / (level + 1e-3)))
    stops = world.exposure_stops
    if world.fault == "too_dark":
        stops = float(rng.uniform(-7.0, -4.0))
    elif world.fault == "blown_out":
        stops = float(rng.uniform(2.7, 5.0))
    return (image * np.float32(2.0**stops)).astype(np.float32)
