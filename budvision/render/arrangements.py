"""Where the three buds of a staged face lie, and a face round them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from budvision.render.fields import Array
from budvision.render.shapes import outline, placed
from budvision.render.tissue_fields import Spot
from budvision.render.world import World

__all__ = ["Places", "place_buds"]

_OUTLINES = ("oval", "oval", "super", "drop", "kidney", "rough", "hull", "lobed")


@dataclass(frozen=True, slots=True)
class Places:
    """The three spots in units of the primary's radius, and the face that holds them.

    Attributes
    ----------
    spots : tuple of Spot
        Primary, secondary, tertiary.
    face : ndarray, shape (96, 2)
    half : float
        Long half axis of the face.
    turn : float
        Its angle, radians.
    """

    spots: tuple[Spot, Spot, Spot]
    face: Array
    half: float
    turn: float


def _radii(rng: np.random.Generator, world: World) -> tuple[float, float, float]:
    staging = world.staging
    secondary = float(rng.uniform(0.45, 0.8))
    if staging.arrangement == "two_large":
        secondary = float(rng.uniform(0.82, 0.93))
    tertiary = min(float(rng.uniform(0.24, 0.6)), 0.8 * secondary)
    if staging.small_tertiary:
        tertiary = float(rng.uniform(0.1, 0.22))
    primary = 1.0
    if world.depth == "shallow":
        primary, secondary = float(rng.uniform(0.6, 1.0)), secondary * float(rng.uniform(0.6, 0.9))
    elif world.depth == "middle":
        tertiary *= float(rng.uniform(0.5, 0.95))
    return primary, min(secondary, 0.93 * primary), tertiary


def _angles(rng: np.random.Generator, arrangement: str) -> tuple[float, float]:
    """Return the directions of secondary and tertiary as seen from the primary, radians."""
    base = float(rng.normal(0, 0.15))
    if arrangement == "bent":
        away = float(rng.uniform(np.deg2rad(85), np.deg2rad(150)))
    elif arrangement == "one_side":
        away = float(rng.uniform(np.deg2rad(30), np.deg2rad(90)))
    else:
        away = float(rng.uniform(np.deg2rad(140), np.deg2rad(180)))
    return base, base + away * float(rng.choice([-1, 1]))


def _gap(rng: np.random.Generator) -> float:
    return float(rng.uniform(-0.08, 0.35)) if rng.random() < 0.8 else float(rng.uniform(0.3, 0.9))


def _offsets(
    rng: np.random.Generator, world: World, radii: tuple[float, float, float]
) -> list[tuple[float, float]]:
    primary, secondary, tertiary = radii
    if world.staging.arrangement == "stacked":
        order = [1, 2] if rng.random() < 0.65 else [2, 1]
        offset, reach, places = 0.0, primary, [(0.0, 0.0)] * 3
        side = 0.0
        for k in order:
            offset += reach + radii[k] + max(0.0, _gap(rng))
            reach = radii[k]
            side += float(rng.normal(0, 0.22))
            places[k] = (offset, side)
        return places
    toward, other = _angles(rng, world.staging.arrangement)
    away_s, away_t = primary + secondary + _gap(rng), primary + tertiary + _gap(rng)
    spot_s = np.array([away_s * np.cos(toward), away_s * np.sin(toward)])
    spot_t = np.array([away_t * np.cos(other), away_t * np.sin(other)])
    least = secondary + tertiary + 0.05
    for _ in range(12):  # flankers on one side push each other apart
        gap = float(np.hypot(*(spot_s - spot_t)))
        if gap >= least:
            break
        spot_t = spot_t + (spot_t - spot_s) / max(gap, 1e-3) * (least - gap + 0.02)
        far = float(np.hypot(*spot_t))
        if far < primary + tertiary - 0.08:
            spot_t = spot_t * (primary + tertiary) / max(far, 1e-3)
    return [(0.0, 0.0), (float(spot_s[0]), float(spot_s[1])), (float(spot_t[0]), float(spot_t[1]))]


def place_buds(rng: np.random.Generator, world: World) -> Places:
    """Place three buds along the x axis (towards the cane base) and draw the face round them."""
    radii = _radii(rng, world)
    places = _offsets(rng, world, radii)
    kinds = ("maple",) if world.staging.lobed else _OUTLINES
    spots = []
    for k in range(3):
        x, y = places[k]
        turn = float(np.arctan2(y, x)) + (np.pi / 2 if rng.random() < 0.7 else 0.0)
        spots.append(Spot(
            (x, y), radii[k], turn + float(rng.normal(0, 0.35)),
            float(rng.uniform(1.0, 1.35 if k == 0 else 1.6)), str(rng.choice(kinds))))
    ring = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    shown = [k for k in range(3) if world.exposed[k]] or [0]
    rims = np.vstack([
        np.asarray(spots[k].centre)
        + radii[k] * 1.05 * np.stack([np.cos(ring), np.sin(ring)], 1) for k in shown])
    spread = rims - rims.mean(0)
    _, axes = np.linalg.eigh(spread.T @ spread)
    turn = float(np.arctan2(axes[1, 1], axes[0, 1]))
    along, across = rims @ axes[:, 1], rims @ axes[:, 0]
    middle = axes[:, 1] * (along.max() + along.min()) / 2 + axes[:, 0] * (
        across.max() + across.min()) / 2
    rim = float(rng.uniform(1.12, 1.5)) if rng.random() < 0.8 else float(rng.uniform(1.4, 2.1))
    half = float(np.ptp(along)) / 2 * rim
    short = max(float(np.ptp(across)) / 2 * rim * 1.08, half / 1.9)
    half = max(half, short)
    moved = tuple(
        Spot((s.centre[0] - middle[0], s.centre[1] - middle[1]), s.radius, s.angle, s.elongation,
             s.kind) for s in spots)
    kind = str(rng.choice(["oval", "oval", "oval", "super", "rough", "hull", "drop", "lobed"]))
    face = placed(
        outline(rng, kind, elongation=half / short, bump=float(rng.uniform(0.02, 0.1))),
        (0.0, 0.0), float(np.sqrt(half * short)), turn)
    return Places((moved[0], moved[1], moved[2]), face, half, turn)
