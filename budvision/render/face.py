"""The cut face: ring of scales, wool, the buds in it, and what the blade left behind."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from budvision.render.anatomy import Layout
from budvision.render.blade import cover_edge, leave_marks
from budvision.render.fields import Array, any_field, fibres, fractal, streaks
from budvision.render.injury import live_colour
from budvision.render.palette import Cultivar, colour, cultivar
from budvision.render.scene import Scene, mix, textured
from budvision.render.shapes import mask_of, outline, placed, window_of
from budvision.render.tissue import TissueTruth, paint_tissue
from budvision.render.under import paint_crescent, paint_under_cut
from budvision.render.world import World
from budvision.render.zones import (
    ZONE_GREEN,
    paint_green,
    paint_section,
    paint_torn,
)
from budvision.vocabulary import LABEL_SCALES, TISSUES, Tissue

__all__ = ["paint_face"]


def _toward(points: Array, centre: tuple[float, float], share: float) -> Array:
    return np.asarray(np.asarray(centre) + (points - np.asarray(centre)) * share)


def _scale_ring(
    scene: Scene,
    rng: np.random.Generator,
    layout: Layout,
    world: World,
    family: Cultivar,
    thickness: float,
) -> None:
    window = window_of(layout.face, scene.shape)
    cover = mask_of(layout.face, window)
    if not cover.size:
        return
    first, second = colour(rng, family.scales), colour(rng, family.scales)
    field = any_field(rng, cover.shape, name=world.scales, cells=float(rng.uniform(5, 22)))
    base = textured(
        first, field, float(rng.uniform(0.05, 0.5)), other=second, share=float(rng.uniform(0, 0.9))
    )
    scene.lay(window, cover, base, label=LABEL_SCALES, soft_px=layout.long_px * 0.008)
    how = str(rng.choice(["bands", "arcs", "shingles", "field"], p=[0.3, 0.35, 0.25, 0.1]))
    steps = int(rng.integers(2, 7))
    if how == "bands":
        for step in range(steps):
            share = 1 - thickness * step / steps
            ink = (first if step % 2 else second) * np.float32(rng.uniform(0.5, 1.5))
            curve = _toward(layout.face, layout.centre, share)
            curve = (
                curve
                + layout.long_px
                * 0.012
                * np.cumsum(rng.standard_normal((96, 2)), 0)
                / 6
                * np.hanning(96)[:, None]
            )
            scene.paint(
                curve,
                ink,
                alpha=float(rng.uniform(0.4, 1)),
                soft_px=layout.long_px * float(rng.uniform(0, 0.015)),
            )
    elif how == "arcs":
        paths = []
        for _ in range(int(rng.integers(6, 26))):
            curve = _toward(layout.face, layout.centre, 1 - thickness * float(rng.uniform(0, 1)))
            curve = np.roll(curve, int(rng.integers(0, 96)), 0)[: int(rng.integers(14, 70))]
            paths.append(curve + layout.long_px * rng.normal(0, 0.02, 2))
        for part in (paths[::2], paths[1::2]):
            scene.strokes(
                part,
                first * np.float32(rng.choice([0.3, 0.5, 1.6, 2.0])),
                width_px=max(0.6, layout.long_px * float(rng.uniform(0.008, 0.04))),
                alpha=float(rng.uniform(0.4, 1)),
                lift_px=0.01 * layout.long_px,
            )
    elif how == "shingles":
        count = int(rng.integers(7, 18))
        for index in rng.permutation(count):
            start = int(96 * index / count)
            spot = _toward(layout.face, layout.centre, 1 - 0.6 * thickness)[start]
            along = layout.face[(start + 3) % 96] - layout.face[start - 3]
            scale = (
                placed(
                    outline(rng, "oval", elongation=float(rng.uniform(1.5, 4))),
                    (0, 0),
                    layout.long_px * float(rng.uniform(0.12, 0.3)),
                    float(np.arctan2(along[1], along[0]) + rng.normal(0, 0.25)),
                )
                + spot
            )
            within = mask_of(scale, window) * cover
            ink = mix(first, second, np.full(cover.shape, rng.random(), np.float32))
            scene.lay(
                window,
                within,
                ink * np.float32(rng.uniform(0.6, 1.4)),
                alpha=float(rng.uniform(0.5, 1)),
                lift_px=0.012 * layout.long_px,
            )
            scene.strokes(
                [scale],
                first * np.float32(0.4),
                closed=True,
                window=window,
                within=cover,
                width_px=max(0.5, 0.012 * layout.long_px),
                alpha=0.7,
            )
    if rng.random() < 0.4:
        scene.strokes(
            [layout.face],
            first * np.float32(rng.choice([0.25, 0.4, 1.8])),
            closed=True,
            width_px=max(0.5, layout.long_px * float(rng.uniform(0.006, 0.03))),
            alpha=float(rng.uniform(0.3, 0.9)),
        )


def _wool(
    scene: Scene,
    rng: np.random.Generator,
    layout: Layout,
    world: World,
    family: Cultivar,
    thickness: float,
) -> Array:
    """Fill the inside with wool, whole or in pockets; return its colour."""
    wool = colour(rng, family.wool)
    inner = _toward(layout.face, layout.centre, 1 - thickness)
    inner = inner + layout.long_px * 0.03 * rng.uniform(0, 1) * np.stack(
        [np.cos(np.arange(96) * 2 * np.pi * int(rng.integers(3, 9)) / 96)] * 2, 1
    )
    window = window_of(inner, scene.shape)
    cover = mask_of(inner, window)
    if not cover.size:
        return wool
    split = rng.random() < 0.35
    if split:
        pockets = np.zeros(cover.shape, np.float32)
        for spot, grow in zip(layout.spots, rng.uniform(1.15, 1.6, 3), strict=True):
            pocket = placed(
                outline(rng, "oval", elongation=spot.elongation, bump=0.1),
                spot.centre,
                spot.radius * grow,
                spot.angle,
            )
            pockets = np.maximum(pockets, mask_of(pocket, window))
        if rng.random() < 0.5:
            matrix = colour(rng, family.scales) * np.float32(rng.uniform(0.8, 2.2))
            scene.lay(window, cover, np.clip(matrix, 0, 0.9), soft_px=layout.long_px * 0.02)
        cover = pockets * cover
    field = any_field(rng, cover.shape, name=world.wool, cells=float(rng.uniform(4, 26)))
    other = colour(rng, family.wool) if rng.random() < 0.6 else colour(rng, family.scales)
    paint = textured(
        wool, field, float(rng.uniform(0.02, 0.3)), other=other, share=float(rng.uniform(0, 0.7))
    )
    if rng.random() < 0.5:
        paint *= np.exp(np.float32(rng.uniform(0.02, 0.25)) * fractal(rng, cover.shape, 4, 3))[
            ..., None
        ]
    if rng.random() < 0.5:
        hair = fibres(
            rng,
            cover.shape,
            int(rng.integers(60, 300)),
            float(rng.uniform(0.05, 0.3)),
            curl=float(rng.uniform(0.2, 2)),
        )
        paint *= np.exp(np.float32(rng.uniform(0.03, 0.22)) * hair)[..., None]
    scene.lay(
        window,
        cover,
        np.clip(paint, 0.002, 1),
        soft_px=layout.long_px * float(rng.uniform(0, 0.03)),
    )
    scene.height[window] += cover * field * np.float32(layout.long_px * rng.uniform(0, 0.012))
    if rng.random() < 0.4:
        paths = [
            np.asarray(layout.spots[0].centre)
            + layout.spots[0].radius
            * (np.cumsum(rng.normal(0, 0.25, (5, 2)), 0) + rng.normal(0, 1.0, 2))
            for _ in range(int(rng.integers(1, 6)))
        ]
        scene.strokes(
            paths,
            colour(rng, family.scales),
            width_px=max(0.5, 0.02 * layout.long_px),
            alpha=float(rng.uniform(0.2, 0.9)),
            within=cover,
            window=window,
        )
    return wool


def _under_the_buds(
    scene: Scene,
    rng: np.random.Generator,
    layout: Layout,
    world: World,
    family: Cultivar,
    thickness: float,
) -> None:
    """Paint a cut just under the primary: wool still round a smooth, dull olive patch."""
    _scale_ring(scene, rng, layout, world, family, thickness)
    wool = _wool(scene, rng, layout, world, family, thickness)
    middle = layout.spots[0]
    patch = placed(
        outline(
            rng,
            str(rng.choice(["oval", "super", "rough", "hull"])),
            elongation=float(rng.uniform(1, 1.6)),
            bump=0.05,
        ),
        middle.centre,
        middle.radius * float(rng.uniform(0.8, 1.7)),
        middle.angle,
    )
    window = window_of(patch, scene.shape)
    cover = mask_of(patch, window) * (scene.labels[window] > 0)
    if not cover.size or min(cover.shape) < 3:
        return
    olive = colour(rng, ((32, 66), (12, 40), (90, 114)))
    light = float(olive.mean() / max(float(wool.mean()), 1e-3))
    olive = olive * np.float32(min(1.0, 0.62 / max(light, 1e-3)))  # duller than the wool
    field = fractal(rng, cover.shape, float(rng.uniform(1, 8)), 2)
    if rng.random() < 0.3:
        field = streaks(rng, cover.shape, 8, 8, float(-np.rad2deg(layout.turn)))
    scene.lay(
        window,
        cover,
        textured(olive, field, float(rng.uniform(0.005, 0.07))),
        label=ZONE_GREEN,
        soft_px=layout.long_px * float(rng.uniform(0.0, 0.03)),
    )
    if rng.random() < 0.3:
        scene.strokes(
            [patch],
            olive * np.float32(rng.choice([0.4, 0.6, 1.5])),
            closed=True,
            width_px=max(0.5, 0.02 * layout.long_px),
            alpha=float(rng.uniform(0.2, 0.8)),
        )
    for index in (1, 2):
        if rng.random() < 0.5:
            spot = layout.spots[index]
            paint_tissue(
                scene,
                rng,
                spot,
                label=index + 1,
                condition=world.conditions[index],
                structure=world.structure,
                live=colour(rng, family.live),
                around=wool,
            )


def _family(world: World) -> Cultivar:
    """Return the colour family of the world under its staging's look."""
    family = cultivar(world.cultivar)
    if world.staging.look == "pale":
        return replace(family, wool=((84, 98), (1, 10), (70, 105)))
    if world.staging.look == "brown_wool":
        return replace(family, wool=((26, 58), (10, 32), (44, 80)))
    return family


def paint_face(
    scene: Scene, rng: np.random.Generator, layout: Layout, world: World
) -> Mapping[Tissue, TissueTruth]:
    """Paint the whole cut face and return the truth of each tissue reached."""
    family = _family(world)
    truths: dict[Tissue, TissueTruth] = {}
    thickness = float(rng.uniform(0.06, 0.3))
    if world.depth == "too_deep":
        if world.staging.through_cane:
            paint_section(scene, rng, layout, family)
        elif rng.random() < 0.5:
            paint_under_cut(scene, rng, layout, family)
        else:
            _under_the_buds(scene, rng, layout, world, family, thickness)
        leave_marks(scene, rng, layout, world, family)
        return truths
    if world.depth == "too_shallow":
        thickness = float(rng.uniform(0.15, 0.8))
    _scale_ring(scene, rng, layout, world, family, thickness)
    wool = _wool(scene, rng, layout, world, family, thickness)
    if rng.random() < (0.35 if world.depth == "deep" else 0.1):
        paint_crescent(scene, rng, layout)
    live = live_colour(rng, world.staging.look, colour(rng, family.live))
    paint_green(scene, rng, layout, world, family, live)
    order = [1, 2, 0] if rng.random() < 0.6 else [0, 1, 2]
    for index in order:
        tissue, spot = TISSUES[index], layout.spots[index]
        if not world.exposed[index]:
            if rng.random() < 0.3:
                ink = (
                    wool * np.float32(rng.uniform(0.6, 1.2))
                    if rng.random() < 0.6
                    else colour(rng, family.scales)
                )
                scene.paint(
                    placed(
                        outline(rng, "oval", elongation=spot.elongation),
                        spot.centre,
                        spot.radius * float(rng.uniform(0.5, 1.2)),
                        spot.angle,
                    ),
                    np.clip(ink, 0, 1),
                    alpha=float(rng.uniform(0.1, 0.6)),
                    soft_px=spot.radius * 0.1,
                )
            continue
        structure = world.structure
        if index and rng.random() < 0.35:
            structure = str(rng.choice(["rings", "dots", "plain", "grain", "nested"]))
        tint = live * rng.uniform(0.85, 1.18, 3) * rng.uniform(0.75, 1.3)
        truths[tissue] = paint_tissue(
            scene,
            rng,
            spot,
            label=tissue.label,
            condition=world.conditions[index],
            structure=structure,
            live=np.clip(tint, 0.002, 1).astype(np.float32),
            around=wool,
            look=world.staging.look,
        )
    if world.staging.torn > 0 and TISSUES[0] in truths:
        paint_torn(scene, rng, layout, world, family, live, wool)
    leave_marks(scene, rng, layout, world, family)
    cover_edge(scene, rng, layout)
    return truths
