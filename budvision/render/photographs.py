"""Pieces of real photographs as texture: what scikit-learn and scikit-image ship.

Colour comes from scikit-learn's two sample pictures; scikit-image's grey pictures lend their
statistics in made-up colours. scikit-image's colour pictures are kept out: they are for tests.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np

from budvision.render.fields import Array

__all__ = ["photo_piece"]


_GREYS = ("brick", "camera", "cell", "clock", "coins", "grass", "gravel", "moon", "page", "text")


@lru_cache(maxsize=1)
def _pictures() -> tuple[Array, ...]:
    import skimage.data
    from sklearn.datasets import load_sample_images

    pictures = list(load_sample_images().images)
    for name in _GREYS:
        try:
            grey = getattr(skimage.data, name)()
        except (OSError, ImportError, AttributeError):  # not in this build of scikit-image
            continue
        pictures.append(np.repeat(np.asarray(grey, np.uint8)[..., None], 3, 2))
    return tuple((np.asarray(p, np.float32) / 255) ** np.float32(2.2) for p in pictures)


def _window(rng: np.random.Generator) -> Array:
    picture = _pictures()[int(rng.integers(len(_pictures())))]
    side = int(rng.uniform(0.12, 0.98) * min(picture.shape[:2]))
    row = int(rng.integers(0, picture.shape[0] - side + 1))
    col = int(rng.integers(0, picture.shape[1] - side + 1))
    return np.rot90(picture[row : row + side, col : col + side], int(rng.integers(4)))


def photo_piece(rng: np.random.Generator, shape: tuple[int, int]) -> Array:
    """Cut, turn and recolour a piece of a photograph; linear light, (rows, cols, 3)."""
    piece = _window(rng)
    if rng.random() < 0.6:
        piece = piece[..., rng.permutation(3)]
    if rng.random() < 0.6:  # colours of its own along the lightness
        stops = np.exp(rng.normal(-1.2, 0.7, (4, 3))).astype(np.float32)
        stops = stops * np.array([0.3, 0.7, 1.1, 1.8], np.float32)[:, None]
        light = np.clip(piece.mean(2), 0, 1) ** np.float32(0.45)
        piece = np.stack([np.interp(light, [0, 0.35, 0.65, 1], stops[:, c]) for c in range(3)], 2)
    piece = piece * rng.uniform(0.5, 1.4, 3).astype(np.float32)
    return np.clip(cv2.resize(np.ascontiguousarray(piece), shape[::-1]), 0.002, 1)
