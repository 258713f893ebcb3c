"""What lies round the stand-in bud: bench, cane, fingers, clutter and shadows."""

from __future__ import annotations

from collections.abc import Mapping

import cv2
import numpy as np
from numpy.typing import NDArray

from budvision.render.standin.light import Lamp, Sensor, reflectance, seen
from budvision.render.standin.paint import Colour, Plane, Tile, clouds, mix
from budvision.render.standin.shapes import closed_curve

__all__ = ["BENCHES", "light_map", "paint_bench", "paint_cane", "paint_clutter", "paint_finger"]

BENCHES: Mapping[str, tuple[Mapping[str, float], float]] = {
    "white paper": ({}, 0.01), "grey mat": ({}, 0.6), "black mat": ({"soot": 8.0}, 0.5),
    "blue mat": ({"blue_dye": 3.0}, 0.15), "green mat": ({"green_dye": 2.2}, 0.1),
    "wood": ({"tannin": 0.7, "red_tannin": 0.1}, 0.03), "dark wood": ({"tannin": 4.0}, 0.1),
    "cloth": ({"tannin": 0.15}, 0.05), "steel": ({}, 0.25), "pink tray": ({"red_dye": 0.5}, 0.02),
    "earth": ({"tannin": 6.0, "soot": 1.5}, 0.1),
}
"""Bench materials: pigments and clear absorption."""


def paint_bench(
    rng: np.random.Generator, size: tuple[int, int], kind: str, lamp: Lamp, sensor: Sensor
) -> Plane:
    """Paint a bench surface over the whole frame."""
    amounts, clear = BENCHES[kind]
    jitter = float(np.exp(rng.normal(0, 0.25)))
    base = seen(reflectance({k: v * jitter for k, v in amounts.items()}, clear=clear * jitter),
                lamp, sensor)
    rows, cols = size
    out = np.broadcast_to(base, (rows, cols, 3)).astype(np.float32)
    long = max(size)
    if "wood" in kind:
        grid = rng.standard_normal((max(4, long // 12), max(3, long // 260))).astype(np.float32)
        grain = cv2.resize(grid, (long, long), interpolation=cv2.INTER_CUBIC)
        if rng.random() < 0.5:
            grain = np.ascontiguousarray(grain.T)
        out = out * np.exp(-0.16 * grain[:rows, :cols, None])
    elif kind == "cloth":
        y, x = np.mgrid[0:rows, 0:cols]
        pitch = rng.uniform(0.25, 0.7)
        out = out * (1 + 0.1 * np.sin(x * pitch) * np.sin(y * pitch))[..., None]
    elif kind == "earth":
        out = out * np.exp(0.5 * clouds(rng, size, grain=long / 30))[..., None]
    elif kind == "steel":
        brushed = cv2.blur(rng.standard_normal(size).astype(np.float32), (61, 1))
        out = out * (1 + 0.6 * brushed + 0.25 * clouds(rng, size, grain=long / 3))[..., None]
    elif kind == "white paper" and rng.random() < 0.5:
        step = max(6, long // int(rng.integers(12, 40)))
        ink = seen(reflectance({"blue_dye": 1.0}), lamp, sensor)
        for row in range(int(rng.integers(step)), rows, step):
            out[row:row + max(1, long // 700)] = ink
    out = out * (1 + rng.uniform(0.01, 0.06) * clouds(rng, size, grain=long / 12))[..., None]
    return np.asarray(np.clip(out, 0.002, 1.2), np.float32)


def paint_cane(
    rng: np.random.Generator, picture: Plane, *, centre: tuple[float, float], px_per_mm: float,
    turn: float, c: Mapping[str, Colour], side: float,
) -> Plane:
    """Paint the cane that carries the bud, a bark cylinder along the frame's u direction.

    Parameters
    ----------
    centre : tuple of float
        (row, col) of the bud.
    side : float
        From which side across the cane the light comes, -1 to 1.
    """
    rows, cols = picture.shape[:2]
    y, x = np.mgrid[0:rows, 0:cols].astype(np.float32)
    x, y = (x - centre[1]) / px_per_mm, (y - centre[0]) / px_per_mm
    cos, sin = np.cos(turn), np.sin(turn)
    u, v = x * cos + y * sin, -x * sin + y * cos
    half = rng.uniform(3.4, 6.0)
    bulge = 1 + rng.uniform(0.08, 0.3) * np.exp(-((u / rng.uniform(4, 8)) ** 2))
    v = v + rng.normal(0, 0.004) * u * u
    across = v / (half * bulge)
    inside = np.clip((1 - np.abs(across)) * half * px_per_mm + 0.5, 0, 1)
    reach = float(np.abs(u).max()) + 1
    long, wide = int(np.clip(reach * 2.2, 20, 500)), int(rng.integers(24, 70))
    streaks = rng.standard_normal((wide * 4, long)).astype(np.float32)
    streaks = np.asarray(cv2.GaussianBlur(streaks, (0, 0), 0.8), np.float32)
    sheet = cv2.resize(streaks, (long * 2, wide * 8), interpolation=cv2.INTER_CUBIC)
    bark = cv2.remap(
        sheet, np.asarray((u + reach) / (2 * reach) * (sheet.shape[1] - 1), np.float32),
        np.asarray((np.arcsin(np.clip(across, -1, 1)) / np.pi + 0.5) * (sheet.shape[0] - 1),
                   np.float32), cv2.INTER_LINEAR)
    share = np.clip(0.35 + rng.uniform(0.4, 1.1) * bark, 0, 1)
    body = mix(np.broadcast_to(c["bark"], picture.shape).astype(np.float32), c["bark_dark"], share)
    specks = clouds(rng, (rows, cols), grain=max(2.5, 0.3 * px_per_mm))
    body = mix(body, c["scale_dark"], np.clip((specks - 2.1) * 2, 0, 1) * 0.8)
    round_light = np.sqrt(np.clip(1 - across**2, 0, 1)) * (1 - 0.5 * side * across)
    body = body * np.clip(0.25 + 0.75 * round_light, 0.05, 1.4)[..., None]
    away = ((u + rng.uniform(4.2, 6.0)) / 1.1) ** 2 + (v / rng.uniform(1.2, 2.2)) ** 2
    scar = np.exp(-2 * away)
    body = mix(body, c["scale"] * rng.uniform(0.5, 1.1), np.clip(scar * 1.6, 0, 0.9))
    gap = cv2.GaussianBlur(np.asarray(inside, np.float32), (0, 0), max(1.0, 0.6 * px_per_mm))
    out = picture * (1 - 0.45 * np.clip(gap - inside, 0, 1)[..., None])
    return mix(out, body, np.asarray(inside, np.float32))


def paint_finger(
    rng: np.random.Generator, picture: Plane, *, centre: tuple[float, float], px_per_mm: float,
    turn: float, lamp: Lamp, sensor: Sensor, over: bool = False,
) -> tuple[Plane, Plane]:
    """Lay a bare or gloved finger beside the cane (or over the bud); return its cover too."""
    rows, cols = picture.shape[:2]
    kinds: tuple[dict[str, float], ...] = (
        {"blood": rng.uniform(0.15, 0.6), "tannin": rng.uniform(0.1, 2.0)},
        {"blue_dye": rng.uniform(0.8, 2.5)}, {"soot": 6.0}, {"green_dye": 1.0},
        {"red_dye": 1.0, "blue_dye": 1.2}, {},
    )
    curve = reflectance(kinds[int(rng.choice(len(kinds), p=[0.5, 0.2, 0.08, 0.08, 0.07, 0.07]))],
                        clear=0.02)
    y, x = np.mgrid[0:rows, 0:cols].astype(np.float32)
    x, y = (x - centre[1]) / px_per_mm, (y - centre[0]) / px_per_mm
    angle = turn + np.sign(rng.normal()) * np.pi / 2 + rng.normal(0, 0.35)
    along, across = x * np.cos(angle) + y * np.sin(angle), -x * np.sin(angle) + y * np.cos(angle)
    width = rng.uniform(5.5, 8.5)
    start = rng.uniform(-2, 0.5) if over else rng.uniform(4.3, 6.5)
    shift = rng.uniform(-1.5, 1.5) if over else rng.uniform(-8, 8)
    along, across = along - start - width, across - shift
    distance = np.hypot(np.minimum(along, 0), across) / width
    cover = np.clip((1 - distance) * width * px_per_mm * 0.3, 0, 1).astype(np.float32)
    skin = np.broadcast_to(seen(curve, lamp, sensor), picture.shape).astype(np.float32)
    ridges = 1 + 0.03 * np.sin(distance * width * rng.uniform(8, 14))
    skin = skin * (np.sqrt(np.clip(1.05 - distance**2, 0, 1)) * 0.7 + 0.35)[..., None]
    skin = skin * (ridges + 0.03 * clouds(rng, (rows, cols), grain=2 * px_per_mm + 3))[..., None]
    return mix(picture, np.asarray(skin, np.float32), cover), cover


def paint_clutter(
    rng: np.random.Generator, picture: Plane, *, keep_off: tuple[float, float, float], lamp: Lamp,
    sensor: Sensor, count: int,
) -> Plane:
    """Scatter chips of bark, leaf and blade over the bench, away from (row, col, radius)."""
    rows, cols = picture.shape[:2]
    out = picture
    kinds: tuple[Mapping[str, float], ...] = (
        {"leaf_green": 1.0, "yellow": 0.5}, {"tannin": 4.0, "red_tannin": 0.5}, {"soot": 5.0},
        {"red_dye": 2.0}, {"blue_dye": 2.0}, {}, {"tannin": 0.6},
    )
    for _ in range(count):
        row, col = rng.uniform(0, rows), rng.uniform(0, cols)
        size = rng.uniform(0.01, 0.09) * max(rows, cols)
        if np.hypot(row - keep_off[0], col - keep_off[1]) < keep_off[2] + 1.5 * size:
            continue
        n = int(max(8, 2.6 * size))
        tile = Tile(n, n / 2.6, rng.uniform(0, 6.28))
        shape = closed_curve(rng, centre=(0, 0), semi=(1.0, rng.uniform(0.08, 0.9)),
                             wobble=rng.uniform(0.02, 0.25), knots=int(rng.integers(5, 11)))
        cover = tile.cover(shape)
        colour = seen(reflectance(kinds[int(rng.integers(len(kinds)))], clear=0.03), lamp, sensor)
        patch = colour * (1 + 0.15 * clouds(rng, (n, n), grain=max(2.0, n / 6)))[..., None]
        top, left = int(row - n / 2), int(col - n / 2)
        r0, r1 = max(0, top), min(rows, top + n)
        c0, c1 = max(0, left), min(cols, left + n)
        if r1 <= r0 or c1 <= c0:
            continue
        part = (slice(r0 - top, r1 - top), slice(c0 - left, c1 - left))
        out[r0:r1, c0:c1] = mix(out[r0:r1, c0:c1], np.asarray(patch[part], np.float32), cover[part])
    return out


def light_map(
    rng: np.random.Generator, size: tuple[int, int], *, lamp: Lamp, second: Lamp | None,
    sensor: Sensor, shadow: bool,
) -> Plane:
    """Return how brightly, and in what colour against the main lamp, each place is lit."""
    rows, cols = size
    y, x = np.mgrid[-1:1:rows * 1j, -1:1:cols * 1j]
    angle = rng.uniform(0, 2 * np.pi)
    slope = rng.uniform(0.0, 0.3)
    strength = 1 + slope * (x * np.cos(angle) + y * np.sin(angle))
    if shadow:
        edge = (x - rng.uniform(-0.8, 0.8)) * np.cos(angle + 1) + y * np.sin(angle + 1)
        strength = strength * (1 - rng.uniform(0.2, 0.6) / (1 + np.exp(edge * rng.uniform(6, 40))))
    out = np.repeat(strength[..., None], 3, axis=2)
    if second is not None:
        white = np.ones(31)
        ratio: NDArray[np.float32] = seen(white, second, sensor) / seen(white, lamp, sensor)
        share = 0.5 + 0.5 * np.tanh(1.5 * (x * np.cos(angle + 2) + y * np.sin(angle + 2)))
        out = out * (1 + (ratio - 1) * (rng.uniform(0.2, 0.7) * share)[..., None])
    return np.asarray(out, np.float32)
