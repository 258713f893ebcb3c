"""Pictures that are not cut buds: whole buds, leaves, hands, charts, cups, eyes, cloth, noise."""

from __future__ import annotations

import cv2
import numpy as np

from budvision.render.anatomy import Layout
from budvision.render.bench import paint_bench, paint_blobs, paint_cane, paint_things
from budvision.render.camera import expose
from budvision.render.fields import Array, any_field, fibres, fractal, streaks
from budvision.render.light import light_up
from budvision.render.objects import (
    paint_bud_from_above,
    paint_circles,
    paint_collage,
    paint_eyes,
    paint_leaves,
    paint_scenery,
    paint_whole_buds,
)
from budvision.render.palette import CULTIVARS
from budvision.render.photographs import photo_piece
from budvision.render.scene import Scene
from budvision.render.world import BENCHES, sample_world

__all__ = ["NEGATIVES", "render_negative"]

NEGATIVES = (
    "whole_bud",
    "bud_top",
    "cane",
    "leaf",
    "bench",
    "blobs",
    "circles",
    "hand",
    "things",
    "scenery",
    "photo",
    "photo",
    "photo",
    "collage",
    "eye",
    "noise",
    "shuffled",
)


def render_negative(
    rng: np.random.Generator, *, kind: str | None = None, size_px: int = 384, aspect: float = 1.0
) -> Array:
    """Render a picture that is not a cut bud.

    Parameters
    ----------
    kind : str, optional
        One of NEGATIVES.
    size_px : int
        Width in pixels.
    aspect : float
        Height over width.

    Returns
    -------
    ndarray of uint8, shape (rows, cols, 3)
    """
    kind = kind or NEGATIVES[int(rng.integers(len(NEGATIVES)))]
    rows, cols = max(32, round(size_px * aspect)), size_px
    world = sample_world(rng, fault="")
    if kind == "shuffled":
        from budvision.render.cut import render_cut

        world = sample_world(rng, fault="", face_share=(0.4, 1.2))
        image = render_cut(rng, world=world, size_px=cols, aspect=aspect).image
        tiles = int(rng.integers(3, 7))
        out = np.zeros_like(image)
        h, w = rows // tiles, cols // tiles
        order = rng.permutation(tiles * tiles)
        for k, j in enumerate(order):
            piece = np.rot90(
                image[
                    j // tiles * h : j // tiles * h + min(h, w),
                    j % tiles * w : j % tiles * w + min(h, w),
                ],
                int(rng.integers(4)),
            )
            out[k // tiles * h : (k // tiles + 1) * h, k % tiles * w : (k % tiles + 1) * w] = (
                cv2.resize(np.ascontiguousarray(piece), (w, h))
            )
        return out
    scene = Scene(rows, cols)
    family = CULTIVARS[int(rng.integers(len(CULTIVARS)))]
    bench = str(rng.choice(BENCHES)) if kind != "whole_bud" or rng.random() < 0.5 else "paper"
    paint_bench(scene, rng, bench)
    if kind in ("photo", "collage") or (
        kind in ("circles", "blobs", "hand") and rng.random() < 0.25
    ):
        scene.rgb[:] = photo_piece(rng, scene.shape)
    if kind == "noise":
        for channel in range(3):
            scene.rgb[..., channel] = (
                np.exp(0.6 * any_field(rng, scene.shape, cells=float(rng.uniform(2, 60)))) * 0.3
            )
    if rng.random() < 0.3:
        paint_blobs(scene, rng, int(rng.integers(1, 8)))
    if kind in ("cane", "bud_top") or (kind == "whole_bud" and rng.random() < 0.4):
        paint_cane(
            scene,
            rng,
            centre=(cols * float(rng.uniform(0.3, 0.7)), rows * float(rng.uniform(0.3, 0.7))),
            half_px=cols * float(rng.uniform(0.06, 0.35)),
            angle=float(rng.uniform(0, np.pi)),
            family_name=family.name,
        )
    if kind == "whole_bud":
        paint_whole_buds(scene, rng, family)
    elif kind == "bud_top":
        paint_bud_from_above(scene, rng, family)
    elif kind == "leaf":
        paint_leaves(scene, rng)
    elif kind == "circles":
        paint_circles(scene, rng)
    elif kind == "scenery":
        paint_scenery(scene, rng)
    elif kind == "eye":
        paint_eyes(scene, rng)
    elif kind == "collage":
        paint_collage(scene, rng)
    elif kind == "blobs":
        paint_blobs(scene, rng, int(rng.integers(3, 40)), largest=float(rng.uniform(0.1, 0.5)))
    elif kind == "cane" and rng.random() < 0.3:
        window = (slice(0, rows), slice(0, cols))
        scene.rgb[window] *= np.exp(0.15 * fibres(rng, (rows, cols), 200, 0.2))[..., None]
    elif kind in ("hand", "things"):
        for _ in range(int(rng.integers(1, 5))):
            paint_things(scene, rng, hide=True)
    elif kind == "bench" and rng.random() < 0.5:
        scene.rgb *= np.exp(
            0.3 * streaks(rng, (rows, cols), 20, 8, float(rng.uniform(0, 180)))
            + 0.2 * fractal(rng, (rows, cols), 4)
        )[..., None]
    none: Layout | None = None
    return expose(light_up(scene, rng, world, none), rng, world, none)
