"""Fields over one tissue: where a pixel lies in it, its leaf primordia, how dead it is."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from budvision.render.fields import Array, any_field, fractal, value_noise
from budvision.render.scene import Window

__all__ = ["Spot", "brownness", "coordinates", "structure_field"]


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a tissue lies: centre (x, y) and radius in pixels, long-axis angle in radians."""

    centre: tuple[float, float]
    radius: float
    angle: float
    elongation: float
    kind: str


def coordinates(
    points: Array, spot: Spot, window: Window, cover: Array, by_distance: bool
) -> tuple[Array, Array]:
    """Return rho (0 in the middle, 1 at the rim) and theta over a window."""
    rows, cols = window
    x = np.arange(cols.start, cols.stop, dtype=np.float32) - np.float32(spot.centre[0])
    y = np.arange(rows.start, rows.stop, dtype=np.float32) - np.float32(spot.centre[1])
    theta = cv2.phase(
        np.broadcast_to(x, cover.shape).copy(), np.broadcast_to(y[:, None], cover.shape).copy()
    )
    if by_distance:
        inside = cv2.distanceTransform((cover > 0.5).astype(np.uint8), cv2.DIST_L2, 5)
        return np.clip(1 - inside / (float(inside.max()) + 1e-3), 0, 1), theta
    rim = points - np.asarray(spot.centre)
    angle = np.mod(np.arctan2(rim[:, 1], rim[:, 0]), 2 * np.pi)
    order = np.argsort(angle)
    table = np.interp(
        np.linspace(0, 2 * np.pi, 256),
        angle[order],
        np.hypot(rim[order, 0], rim[order, 1]),
        period=2 * np.pi,
    )
    reach = table.astype(np.float32)[
        np.clip((theta * (255 / (2 * np.pi))).astype(np.int32), 0, 255)
    ]
    return np.sqrt(x[None, :] ** 2 + y[:, None] ** 2) / np.maximum(reach, 0.5), theta


def structure_field(
    rng: np.random.Generator, name: str, rho: Array, theta: Array, shape: tuple[int, int]
) -> Array:
    """Return the pattern of leaf primordia as a field of about unit spread."""
    count = float(rng.uniform(1.5, 6.5))
    phase = float(rng.uniform(0, 2 * np.pi))
    lobes = int(rng.integers(2, 8))
    wave = rng.uniform(0.03, 0.25) * np.cos(lobes * theta + phase)
    wobble = np.float32(rng.uniform(0, 0.12)) * value_noise(rng, shape, float(rng.uniform(3, 9)))
    if name in ("rings", "nested"):
        field = np.sin(2 * np.pi * count * (rho * (1 + wave) + wobble) + phase)
    elif name == "spiral":
        turns = float(rng.choice([-2, -1, 1, 2]))
        field = np.sin(2 * np.pi * (count * rho + wobble) + turns * theta + phase)
    elif name == "radial":
        field = np.cos((lobes + 2) * theta + 4 * wobble + phase) * np.minimum(1, 1.6 * rho)
    elif name == "chevrons":
        turn = theta - phase
        field = np.sin(
            2
            * np.pi
            * count
            * (
                np.abs(rho * np.sin(turn)) * float(rng.uniform(0.5, 1.5))
                + rho * np.cos(turn) * 0.7
                + wobble
            )
        )
    elif name == "dots":
        field = 2.4 * np.exp(-(((rho + wobble) / rng.uniform(0.18, 0.5)) ** 2)) - 0.8
        field += np.sin(2 * np.pi * count * rho + phase) * rng.uniform(0, 0.7)
        field *= rng.choice([-1.0, 1.0])
    elif name == "plain":
        field = (0.5 - rho) * rng.uniform(-1.6, 1.6) + 4 * wobble
    else:
        field = any_field(rng, shape, cells=float(rng.uniform(3, 12)))
    if name in ("rings", "nested", "spiral", "chevrons"):
        sharp = float(rng.uniform(0.4, 3.0))
        field = np.tanh(sharp * field + float(rng.uniform(-1.2, 1.2)))
    grainy = any_field(rng, shape, cells=float(rng.uniform(6, 24)))
    return (field + np.float32(rng.uniform(0, 0.6)) * grainy).astype(np.float32)


def _sigmoid(x: Array) -> Array:
    return np.asarray(1 / (1 + np.exp(-np.clip(x, -30, 30))), np.float32)


def brownness(
    rng: np.random.Generator, condition: str, rho: Array, theta: Array, shape: tuple[int, int]
) -> Array:
    """Return how dead each pixel is, in [0, 1]."""
    noise = fractal(rng, shape, float(rng.uniform(2, 7)), 3)
    soft = float(rng.uniform(3, 14))
    if condition == "fresh":
        return np.zeros(shape, np.float32)
    if condition in ("part_patch", "mites", "gap_below"):
        away = rho * np.cos(theta - rng.uniform(0, 2 * np.pi))
        edge = away + 0.16 * noise - rng.uniform(0.42, 0.75)
        if condition == "mites":
            edge = np.maximum(
                0.22 * any_field(rng, shape, name="cellular", cells=4) - 0.3, 0.25 * noise - 0.45
            ) + 0.35 * (rho - 0.5)
        value = _sigmoid(soft * edge)
        return np.asarray(value * np.clip(1.6 * (rho - 0.2), 0, 1), np.float32)
    if condition == "part_rim":
        return _sigmoid(soft * (rho + 0.1 * noise - rng.uniform(0.68, 0.88)))
    if condition == "part_streak":
        turn = theta - rng.uniform(0, 2 * np.pi)
        line = np.abs(rho * np.sin(turn) + 0.1 * noise - rng.uniform(-0.5, 0.5))
        value = np.exp(-((line / rng.uniform(0.05, 0.13)) ** 2))
        return np.asarray(value * np.clip(2 * (rho - 0.1), 0, 1), np.float32)
    if condition == "part_core":
        return _sigmoid(-soft * (rho + 0.1 * noise - rng.uniform(0.55, 0.8)))
    if condition == "part_most":
        away = rho * np.cos(theta - rng.uniform(0, 2 * np.pi)) + 0.14 * noise
        return _sigmoid(soft * (away + rng.uniform(0.35, 0.6)))
    low = float(rng.uniform(0.75, 1.0))
    return np.clip(low + (1 - low) * 0.8 * noise + 0.1, 0.6, 1).astype(np.float32)
