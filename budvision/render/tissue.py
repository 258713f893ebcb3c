"""One bud in the face: live, dead or part of each, drawn in ten independent ways."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from budvision.render.fields import Array, ridged
from budvision.render.injury import (
    STAGED_CONDITIONS,
    reddened,
    smear,
    staged_brownness,
)
from budvision.render.palette import DEAD_LOOKS, colour
from budvision.render.scene import Scene, Window, mix
from budvision.render.shapes import mask_of, outline, placed, window_of
from budvision.render.tissue_fields import Spot, brownness, coordinates, structure_field

__all__ = ["Spot", "TissueTruth", "paint_tissue"]


@dataclass(frozen=True, slots=True)
class TissueTruth:
    """Brown share of the whole region and of its growing point, each in [0, 1].

    `growing_point` is its (row, col) in pixels of the scene, `reach_px` the tissue's radius.
    """

    brown_share: float
    core_brown: float
    growing_point: tuple[float, float] = (-1.0, -1.0)
    reach_px: float = 0.0


def _dead_colour(rng: np.random.Generator, condition: str) -> Array:
    if condition in DEAD_LOOKS:
        return colour(rng, DEAD_LOOKS[condition])
    if condition == "dry":
        return colour(rng, DEAD_LOOKS[str(rng.choice(["black", "grey", "brown"]))])
    return colour(rng, DEAD_LOOKS[str(rng.choice(["brown", "reddish", "black", "tan"]))])


def _nested(
    scene: Scene,
    rng: np.random.Generator,
    spot: Spot,
    cover: Array,
    window: Window,
    inks: tuple[Array, Array],
) -> None:
    """Draw nested lobed leaf primordia as lines."""
    for step in range(int(rng.integers(2, 6))):
        size = spot.radius * (0.9 - 0.17 * step) * rng.uniform(0.9, 1.08)
        kind = str(rng.choice(["oval", "lobed", "lobed", "kidney", "drop"]))
        curve = placed(
            outline(rng, kind, elongation=spot.elongation, bump=0.12),
            (
                spot.centre[0] + spot.radius * rng.normal(0, 0.05),
                spot.centre[1] + spot.radius * rng.normal(0, 0.05),
            ),
            size,
            spot.angle + rng.normal(0, 0.3),
        )
        if rng.random() < 0.3:
            start = int(rng.integers(0, 96))
            curve = np.roll(curve, start, axis=0)[: int(rng.integers(40, 96))]
            closed = False
        else:
            closed = True
        scene.strokes(
            [curve],
            inks[int(rng.random() < 0.5)],
            closed=closed,
            window=window,
            width_px=max(0.5, spot.radius * rng.uniform(0.02, 0.1)),
            within=cover,
            alpha=float(rng.uniform(0.3, 0.95)),
            soft_px=spot.radius * 0.012,
        )


def _petals(
    scene: Scene,
    rng: np.random.Generator,
    spot: Spot,
    cover: Array,
    window: Window,
    inks: tuple[Array, Array],
) -> None:
    """Draw overlapping leaf primordia from the rim inwards as filled shapes."""
    count = int(rng.integers(4, 11))
    for index in range(count):
        far = spot.radius * 0.75 * (1 - index / count)
        angle = 2.4 * index + rng.normal(0, 0.3)
        petal = placed(
            outline(rng, str(rng.choice(["drop", "oval", "kidney"])), elongation=1.6),
            (spot.centre[0] + far * np.cos(angle), spot.centre[1] + far * np.sin(angle)),
            spot.radius * rng.uniform(0.22, 0.5),
            angle + rng.normal(0, 0.5),
        )
        share = mask_of(petal, window) * cover
        ink = inks[index % 2] * np.float32(rng.uniform(0.8, 1.25))
        scene.lay(window, share, ink, alpha=float(rng.uniform(0.5, 1)), lift_px=0.02 * spot.radius)
        scene.strokes(
            [petal],
            inks[1] * np.float32(0.6),
            closed=True,
            window=window,
            within=cover,
            width_px=max(0.4, 0.03 * spot.radius),
            alpha=0.6,
        )


def _strokes(
    scene: Scene,
    rng: np.random.Generator,
    spot: Spot,
    cover: Array,
    window: Window,
    inks: tuple[Array, Array],
) -> None:
    """Draw loose short strokes."""
    count = int(rng.integers(6, 40))
    start = spot.radius * rng.normal(0, 0.5, (count, 1, 2))
    way = spot.radius * rng.uniform(0.1, 0.5) * rng.standard_normal((count, 3, 2))
    paths = list(start + np.cumsum(way, axis=1) * 0.5 + np.asarray(spot.centre))
    scene.strokes(
        paths,
        inks[int(rng.random() < 0.5)],
        window=window,
        within=cover,
        width_px=max(0.5, spot.radius * rng.uniform(0.02, 0.08)),
        alpha=float(rng.uniform(0.3, 0.9)),
    )


def _shrinkage(rng: np.random.Generator, label: int, condition: str) -> float:
    """Return how far a dead tissue has drawn together: 1 not at all."""
    shrunk = 1.0
    if (condition in DEAD_LOOKS or condition == "dry") and rng.random() < 0.5:
        shrunk = (
            float(rng.uniform(0.72, 0.97)) if condition != "dry" else float(rng.uniform(0.6, 0.9))
        )
    if label == 2:  # the secondary stays the larger flanker, or nobody could tell them apart
        shrunk = max(shrunk, 0.86)
    return shrunk


def _paint_around(
    scene: Scene,
    rng: np.random.Generator,
    spot: Spot,
    full: Array,
    points: Array,
    *,
    shrunk: bool,
    gap: bool,
    around: Array,
) -> None:
    """Paint the void that a shrunken tissue leaves, the gap below one, and a halo."""
    if shrunk and rng.random() < 0.7:
        void = around * np.float32(rng.uniform(0.05, 0.6)) if rng.random() < 0.7 else around * 1.15
        scene.paint(
            full,
            np.asarray(void, np.float32),
            alpha=float(rng.uniform(0.4, 1)),
            soft_px=0.03 * spot.radius,
            lift_px=-0.08 * spot.radius,
        )
    elif gap or rng.random() < 0.12:
        shift = spot.radius * rng.uniform(0.1, 0.25)
        angle = rng.uniform(0, 2 * np.pi)
        scene.paint(
            points + np.array([shift * np.cos(angle), shift * np.sin(angle)]),
            around * np.float32(rng.uniform(0.05, 0.4)),
            soft_px=0.02 * spot.radius,
        )
    if rng.random() < 0.35:
        halo = around * np.float32(rng.uniform(0.35, 1.5))
        scene.paint(
            np.asarray(spot.centre) + (full - np.asarray(spot.centre)) * rng.uniform(1.05, 1.3),
            np.clip(halo, 0, 1),
            alpha=float(rng.uniform(0.3, 0.9)),
            soft_px=spot.radius * rng.uniform(0.01, 0.12),
        )


def _paint_of(
    rng: np.random.Generator,
    field: Array,
    brown: Array,
    rho: Array,
    *,
    live: Array,
    dead: Array,
    around: Array,
    gone: bool,
) -> Array:
    """Return the tissue's colours: living and dead, each mottled by `field`, and shaded."""
    second: Array = (
        live * np.float32(rng.uniform(0.45, 1.7)) * rng.uniform(0.85, 1.15, 3).astype(np.float32)
    )
    if rng.random() < 0.3:
        second = 0.5 * second + 0.5 * around
    depth = float(rng.uniform(0.03, 0.32))
    share = np.clip(0.5 + rng.uniform(0.1, 0.5) * field, 0, 1).astype(np.float32)
    paint = mix(live, np.clip(second, 0.002, 1).astype(np.float32), share)
    dead_second = dead * np.float32(rng.uniform(0.3, 1.9))
    dead_share = np.clip(0.5 + rng.uniform(0.0, 0.5) * field, 0, 1).astype(np.float32)
    paint += brown[..., None] * (mix(dead, dead_second.astype(np.float32), dead_share) - paint)
    shade: Array = depth * field + rng.uniform(-0.5, 0.25) * np.clip(rho, 0, 1.2) ** 3
    if rng.random() < (0.6 if gone else 0.25):
        shade -= rng.uniform(0.2, 1.1) * np.exp(-(((rho - 1) / rng.uniform(0.06, 0.2)) ** 2))
    if gone and rng.random() < 0.3:
        folds = ridged(rng, rho.shape, float(rng.uniform(3, 8)), 2)
        shade -= np.clip(0.9 * (folds - 0.9), 0, 1.5)
    paint *= np.exp(shade.astype(np.float32))[..., None]
    return paint


def _draw_lines(
    scene: Scene,
    rng: np.random.Generator,
    spot: Spot,
    cover: Array,
    window: Window,
    *,
    structure: str,
    base: Array,
) -> None:
    """Draw leaf primordia as lines and shapes, lighter and darker than `base`."""
    inks = (
        np.clip(base * np.float32(rng.uniform(1.2, 2.2)), 0, 1).astype(np.float32),
        (base * np.float32(rng.uniform(0.25, 0.8))).astype(np.float32),
    )
    if structure == "nested" or rng.random() < 0.15:
        _nested(scene, rng, spot, cover, window, inks)
    if structure == "petals":
        _petals(scene, rng, spot, cover, window, inks)
    if structure == "strokes":
        _strokes(scene, rng, spot, cover, window, inks)


def paint_tissue(
    scene: Scene,
    rng: np.random.Generator,
    spot: Spot,
    *,
    label: int,
    condition: str,
    structure: str,
    live: Array,
    around: Array,
    look: str = "",
) -> TissueTruth:
    """Paint one exposed tissue with its label and brownness.

    Parameters
    ----------
    scene : Scene
        Changed in place.
    spot : Spot
        Position and shape.
    label : int
        1, 2 or 3.
    condition : str
        One of the world's conditions.
    structure : str
        How leaf primordia are drawn.
    live, around : ndarray, shape (3,)
        Colour of living tissue, and of the wool around it.
    look : str
        The staging's look; "reddish" tinges living tissue with red.
    """
    gone = condition in DEAD_LOOKS or condition == "dry"
    shrunk = _shrinkage(rng, label, condition)
    full = placed(
        outline(rng, spot.kind, elongation=spot.elongation), spot.centre, spot.radius, spot.angle
    )
    points = np.asarray(spot.centre) + (full - np.asarray(spot.centre)) * shrunk
    window = window_of(full, scene.shape, 3 + 0.2 * spot.radius)
    cover = mask_of(points, window)
    if not cover.size or not cover.any():
        return TissueTruth(0.0, 0.0)
    shape = cover.shape
    gap = condition == "gap_below"
    _paint_around(scene, rng, spot, full, points, shrunk=shrunk < 1, gap=gap, around=around)
    by_distance = spot.kind == "kidney" or rng.random() < 0.3
    rho, theta = coordinates(points, spot, window, cover, by_distance)
    field = structure_field(rng, structure, rho, theta, shape)
    if label == 1 and not gone and structure in ("plain", "grain", "strokes", "radial"):
        field = field + np.float32(
            rng.uniform(0.3, 0.9)
        ) * structure_field(  # living centres have rings
            rng, "rings", rho, theta, shape
        )
    if condition in STAGED_CONDITIONS:
        brown = staged_brownness(rng, condition, rho, theta)
    else:
        brown = brownness(rng, condition, rho, theta, shape)
    dead = _dead_colour(rng, condition)
    paint = _paint_of(rng, field, brown, rho, live=live, dead=dead, around=around, gone=gone)
    if look == "reddish":
        paint = reddened(rng, paint, rho, brown)
    edge_px = spot.radius * float(rng.uniform(0.0, 0.05))
    inside = cover > 0.5
    scene.labels[window][inside] = label
    scene.lay(
        window, cover, paint, soft_px=edge_px, lift_px=spot.radius * float(rng.uniform(-0.06, 0.12))
    )
    scene.brown[window][inside] = brown[inside]
    base = dead if brown[inside].mean() > 0.5 else live
    _draw_lines(scene, rng, spot, cover, window, structure=structure, base=base)
    scene.height[window] += cover * field * np.float32(0.03 * spot.radius * rng.uniform(0, 1))
    if rng.random() < 0.3:
        scene.gloss[window] = np.maximum(
            scene.gloss[window], cover * np.float32(rng.uniform(0.1, 0.6))
        )
    if condition == "smeared":
        smear(scene, rng, cover, window, dead)
    core = inside & (rho < 0.4)
    middle = float(brown[core].mean()) if core.any() else float(brown[inside].mean())
    row, col = np.unravel_index(int(np.argmin(np.where(inside, rho, 9.0))), shape)
    point = (float(row + window[0].start), float(col + window[1].start))
    return TissueTruth(float(brown[inside].mean()), middle, point, spot.radius * shrunk)
