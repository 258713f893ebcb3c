"""Outlines of the stand-in bud, in millimetres on the cut plane.

The bud is built as solids (domes under a shell of scales) that the cutting plane slices: the
deeper the cut, the larger the slice of each dome, and a dome the plane has not reached is not
exposed. The axis u runs along the cane towards its tip, v across it; the secondary sits at
negative u (towards the cane base), the tertiary at positive u.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from budvision.vocabulary import TISSUES, Tissue

__all__ = ["BudShape", "Outline", "build", "closed_curve"]

Outline = NDArray[np.float64]


def closed_curve(
    rng: np.random.Generator, *, centre: tuple[float, float], semi: tuple[float, float],
    turn: float = 0.0, wobble: float = 0.06, knots: int = 9,
) -> Outline:
    """Draw a closed smooth outline: an ellipse whose knots are moved, through a cubic spline.

    Parameters
    ----------
    centre, semi : tuple of float
        Centre and semi-axes, mm.
    turn : float
        Turn of the ellipse, radians.
    wobble : float
        Standard deviation of the knots' radius, as a share of it.

    Returns
    -------
    ndarray, shape (160, 2), float64
        Points (u, v), mm.
    """
    angle = np.linspace(0, 2 * np.pi, knots, endpoint=False)
    angle = np.sort(angle + rng.normal(0, 0.12, knots) * 2 * np.pi / knots)
    radius = 1 + np.clip(rng.normal(0, wobble, knots), -2 * wobble, 2 * wobble)
    spline = CubicSpline(
        np.append(angle, angle[0] + 2 * np.pi), np.append(radius, radius[0]), bc_type="periodic")
    theta = np.linspace(0, 2 * np.pi, 160, endpoint=False)
    r = spline(theta)
    x, y = semi[0] * r * np.cos(theta), semi[1] * r * np.sin(theta)
    cos, sin = np.cos(turn), np.sin(turn)
    return np.stack([centre[0] + cos * x - sin * y, centre[1] + sin * x + cos * y], axis=1)


def _within(part: Outline, whole: Outline) -> bool:
    """Tell whether a star-shaped outline holds another with 4 % to spare."""
    middle = whole.mean(axis=0)
    arms, reach = whole - middle, part - middle
    order = np.argsort(np.arctan2(arms[:, 1], arms[:, 0]))
    angle = np.arctan2(arms[order, 1], arms[order, 0])
    limit = np.interp(np.arctan2(reach[:, 1], reach[:, 0]), angle,
                      np.hypot(arms[order, 0], arms[order, 1]), period=2 * np.pi)
    return bool((np.hypot(reach[:, 0], reach[:, 1]) < 0.96 * limit).all())


@dataclass(frozen=True, slots=True, kw_only=True)
class BudShape:
    """Outlines of one cut, mm.

    Attributes
    ----------
    face : ndarray
        Outer edge of the scales.
    inner : ndarray
        Inner edge of the scales: the wool lies within.
    tissues : mapping of Tissue to ndarray
        Outline of each exposed tissue, largest extent.
    extra : ndarray or None
        A second, small secondary where the bud has two.
    width_mm : float
        Extent of the face along u.
    too_deep : bool
        The plane has passed under the primary's growing point into the cane's green.
    """

    face: Outline
    inner: Outline
    tissues: Mapping[Tissue, Outline]
    extra: Outline | None
    width_mm: float
    too_deep: bool


def _slice_share(depth: float, top: float, height: float) -> float:
    """Share of a dome's full radius at a depth: 0 above its top, 1 at its base."""
    if depth <= top:
        return 0.0
    below = min(1.0, (depth - top) / height)
    return float(np.sqrt(1 - (1 - below) ** 2))


def build(rng: np.random.Generator, *, depth: float, lean: float = 0.0) -> BudShape:
    """Slice a freshly drawn bud at a depth.

    Parameters
    ----------
    depth : float
        0 the top of the scales, about 0.35 the usual first cut, above 1 under the bud.
    lean : float
        Extra depth at positive u, from a blade held at a slant (0 level).
    """
    primary_mm = rng.uniform(0.8, 1.5)
    stretch = rng.uniform(0.85, 1.25)
    semi_p = (primary_mm / np.sqrt(stretch), primary_mm * np.sqrt(stretch))
    ratio_s = rng.uniform(0.5, 0.68)
    ratio_t = min(rng.uniform(0.3, 0.55), 0.86 * ratio_s)
    share = {
        Tissue.PRIMARY: _slice_share(depth, rng.uniform(0.1, 0.17), 0.34),
        Tissue.SECONDARY: _slice_share(depth - 0.1 * lean, rng.uniform(0.26, 0.42), 0.3),
        Tissue.TERTIARY: _slice_share(depth + 0.1 * lean, rng.uniform(0.36, 0.56), 0.3),
    }
    if rng.random() < 0.03:
        share[Tissue.SECONDARY] = 0.0
    if rng.random() < 0.1:
        share[Tissue.TERTIARY] = 0.0
    centre_p = (rng.normal(0, 0.08), rng.normal(0, 0.12))
    tissues: dict[Tissue, Outline] = {}
    reach = {-1: semi_p[0], 1: semi_p[0]}
    for tissue, side, ratio in ((Tissue.SECONDARY, -1, ratio_s), (Tissue.TERTIARY, 1, ratio_t)):
        flat = rng.uniform(1.0, 1.6)
        full = (primary_mm * ratio / np.sqrt(flat), primary_mm * ratio * np.sqrt(flat))
        gap = rng.uniform(0.06, 0.4)
        swing = rng.normal(0, 0.3)
        far = semi_p[0] + gap + full[0]
        centre = (centre_p[0] + side * far * np.cos(swing), centre_p[1] + far * np.sin(swing))
        reach[side] = far + full[0]
        s = share[tissue]
        if s > 0.3:
            tissues[tissue] = closed_curve(
                rng, centre=centre, semi=(full[0] * s, full[1] * s),
                turn=side * swing + rng.normal(0, 0.15), wobble=rng.uniform(0.02, 0.08),
                knots=int(rng.integers(6, 10)))
    s = share[Tissue.PRIMARY]
    if s > 0.3:
        tissues[Tissue.PRIMARY] = closed_curve(
            rng, centre=centre_p, semi=(semi_p[0] * s, semi_p[1] * s), turn=rng.normal(0, 0.2),
            wobble=rng.uniform(0.02, 0.07), knots=int(rng.integers(7, 13)))
    extra = None
    if Tissue.SECONDARY in tissues and rng.random() < 0.04:
        edge = tissues[Tissue.SECONDARY]
        middle = edge.mean(axis=0)
        extra = closed_curve(
            rng, centre=(middle[0] - 0.1, middle[1] + np.sign(rng.normal()) * primary_mm * 0.85),
            semi=(0.22 * primary_mm, 0.26 * primary_mm))
    wool = rng.uniform(0.18, 0.7)
    left, right = reach[-1] + wool, reach[1] + wool * rng.uniform(0.7, 1.2)
    shallow = 0.62 + 0.38 * min(1.0, depth / 0.4)
    semi = (0.5 * (left + right) * shallow, (semi_p[1] + wool * rng.uniform(1.0, 1.8)) * shallow)
    semi = (semi[0], float(np.clip(semi[1], 0.55 * semi[0], 1.0 * semi[0])))
    centre = (0.5 * (right - left), rng.normal(0, 0.06))
    turn = rng.normal(0, 0.1)
    inner = closed_curve(rng, centre=centre, semi=semi, turn=turn,
                         wobble=rng.uniform(0.015, 0.06), knots=int(rng.integers(9, 15)))
    parts = [*tissues.values(), *([extra] if extra is not None else [])]
    for _ in range(14):
        if all(_within(part, inner) for part in parts):
            break
        inner = centre + (inner - centre) * np.array([1.03, 1.06])
    thick = rng.uniform(0.15, 0.65)
    middle = inner.mean(axis=0)
    outward = inner - middle
    length = np.hypot(outward[:, 0], outward[:, 1])[:, None]
    bump = closed_curve(rng, centre=(0, 0), semi=(1, 1), wobble=0.2, knots=9)
    scale = np.hypot(bump[:, 0], bump[:, 1])[:, None]
    face = inner + outward / length * thick * scale
    order = {t: tissues[t] for t in TISSUES if t in tissues}
    return BudShape(face=face, inner=inner, tissues=order, extra=extra,
                    width_mm=float(np.ptp(face[:, 0])), too_deep=depth > 1.0)
