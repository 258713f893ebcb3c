"""The canvas that painters share: reflectance, relief, gloss, labels and brownness."""

from __future__ import annotations

import cv2
import numpy as np

from budvision.render.fields import Array
from budvision.render.shapes import mask_of, window_of

__all__ = ["Scene", "Window", "blend", "mix", "textured"]

Window = tuple[slice, slice]


def mix(first: Array, second: Array, share: Array) -> Array:
    """Blend two colours of shape (3,) by a share in [0, 1] of shape (rows, cols)."""
    share = share.astype(np.float32, copy=False)
    return cv2.merge(
        [share * np.float32(b - a) + np.float32(a) for a, b in zip(first, second, strict=True)]
    )


def textured(
    base: Array, field: Array, strength: float, *, other: Array | None = None, share: float = 0.0
) -> Array:
    """Give a colour a texture: lightness by exp(strength * field), some mixing with `other`.

    Returns
    -------
    ndarray of float32, shape (rows, cols, 3)
    """
    light = np.exp(np.clip(np.float32(strength) * field, -2.5, 2.5)).astype(np.float32, copy=False)
    if other is None or share <= 0:
        return cv2.merge([light * np.float32(value) for value in base])
    amount = np.clip(0.5 + 0.6 * field, 0, 1) * np.float32(share)
    return cv2.multiply(mix(base, other, amount), cv2.merge([light, light, light]))


def blend(target: Array, paint: Array, alpha: Array) -> None:
    """Lay paint over a target in place; paint is (3,) or (rows, cols, 3)."""
    alpha = alpha.astype(np.float32, copy=False)
    cover = cv2.merge([alpha, alpha, alpha])
    if paint.ndim == 1:
        target *= 1 - cover
        target += cv2.merge([alpha * np.float32(value) for value in paint])
    else:
        target += cover * (paint - target)


class Scene:
    """What has been drawn so far.

    Attributes
    ----------
    rgb : ndarray of float32, shape (rows, cols, 3)
        Linear-light reflectance.
    height : ndarray of float32, shape (rows, cols)
        Relief in pixels, for shading.
    gloss : ndarray of float32, shape (rows, cols)
        Share of mirror-like reflection, in [0, 1].
    labels : ndarray of uint8, shape (rows, cols)
        0 background, 1 primary, 2 secondary, 3 tertiary, 4 scales and wool of the cut face.
    brown : ndarray of float32, shape (rows, cols)
        How dead each pixel of tissue is, in [0, 1].
    """

    def __init__(self, rows: int, cols: int) -> None:
        self.rgb: Array = np.full((rows, cols, 3), 0.3, np.float32)
        self.height: Array = np.zeros((rows, cols), np.float32)
        self.gloss: Array = np.zeros((rows, cols), np.float32)
        self.labels: Array = np.zeros((rows, cols), np.uint8)
        self.brown: Array = np.zeros((rows, cols), np.float32)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.labels.shape[0], self.labels.shape[1]

    def paint(
        self,
        points: Array,
        colour: Array,
        *,
        alpha: float = 1.0,
        soft_px: float = 0.0,
        lift_px: float = 0.0,
        label: int | None = None,
    ) -> None:
        """Fill a closed curve with one colour of shape (3,)."""
        window = window_of(points, self.shape, 2 + 3 * soft_px)
        cover = mask_of(points, window)
        if cover.size:
            self.lay(
                window, cover, colour, alpha=alpha, soft_px=soft_px, lift_px=lift_px, label=label
            )

    def lay(
        self,
        window: Window,
        cover: Array,
        colour: Array,
        *,
        alpha: float = 1.0,
        soft_px: float = 0.0,
        lift_px: float = 0.0,
        label: int | None = None,
    ) -> None:
        """Lay colour, (3,) or (rows, cols, 3), over a window by a coverage in [0, 1]."""
        if not cover.size:
            return
        if label is not None:
            self.labels[window][cover > 0.5] = label
        if soft_px > 0.3:
            cover = cv2.GaussianBlur(cover, (0, 0), soft_px)
        blend(self.rgb[window], colour, cover * np.float32(alpha))
        if lift_px:
            self.height[window] += cover * np.float32(lift_px)

    def strokes(
        self,
        paths: list[Array],
        colour: Array,
        *,
        width_px: float,
        alpha: float = 1.0,
        closed: bool = False,
        soft_px: float = 0.0,
        lift_px: float = 0.0,
        within: Array | None = None,
        window: Window | None = None,
    ) -> None:
        """Draw lines of (n, 2) points; `within` is a coverage that they stay inside of."""
        if not paths:
            return
        if window is None:
            window = window_of(np.vstack(paths), self.shape, 2 + width_px + 3 * soft_px)
        rows, cols = window
        cover = np.zeros((rows.stop - rows.start, cols.stop - cols.start), np.uint8)
        if not cover.size:
            return
        moved = [
            np.round((path - [cols.start, rows.start]) * 16).astype(np.int32) for path in paths
        ]
        cv2.polylines(cover, moved, closed, 255, max(1, round(width_px)), cv2.LINE_AA, 4)
        share = cover.astype(np.float32) * np.float32(min(1.0, max(width_px, 0.25)) / 255)
        if within is not None:
            share *= within
        self.lay(window, share, colour, alpha=alpha, soft_px=soft_px, lift_px=lift_px)
