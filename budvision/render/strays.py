"""Pictures that are not cut buds: whole buds, leaves, rings, charts, benches, noise."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from budvision.render.fields import any_field, fractal
from budvision.render.lamp import LIGHT_COLOURS, lit
from budvision.render.lens import photographed
from budvision.render.palette import Span, colour
from budvision.render.scene import Scene, textured
from budvision.render.shapes import OUTLINES, mask_of, outline, placed, window_of
from budvision.render.surroundings import paint_bench, paint_cane, paint_clutter, paint_finger
from budvision.render.world import BENCHES, CAMERAS

__all__ = ["STRAYS", "render_stray"]

STRAYS = (
    "bench",
    "photo",
    "whole_bud",
    "leaf",
    "rings",
    "chart",
    "cane",
    "hand",
    "blobs",
    "slice",
    "label",
)
_GREEN: tuple[Span, Span, Span] = ((25, 80), (15, 60), (98, 150))
_BROWN: tuple[Span, Span, Span] = ((12, 60), (6, 38), (30, 85))


def _whole_bud(
    scene: Scene, rng: np.random.Generator, centre: tuple[float, float], length: float
) -> None:
    """Overlapping scales, green or brown, pointed, uncut."""
    tone = colour(rng, _GREEN if rng.random() < 0.4 else _BROWN)
    way = rng.uniform(0, 2 * np.pi)
    for k in range(int(rng.integers(3, 12))):
        middle = (
            np.asarray(centre)
            + length * (0.5 - 0.09 * k) * np.array([np.cos(way), np.sin(way)])
            + rng.normal(0, 0.05, 2) * length
        )
        scale = placed(
            outline(rng, "drop", elongation=float(rng.uniform(1.1, 2.2))),
            (float(middle[0]), float(middle[1])),
            length * rng.uniform(0.2, 0.34),
            way + np.pi + rng.normal(0, 0.3),
        )
        window = window_of(scale, scene.shape)
        cover = mask_of(scale, window)
        if not cover.size:
            continue
        own = np.clip(tone * rng.uniform(0.6, 1.5, 3), 0.002, 1).astype(np.float32)
        paint = textured(
            own,
            any_field(rng, cover.shape, cells=float(rng.uniform(3, 14))),
            float(rng.uniform(0.03, 0.3)),
        )
        scene.lay(window, cover, np.clip(paint, 0.002, 1).astype(np.float32), lift_px=length * 0.03)
        scene.strokes(
            [scale],
            own * np.float32(rng.uniform(0.2, 0.8)),
            closed=True,
            width_px=max(0.7, length * rng.uniform(0.004, 0.03)),
            alpha=0.9,
        )


def _rings(
    scene: Scene, rng: np.random.Generator, centre: tuple[float, float], length: float
) -> None:
    """Concentric discs: sawn wood, targets, fruit, cups."""
    points = placed(
        outline(rng, str(rng.choice(OUTLINES)), elongation=float(rng.uniform(1, 1.6))),
        centre,
        length / 2,
        rng.uniform(0, 3),
    )
    tones = [
        colour(rng, _GREEN if rng.random() < 0.4 else ((10, 95), (0, 50), (0, 360)))
        for _ in range(3)
    ]
    n = int(rng.integers(2, 12))
    for k in range(n):
        part = np.asarray(centre) + (points - np.asarray(centre)) * (1 - k / n)
        scene.paint(part, tones[k % int(rng.integers(1, 4))] * np.float32(rng.uniform(0.8, 1.2)))


def _blobs(scene: Scene, rng: np.random.Generator) -> None:
    """Green and brown patches with no face round them."""
    for _ in range(int(rng.integers(1, 8))):
        middle = rng.uniform(0, 1, 2) * np.array(scene.shape[::-1])
        points = placed(
            outline(rng, str(rng.choice(OUTLINES)), elongation=float(rng.uniform(1, 2.5))),
            (float(middle[0]), float(middle[1])),
            float(rng.uniform(0.03, 0.4)) * max(scene.shape),
            rng.uniform(0, 3),
        )
        window = window_of(points, scene.shape)
        cover = mask_of(points, window)
        if cover.size:
            tone = colour(rng, _GREEN if rng.random() < 0.5 else _BROWN)
            scene.lay(
                window,
                cover,
                np.clip(
                    textured(
                        tone,
                        any_field(rng, cover.shape, cells=float(rng.uniform(2, 20))),
                        float(rng.uniform(0, 0.5)),
                    ),
                    0.002,
                    1,
                ).astype(np.float32),
            )


def _chart(scene: Scene, rng: np.random.Generator) -> None:
    """A grid of colour patches."""
    rows, cols = scene.shape
    scene.rgb[:] = colour(rng, ((3, 40), (0, 6), (0, 360)))
    m, n = int(rng.integers(2, 7)), int(rng.integers(2, 8))
    gap = rng.uniform(0.03, 0.25)
    for i in range(m):
        for j in range(n):
            r0, r1 = int((i + gap) * rows / m), int((i + 1 - gap) * rows / m)
            c0, c1 = int((j + gap) * cols / n), int((j + 1 - gap) * cols / n)
            scene.rgb[r0:r1, c0:c1] = colour(rng, ((15, 96), (0, 60), (0, 360)))


def _leaf(
    scene: Scene, rng: np.random.Generator, centre: tuple[float, float], length: float
) -> None:
    points = placed(
        outline(
            rng,
            str(rng.choice(["lobed", "drop", "hull"])),
            elongation=float(rng.uniform(1, 2)),
            bump=0.2,
        ),
        centre,
        length * 0.7,
        rng.uniform(0, 6),
    )
    window = window_of(points, scene.shape)
    cover = mask_of(points, window)
    if not cover.size:
        return
    tone = colour(rng, _GREEN)
    paint = textured(
        tone,
        fractal(rng, cover.shape, 6),
        float(rng.uniform(0.05, 0.3)),
        other=colour(rng, _BROWN),
        share=float(rng.uniform(0, 0.9)),
    )
    scene.lay(window, cover, np.clip(paint, 0.002, 1).astype(np.float32))
    tip = np.asarray(centre) + rng.normal(0, 0.6, 2) * length
    scene.strokes(
        [np.stack([np.asarray(centre), tip])]
        + [
            np.stack([np.asarray(centre) * (1 - s) + tip * s, tip + rng.normal(0, 0.4, 2) * length])
            for s in rng.uniform(0, 1, 6)
        ],
        tone * np.float32(rng.uniform(0.6, 1.7)),
        window=window,
        within=cover,
        width_px=max(0.7, 0.015 * length),
    )


def _label(scene: Scene, rng: np.random.Generator) -> None:
    """Paper with strokes like writing."""
    paint_bench(scene, rng, "paper")
    side = max(scene.shape)
    paths = [
        rng.uniform(0, side, 2) + np.cumsum(rng.normal(0, 0.012, (12, 2)), 0) * side
        for _ in range(int(rng.integers(10, 80)))
    ]
    scene.strokes(
        paths,
        colour(rng, ((2, 45), (0, 50), (0, 360))),
        width_px=max(1.0, 0.004 * side),
        window=(slice(0, scene.shape[0]), slice(0, scene.shape[1])),
    )


def render_stray(rng: np.random.Generator, *, size_px: tuple[int, int]) -> NDArray[np.uint8]:
    """Photograph something that is not a cut bud, one of STRAYS.

    Returns
    -------
    ndarray of uint8, (rows, cols, 3)
        Upright sRGB.
    """
    kind = STRAYS[int(rng.integers(len(STRAYS)))]
    rows, cols = size_px
    scene = Scene(rows, cols)
    paint_bench(scene, rng, "photo" if kind == "photo" else str(rng.choice(BENCHES)))
    centre = (float(rng.uniform(0.3, 0.7) * cols), float(rng.uniform(0.3, 0.7) * rows))
    length = float(np.exp(rng.uniform(np.log(0.08), np.log(0.9)))) * cols
    if kind in ("cane", "whole_bud") and rng.random() < 0.7:
        paint_cane(
            scene,
            rng,
            centre=centre,
            angle=rng.uniform(0, 3),
            half_width_px=length * rng.uniform(0.3, 1),
            base_deg=rng.uniform(0, 360),
        )
    if kind == "whole_bud":
        _whole_bud(scene, rng, centre, length)
    elif kind == "rings":
        _rings(scene, rng, centre, length)
    elif kind == "slice":
        _rings(scene, rng, centre, length)
        _blobs(scene, rng)
    elif kind == "leaf":
        _leaf(scene, rng, centre, length)
    elif kind == "chart":
        _chart(scene, rng)
    elif kind == "blobs":
        _blobs(scene, rng)
    elif kind == "label":
        _label(scene, rng)
    elif kind == "hand":
        for _ in range(int(rng.integers(1, 4))):
            paint_finger(scene, rng, centre=centre, size_px=length * 0.5)
    if kind != "photo" and rng.random() < 0.6:
        paint_clutter(scene, rng, keep_off=None, count=int(rng.poisson(3)))
    light = str(rng.choice(list(LIGHT_COLOURS)))
    picture, tint = lit(scene, rng, light, length_px=length, centre=centre)
    return photographed(
        picture,
        rng,
        camera=str(rng.choice(CAMERAS)),
        tint=tint,
        stops=float(rng.normal(0, 0.7)),
        length_px=length,
    )
