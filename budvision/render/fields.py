"""Random scalar fields: the independent ways in which a texture is drawn.

Each takes `rng` and a shape and returns float32 of about zero mean and unit spread. Scales are
given in cells across the longer side, so that a field looks alike at every drawing size.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = [
    "FIELDS",
    "Array",
    "any_field",
    "cellular",
    "fibres",
    "fractal",
    "grain",
    "normalised",
    "ridged",
    "spectral",
    "streaks",
    "value_noise",
]

Array = NDArray[Any]
Shape = tuple[int, int]


def normalised(field: Array) -> Array:
    """Shift and scale a field to zero mean and unit standard deviation."""
    mean, spread = cv2.meanStdDev(field)
    return ((field - np.float32(mean[0, 0])) * np.float32(1.0 / (spread[0, 0] + 1e-6))).astype(
        np.float32, copy=False
    )


def value_noise(rng: np.random.Generator, shape: Shape, cells: float) -> Array:
    """Smooth noise: random values on a coarse grid, interpolated."""
    rows, cols = shape
    side = max(rows, cols)
    nodes = (max(2, int(cells * rows / side)) + 1, max(2, int(cells * cols / side)) + 1)
    coarse = rng.standard_normal(nodes, dtype=np.float32)
    return cv2.resize(coarse, (cols, rows), interpolation=cv2.INTER_CUBIC)


def fractal(
    rng: np.random.Generator, shape: Shape, cells: float, octaves: int = 4, gain: float = 0.55
) -> Array:
    """Sum of smooth noises, each twice as fine and `gain` times as strong as the last."""
    total = np.zeros(shape, np.float32)
    weight = 1.0
    for _ in range(octaves):
        if cells > max(shape):
            break
        total += np.float32(weight) * value_noise(rng, shape, cells)
        cells, weight = cells * 2, weight * gain
    return normalised(total)


def ridged(rng: np.random.Generator, shape: Shape, cells: float, octaves: int = 3) -> Array:
    """Noise with sharp bright ridges, like cracks, septa or crumpled paper."""
    total = np.zeros(shape, np.float32)
    weight = 1.0
    for _ in range(octaves):
        if cells > max(shape):
            break
        total -= np.float32(weight) * np.abs(value_noise(rng, shape, cells))
        cells, weight = cells * 2, weight * 0.5
    return normalised(total)


def spectral(rng: np.random.Generator, shape: Shape, beta: float) -> Array:
    """Noise whose amplitude falls with frequency to the power `beta`, as photographs' does."""
    half = 128
    freq = np.hypot(np.fft.fftfreq(half)[:, None], np.fft.rfftfreq(half)[None, :])
    freq[0, 0] = 1.0
    phase = rng.uniform(0, 2 * np.pi, freq.shape)
    field = np.fft.irfft2(np.exp(1j * phase) / freq**beta, s=(half, half)).astype(np.float32)
    return normalised(cv2.resize(field, shape[::-1], interpolation=cv2.INTER_CUBIC))


def streaks(
    rng: np.random.Generator, shape: Shape, cells: float, ratio: float, angle_deg: float
) -> Array:
    """Noise stretched along one direction: wood grain, cloth, brushed metal, bark."""
    side = int(1.45 * max(shape)) + 2
    nodes = (max(2, int(cells * ratio)) + 1, max(2, int(cells)) + 1)
    coarse = rng.standard_normal(nodes, dtype=np.float32)
    coarse[1:-1] += 0.6 * rng.standard_normal((1, nodes[1]), dtype=np.float32)
    wide = cv2.resize(coarse, (side, side), interpolation=cv2.INTER_CUBIC)
    turn = cv2.getRotationMatrix2D((side / 2, side / 2), angle_deg, 1.0)
    turn[0, 2] -= (side - shape[1]) / 2
    turn[1, 2] -= (side - shape[0]) / 2
    return normalised(cv2.warpAffine(wide, turn, shape[::-1], borderMode=cv2.BORDER_REFLECT))


def cellular(rng: np.random.Generator, shape: Shape, cells: float) -> Array:
    """Distance to the nearest of many random points: cells, pores, pebbles."""
    side = max(shape)
    count = max(4, int(cells * cells * shape[0] * shape[1] / side**2))
    free = np.full(shape, 255, np.uint8)
    free[rng.integers(0, shape[0], count), rng.integers(0, shape[1], count)] = 0
    return normalised(cv2.distanceTransform(free, cv2.DIST_L2, 3))


def grain(rng: np.random.Generator, shape: Shape, soft_px: float = 0.0) -> Array:
    """Pixel noise, softened by a Gaussian of `soft_px`."""
    field: Array = rng.standard_normal(shape, dtype=np.float32)
    if soft_px > 0.3:
        field = cv2.GaussianBlur(field, (0, 0), soft_px)
    return normalised(field)


def fibres(
    rng: np.random.Generator,
    shape: Shape,
    count: int,
    length: float,
    *,
    curl: float = 0.5,
    angle_deg: float | None = None,
    spread: float = 1.0,
) -> Array:
    """Curved hair-like strokes of mixed lightness: wool, mould, threads.

    Parameters
    ----------
    length : float
        Stroke length as a share of the longer side.
    curl : float
        Radians by which a stroke turns along its way.
    angle_deg : float, optional
        Main direction; every direction when left out. `spread` is the scatter in radians.
    """
    canvas = np.full(shape, 128, np.uint8)
    side = max(shape)
    steps = 5
    start = rng.uniform(0, 1, (count, 1, 2)) * np.array([shape[1], shape[0]])
    if angle_deg is None:
        angle = rng.uniform(0, 2 * np.pi, (count, 1))
    else:
        angle = np.deg2rad(angle_deg) + spread * rng.standard_normal((count, 1))
    angle = angle + np.cumsum(curl / steps * rng.standard_normal((count, steps)), axis=1)
    step = length * side / steps * rng.uniform(0.4, 1.4, (count, 1))
    way = np.cumsum(np.stack([np.cos(angle) * step, np.sin(angle) * step], -1), axis=1)
    paths = np.round((start + way) * 8).astype(np.int32)
    shade = rng.integers(0, 256, count)
    for tone in range(8):
        group = [path for path, value in zip(paths, shade, strict=True) if value // 32 == tone]
        if group:
            cv2.polylines(canvas, group, False, int(tone * 32 + 16), 1, cv2.LINE_AA, 3)
    return normalised(canvas.astype(np.float32))


FIELDS: tuple[str, ...] = (
    "fractal",
    "ridged",
    "spectral",
    "streaks",
    "cellular",
    "grain",
    "fibres",
    "flat",
)
"""Names of the texture families that `any_field` knows."""


def any_field(
    rng: np.random.Generator, shape: Shape, *, name: str | None = None, cells: float = 8.0
) -> Array:
    """Draw a field of a named family, or of a random one.

    Parameters
    ----------
    name : str, optional
        One of FIELDS.
    cells : float
        Coarseness: cells across the longer side.
    """
    if name is None:
        name = FIELDS[int(rng.integers(len(FIELDS)))]
    makers: dict[str, Callable[[], Array]] = {
        "fractal": lambda: fractal(
            rng, shape, cells, int(rng.integers(2, 6)), float(rng.uniform(0.4, 0.8))
        ),
        "ridged": lambda: ridged(rng, shape, cells, int(rng.integers(1, 4))),
        "spectral": lambda: spectral(rng, shape, float(rng.uniform(0.7, 2.2))),
        "streaks": lambda: streaks(
            rng, shape, cells, float(rng.uniform(3, 14)), float(rng.uniform(0, 180))
        ),
        "cellular": lambda: cellular(rng, shape, cells * float(rng.uniform(1, 3))),
        "grain": lambda: grain(rng, shape, float(rng.uniform(0, 2.5))),
        "fibres": lambda: fibres(
            rng,
            shape,
            int(rng.integers(60, 260)),
            float(rng.uniform(0.05, 0.3)),
            curl=float(rng.uniform(0, 2)),
        ),
        "flat": lambda: np.zeros(shape, np.float32),
    }
    return makers[name]()
