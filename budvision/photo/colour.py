"""White balance and CIELAB.

There is one CIELAB in budvision: sRGB, D65, two-degree observer, as scikit-image computes it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from budvision.vocabulary import LABEL_BACKGROUND, LABEL_SCALES

__all__ = [
    "COLOUR_VERSION",
    "Neutral",
    "find_neutral",
    "lab_from_linear",
    "linear_light",
    "log_light",
    "neutralise",
    "to_lab",
]

Uint8 = npt.NDArray[np.uint8]
Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]

COLOUR_VERSION: Final = "lab-d65-1"
"""Part of the feature version: changes whenever a colour below comes out differently."""

_WHITE: Final = np.array([0.95047, 1.0, 1.08883])  # D65, two-degree observer
_XYZ: Final = np.array(
    [
        [0.412453, 0.357580, 0.180423],
        [0.212671, 0.715160, 0.072169],
        [0.019334, 0.119193, 0.950227],
    ]
)  # sRGB to XYZ, ITU-R BT.709 primaries
_TO_RELATIVE: Final = (_XYZ / _WHITE[:, None]).astype(np.float32)
_STEPS: Final = 65535


def _linear_table() -> Float32:
    values = np.arange(256) / 255.0
    low = values <= 0.04045
    return np.where(low, values / 12.92, ((values + 0.055) / 1.055) ** 2.4).astype(np.float32)


def _curve(t: Float64) -> Float64:
    limit = (6.0 / 29.0) ** 3
    return np.where(t > limit, np.cbrt(t), (841.0 / 108.0) * t + 4.0 / 29.0)


_LINEAR: Final = _linear_table()
_FLOOR: Final = float(_LINEAR[4])  # below this the log says more of noise than of light
_LOG: Final = np.log(np.maximum(_LINEAR, _FLOOR)).astype(np.float32)
_CURVE: Final = _curve(np.arange(_STEPS + 1) / _STEPS).astype(np.float32)


def linear_light(image: Uint8) -> Float32:
    """Undo sRGB's tone curve.

    Parameters
    ----------
    image : ndarray of uint8, shape (..., 3)
        sRGB.

    Returns
    -------
    ndarray of float32, shape (..., 3)
        Linear light in [0, 1].

    References
    ----------
    IEC 61966-2-1:1999.
    """
    return np.asarray(cv2.LUT(image, _LINEAR), np.float32)


def log_light(image: Uint8) -> Float32:
    """Return the natural logarithm of linear light, floored at the light of sRGB 4.

    Parameters
    ----------
    image : ndarray of uint8, shape (..., 3)
        sRGB.

    Returns
    -------
    ndarray of float32, shape (..., 3)
        In [-6.71, 0]. Differences of it are ratios of light, the same under any exposure and, per
        channel, under any white balance, as long as nothing is clipped.
    """
    return np.asarray(cv2.LUT(image, _LOG), np.float32)


def to_lab(image: Uint8) -> Float32:
    """Convert sRGB to CIELAB (D65, two-degree observer).

    Parameters
    ----------
    image : ndarray of uint8, shape (rows, columns, 3)
        sRGB.

    Returns
    -------
    ndarray of float32, shape (rows, columns, 3)
        L* in [0, 100], a* and b*. Within 0.06 of scikit-image's ``rgb2lab`` in every channel
        (measured over all of a colour cube; the cube root is read from a table).

    References
    ----------
    CIE 015:2018, Colorimetry, 4th edition.
    """
    relative = cv2.transform(linear_light(image), _TO_RELATIVE * np.float32(_STEPS))
    f = _CURVE[np.minimum(relative + np.float32(0.5), np.float32(_STEPS)).astype(np.uint16)]
    lab = np.empty(f.shape, np.float32)
    lab[..., 0] = 116.0 * f[..., 1] - 16.0
    lab[..., 1] = 500.0 * (f[..., 0] - f[..., 1])
    lab[..., 2] = 200.0 * (f[..., 1] - f[..., 2])
    return lab


def lab_from_linear(linear: npt.ArrayLike) -> Float64:
    """Convert linear sRGB light to CIELAB; meant for a few colours, not for pictures.

    Parameters
    ----------
    linear : array_like of float, shape (..., 3)
        Linear light, 1 at white; values above 1 (after white balance) are allowed.

    Returns
    -------
    ndarray of float64, shape (..., 3)
        L*, a*, b*.
    """
    relative = np.maximum(np.asarray(linear, np.float64) @ (_XYZ / _WHITE[:, None]).T, 0.0)
    f = _curve(relative)
    return np.stack(
        [
            116.0 * f[..., 1] - 16.0,
            500.0 * (f[..., 0] - f[..., 1]),
            200.0 * (f[..., 1] - f[..., 2]),
        ],
        axis=-1,
    )


@dataclass(frozen=True, slots=True)
class Neutral:
    """What stands for neutral in a photograph.

    Attributes
    ----------
    log_rgb : ndarray of float64, shape (3,)
        Logarithm of the linear light of something that should be grey.
    source : str
        ``wool``, ``paper``, ``highlights`` or ``none``.
    doubt : float
        How far the true neutral may lie from `log_rgb`, in log units per channel (one standard
        deviation, a working figure): 0.15 for wool, 0.5 where nothing was found.
    """

    log_rgb: Float64
    source: str
    doubt: float


_WOOL_LEAST_PX = 40


def find_neutral(crop: Uint8, labels: Uint8) -> Neutral:
    """Find what should be neutral: the wool, else paper or highlights.

    Parameters
    ----------
    crop : ndarray of uint8, shape (rows, columns, 3)
        sRGB picture of the cut face.
    labels : ndarray of uint8, shape (rows, columns)
        0 background, 1 to 3 tissues, 4 scales and wool.

    Returns
    -------
    Neutral
        The logarithm of its light and how much it can be trusted.

    Notes
    -----
    Wool is the brightest third of the face outside the three tissues, clipped pixels left out. It
    is tan to white, so it is neutral only within `doubt`; but it lies under the same light as the
    tissues, which paper beside the bud may not.
    """
    logs = log_light(crop)
    clipped = cv2.inRange(crop, (0, 0, 0), (251, 251, 251)) == 0
    face = (labels == LABEL_SCALES) & ~clipped
    if np.count_nonzero(face) >= _WOOL_LEAST_PX:
        return Neutral(_bright_third(_pixels(logs, face)), "wool", 0.15)
    around = (labels == LABEL_BACKGROUND) & ~clipped
    if np.count_nonzero(around) >= _WOOL_LEAST_PX:
        pixels = _pixels(logs, around)
        spread = pixels.max(axis=1) - pixels.min(axis=1)
        bright = pixels[:, 1] >= np.quantile(pixels[:, 1], 0.8)
        paper = bright & (spread < 0.5)
        if int(paper.sum()) >= _WOOL_LEAST_PX:
            return Neutral(np.asarray(np.median(pixels[paper], axis=0), np.float64), "paper", 0.25)
        top = pixels[:, 1] >= np.quantile(pixels[:, 1], 0.98)
        return Neutral(np.asarray(np.median(pixels[top], axis=0), np.float64), "highlights", 0.35)
    return Neutral(np.full(3, float(_LOG[186])), "none", 0.5)


def _pixels(picture: Float32, where: npt.NDArray[np.bool_]) -> Float32:
    """Return ``picture[where]``, shape (n, 3), several times faster."""
    return picture.reshape(-1, picture.shape[-1]).take(np.flatnonzero(where), axis=0)


def _bright_third(pixels: Float32) -> Float64:
    brightness = pixels @ np.full(3, 1.0 / 3.0, np.float32)
    bright = np.flatnonzero(brightness >= np.quantile(brightness, 2.0 / 3.0))
    return np.array([np.median(pixels[:, channel].take(bright)) for channel in range(3)])


def neutralise(image: Uint8, neutral: Neutral) -> Uint8:
    """Scale the channels so that the neutral is grey, keeping its brightness (von Kries).

    Parameters
    ----------
    image : ndarray of uint8, shape (rows, columns, 3)
        sRGB.
    neutral : Neutral
        From `find_neutral`.

    Returns
    -------
    ndarray of uint8, shape (rows, columns, 3)
        sRGB; what exceeds white is clipped.
    """
    gains = np.exp(neutral.log_rgb.mean() - neutral.log_rgb)
    table = np.empty((1, 256, 3), np.uint8)
    for channel in range(3):
        linear = np.clip(_LINEAR * gains[channel], 0.0, 1.0)
        low = linear <= 0.0031308
        coded = np.where(low, linear * 12.92, 1.055 * np.maximum(linear, 1e-9) ** (1 / 2.4) - 0.055)
        table[0, :, channel] = np.clip(np.rint(coded * 255.0), 0, 255).astype(np.uint8)
    return np.asarray(cv2.LUT(image, table), np.uint8)
