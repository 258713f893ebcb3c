"""Things that are not cut buds, painted into a scene: buds uncut, leaves, cups, eyes, scenery."""

from __future__ import annotations

import cv2
import numpy as np

from budvision.render.fields import Array, any_field, streaks
from budvision.render.palette import Cultivar, colour
from budvision.render.photographs import photo_piece
from budvision.render.scene import Scene, textured
from budvision.render.shapes import OUTLINES, mask_of, outline, placed, window_of

__all__ = [
    "paint_bud_from_above",
    "paint_circles",
    "paint_collage",
    "paint_eyes",
    "paint_leaves",
    "paint_scenery",
    "paint_whole_buds",
]

_ANY = ((4, 97), (0, 75), (0, 360))


def _solid(
    scene: Scene,
    rng: np.random.Generator,
    points: Array,
    ink: Array,
    other: Array,
    *,
    lift_px: float = 0.0,
) -> None:
    window = window_of(points, scene.shape)
    cover = mask_of(points, window)
    if not cover.size or min(cover.shape) < 3:
        return
    field = any_field(rng, cover.shape, cells=float(rng.uniform(3, 18)))
    paint = textured(
        ink, field, float(rng.uniform(0.02, 0.25)), other=other, share=float(rng.uniform(0, 0.6))
    )
    if rng.random() < 0.7:
        inside = cv2.distanceTransform((cover > 0.5).astype(np.uint8), cv2.DIST_L2, 3)
        paint *= np.exp(
            np.float32(rng.uniform(-0.2, 0.9)) * (inside / (float(inside.max()) + 1e-3) - 0.5)
        )[..., None]
    scene.lay(window, cover, np.clip(paint, 0.001, 1), lift_px=lift_px)


def paint_whole_buds(scene: Scene, rng: np.random.Generator, family: Cultivar) -> None:
    """Draw uncut buds from the side: a drop covered with overlapping scales."""
    side = max(scene.shape)
    for _ in range(int(rng.choice([1, 1, 1, 2, 3, 6]))):
        size = side * float(rng.uniform(0.08, 0.34))
        base = np.array(
            [scene.shape[1] * rng.uniform(0.15, 0.85), scene.shape[0] * rng.uniform(0.15, 0.85)]
        )
        turn = float(rng.uniform(0, 2 * np.pi))
        long = float(rng.uniform(1.1, 5.0)) if rng.random() < 0.5 else float(rng.uniform(1.1, 2.0))
        green = rng.random() < 0.4
        spans = ((20, 60), (12, 45), (95, 135)) if green else family.scales
        body = placed(
            outline(rng, str(rng.choice(["drop", "oval", "drop"])), elongation=long),
            (float(base[0]), float(base[1])),
            size,
            turn,
        )
        if rng.random() < 0.6:
            scene.paint(
                body + size * 0.08, np.full(3, 0.01, np.float32), alpha=0.5, soft_px=0.08 * size
            )
        first, second = colour(rng, spans), colour(rng, spans)
        _solid(scene, rng, body, first, second, lift_px=0.4 * size)
        window = window_of(body, scene.shape)
        cover = mask_of(body, window)
        if not cover.size:
            continue
        way = np.array([np.cos(turn), np.sin(turn)]) * size * np.sqrt(long)
        across = np.array([-way[1], way[0]]) / long
        edge = colour(rng, family.scales) * np.float32(rng.uniform(0.3, 1.6))
        for step in range(int(rng.integers(2, 9))):
            spot = (
                base + way * (0.8 - 0.22 * step + rng.normal(0, 0.06))
                + across * rng.normal(0, 0.35)
            )
            scale = placed(
                outline(
                    rng,
                    str(rng.choice(["drop", "oval", "hull"])),
                    elongation=float(rng.uniform(1, 1.8)),
                ),
                (float(spot[0]), float(spot[1])),
                size * float(rng.uniform(0.4, 0.8)),
                turn + float(rng.normal(0, 0.3)),
            )
            part = mask_of(scale, window) * cover
            ink = (first if step % 2 else second) * np.float32(rng.uniform(0.6, 1.4))
            scene.lay(window, part, ink, alpha=float(rng.uniform(0.1, 0.8)), lift_px=0.05 * size)
            scene.strokes(
                [scale],
                edge,
                closed=True,
                window=window,
                within=cover,
                width_px=max(0.6, size * float(rng.uniform(0.01, 0.05))),
                alpha=float(rng.uniform(0.2, 0.9)),
            )
        if rng.random() < 0.4:
            stub = base - way * 0.95
            _solid(
                scene,
                rng,
                placed(
                    outline(rng, "rough", bump=0.2),
                    (float(stub[0]), float(stub[1])),
                    size * float(rng.uniform(0.12, 0.35)),
                    turn,
                ),
                colour(rng, ((50, 88), (8, 50), (60, 110))),
                colour(rng, family.scales),
            )


def paint_bud_from_above(scene: Scene, rng: np.random.Generator, family: Cultivar) -> None:
    """Draw an uncut bud from above: closed scales that spiral inwards, no wool, no tissue."""
    side = max(scene.shape)
    size = side * float(rng.uniform(0.12, 0.42))
    middle = (
        scene.shape[1] * float(rng.uniform(0.35, 0.65)),
        scene.shape[0] * float(rng.uniform(0.35, 0.65)),
    )
    green = rng.random() < 0.35
    spans = ((22, 60), (12, 42), (95, 135)) if green else family.scales
    turn = float(rng.uniform(0, 2 * np.pi))
    count = int(rng.integers(5, 14))
    long = float(rng.uniform(1, 1.6))
    for step in range(count):
        grow = size * (1 - step / count) ** float(rng.uniform(0.6, 1.3))
        turn += 2.4 + float(rng.normal(0, 0.2))
        spot = (middle[0] + 0.25 * grow * np.cos(turn), middle[1] + 0.25 * grow * np.sin(turn))
        scale = placed(
            outline(rng, str(rng.choice(["oval", "drop", "hull", "kidney"])), elongation=long),
            spot,
            max(2.0, grow),
            turn,
        )
        _solid(scene, rng, scale, colour(rng, spans), colour(rng, spans), lift_px=0.1 * size)
        scene.strokes(
            [scale],
            colour(rng, family.scales) * np.float32(rng.uniform(0.2, 1.5)),
            closed=True,
            width_px=max(0.6, 0.02 * size),
            alpha=float(rng.uniform(0.2, 0.9)),
        )


def paint_leaves(scene: Scene, rng: np.random.Generator) -> None:
    """Draw leaves with veins."""
    side = max(scene.shape)
    for _ in range(int(rng.integers(1, 5))):
        size = side * float(rng.uniform(0.15, 0.6))
        spot = (float(rng.uniform(0, scene.shape[1])), float(rng.uniform(0, scene.shape[0])))
        turn = float(rng.uniform(0, 2 * np.pi))
        shape = placed(
            outline(
                rng,
                str(rng.choice(["drop", "lobed", "rough"])),
                elongation=float(rng.uniform(1, 2.2)),
                bump=0.15,
            ),
            spot,
            size,
            turn,
        )
        green = colour(rng, ((25, 80), (15, 60), (100, 145)))
        _solid(
            scene,
            rng,
            shape,
            green,
            colour(rng, ((20, 75), (10, 50), (40, 130))),
            lift_px=0.05 * size,
        )
        window = window_of(shape, scene.shape)
        cover = mask_of(shape, window)
        if not cover.size:
            continue
        veins = []
        for k in range(int(rng.integers(4, 14))):
            angle = turn + float(rng.normal(0, 1.0)) if k else turn
            tip = np.array([np.cos(angle), np.sin(angle)]) * size * 1.3
            veins.append(
                np.array(
                    [
                        spot,
                        np.asarray(spot) + tip * 0.5 + rng.normal(0, 0.05, 2) * size,
                        np.asarray(spot) + tip,
                    ]
                )
            )
        scene.strokes(
            veins,
            green * np.float32(rng.choice([0.5, 1.6])),
            window=window,
            within=cover,
            width_px=max(0.6, 0.015 * size),
            alpha=0.7,
        )


def paint_circles(scene: Scene, rng: np.random.Generator) -> None:
    """Draw cups, coins, eyes, fruit slices and flowers: concentric but without three buds."""
    side = max(scene.shape)
    for _ in range(int(rng.choice([1, 1, 2, 4, 9]))):
        size = side * float(rng.uniform(0.06, 0.45))
        spot = (
            float(rng.uniform(0.2, 0.8)) * scene.shape[1],
            float(rng.uniform(0.2, 0.8)) * scene.shape[0],
        )
        long = float(rng.uniform(1, 1.5))
        kind = str(rng.choice(["oval", "oval", "super"]))
        curve = outline(rng, kind, elongation=long, bump=0.01)
        turn = float(rng.uniform(0, np.pi))
        steps = int(rng.integers(2, 6))
        for step in range(steps):
            grow = size * (1 - step / steps) * float(rng.uniform(0.9, 1.05))
            # never brown outside, pale between and green or brown within: that is a bud
            _solid(
                scene,
                rng,
                placed(curve, spot, max(2.0, grow), turn),
                colour(rng, _ANY),
                colour(rng, _ANY),
                lift_px=0.02 * size * float(rng.normal()),
            )
        if rng.random() < 0.4:
            petals = int(rng.integers(5, 16))
            ink = colour(rng, _ANY)
            for k in range(petals):
                angle = 2 * np.pi * k / petals
                _solid(
                    scene,
                    rng,
                    placed(
                        outline(rng, "drop", elongation=2),
                        (spot[0] + 0.6 * size * np.cos(angle),
                         spot[1] + 0.6 * size * np.sin(angle)),
                        size * 0.35,
                        angle,
                    ),
                    ink,
                    ink,
                )


def paint_scenery(scene: Scene, rng: np.random.Generator) -> None:
    """Stack bands of unlike texture with upright things, as landscapes and rooms have."""
    rows, cols = scene.shape
    edge = 0
    while edge < rows:
        depth = int(rng.uniform(0.1, 0.6) * rows) + 2
        part = (slice(edge, min(rows, edge + depth)), slice(0, cols))
        shape = (part[0].stop - edge, cols)
        if shape[0] > 2:
            ink = textured(
                colour(rng, _ANY),
                any_field(rng, shape, cells=float(rng.uniform(2, 30))),
                float(rng.uniform(0, 0.4)),
                other=colour(rng, _ANY),
                share=0.4,
            )
            scene.lay(part, np.ones(shape, np.float32), np.clip(ink, 0, 1))
        edge += depth
    for _ in range(int(rng.integers(1, 9))):
        x, y = rng.uniform(0, cols), rng.uniform(0, rows)
        w, h = rng.uniform(0.02, 0.3) * cols, rng.uniform(0.05, 0.7) * rows
        box = np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]])
        _solid(scene, rng, box, colour(rng, _ANY), colour(rng, _ANY))
    if rng.random() < 0.5:  # a face or a ball before it
        middle = (float(rng.uniform(0.3, 0.7) * cols), float(rng.uniform(0.3, 0.7) * rows))
        size = float(rng.uniform(0.1, 0.3)) * cols
        _solid(
            scene,
            rng,
            placed(outline(rng, "rough", elongation=1.2), middle, 1.25 * size, 1.5),
            colour(rng, ((5, 60), (4, 35), (30, 80))),
            colour(rng, _ANY),
        )
        skin = colour(rng, ((40, 85), (12, 32), (35, 68)))
        _solid(
            scene,
            rng,
            placed(outline(rng, "oval", elongation=1.25), middle, size, np.pi / 2),
            skin,
            skin,
        )
        for dx, dy, r in ((-0.35, -0.15, 0.12), (0.35, -0.15, 0.12), (0, 0.45, 0.2), (0, 0.1, 0.1)):
            _solid(
                scene,
                rng,
                placed(
                    outline(rng, "oval", elongation=1.6),
                    (middle[0] + dx * size, middle[1] + dy * size),
                    r * size,
                    0.0,
                ),
                colour(rng, _ANY),
                colour(rng, _ANY),
            )


def paint_eyes(scene: Scene, rng: np.random.Generator) -> None:
    """Draw eyes, buttons and knots: a dark middle in a round of any colour, fur or skin about."""
    rows, cols = scene.shape
    full = (slice(0, rows), slice(0, cols))
    coat = colour(rng, ((15, 85), (4, 36), (30, 90)))
    grain = float(rng.uniform(20, 70))
    fur = streaks(rng, scene.shape, grain, float(rng.uniform(0.1, 0.5)), float(rng.uniform(0, 180)))
    paint = textured(coat, fur, float(rng.uniform(0.05, 0.4)))
    scene.lay(full, np.ones(scene.shape, np.float32), np.clip(paint, 0, 1))
    for _ in range(int(rng.integers(1, 3))):
        core = (float(rng.uniform(0.25, 0.75) * cols), float(rng.uniform(0.25, 0.75) * rows))
        size = float(np.exp(rng.uniform(np.log(0.05), np.log(0.42)))) * cols
        turn = float(rng.uniform(0, np.pi))

        def curve(grow: float, long: float, kind: str, where: tuple[float, float]) -> Array:
            around = outline(rng, kind, elongation=long, bump=0.03)
            return placed(around, where, size * grow, turn)  # noqa: B023

        dark = colour(rng, ((2, 40), (0, 25), (20, 90)))
        rim = curve(1.2, float(rng.uniform(1, 2)), str(rng.choice(["oval", "drop", "super"])), core)
        _solid(scene, rng, rim, dark, coat, lift_px=-0.1 * size)
        iris = colour(rng, ((25, 95), (0, 60), (20, 290)))
        second = iris * np.float32(rng.uniform(0.5, 1.5))
        _solid(scene, rng, curve(1.0, float(rng.uniform(1, 1.5)), "oval", core), iris, second)
        if rng.random() < 0.5:
            inner = colour(rng, ((15, 75), (5, 60), (30, 270)))
            _solid(scene, rng, curve(float(rng.uniform(0.5, 0.8)), 1.0, "oval", core), inner, iris)
        pupil = curve(float(rng.uniform(0.2, 0.5)), float(rng.uniform(1, 4)), "oval", core)
        scene.paint(pupil, colour(rng, ((0, 12), (0, 8), (0, 360))), soft_px=0.01 * size)
        for _ in range(int(rng.integers(0, 4))):
            shift = size * rng.normal(0, 0.25, 2)
            spot = (core[0] + float(shift[0]), core[1] + float(shift[1]))
            shine = np.full(3, rng.uniform(0.5, 1), np.float32)
            scene.paint(curve(float(rng.uniform(0.03, 0.12)), 1.0, "rough", spot), shine)


def paint_collage(scene: Scene, rng: np.random.Generator) -> None:
    """Lay pieces of photographs over another in round and other shapes."""
    side = max(scene.shape)
    for _ in range(int(rng.integers(1, 7))):
        corner = (float(rng.uniform(0, scene.shape[1])), float(rng.uniform(0, scene.shape[0])))
        points = placed(
            outline(
                rng, str(rng.choice(OUTLINES)), elongation=float(rng.uniform(1, 2.5)), bump=0.1
            ),
            corner,
            side * float(rng.uniform(0.04, 0.4)),
            float(rng.uniform(0, np.pi)),
        )
        window = window_of(points, scene.shape)
        cover = mask_of(points, window)
        if not cover.size or min(cover.shape) < 4:
            continue
        scene.lay(
            window,
            cover,
            photo_piece(rng, (cover.shape[0], cover.shape[1])),
            soft_px=float(rng.uniform(0, 3)),
            lift_px=float(rng.uniform(0, 6)),
        )
