"""Brushes of the stand-in: strokes, dabs and soft clouds on a square tile round the bud.

Colours are sensor values (linear, three floats); every brush returns or changes float32 arrays
of the tile's size.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from budvision.render.standin.shapes import Outline

__all__ = ["Colour", "Plane", "Tile", "clouds", "mix"]

Plane = NDArray[np.float32]
Colour = NDArray[np.float32]
_SHIFT = 4


def clouds(rng: np.random.Generator, size: tuple[int, int], *, grain: float) -> Plane:
    """Sum three blurred grids of random values into a smooth field of mean 0 and spread 1.

    Parameters
    ----------
    size : tuple of int
        (rows, columns).
    grain : float
        Size of the largest blobs, pixels.
    """
    total = np.zeros(size, np.float32)
    for octave, weight in ((1.0, 1.0), (0.45, 0.5), (0.2, 0.25)):
        cell = max(2.0, grain * octave)
        grid = rng.standard_normal(
            (int(size[0] / cell) + 3, int(size[1] / cell) + 3)).astype(np.float32)
        total += weight * cv2.resize(grid, (size[1], size[0]), interpolation=cv2.INTER_CUBIC)
    return np.asarray(total / (total.std() + 1e-6), dtype=np.float32)


def mix(picture: Plane, colour: Colour | Plane, alpha: Plane | float) -> Plane:
    """Lay a colour (or a second picture) over a picture with a share of cover."""
    if isinstance(alpha, np.ndarray) and alpha.ndim == 2:
        alpha = alpha[..., None]
    return np.asarray(picture + (colour - picture) * alpha, dtype=np.float32)


@dataclass(frozen=True, slots=True)
class Tile:
    """A square of n pixels, the bud's (u, v) origin in its middle.

    Attributes
    ----------
    n : int
        Side, pixels.
    px_per_mm : float
        Scale.
    turn : float
        Direction of positive u in the picture, radians, clockwise from the right.
    """

    n: int
    px_per_mm: float
    turn: float

    def to_px(self, points: Outline) -> Outline:
        """Return (x, y) pixels of (u, v) millimetres."""
        cos, sin = np.cos(self.turn), np.sin(self.turn)
        x = points[:, 0] * cos - points[:, 1] * sin
        y = points[:, 0] * sin + points[:, 1] * cos
        return np.stack([x, y], axis=1) * self.px_per_mm + 0.5 * self.n

    def _fixed(self, points: Outline) -> NDArray[np.int32]:
        return np.asarray(np.round((self.to_px(points) - 0.5) * (1 << _SHIFT)), dtype=np.int32)

    def cover(self, outline: Outline) -> Plane:
        """Return the share of each pixel within a closed outline."""
        canvas = np.zeros((self.n, self.n), np.uint8)
        cv2.fillPoly(canvas, [self._fixed(outline)], 255, cv2.LINE_AA, _SHIFT)
        return np.asarray(canvas, dtype=np.float32) / np.float32(255)

    def inside(self, outline: Outline) -> NDArray[np.bool_]:
        """Return the pixels within a closed outline."""
        canvas = np.zeros((self.n, self.n), np.uint8)
        cv2.fillPoly(canvas, [self._fixed(outline)], 1, cv2.LINE_8, _SHIFT)
        return np.asarray(canvas, dtype=bool)

    def strokes(self, lines: Sequence[Outline], *, width_mm: float, closed: bool = False) -> Plane:
        """Return the cover of a set of lines of one width."""
        canvas = np.zeros((self.n, self.n), np.uint8)
        width = width_mm * self.px_per_mm
        if len(lines) and width > 0.15:
            cv2.polylines(canvas, [self._fixed(line) for line in lines], closed, 255,
                          max(1, round(width)), cv2.LINE_AA, _SHIFT)
        return np.asarray(canvas, dtype=np.float32) * np.float32(min(1.0, max(width, 0.3)) / 255)

    def soften(self, plane: Plane, blur_mm: float) -> Plane:
        """Blur a plane by a length in millimetres."""
        sigma = blur_mm * self.px_per_mm
        if sigma < 0.3:
            return plane
        return np.asarray(cv2.GaussianBlur(plane, (0, 0), sigma), dtype=np.float32)

    def grid(self) -> tuple[Plane, Plane]:
        """Return u and v of every pixel's centre, mm."""
        axis = (np.arange(self.n, dtype=np.float32) + 0.5 - 0.5 * self.n) / self.px_per_mm
        x, y = np.meshgrid(axis, axis)
        cos, sin = np.float32(np.cos(self.turn)), np.float32(np.sin(self.turn))
        return (np.asarray(x * cos + y * sin, np.float32),
                np.asarray(-x * sin + y * cos, np.float32))

    def hairs(
        self, rng: np.random.Generator, outline: Outline, *, count: int, length_mm: float,
        curl: float, along: float | None = None,
    ) -> list[Outline]:
        """Draw curly hairs that start within an outline's bounding box.

        Parameters
        ----------
        curl : float
            Standard deviation of the change of direction a step, radians.
        along : float or None
            Main direction in (u, v), radians; None every direction.
        """
        low, high = outline.min(axis=0), outline.max(axis=0)
        start = rng.uniform(low, high, (count, 2))
        first = rng.uniform(0, 2 * np.pi, count) if along is None else rng.normal(
            along, 0.35, count)
        steps = 7
        heading = first[:, None] + np.cumsum(rng.normal(0, curl, (count, steps)), axis=1)
        length = length_mm / steps * rng.uniform(0.4, 1.6, (count, 1))
        move = np.stack([np.cos(heading), np.sin(heading)], axis=2) * length[..., None]
        points = start[:, None, :] + np.cumsum(move, axis=1)
        return list(points)
