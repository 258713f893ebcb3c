"""Colours of the rendered world, drawn in CIE LCh and handed over as linear-light RGB.

Every range is wide on purpose: the default model must not learn one cultivar or one lamp. Hue
angles are CIELAB hue in degrees (about 30 red-brown, 75 tan, 100 yellow-green, 150 blue-green).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from budvision.render.fields import Array

__all__ = [
    "CULTIVARS", "DEAD_LOOKS", "LIVE_LOOKS", "Cultivar", "Span", "away_from", "colour", "cultivar",
    "lch_to_linear",
]

Span = tuple[float, float]

_XYZ_TO_RGB = np.array(
    [
        [3.2404542, -1.5371385, -0.4985314],
        [-0.9692660, 1.8760108, 0.0415560],
        [0.0556434, -0.2040259, 1.0572252],
    ]
)
_WHITE = np.array([0.95047, 1.0, 1.08883])


@dataclass(frozen=True, slots=True)
class Cultivar:
    """Colour ranges of one family of buds (lightness, chroma, hue spans).

    Attributes
    ----------
    name : str
        Plain word for the look; no real cultivar is meant.
    live, wool, scales : tuple of Span
        Spans of L*, C*, h for live tissue, wool and bud scales.
    """

    name: str
    live: tuple[Span, Span, Span]
    wool: tuple[Span, Span, Span]
    scales: tuple[Span, Span, Span]


CULTIVARS: tuple[Cultivar, ...] = (
    Cultivar(
        "mid_green",
        ((42, 72), (24, 52), (108, 135)),
        ((68, 92), (4, 18), (65, 95)),
        ((18, 48), (12, 32), (45, 75)),
    ),
    Cultivar(
        "yellow_green",
        ((55, 85), (26, 62), (101, 116)),
        ((70, 94), (6, 24), (75, 98)),
        ((22, 55), (14, 38), (50, 80)),
    ),
    Cultivar(
        "blue_green",
        ((35, 68), (14, 40), (135, 172)),
        ((66, 92), (2, 14), (60, 110)),
        ((15, 42), (6, 24), (35, 75)),
    ),
    Cultivar(
        "pale",
        ((66, 90), (10, 34), (102, 140)),
        ((76, 97), (2, 16), (70, 100)),
        ((28, 60), (10, 30), (55, 82)),
    ),
    Cultivar(
        "deep",
        ((22, 46), (18, 42), (112, 150)),
        ((58, 86), (4, 20), (60, 95)),
        ((10, 34), (6, 24), (30, 70)),
    ),
    Cultivar(
        "rusty",
        ((42, 76), (20, 50), (103, 140)),
        ((48, 76), (16, 38), (50, 80)),
        ((18, 44), (18, 42), (38, 62)),
    ),
    Cultivar(
        "reddish",
        ((45, 76), (22, 52), (105, 140)),
        ((66, 92), (4, 18), (40, 90)),
        ((14, 44), (14, 40), (5, 45)),
    ),
    Cultivar(
        "grey",
        ((40, 74), (18, 46), (108, 150)),
        ((58, 88), (0, 8), (40, 120)),
        ((20, 56), (2, 14), (40, 90)),
    ),
    Cultivar(
        "brown_wool",
        ((42, 78), (22, 52), (104, 145)),
        ((30, 60), (10, 34), (42, 80)),
        ((12, 40), (10, 32), (35, 72)),
    ),
    Cultivar(
        "ashen_wool",
        ((40, 78), (18, 48), (104, 150)),
        ((32, 62), (0, 10), (40, 110)),
        ((14, 46), (4, 24), (35, 85)),
    ),
)

DEAD_LOOKS: dict[str, tuple[Span, Span, Span]] = {
    "brown": ((18, 46), (10, 34), (45, 78)),
    "tan": ((38, 58), (14, 34), (60, 82)),
    "reddish": ((16, 42), (12, 38), (22, 52)),
    "black": ((3, 18), (0, 12), (20, 95)),
    "grey": ((18, 44), (2, 10), (40, 95)),
    "olive": ((26, 52), (9, 27), (80, 101)),
}
"""Looks of dead tissue; olive is the dull colour of cooked asparagus of recent frost."""

LIVE_LOOKS: dict[str, tuple[Span, Span, Span]] = {
    "cream": ((70, 92), (9, 26), (94, 116)),
    "pale": ((70, 93), (8, 24), (98, 132)),
}
"""Looks of living tissue that no cultivar explains."""


def lch_to_linear(lightness: float, chroma: float, hue_deg: float) -> Array:
    """Convert one CIE LCh colour (D65) to linear-light sRGB.

    Returns
    -------
    ndarray of float32, shape (3,)
        Clipped to [0.002, 1].
    """
    hue = np.deg2rad(hue_deg)
    fy = (lightness + 16.0) / 116.0
    f = np.array([fy + chroma * np.cos(hue) / 500.0, fy, fy - chroma * np.sin(hue) / 200.0])
    xyz = np.where(f > 6 / 29, f**3, (f - 4 / 29) * 108 / 841) * _WHITE
    return np.asarray(np.clip(_XYZ_TO_RGB @ xyz, 0.002, 1.0), np.float32)


def colour(rng: np.random.Generator, spans: tuple[Span, Span, Span]) -> Array:
    """Draw one colour from spans of L*, C* and h, as linear-light RGB of shape (3,)."""
    return lch_to_linear(*(float(rng.uniform(low, high)) for low, high in spans))


def away_from(lab: Array, spans: tuple[Span, Span, Span]) -> Array:
    """Return the CIE 1976 difference of CIELAB colours to the nearest one of spans of L*, C*, h.

    Parameters
    ----------
    lab : ndarray of float, shape (..., 3)
    spans : tuple of Span
        The hue span is under 180 degrees wide.

    Returns
    -------
    ndarray of float, shape (...)
    """
    (low, high), (dull, strong), (first, last) = spans
    lightness, a, b = np.moveaxis(np.asarray(lab, np.float64), -1, 0)
    middle, half = (first + last) / 2, (last - first) / 2
    off = (np.degrees(np.arctan2(b, a)) - middle + 180) % 360 - 180
    hue = np.deg2rad(middle + np.clip(off, -half, half))
    along = np.hypot(a, b) * np.cos(np.deg2rad(middle + off) - hue)
    nearest = np.clip(along, dull, strong)
    return np.asarray(np.sqrt(
        (lightness - np.clip(lightness, low, high)) ** 2
        + (a - nearest * np.cos(hue)) ** 2 + (b - nearest * np.sin(hue)) ** 2))


def cultivar(name: str) -> Cultivar:
    """Return the colour family of that name."""
    return next(row for row in CULTIVARS if row.name == name)
