"""Pieces of real photographs as texture: the two pictures that scikit-learn ships."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np

from budvision.render.fields import Array

__all__ = ["photo_field", "photo_piece"]


@lru_cache(maxsize=1)
def _pictures() -> tuple[Array, ...]:
    from sklearn.datasets import load_sample_images

    return tuple((np.asarray(picture, np.float32) / 255) ** np.float32(2.2)
                 for picture in load_sample_images().images)


def _window(rng: np.random.Generator, low: float, high: float) -> Array:
    picture = _pictures()[int(rng.integers(len(_pictures())))]
    side = int(rng.uniform(low, high) * min(picture.shape[:2]))
    row = int(rng.integers(0, picture.shape[0] - side + 1))
    col = int(rng.integers(0, picture.shape[1] - side + 1))
    return np.rot90(picture[row:row + side, col:col + side], int(rng.integers(4)))


def photo_piece(rng: np.random.Generator, shape: tuple[int, int]) -> Array:
    """Cut, turn and recolour a piece of a photograph; linear light, (rows, cols, 3)."""
    piece = _window(rng, 0.12, 0.98)
    if rng.random() < 0.6:
        piece = piece[..., rng.permutation(3)]
    piece = piece * rng.uniform(0.5, 1.4, 3).astype(np.float32)
    return np.clip(cv2.resize(np.ascontiguousarray(piece), shape[::-1]), 0.002, 1)


def photo_field(rng: np.random.Generator, shape: tuple[int, int]) -> Array:
    """Take one channel's detail as a scalar field of zero mean and unit spread."""
    piece = np.ascontiguousarray(_window(rng, 0.05, 0.5)[..., int(rng.integers(3))])
    field = cv2.resize(np.log(piece + 0.02), shape[::-1])
    field = field - cv2.GaussianBlur(field, (0, 0), max(2.0, max(shape) / 6))
    return np.asarray((field - field.mean()) / (field.std() + 1e-3), np.float32)
