"""White balance; CIELAB; browning and greenness measures.

There is one CIELAB in budvision: sRGB, D65, two-degree observer, as scikit-image computes it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

from budvision.vocabulary import LABEL_BACKGROUND, LABEL_SCALES

__all__ = [
    "BROWNING_DIVISOR",
    "COLOUR_VERSION",
    "Neutral",
    "browning_index",
    "colour_difference",
    "excess_green",
    "excess_red",
    "find_neutral",
    "green_leaf_index",
    "green_red_index",
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
BROWNING_DIVISOR: Final = 0.17
"""Divisor of the browning index (Pathare et al. 2013); other papers use 0.172."""

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


def colour_difference(lab: npt.ArrayLike, other: npt.ArrayLike) -> Float64:
    """Return the CIEDE2000 difference of two colours or arrays of colours.

    Parameters
    ----------
    lab, other : array_like of float, shape (..., 3)
        L*, a*, b*.

    Returns
    -------
    ndarray of float64, shape (...)
        Difference, 0 for equal colours; about 1 is just seen.

    References
    ----------
    Sharma, Wu & Dalal (2005), Color Research & Application 30:21-30, doi 10.1002/col.20070.
    """
    from skimage.color import deltaE_ciede2000

    difference: Any = deltaE_ciede2000
    return np.asarray(difference(np.asarray(lab, np.float64), np.asarray(other, np.float64)))


def browning_index(lab: npt.ArrayLike, *, divisor: float = BROWNING_DIVISOR) -> Float64:
    """Return the browning index of foods.

    Parameters
    ----------
    lab : array_like of float, shape (..., 3)
        L*, a*, b*.
    divisor : float
        0.17 (Pathare et al. 2013) or 0.172 (Palou et al. 1999, from memory).

    Returns
    -------
    ndarray of float64, shape (...)
        0 near white, higher when browner.

    Notes
    -----
    Made for foods: a bright green live bud with high b* scores high as well. Never used alone.

    References
    ----------
    Pathare, Opara & Al-Said (2013), Food and Bioprocess Technology 6:36-60,
    doi 10.1007/s11947-012-0867-9.
    """
    values = np.asarray(lab, np.float64)
    lightness, a, b = values[..., 0], values[..., 1], values[..., 2]
    below = 5.645 * lightness + a - 3.012 * b
    x = (a + 1.75 * lightness) / np.where(np.abs(below) < 1e-9, 1e-9, below)
    return np.asarray(100.0 * (x - 0.31) / divisor)


def _shares(rgb: npt.ArrayLike) -> tuple[Float64, Float64, Float64]:
    values = np.asarray(rgb, np.float64)
    total = np.maximum(values.sum(axis=-1), 1e-12)
    return values[..., 0] / total, values[..., 1] / total, values[..., 2] / total


def excess_green(rgb: npt.ArrayLike) -> Float64:
    """Return ExG = 2g - r - b of chromatic coordinates, in [-1, 2] (Woebbecke et al. 1995).

    Exactly 0 for any brown with G = (R + B) / 2.

    References
    ----------
    Woebbecke et al. (1995), Transactions of the ASAE 38:259-269.
    """
    r, g, b = _shares(rgb)
    return 2.0 * g - r - b


def excess_red(rgb: npt.ArrayLike) -> Float64:
    """Return ExR = 1.3 r - g of chromatic coordinates, in [-1, 1.3] (Meyer et al. 1998)."""
    r, g, _ = _shares(rgb)
    return 1.3 * r - g


def green_red_index(rgb: npt.ArrayLike) -> Float64:
    """Return (G - R) / (G + R), in [-1, 1]; positive for green (Hunt et al. 2005)."""
    r, g, _ = _shares(rgb)
    return (g - r) / np.maximum(g + r, 1e-12)


def green_leaf_index(rgb: npt.ArrayLike) -> Float64:
    """Return (2G - R - B) / (2G + R + B), in [-1, 1] (Louhaichi et al. 2001)."""
    r, g, b = _shares(rgb)
    return (2.0 * g - r - b) / np.maximum(2.0 * g + r + b, 1e-12)


@dataclass(frozen=True, slots=True)
class Neutral:
    """What stands for neutral in a photograph.

    Attributes
    ----------
    log_rgb : ndarray of float64, shape (3,)
        Logarithm of the linear light of something that should be grey.
    source : str
        ``card``, ``wool``, ``paper``, ``highlights`` or ``none``.
    doubt : float
        How far the true neutral may lie from `log_rgb`, in log units per channel (one standard
        deviation, a working figure): 0.02 for a card, 0.15 for wool, 0.5 where nothing was found.
    """

    log_rgb: Float64
    source: str
    doubt: float


_WOOL_LEAST_PX = 40


def find_neutral(
    crop: Uint8, labels: Uint8, *, card_white: npt.ArrayLike | None = None
) -> Neutral:
    """Find what should be neutral: the card's white, else the wool, else paper or highlights.

    Parameters
    ----------
    crop : ndarray of uint8, shape (rows, columns, 3)
        sRGB picture of the cut face.
    labels : ndarray of uint8, shape (rows, columns)
        0 background, 1 to 3 tissues, 4 scales and wool.
    card_white : array_like of float, shape (3,), optional
        sRGB (0 to 255) of the photo card's white field in the same photograph.

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
    if card_white is not None:
        white = np.clip(np.rint(np.asarray(card_white, np.float64)), 0, 255).astype(np.uint8)
        return Neutral(np.asarray(_LOG[white], np.float64), "card", 0.02)
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
