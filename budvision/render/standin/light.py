"""Spectra of the stand-in world: pigments, lamps and sensors in 31 bands from 400 to 700 nm.

A material is a mixture of pigments (two-flux theory), a lamp is a spectral power curve and a
camera three sensitivity curves, so that colours shift between lamps as they do on a bench. The
curves are drawn by hand after the known peaks of each pigment (from memory), not measured.

References
----------
Kubelka & Munk (1931), Zeitschrift fuer technische Physik 12:593-601.
Wyman, Sloan & Shirley (2013), Journal of Computer Graphics Techniques 2(2):1-11 (the sums of
Gaussians for the CIE 1931 observer).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["WAVE_NM", "Lamp", "Sensor", "draw_lamp", "draw_sensor", "reflectance", "seen"]

Curve = NDArray[np.float64]

WAVE_NM: Curve = np.arange(400.0, 701.0, 10.0)


def _bell(peak: float, left: float, right: float | None = None) -> Curve:
    width = np.where(peak > WAVE_NM, left, left if right is None else right)
    return np.asarray(np.exp(-0.5 * ((WAVE_NM - peak) / width) ** 2))


PIGMENTS: Mapping[str, Curve] = {
    "leaf_green": _bell(432, 18) + 0.55 * _bell(455, 14) + 0.72 * _bell(672, 13)
    + 0.25 * _bell(640, 16) + 0.12 * _bell(610, 25) + 0.05,
    "leaf_green_b": 0.9 * _bell(460, 18) + 0.45 * _bell(648, 12) + 0.05,
    "yellow": 0.8 * _bell(448, 22) + 0.6 * _bell(478, 16),
    "cooked": 0.9 * _bell(415, 22) + 0.3 * _bell(505, 20) + 0.35 * _bell(665, 14)
    + 0.35 * np.exp(-(WAVE_NM - 400) / 110) + 0.1,
    "tannin": np.exp(-(WAVE_NM - 400) / 85),
    "red_tannin": 0.9 * _bell(470, 60, 55) + 0.4 * np.exp(-(WAVE_NM - 400) / 60),
    "soot": 0.6 + 0.4 * np.exp(-(WAVE_NM - 400) / 200),
    "blue_dye": 0.9 * _bell(620, 60) + 0.25 * _bell(560, 60),
    "green_dye": 0.8 * _bell(650, 45) + 0.8 * _bell(430, 40),
    "red_dye": _bell(520, 55) + 0.4 * _bell(440, 40),
    "blood": 0.5 * _bell(418, 18) + 0.3 * _bell(545, 14) + 0.3 * _bell(577, 12),
}
"""Absorption of each pigment at unit concentration, one value a band."""


def reflectance(amounts: Mapping[str, float], *, clear: float = 0.02) -> Curve:
    """Mix pigments into a diffuse reflectance curve.

    Parameters
    ----------
    amounts : mapping of str to float
        Concentration of each pigment of `PIGMENTS` over the scatter of the material, at least 0.
    clear : float
        Absorption of the unpigmented material over its scatter.

    Returns
    -------
    ndarray, shape (31,), float64
        Reflectance in (0, 1).
    """
    ratio = np.full_like(WAVE_NM, clear)
    for name, amount in amounts.items():
        ratio = ratio + amount * PIGMENTS[name]
    return np.asarray(1.0 + ratio - np.sqrt(ratio * ratio + 2.0 * ratio))


def _planck(kelvin: float) -> Curve:
    metres = WAVE_NM * 1e-9
    power = metres**-5 / np.expm1(1.4388e-2 / (metres * kelvin))
    return np.asarray(power / power.max())


@dataclass(frozen=True, slots=True)
class Lamp:
    """A lamp: its kind in words and its power in each band."""

    kind: str
    power: Curve


def draw_lamp(rng: np.random.Generator) -> Lamp:
    """Draw a lamp: window, overcast, tungsten, tube, led or ring."""
    kinds = ("window", "overcast", "tungsten", "tube", "led", "ring")
    kind = str(rng.choice(kinds, p=[0.22, 0.14, 0.15, 0.15, 0.2, 0.14]))
    if kind == "window":
        power = _planck(rng.uniform(4600, 6200))
    elif kind == "overcast":
        power = _planck(rng.uniform(6200, 8500))
    elif kind == "tungsten":
        power = _planck(rng.uniform(2500, 3300))
    elif kind == "tube":
        lines = sum(w * _bell(p, 5) for p, w in ((436, 0.7), (546, 1.2), (579, 0.4), (612, 1.0)))
        power = 0.5 * _bell(rng.uniform(470, 500), 40) + 0.8 * _bell(575, 50) + lines * rng.uniform(
            0.2, 0.6)
    else:
        warm = rng.uniform(0.6, 2.2)
        power = (_bell(rng.uniform(445, 460), 9) + warm * _bell(rng.uniform(545, 580), 45, 60)
                 + rng.uniform(0, 0.5) * warm * _bell(628, 22))
    return Lamp(kind, np.asarray(power, dtype=np.float64))


@dataclass(frozen=True, slots=True)
class Sensor:
    """Three sensitivity curves and the matrix from white-balanced sensor values to linear sRGB."""

    curves: NDArray[np.float64]
    matrix: NDArray[np.float64]


def _observer() -> NDArray[np.float64]:
    x = (1.056 * _bell(599.8, 37.9, 31.0) + 0.362 * _bell(442.0, 16.0, 26.7)
         - 0.065 * _bell(501.1, 20.4, 26.2))
    y = 0.821 * _bell(568.8, 46.9, 40.5) + 0.286 * _bell(530.9, 16.3, 31.1)
    z = 1.217 * _bell(437.0, 11.8, 36.0) + 0.681 * _bell(459.0, 26.0, 13.8)
    return np.stack([x, y, z])


_XYZ_TO_SRGB = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415],
                         [0.0557, -0.2040, 1.0570]])


def draw_sensor(rng: np.random.Generator) -> Sensor:
    """Draw a camera's colour response and fit its matrix to linear sRGB under daylight."""
    leak = rng.uniform(0.0, 0.12)
    red = _bell(rng.uniform(592, 612), rng.uniform(28, 40), rng.uniform(25, 38)) + leak * _bell(
        450, 30)
    green = _bell(rng.uniform(525, 545), rng.uniform(32, 44)) + leak * _bell(600, 30)
    blue = _bell(rng.uniform(450, 468), rng.uniform(22, 32)) + leak * _bell(540, 30)
    curves = np.stack([red, green, blue])
    day = _planck(6500)
    patches = np.stack([
        reflectance({str(name): float(rng.uniform(0, 4)) for name in rng.choice(
            sorted(PIGMENTS), size=2, replace=False)}, clear=float(rng.uniform(0.005, 0.4)))
        for _ in range(60)
    ])
    white = np.ones_like(WAVE_NM)
    raw = (patches * day) @ curves.T / ((white * day) @ curves.T)
    xyz = (patches * day) @ _observer().T
    srgb = xyz @ _XYZ_TO_SRGB.T / ((white * day) @ _observer().T @ _XYZ_TO_SRGB.T)
    matrix = np.linalg.lstsq(raw, srgb, rcond=None)[0].T
    matrix = matrix / matrix.sum(axis=1, keepdims=True)
    mix = rng.uniform(0.6, 1.0)
    return Sensor(curves, mix * matrix + (1 - mix) * np.eye(3))


def seen(curve: Curve, lamp: Lamp, sensor: Sensor) -> NDArray[np.float32]:
    """Return what the sensor records of a material under a lamp, the green of white being 1.

    Returns
    -------
    ndarray, shape (3,), float32
    """
    raw = sensor.curves @ (curve * lamp.power)
    return np.asarray(raw / (sensor.curves[1] @ lamp.power), dtype=np.float32)
