"""Where things lie in a cut face: the outline and the three buds, all in frame pixels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from budvision.render.arrangements import place_buds
from budvision.render.fields import Array
from budvision.render.shapes import outline, placed
from budvision.render.staging import TIDY
from budvision.render.tissue_fields import Spot
from budvision.render.world import World

__all__ = ["Layout", "lay_out"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """A face before it is painted.

    Attributes
    ----------
    face : ndarray, shape (n, 2)
        Outline in (x, y) pixels.
    centre : tuple of float
        (x, y) of the face.
    long_px : float
        Long half axis of the face.
    turn : float
        Angle of the long axis, radians.
    base : float
        Direction of the cane base as seen from the primary, radians.
    spots : tuple of Spot
        Primary, secondary, tertiary, whether reached or not.
    """

    face: Array
    centre: tuple[float, float]
    long_px: float
    turn: float
    base: float
    spots: tuple[Spot, Spot, Spot]


_KINDS = ("oval", "oval", "super", "lobed", "drop", "kidney", "rough", "hull")


def _sizes(rng: np.random.Generator, world: World) -> tuple[float, float, float]:
    """Return radii of primary, secondary and tertiary, before the cut primary = 1."""
    secondary = float(rng.uniform(0.5, 0.78))
    tertiary = min(float(rng.uniform(0.24, 0.6)), 0.8 * secondary)
    primary = 1.0
    if world.depth == "shallow":
        primary *= float(rng.uniform(0.5, 1.0))
        secondary *= float(rng.uniform(0.35, 0.7))
        tertiary *= 0.6
    elif world.depth == "middle":
        secondary *= float(rng.uniform(0.7, 1.0))
        tertiary *= float(rng.uniform(0.35, 0.75))
    elif world.depth == "deep":
        primary *= float(rng.uniform(0.72, 1.0))
        secondary *= float(rng.uniform(0.95, 1.15))
        tertiary = min(tertiary * float(rng.uniform(1.0, 1.4)), 0.8 * secondary)
    return primary, min(secondary, 0.88 * primary), tertiary


def lay_out(
    rng: np.random.Generator, world: World, *, centre: tuple[float, float], long_px: float
) -> Layout:
    """Place a face whose half long axis is `long_px` with its three buds."""
    if world.staging != TIDY and (
        world.staging.arrangement != "habit" or world.staging.lobed or world.staging.small_tertiary
    ):
        return _lay_out_staged(rng, world, centre=centre, long_px=long_px)
    primary, secondary, tertiary = _sizes(rng, world)
    gap_b = float(rng.uniform(-0.12, 0.4)) if rng.random() < 0.85 else float(rng.uniform(-0.3, 0.8))
    gap_t = float(rng.uniform(-0.12, 0.4)) if rng.random() < 0.85 else float(rng.uniform(-0.3, 0.8))
    stretch = float(rng.uniform(1.0, 1.35)) if rng.random() < 0.8 else float(rng.uniform(1.2, 1.7))
    away_s = primary + secondary + gap_b
    away_t = primary + tertiary + gap_t
    reach_s, reach_t = away_s + secondary, away_t + tertiary
    rim = float(rng.uniform(1.06, 1.5)) if rng.random() < 0.85 else float(rng.uniform(1.4, 2.0))
    half = (reach_s + reach_t) / 2 * rim
    offset = (reach_s - reach_t) / 2 * float(rng.uniform(0.1, 1.0))
    scale = long_px / half
    base = np.deg2rad(world.base_deg) + float(np.clip(rng.normal(0, 0.12), -0.35, 0.35))
    aligned = rng.random() < 0.85
    short = (
        float(rng.uniform(max(1.12 * primary, half / 1.9), half))
        if aligned
        else half * float(rng.uniform(0.85, 1.0))
    )
    turn = base + (float(rng.normal(0, 0.15)) if aligned else float(rng.uniform(0, np.pi)))
    kind = str(rng.choice(["oval", "oval", "oval", "super", "rough", "hull", "drop", "lobed"]))
    long_over_short = half / short
    face = placed(
        outline(rng, kind, elongation=long_over_short, bump=float(rng.uniform(0.02, 0.12))),
        centre,
        scale * np.sqrt(half * short),
        turn,
    )
    middle = (
        centre[0] - scale * offset * np.cos(base) + scale * 0.06 * rng.normal() * np.sin(base),
        centre[1] - scale * offset * np.sin(base) + scale * 0.06 * rng.normal() * np.cos(base),
    )

    def spot(radius: float, away: float, direction: float, long: float, along: bool) -> Spot:
        centre = (
            middle[0] + scale * away * np.cos(direction),
            middle[1] + scale * away * np.sin(direction),
        )
        angle = direction + (np.pi / 2 if along else 0.0) + float(rng.normal(0, 0.35))
        return Spot(centre, scale * radius, angle, long, str(rng.choice(_KINDS)))

    swing_s = float(np.clip(rng.normal(0, 0.22), -0.7, 0.7))
    swing_t = float(np.clip(rng.normal(0, 0.25), -0.7, 0.7))
    if rng.random() < 0.12:
        bend = float(rng.uniform(0.2, 0.6)) * float(rng.choice([-1, 1]))
        swing_s, swing_t = swing_s + bend, swing_t - bend
    spots = (
        spot(primary, 0.0, base, stretch, bool(rng.random() < 0.5)),
        spot(
            secondary,
            away_s,
            base + swing_s,
            float(rng.uniform(1.0, 1.7)),
            bool(rng.random() < 0.75),
        ),
        spot(
            tertiary,
            away_t,
            base + np.pi + swing_t,
            float(rng.uniform(1.0, 1.7)),
            bool(rng.random() < 0.75),
        ),
    )
    return Layout(face=face, centre=centre, long_px=long_px, turn=turn, base=float(base),
                  spots=spots)


def _lay_out_staged(
    rng: np.random.Generator, world: World, *, centre: tuple[float, float], long_px: float
) -> Layout:
    """Place a face whose buds lie as the staging arranges them."""
    places = place_buds(rng, world)
    scale = long_px / places.half
    base = np.deg2rad(world.base_deg) + float(np.clip(rng.normal(0, 0.12), -0.35, 0.35))
    cos, sin = np.cos(base), np.sin(base)

    def moved(spot: Spot) -> Spot:
        x, y = spot.centre
        place = (centre[0] + scale * (x * cos - y * sin), centre[1] + scale * (x * sin + y * cos))
        return Spot(place, scale * spot.radius, spot.angle + base, spot.elongation, spot.kind)

    face = placed(places.face, centre, scale, base)
    spots = (moved(places.spots[0]), moved(places.spots[1]), moved(places.spots[2]))
    return Layout(face=face, centre=centre, long_px=long_px, turn=places.turn + base,
                  base=float(base), spots=spots)
