"""What lies around the face: bench, cane, shoulder, fingers, rulers and other distractions."""

from __future__ import annotations

import cv2
import numpy as np

from budvision.render.anatomy import Layout
from budvision.render.fields import Array, any_field, cellular, fractal, grain, ridged, streaks
from budvision.render.palette import colour, cultivar
from budvision.render.photographs import photo_piece
from budvision.render.scene import Scene, textured
from budvision.render.shapes import OUTLINES, mask_of, outline, placed, window_of
from budvision.render.world import World

__all__ = ["paint_bench", "paint_blobs", "paint_cane", "paint_surround", "paint_things"]

_ANY = ((8, 95), (0, 60), (0, 360))
_SKIN = ((35, 84), (12, 32), (35, 68))
_WOOD = ((30, 78), (12, 42), (55, 82))


def paint_bench(scene: Scene, rng: np.random.Generator, kind: str) -> None:
    """Fill the frame with a bench of the kind."""
    shape = scene.shape
    full = (slice(0, shape[0]), slice(0, shape[1]))
    first, second = colour(rng, _ANY), colour(rng, _ANY)
    strength = float(rng.uniform(0.02, 0.3))
    if kind == "wood":
        first, second = colour(rng, _WOOD), colour(rng, _WOOD)
        field = streaks(
            rng,
            shape,
            float(rng.uniform(10, 50)),
            float(rng.uniform(0.05, 0.3)),
            float(rng.uniform(0, 180)),
        )
    elif kind == "paper":
        first = colour(rng, ((76, 97), (0, 10), (60, 270)))
        second, strength = first * np.float32(0.9), float(rng.uniform(0, 0.05))
        field = fractal(rng, shape, float(rng.uniform(2, 40)), 3)
    elif kind == "cloth":
        field = streaks(rng, shape, float(rng.uniform(30, 90)), 0.1, float(rng.uniform(0, 180)))
        field = field + streaks(
            rng, shape, float(rng.uniform(30, 90)), 0.1, float(rng.uniform(0, 180))
        )
    elif kind == "grid":
        step = int(rng.integers(10, 60))
        field = np.zeros(shape, np.float32)
        field[::step], field[:, ::step] = 3, 3
        field = cv2.GaussianBlur(field, (0, 0), float(rng.uniform(0.5, 1.5)))
    elif kind == "skin":
        first, second = colour(rng, _SKIN), colour(rng, _SKIN)
        field = ridged(rng, shape, float(rng.uniform(8, 60)), 2)
        strength = float(rng.uniform(0.02, 0.12))
    elif kind == "bark":
        first, second = (colour(rng, ((12, 55), (4, 30), (40, 80))) for _ in range(2))
        field = streaks(
            rng,
            shape,
            float(rng.uniform(8, 40)),
            float(rng.uniform(0.05, 0.4)),
            float(rng.uniform(0, 180)),
        ) + 0.5 * fractal(rng, shape, 20, 3)
    elif kind == "dark":
        first, second = (colour(rng, ((1, 18), (0, 12), (0, 360))) for _ in range(2))
        field = fractal(rng, shape, 6, 3)
    elif kind == "tray":
        first = colour(rng, ((40, 92), (0, 8), (0, 360)))
        second = first * np.float32(0.7)
        field = streaks(rng, shape, float(rng.uniform(60, 160)), 0.02, float(rng.uniform(0, 180)))
        strength = float(rng.uniform(0.01, 0.1))
    elif kind == "mat":
        first = colour(rng, ((15, 75), (10, 60), (0, 360)))
        second = first * np.float32(rng.uniform(0.6, 1.4))
        field = grain(rng, shape, float(rng.uniform(0, 2)))
        strength = float(rng.uniform(0.01, 0.15))
    elif rng.random() < 0.4:
        scene.rgb[:] = photo_piece(rng, shape)
        return
    else:
        field = any_field(rng, shape, cells=float(rng.uniform(2, 40)))
    paint = textured(first, field, strength, other=second, share=float(rng.uniform(0, 0.9)))
    scene.lay(full, np.ones(shape, np.float32), np.clip(paint, 0.001, 1))


def paint_blobs(
    scene: Scene, rng: np.random.Generator, count: int, *, largest: float = 0.3
) -> None:
    """Scatter shapes of leaf greens, browns and any colour, textured in any way."""
    spans = (
        ((30, 80), (15, 60), (100, 160)),
        ((10, 60), (6, 40), (25, 85)),
        ((60, 96), (0, 20), (60, 110)),
        _ANY,
    )
    side = max(scene.shape)
    for _ in range(count):
        size = side * largest * float(rng.uniform(0.05, 1)) ** 1.5
        centre = (float(rng.uniform(0, scene.shape[1])), float(rng.uniform(0, scene.shape[0])))
        points = placed(
            outline(rng, str(rng.choice(OUTLINES)), elongation=float(rng.uniform(1, 4)), bump=0.15),
            centre,
            size,
            float(rng.uniform(0, np.pi)),
        )
        window = window_of(points, scene.shape)
        cover = mask_of(points, window)
        if not cover.size or min(cover.shape) < 3:
            continue
        span = spans[int(rng.integers(4))]
        ink = textured(
            colour(rng, span),
            any_field(rng, cover.shape, cells=float(rng.uniform(2, 12))),
            float(rng.uniform(0, 0.3)),
            other=colour(rng, span),
            share=0.4,
        )
        if rng.random() < 0.5:
            scene.paint(
                points + 0.06 * size, np.full(3, 0.01, np.float32), alpha=0.4, soft_px=0.06 * size
            )
        scene.lay(
            window, cover, np.clip(ink, 0, 1), soft_px=float(rng.uniform(0, 1)), lift_px=0.05 * size
        )


def _along(start: Array, way: Array, half_px: float, rng: np.random.Generator) -> Array:
    """Return the outline of a band with wavy sides."""
    steps = np.linspace(0, 1, 24)
    side = np.array([-way[1], way[0]]) / max(1e-6, float(np.hypot(*way)))
    wave = half_px * (1 + 0.06 * np.cumsum(rng.standard_normal((2, 24)), 1) / 3)
    line = start + steps[:, None] * way
    return np.vstack([line + side * wave[0][:, None], (line - side * wave[1][:, None])[::-1]])


def paint_cane(
    scene: Scene,
    rng: np.random.Generator,
    *,
    centre: tuple[float, float],
    half_px: float,
    angle: float,
    family_name: str,
) -> None:
    """Paint a cane that runs through the frame along an angle (radians)."""
    family = cultivar(family_name)
    reach = 1.5 * float(np.hypot(*scene.shape))
    way = np.array([np.cos(angle), np.sin(angle)]) * 2 * reach
    band = _along(np.asarray(centre) - way / 2, way, half_px, rng)
    window = window_of(band, scene.shape)
    cover = mask_of(band, window)
    if not cover.size:
        return
    scene.paint(
        band + half_px * rng.normal(0, 0.12, 2),
        np.full(3, 0.01, np.float32),
        alpha=float(rng.uniform(0, 0.7)),
        soft_px=0.1 * half_px,
    )
    bark = colour(rng, ((16, 62), (8, 36), (45, 80)) if rng.random() < 0.7 else family.scales)
    if rng.random() < 0.1:
        bark = colour(rng, ((35, 65), (15, 45), (95, 130)))
    cells = float(rng.uniform(1, 4)) * max(cover.shape) / (2 * half_px + 1)
    field = streaks(
        rng,
        cover.shape,
        min(90.0, 6 * cells),
        float(rng.uniform(0.03, 0.25)),
        float(90 - np.rad2deg(angle)),
    )
    if rng.random() < 0.4:
        field = field + 0.8 * fractal(rng, cover.shape, min(80.0, 4 * cells), 3)
    paint = textured(
        bark,
        field,
        float(rng.uniform(0.04, 0.35)),
        other=colour(rng, family.scales),
        share=float(rng.uniform(0, 0.7)),
    )
    rows, cols = window
    x = np.arange(cols.start, cols.stop, dtype=np.float32) - np.float32(centre[0])
    y = np.arange(rows.start, rows.stop, dtype=np.float32) - np.float32(centre[1])
    across = x[None, :] * np.float32(-np.sin(angle)) + y[:, None] * np.float32(np.cos(angle))
    across /= np.float32(half_px)
    light = float(rng.uniform(-0.5, 0.5))
    paint *= np.exp(-np.float32(rng.uniform(0.1, 0.9)) * (across - light) ** 2)[..., None]
    scene.lay(window, cover, np.clip(paint, 0.001, 1), soft_px=0.5)
    scene.height[window] += cover * (
        np.sqrt(np.clip(1 - across**2, 0, 1)) * 0.2 * half_px + 0.02 * half_px * field
    )
    scene.labels[window][cover > 0.5] = 0


def _shoulder(scene: Scene, rng: np.random.Generator, layout: Layout, world: World) -> None:
    """Paint the uncut lower part of the bud round the face."""
    family = cultivar(world.cultivar)
    for step in range(int(rng.integers(1, 6))):
        grow = 1.45 - 0.09 * step + float(rng.normal(0, 0.05))
        if grow < 1.02:
            break
        points = np.asarray(layout.centre) + (layout.face - np.asarray(layout.centre)) * grow
        points = points + layout.long_px * rng.normal(0, 0.08, 2)
        window = window_of(points, scene.shape)
        cover = mask_of(points, window)
        if not cover.size or min(cover.shape) < 3:
            continue
        ink = textured(
            colour(rng, family.scales),
            any_field(rng, cover.shape, cells=float(rng.uniform(4, 20))),
            float(rng.uniform(0.05, 0.3)),
        )
        scene.lay(
            window,
            cover,
            ink,
            soft_px=layout.long_px * float(rng.uniform(0, 0.03)),
            lift_px=0.08 * layout.long_px,
        )


def paint_things(scene: Scene, rng: np.random.Generator, *, hide: bool = False) -> None:
    """Lay rulers, cards, fingers, gloves, print or wool tufts into the frame."""
    rows, cols = scene.shape
    side = max(rows, cols)
    kind = str(rng.choice(["ruler", "card", "finger", "text", "checks", "finger"]))
    angle = float(rng.uniform(0, np.pi))
    middle = np.array([rng.uniform(0, cols), rng.uniform(0, rows)])
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])

    def box(x0: float, y0: float, x1: float, y1: float) -> Array:
        corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
        return np.asarray(corners * side @ turn + middle)

    dark = colour(rng, ((2, 25), (0, 20), (0, 360)))
    pale = colour(rng, ((72, 98), (0, 30), (0, 360)))
    if kind == "ruler":
        scene.paint(box(-1, 0, 1, 0.12), pale)
        for i in range(60):
            x = -0.6 + i * 0.02
            long = 0.06 if i % 10 == 0 else 0.035 if i % 5 == 0 else 0.02
            scene.paint(box(x, 0.0, x + 0.003, long), dark)
    elif kind in ("card", "checks"):
        scene.paint(box(-0.2, -0.15, 0.2, 0.15), pale)
        n = int(rng.integers(3, 7))
        for i in range(n):
            for j in range(n):
                if rng.random() < 0.5:
                    ink = dark if kind == "card" else colour(rng, _ANY)
                    scene.paint(
                        box(
                            -0.15 + 0.3 * i / n,
                            -0.12 + 0.24 * j / n,
                            -0.15 + 0.3 * (i + 0.9) / n,
                            -0.12 + 0.24 * (j + 0.9) / n,
                        ),
                        ink,
                    )
    elif kind == "text":
        for line in range(int(rng.integers(2, 8))):
            for word in range(6):
                y, x = 0.05 * line, 0.09 * word
                scene.paint(
                    box(x, y, x + float(rng.uniform(0.02, 0.08)), y + 0.02), dark, alpha=0.8
                )
    else:
        skin = colour(rng, _SKIN if rng.random() < 0.6 else _ANY)
        half = side * float(rng.uniform(0.08, 0.22))
        way = np.array([np.cos(angle), np.sin(angle)])
        tip = placed(
            outline(rng, "super", elongation=float(rng.uniform(2, 4)), bump=0.02),
            (float(middle[0]), float(middle[1])),
            half * 1.6,
            angle,
        )
        if not hide:
            tip = tip + way * side * 0.3
        window = window_of(tip, scene.shape)
        cover = mask_of(tip, window)
        if cover.size:
            field = (
                cellular(rng, cover.shape, 30)
                if rng.random() < 0.5
                else ridged(rng, cover.shape, 14, 2)
            )
            scene.lay(window, cover, textured(skin, field, 0.05), soft_px=1.0, lift_px=0.4 * half)


def paint_surround(scene: Scene, rng: np.random.Generator, layout: Layout, world: World) -> None:
    """Paint everything behind and beside the face."""
    paint_bench(scene, rng, world.bench)
    if rng.random() < 0.4:
        paint_blobs(scene, rng, int(rng.integers(1, 7)))
    if rng.random() < 0.35:
        paint_things(scene, rng)
    if rng.random() < 0.82:
        half = layout.long_px * float(rng.uniform(0.7, 1.8))
        away = layout.long_px * float(rng.normal(0, 0.5))
        angle = layout.base + float(rng.normal(0, 0.12))
        centre = (layout.centre[0] - away * np.sin(angle), layout.centre[1] + away * np.cos(angle))
        paint_cane(scene, rng, centre=centre, half_px=half, angle=angle, family_name=world.cultivar)
    if rng.random() < 0.75:
        _shoulder(scene, rng, layout, world)
    if rng.random() < 0.35:
        scene.paint(
            layout.face + layout.long_px * rng.normal(0, 0.06, 2),
            np.full(3, 0.01, np.float32),
            alpha=float(rng.uniform(0.2, 0.8)),
            soft_px=layout.long_px * float(rng.uniform(0.02, 0.12)),
        )
