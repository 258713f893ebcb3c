"""Injuries and colours of a staged tissue: rims, smears, cores, half-and-half, red-tinged green."""

from __future__ import annotations

import numpy as np

from budvision.render.fields import Array, fractal, streaks
from budvision.render.palette import LIVE_LOOKS, colour
from budvision.render.scene import Scene, Window
from budvision.render.staging import (
    CONDITIONS_STAGED_DEAD,
    CONDITIONS_STAGED_LIVE,
    CONDITIONS_UNSURE,
)

__all__ = ["STAGED_CONDITIONS", "live_colour", "reddened", "smear", "staged_brownness"]

STAGED_CONDITIONS = (*CONDITIONS_STAGED_LIVE, *CONDITIONS_STAGED_DEAD, *CONDITIONS_UNSURE)


def _step(value: Array, soft: float) -> Array:
    return np.asarray(1 / (1 + np.exp(-np.clip(soft * value, -30, 30))), np.float32)


def staged_brownness(
    rng: np.random.Generator, condition: str, rho: Array, theta: Array
) -> Array:
    """Return how dead each pixel is under one of `STAGED_CONDITIONS`, in [0, 1].

    Parameters
    ----------
    rho, theta : ndarray of float32
        0 at the growing point and 1 at the rim; angle in radians.

    Notes
    -----
    A tissue lives while its growing point does: a live one keeps its innermost quarter green, a
    dead one has it brown, and a half-and-half one is cut through it.
    """
    noise = fractal(rng, (rho.shape[0], rho.shape[1]), float(rng.uniform(2, 7)), 3)
    soft = float(rng.uniform(5, 16))
    away = rho * np.cos(theta - rng.uniform(0, 2 * np.pi))
    if condition == "wide_rim":
        return _step(rho + 0.08 * noise - rng.uniform(0.5, 0.75), soft)
    if condition == "core_alive":
        return _step(rho + 0.06 * noise - rng.uniform(0.36, 0.52), soft + 4)
    if condition == "edge_patch":
        return _step(away + 0.1 * noise - rng.uniform(0.26, 0.5), soft + 4)
    if condition == "small_core":
        return _step(rng.uniform(0.3, 0.55) - rho - 0.06 * noise, soft + 4)
    if condition == "core_patch":
        return _step(away + 0.1 * noise + rng.uniform(0.22, 0.5), soft + 4)
    if condition == "half":
        return _step(away + 0.06 * noise + rng.uniform(-0.08, 0.08), soft + 6)
    return np.zeros(rho.shape, np.float32)


def smear(
    scene: Scene, rng: np.random.Generator, cover: Array, window: Window, brown: Array
) -> None:
    """Drag a thin brown film over living tissue, as a razor does: the green shows through."""
    shape = (cover.shape[0], cover.shape[1])
    angle = float(rng.uniform(0, 180))
    field = streaks(rng, shape, float(rng.uniform(8, 26)), float(rng.uniform(0.08, 0.35)), angle)
    share = np.clip(float(rng.uniform(-0.1, 0.4)) + 0.5 * field, 0, 1) * cover
    share *= np.float32(rng.uniform(0.35, 0.8))
    tone = np.asarray(brown * np.float32(rng.uniform(0.8, 1.6)), np.float32)
    scene.rgb[window] += share[..., None] * (tone - scene.rgb[window])


def live_colour(rng: np.random.Generator, look: str, live: Array) -> Array:
    """Return the colour of living tissue under a look of the staging."""
    return colour(rng, LIVE_LOOKS[look]) if look in LIVE_LOOKS else live


def reddened(rng: np.random.Generator, paint: Array, rho: Array, brown: Array) -> Array:
    """Tinge living tissue with anthocyanin red, most at the rim, least at the growing point."""
    shape = (rho.shape[0], rho.shape[1])
    red = colour(rng, ((28, 68), (18, 46), (5, 48)))
    field = fractal(rng, shape, float(rng.uniform(2, 10)), 3)
    share = np.clip(float(rng.uniform(0.0, 0.6)) * (0.4 + rho) + 0.22 * field, 0, 0.85)
    share *= (1 - brown) * np.clip(0.25 + 1.5 * rho, 0, 1)
    light = paint.mean(2, keepdims=True) / max(float(red.mean()), 1e-3)
    tint = red * np.clip(light, 0.5, 2.0)
    return np.asarray(paint + share[..., None] * (tint - paint), np.float32)
