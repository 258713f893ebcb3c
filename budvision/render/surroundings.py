"""What lies round the cut face: bench, cane with its bark, fingers, clutter, neighbours."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np

from budvision.render.fields import Array, any_field, fractal, streaks
from budvision.render.palette import Span, colour
from budvision.render.scene import Scene, textured
from budvision.render.shapes import mask_of, outline, placed, window_of

__all__ = ["paint_bench", "paint_cane", "paint_clutter", "paint_finger"]

_ANY: tuple[Span, Span, Span] = ((8, 95), (0, 55), (0, 360))
_BENCH_LOOKS: dict[str, tuple[Span, Span, Span]] = {
    "wood": ((25, 80), (8, 40), (45, 90)),
    "mat": ((15, 75), (5, 55), (100, 300)),
    "paper": ((75, 97), (0, 10), (0, 360)),
    "cloth": ((10, 85), (0, 50), (0, 360)),
    "tray": ((30, 95), (0, 14), (0, 360)),
    "noise": _ANY,
    "grid": ((60, 97), (0, 30), (0, 360)),
    "skin": ((35, 82), (14, 34), (35, 75)),
    "bark": ((18, 60), (6, 34), (40, 85)),
    "dark": ((2, 20), (0, 12), (0, 360)),
    "photo": _ANY,
}


@lru_cache(maxsize=1)
def _pictures() -> list[Array]:
    """Real photographs for their statistics, as linear-light RGB; two ship with scikit-learn."""
    from sklearn.datasets import load_sample_images

    return [
        (np.asarray(p, np.float32) / 255) ** np.float32(2.2) for p in load_sample_images().images
    ]


def _photo_piece(rng: np.random.Generator, shape: tuple[int, int]) -> Array:
    """Cut a piece of a real photograph, turned, with its colours moved about."""
    picture = _pictures()[int(rng.integers(len(_pictures())))]
    side = int(rng.uniform(0.15, 0.95) * min(picture.shape[:2]))
    r = int(rng.integers(0, picture.shape[0] - side + 1))
    c = int(rng.integers(0, picture.shape[1] - side + 1))
    piece = np.rot90(picture[r : r + side, c : c + side], int(rng.integers(4)))
    piece = piece[..., rng.permutation(3)] if rng.random() < 0.6 else piece
    piece = piece * rng.uniform(0.5, 1.4, 3).astype(np.float32)
    return np.clip(cv2.resize(np.ascontiguousarray(piece), shape[::-1]), 0.002, 1)


def paint_bench(scene: Scene, rng: np.random.Generator, name: str) -> None:
    """Fill the whole scene with a bench surface."""
    shape = scene.shape
    if name == "photo" or rng.random() < 0.08:
        scene.rgb[:] = _photo_piece(rng, shape)
        return
    base, other = colour(rng, _BENCH_LOOKS[name]), colour(rng, _BENCH_LOOKS[name])
    cells = float(np.exp(rng.uniform(np.log(2), np.log(40))))
    if name in ("wood", "bark"):
        field = streaks(rng, shape, cells, float(rng.uniform(4, 16)), float(rng.uniform(0, 180)))
    elif name == "grid":
        field = np.zeros(shape, np.float32)
        step = max(4, int(rng.uniform(0.02, 0.15) * max(shape)))
        width = max(1, step // int(rng.integers(6, 20)))
        for k in range(width):
            field[int(rng.integers(step)) % step + k :: step] = -3
            if rng.random() < 0.7:
                field[:, int(rng.integers(step)) % step + k :: step] = -3
    elif name in ("paper", "tray", "dark", "skin"):
        field = fractal(rng, shape, float(rng.uniform(1, 6)), 3)
    else:
        field = any_field(rng, shape, cells=cells)
    scene.rgb[:] = np.clip(
        textured(
            base,
            field,
            float(rng.uniform(0.02, 0.35)),
            other=other,
            share=float(rng.uniform(0, 0.9)),
        ),
        0.002,
        1,
    )
    scene.height[:] = field * np.float32(rng.uniform(0, 0.6))


def _band(
    centre: tuple[float, float], angle: float, width: float, length: float, rng: np.random.Generator
) -> Array:
    """Outline of a cane: a band with wavy sides and a swelling at the node."""
    s = np.linspace(-length, length, 40)
    swell = 1 + rng.uniform(0, 0.4) * np.exp(-((s / (width * rng.uniform(0.8, 2))) ** 2))
    bow = rng.normal(0, 0.12) * (s / length) ** 2 * width
    wave = 0.06 * width * np.interp(s, np.linspace(-length, length, 9), rng.standard_normal(9))
    half = width * swell * (1 + 0.03 * rng.standard_normal(len(s)))
    local = np.vstack(
        [np.stack([s, bow + wave + half], 1), np.stack([s, bow + wave - half], 1)[::-1]]
    )
    cos, sin = np.cos(angle), np.sin(angle)
    return np.asarray(local @ np.array([[cos, sin], [-sin, cos]]) + np.asarray(centre))


def paint_cane(
    scene: Scene,
    rng: np.random.Generator,
    *,
    centre: tuple[float, float],
    angle: float,
    half_width_px: float,
    base_deg: float,
) -> None:
    """Paint a piece of cane through `centre`, with bark, lenticels and perhaps a petiole scar."""
    points = _band(centre, angle, half_width_px, 2.2 * max(scene.shape), rng)
    window = window_of(points, scene.shape)
    cover = mask_of(points, window)
    if not cover.size or not cover.any():
        return
    base, other = colour(rng, _BENCH_LOOKS["bark"]), colour(rng, _BENCH_LOOKS["bark"])
    if rng.random() < 0.12:
        base = colour(rng, ((30, 60), (12, 38), (85, 125)))  # a green shoot's bark
    shape = cover.shape
    kind = rng.random()
    if kind < 0.6:
        field = streaks(
            rng,
            shape,
            float(rng.uniform(5, 40)),
            float(rng.uniform(4, 16)),
            float(-np.rad2deg(angle)),
        )
    else:
        field = any_field(rng, shape, cells=float(rng.uniform(4, 30)))
    paint = textured(
        base, field, float(rng.uniform(0.03, 0.4)), other=other, share=float(rng.uniform(0, 0.8))
    )
    rows, cols = window
    x = np.arange(cols.start, cols.stop, dtype=np.float32) - np.float32(centre[0])
    y = np.arange(rows.start, rows.stop, dtype=np.float32)[:, None] - np.float32(centre[1])
    across = (-np.sin(angle) * x + np.cos(angle) * y) / np.float32(half_width_px)
    paint *= (1 - rng.uniform(0, 0.6) * np.clip(across, -1.2, 1.2) ** 2)[..., None].astype(
        np.float32
    )
    scene.lay(
        window,
        cover,
        np.clip(paint, 0.002, 1).astype(np.float32),
        soft_px=float(rng.uniform(0, 0.02)) * half_width_px,
    )
    scene.height[window] = cover * (
        half_width_px * 0.25 * (1 - np.clip(across, -1, 1) ** 2) + field
    )
    if rng.random() < 0.45:  # lenticels
        for _ in range(int(rng.integers(3, 25))):
            middle = np.asarray(centre) + rng.uniform(-1, 1, 2) * max(scene.shape) * 0.6
            dot = placed(
                outline(rng, "oval", elongation=1.8),
                (float(middle[0]), float(middle[1])),
                half_width_px * rng.uniform(0.01, 0.06),
                angle,
            )
            place = window_of(dot, scene.shape)
            inside = mask_of(dot, place)
            if inside.size and cover.shape == shape:
                scene.lay(place, inside, base * np.float32(rng.uniform(0.3, 1.6)), alpha=0.7)
    if rng.random() < 0.4:  # scar of the leaf stalk
        way = np.deg2rad(base_deg)
        reach = half_width_px * rng.uniform(0.9, 1.8)
        scar = placed(
            outline(rng, str(rng.choice(["oval", "kidney", "drop"])), elongation=1.4),
            (centre[0] + reach * np.cos(way), centre[1] + reach * np.sin(way)),
            half_width_px * rng.uniform(0.2, 0.5),
            way + np.pi / 2,
        )
        scene.paint(
            scar,
            colour(rng, ((20, 70), (6, 30), (45, 90))),
            soft_px=half_width_px * 0.03,
            alpha=float(rng.uniform(0.5, 1)),
        )


def paint_finger(
    scene: Scene,
    rng: np.random.Generator,
    *,
    centre: tuple[float, float],
    size_px: float,
    over: bool = False,
) -> Array:
    """Paint a finger, bare or gloved, near the face or over it; return its coverage."""
    gloved = rng.random() < 0.5
    tone = colour(rng, ((20, 92), (0, 60), (0, 360)) if gloved else _BENCH_LOOKS["skin"])
    way = rng.uniform(0, 2 * np.pi)
    reach = size_px * (rng.uniform(0.0, 0.5) if over else rng.uniform(1.3, 2.2))
    tip = np.asarray(centre) + reach * np.array([np.cos(way), np.sin(way)])
    width = size_px * rng.uniform(0.5, 1.1)
    far = tip + 3 * max(scene.shape) * np.array([np.cos(way), np.sin(way)])
    side = np.array([-np.sin(way), np.cos(way)])
    turn = np.linspace(np.pi / 2, -np.pi / 2, 20)
    cap = (
        tip
        + width * 0.8 * (1 - np.cos(turn))[:, None] * 0
        + width
        * (
            -np.cos(turn)[:, None] * np.array([np.cos(way), np.sin(way)])
            + np.sin(turn)[:, None] * side
        )
    )
    points = np.vstack([far + width * side, cap, far - width * side])
    window = window_of(points, scene.shape)
    cover = mask_of(points, window)
    full = np.zeros(scene.shape, np.float32)
    if cover.size:
        field = fractal(rng, cover.shape, float(rng.uniform(2, 14)), 3)
        scene.lay(
            window,
            cover,
            np.clip(textured(tone, field, float(rng.uniform(0.02, 0.15))), 0.002, 1).astype(
                np.float32
            ),
            soft_px=0.02 * size_px,
        )
        full[window] = cover
        if over:
            scene.labels[window][cover > 0.5] = 0
    return full


def paint_clutter(
    scene: Scene,
    rng: np.random.Generator,
    *,
    keep_off: tuple[float, float, float] | None,
    count: int,
) -> None:
    """Scatter distractors: green and brown shapes, discs with rings, bars, rulers, crumbs."""
    side = max(scene.shape)
    for _ in range(count):
        middle = rng.uniform(0, 1, 2) * np.array(scene.shape[::-1])
        radius = float(np.exp(rng.uniform(np.log(0.01), np.log(0.22)))) * side
        if keep_off is not None:
            gap = np.hypot(middle[0] - keep_off[0], middle[1] - keep_off[1])
            if gap < keep_off[2] + radius * 1.4:
                continue
        spans: tuple[Span, Span, Span] = _ANY
        draw = rng.random()
        if draw < 0.35:
            spans = ((20, 80), (15, 60), (95, 160))
        elif draw < 0.65:
            spans = ((8, 55), (5, 40), (25, 85))
        points = placed(
            outline(
                rng,
                str(rng.choice(["oval", "hull", "lobed", "rough", "drop", "kidney"])),
                elongation=float(rng.uniform(1, 4)),
                bump=0.15,
            ),
            (float(middle[0]), float(middle[1])),
            radius,
            rng.uniform(0, np.pi),
        )
        window = window_of(points, scene.shape)
        cover = mask_of(points, window)
        if not cover.size:
            continue
        tone = colour(rng, spans)
        paint = textured(
            tone,
            any_field(rng, cover.shape, cells=float(rng.uniform(3, 20))),
            float(rng.uniform(0, 0.35)),
        )
        scene.lay(
            window,
            cover,
            np.clip(paint, 0.002, 1).astype(np.float32),
            soft_px=radius * float(rng.uniform(0, 0.06)),
        )
        if rng.random() < 0.35:
            rings = [np.asarray(middle) + (points - middle) * s for s in (0.85, 0.65, 0.45, 0.25)]
            scene.strokes(
                rings[: int(rng.integers(1, 5))],
                tone * np.float32(rng.uniform(0.3, 1.7)),
                closed=True,
                width_px=max(0.6, radius * 0.05),
                alpha=float(rng.uniform(0.3, 1)),
            )
    if rng.random() < 0.12:  # a ruler's ticks
        step = side * rng.uniform(0.015, 0.05)
        start = rng.uniform(0, 1, 2) * np.array(scene.shape[::-1])
        way = rng.choice([0.0, np.pi / 2]) + rng.normal(0, 0.1)
        along, across = np.array([np.cos(way), np.sin(way)]), np.array([-np.sin(way), np.cos(way)])
        ticks = [
            np.stack(
                [
                    start + k * step * along,
                    start + k * step * along + step * (1.6 if k % 5 else 2.6) * across,
                ]
            )
            for k in range(40)
        ]
        if keep_off is not None:
            off = np.array(keep_off[:2])
            ticks = [t for t in ticks if np.hypot(*(t.mean(0) - off)) > keep_off[2]]
        scene.strokes(
            ticks, colour(rng, ((2, 30), (0, 20), (0, 360))), width_px=max(1.0, step * 0.08)
        )
