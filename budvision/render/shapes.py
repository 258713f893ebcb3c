"""Outlines: closed curves as (n, 2) arrays of (x, y) offsets, of about unit radius."""

from __future__ import annotations

import cv2
import numpy as np

from budvision.render.fields import Array

__all__ = ["OUTLINES", "mask_of", "outline", "placed", "window_of"]

OUTLINES: tuple[str, ...] = ("oval", "super", "lobed", "drop", "kidney", "rough", "hull")
"""Families of outline, drawn in independent ways."""

_POINTS = 96
_THETA = np.linspace(0, 2 * np.pi, _POINTS, endpoint=False)


def outline(
    rng: np.random.Generator, kind: str, *, elongation: float = 1.0, bump: float = 0.06
) -> Array:
    """Draw one outline of a family.

    Parameters
    ----------
    kind : str
        One of OUTLINES, or "maple" for deep lobes.
    elongation : float
        Long over short axis, at least 1; the long axis lies along x. The area stays near pi.
    bump : float
        Size of the irregularities as a share of the radius.

    Returns
    -------
    ndarray of float64, shape (96, 2)
    """
    theta = _THETA
    radius = np.ones(_POINTS)
    for k in range(2, 7):
        radius += bump * rng.standard_normal() / k * np.cos(k * theta + rng.uniform(0, 2 * np.pi))
    if kind == "lobed":
        lobes = int(rng.integers(3, 8))
        radius += rng.uniform(0.04, 0.16) * np.cos(lobes * theta + rng.uniform(0, 2 * np.pi))
    elif kind == "maple":
        lobes, phase = int(rng.integers(5, 9)), rng.uniform(0, 2 * np.pi)
        wave = np.abs(np.cos(0.5 * (lobes * theta + phase)))
        radius += rng.uniform(0.18, 0.42) * (wave - 0.64)
    elif kind == "rough":
        fine = np.convolve(np.tile(rng.standard_normal(_POINTS), 3), np.ones(3) / 3, "same")
        radius += rng.uniform(0.02, 0.07) * fine[_POINTS:-_POINTS]
    x, y = radius * np.cos(theta), radius * np.sin(theta)
    if kind == "super":
        power = rng.uniform(0.6, 0.95)
        x = radius * np.sign(np.cos(theta)) * np.abs(np.cos(theta)) ** power
        y = radius * np.sign(np.sin(theta)) * np.abs(np.sin(theta)) ** power
    elif kind == "drop":
        y = y * (1 - rng.uniform(0.2, 0.6) * (x + 1) / 2)
        y, x = y * 1.15, x * 1.05
    elif kind == "kidney":
        bend = rng.uniform(0.15, 0.5)
        x, y = x - bend * (y**2) + bend / 3, y * 1.15
    elif kind == "hull":
        spots = rng.standard_normal((14, 2)) * 0.75
        hull = cv2.convexHull(spots.astype(np.float32))[:, 0, :]
        closed = np.vstack([hull, hull[:1]])
        way = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
        steps = np.linspace(0, way[-1], _POINTS, endpoint=False)
        x, y = np.interp(steps, way, closed[:, 0]), np.interp(steps, way, closed[:, 1])
        soft = np.hanning(int(rng.integers(9, 31)))
        soft /= soft.sum()
        x = np.convolve(np.tile(x, 3), soft, "same")[_POINTS:-_POINTS]
        y = np.convolve(np.tile(y, 3), soft, "same")[_POINTS:-_POINTS]
        points = np.stack([x, y], 1)
        points -= points.mean(0)
        turn = np.linalg.eigh(points.T @ points)[1][:, ::-1]
        points = points @ turn
        spread = np.maximum(points.std(0), 1e-3) * np.sqrt(2)
        x, y = points[:, 0] / spread[0], points[:, 1] / spread[1]
    long = np.sqrt(elongation)
    return np.stack([x * long, y / long], 1)


def placed(points: Array, centre: tuple[float, float], radius: float, angle: float) -> Array:
    """Scale, turn (radians) and move an outline to `centre` (x, y) in pixels."""
    cos, sin = np.cos(angle), np.sin(angle)
    turn = np.array([[cos, sin], [-sin, cos]])
    return np.asarray(radius * points @ turn + np.asarray(centre))


def window_of(points: Array, shape: tuple[int, int], pad: float = 2.0) -> tuple[slice, slice]:
    """Return the (rows, cols) slices of the frame that hold the points; may be empty."""
    low = np.floor(points.min(0) - pad).astype(int)
    high = np.ceil(points.max(0) + pad).astype(int) + 1
    row0, row1 = (int(v) for v in np.clip([low[1], high[1]], 0, shape[0]))
    col0, col1 = (int(v) for v in np.clip([low[0], high[0]], 0, shape[1]))
    return slice(row0, row1), slice(col0, col1)


def mask_of(points: Array, window: tuple[slice, slice]) -> Array:
    """Fill a closed curve within a window; float32 coverage in [0, 1]."""
    rows, cols = window
    mask = np.zeros((rows.stop - rows.start, cols.stop - cols.start), np.uint8)
    if mask.size:
        moved = np.round((points - [cols.start, rows.start]) * 16).astype(np.int32)
        cv2.fillPoly(mask, [moved], 255, cv2.LINE_AA, 4)
    return mask.astype(np.float32) * np.float32(1 / 255)
