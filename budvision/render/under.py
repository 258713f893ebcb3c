"""What a cut under the buds, or one that is tilted, shows: cambium, wood and pith."""

from __future__ import annotations

import numpy as np

from budvision.render.anatomy import Layout
from budvision.render.fields import fractal, streaks
from budvision.render.palette import Cultivar, colour
from budvision.render.scene import Scene, textured
from budvision.render.shapes import mask_of, outline, placed, window_of
from budvision.render.zones import ZONE_GREEN, ZONE_WOOD
from budvision.vocabulary import LABEL_SCALES

__all__ = ["paint_crescent", "paint_under_cut"]


def paint_crescent(scene: Scene, rng: np.random.Generator, layout: Layout) -> None:
    """Add the smooth olive cambium that shows at one side of a tilted or deep cut."""
    window = window_of(layout.face, scene.shape)
    cover = mask_of(layout.face, window)
    if not cover.size:
        return
    angle = rng.uniform(0, 2 * np.pi)
    shift = layout.long_px * rng.uniform(0.06, 0.3)
    rest = mask_of(layout.face + np.array([shift * np.cos(angle), shift * np.sin(angle)]), window)
    olive = colour(rng, ((32, 66), (12, 42), (94, 120)))
    scene.lay(
        window,
        np.clip(cover - rest, 0, 1),
        olive,
        label=ZONE_GREEN,
        alpha=float(rng.uniform(0.6, 1)),
        soft_px=layout.long_px * 0.015,
    )


def paint_under_cut(
    scene: Scene, rng: np.random.Generator, layout: Layout, family: Cultivar
) -> None:
    """Paint a cut below the buds: bark, olive cambium, pale wood, pith; nothing to judge."""
    parts = [
        (1.0, colour(rng, family.scales), LABEL_SCALES),
        (rng.uniform(0.8, 0.95), colour(rng, ((30, 64), (12, 42), (92, 120))), ZONE_GREEN),
    ]
    if rng.random() < 0.6:
        share = rng.uniform(0.3, 0.75)
        parts.append((share, colour(rng, ((62, 90), (8, 30), (80, 108))), ZONE_WOOD))
        if rng.random() < 0.5:
            share = rng.uniform(0.12, 0.28)
            parts.append((share, colour(rng, ((30, 70), (8, 30), (55, 95))), ZONE_WOOD))
    for share, ink, zone in parts:
        curve = np.asarray(layout.centre) + (layout.face - np.asarray(layout.centre)) * float(share)
        curve = curve + layout.long_px * rng.normal(0, 0.03, 2) * (share < 1)
        window = window_of(curve, scene.shape)
        cover = mask_of(curve, window)
        if cover.size:
            field = fractal(rng, cover.shape, float(rng.uniform(3, 16)), 3)
            if rng.random() < 0.5:
                field = streaks(rng, cover.shape, 14, 8, float(np.rad2deg(-layout.turn)))
            scene.lay(
                window,
                cover,
                textured(ink, field, float(rng.uniform(0.01, 0.14))),
                label=zone,
                soft_px=layout.long_px * float(rng.uniform(0.005, 0.04)),
            )
    if rng.random() < 0.4:
        for spot in layout.spots[: int(rng.integers(1, 4))]:
            scene.paint(
                placed(
                    outline(rng, "oval", elongation=spot.elongation),
                    spot.centre,
                    spot.radius * 0.8,
                    spot.angle,
                ),
                colour(rng, ((30, 62), (10, 30), (70, 112))),
                alpha=float(rng.uniform(0.08, 0.4)),
                soft_px=spot.radius * 0.25,
            )
