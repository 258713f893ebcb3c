"""What the blade and the bench leave on a face: chatter, smears, tears, slices, film, fingers."""

from __future__ import annotations

import cv2
import numpy as np

from budvision.render.anatomy import Layout
from budvision.render.fields import fibres, fractal, streaks
from budvision.render.palette import Cultivar, colour
from budvision.render.scene import Scene, textured
from budvision.render.shapes import mask_of, outline, placed, window_of
from budvision.render.world import World
from budvision.vocabulary import LABEL_SCALES

__all__ = ["cover_edge", "leave_marks"]


def leave_marks(
    scene: Scene, rng: np.random.Generator, layout: Layout, world: World, family: Cultivar
) -> None:
    window = window_of(layout.face, scene.shape)
    cover = mask_of(layout.face, window)
    if not cover.size or min(cover.shape) < 8:
        return
    side = layout.long_px
    if world.blade == "chatter":
        field = streaks(
            rng, cover.shape, float(rng.uniform(8, 26)), 0.12, float(rng.uniform(0, 180))
        )
        scene.rgb[window] *= np.exp(cover * field * np.float32(rng.uniform(0.04, 0.2)))[..., None]
        scene.height[window] += cover * field * np.float32(0.01 * side)
    elif world.blade == "smeared":
        reach = max(3, int(side * rng.uniform(0.05, 0.2)))
        kernel = np.zeros((reach, reach), np.float32)
        spot = rng.uniform(0, np.pi)
        middle = reach / 2
        tip = (int(middle + middle * np.cos(spot)), int(middle + middle * np.sin(spot)))
        tail = (int(middle - middle * np.cos(spot)), int(middle - middle * np.sin(spot)))
        cv2.line(kernel, tail, tip, 1.0, 1)
        dragged = cv2.filter2D(scene.rgb[window], -1, kernel / max(1.0, float(kernel.sum())))
        share = cover * np.clip(0.4 + 0.5 * fractal(rng, cover.shape, 3, 2), 0, 0.85)
        scene.rgb[window] += share[..., None] * (dragged - scene.rgb[window])
    elif world.blade == "torn":
        for _ in range(int(rng.integers(1, 4))):
            spot = layout.face[int(rng.integers(96))]
            notch = placed(
                outline(rng, "rough", elongation=float(rng.uniform(1, 4)), bump=0.25),
                (float(spot[0]), float(spot[1])),
                side * float(rng.uniform(0.05, 0.2)),
                float(rng.uniform(0, np.pi)),
            )
            ink = colour(rng, family.scales) * np.float32(rng.uniform(0.2, 1.2))
            scene.paint(
                notch,
                ink,
                soft_px=0.012 * side,
                lift_px=-0.06 * side,
                label=LABEL_SCALES if rng.random() < 0 else None,
            )
    elif world.blade == "loose_slice":
        spot = layout.face[int(rng.integers(96))]
        slab = placed(
            outline(rng, "hull", elongation=float(rng.uniform(1, 2.5)), bump=0.15),
            (float(spot[0]), float(spot[1])),
            side * float(rng.uniform(0.15, 0.4)),
            float(rng.uniform(0, np.pi)),
        )
        scene.paint(
            slab + side * 0.03, np.full(3, 0.01, np.float32), alpha=0.5, soft_px=0.04 * side
        )
        place = window_of(slab, scene.shape)
        part = mask_of(slab, place)
        if part.size:
            ink = colour(rng, family.wool if rng.random() < 0.6 else family.scales)
            scene.lay(place, part, textured(ink, fractal(rng, part.shape, 5, 3), 0.15))
            hidden = (part > 0.5) & (scene.labels[place] > 0)
            scene.labels[place][hidden] = LABEL_SCALES
    if rng.random() < 0.2:
        film = np.clip(fractal(rng, cover.shape, float(rng.uniform(2, 6)), 2), 0, 1) * cover
        scene.gloss[window] = np.maximum(
            scene.gloss[window], film * np.float32(rng.uniform(0.2, 1))
        )
    if rng.random() < 0.1:
        threads = fibres(
            rng, cover.shape, int(rng.integers(8, 60)), float(rng.uniform(0.1, 0.5)), curl=1.5
        )
        tone = np.float32(rng.choice([0.9, 0.9, 0.05]))
        share = np.clip((np.abs(threads) - 0.8) / 3, 0, 0.7) * cover
        scene.rgb[window] += share[..., None] * (tone - scene.rgb[window])


def cover_edge(scene: Scene, rng: np.random.Generator, layout: Layout) -> None:
    """Now and then lay a finger or a crumb over the edge of the face."""
    if rng.random() < 0.04:  # a finger or a crumb over the edge
        edge = layout.face[int(rng.integers(96))]
        cap = placed(
            outline(
                rng,
                str(rng.choice(["super", "oval", "rough"])),
                elongation=float(rng.uniform(1, 3)),
            ),
            (float(edge[0]), float(edge[1])),
            layout.long_px * float(rng.uniform(0.15, 0.5)),
            float(rng.uniform(0, np.pi)),
        )
        place = window_of(cap, scene.shape)
        part = mask_of(cap, place)
        if part.size and min(part.shape) > 3:
            ink = colour(rng, ((20, 85), (5, 40), (20, 120)))
            scene.lay(
                place,
                part,
                textured(ink, fractal(rng, part.shape, 6, 3), 0.08),
                label=0,
                lift_px=0.2 * layout.long_px,
            )
