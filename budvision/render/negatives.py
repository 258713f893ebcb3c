"""Pictures that are not cut buds: whole buds, leaves, hands, charts, cups, eyes, cloth, noise."""

from __future__ import annotations

from collections.abc import Callable

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
from budvision.render.palette import CULTIVARS, Cultivar
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


def _shuffled(rng: np.random.Generator, rows: int, cols: int, aspect: float) -> Array:
    """Cut a rendered bud in tiles and lay them anew, each turned."""
    from budvision.render.cut import render_cut

    world = sample_world(rng, fault="", face_share=(0.4, 1.2))
    image = render_cut(rng, world=world, size_px=cols, aspect=aspect).image
    tiles = int(rng.integers(3, 7))
    out = np.zeros_like(image)
    h, w = rows // tiles, cols // tiles
    side = min(h, w)
    for k, j in enumerate(rng.permutation(tiles * tiles)):
        row, col = j // tiles * h, j % tiles * w
        piece = np.rot90(image[row : row + side, col : col + side], int(rng.integers(4)))
        row, col = k // tiles * h, k % tiles * w
        out[row : row + h, col : col + w] = cv2.resize(np.ascontiguousarray(piece), (w, h))
    return out


def _paint_ground(scene: Scene, rng: np.random.Generator, kind: str, cultivar: Cultivar) -> None:
    """Paint what lies under and behind the picture's main thing."""
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
        rows, cols = scene.shape
        paint_cane(
            scene,
            rng,
            centre=(cols * float(rng.uniform(0.3, 0.7)), rows * float(rng.uniform(0.3, 0.7))),
            half_px=cols * float(rng.uniform(0.06, 0.35)),
            angle=float(rng.uniform(0, np.pi)),
            family_name=cultivar.name,
        )


def _fibrous(scene: Scene, rng: np.random.Generator) -> None:
    if rng.random() < 0.3:
        scene.rgb *= np.exp(0.15 * fibres(rng, scene.shape, 200, 0.2))[..., None]


def _streaky(scene: Scene, rng: np.random.Generator) -> None:
    if rng.random() < 0.5:
        scene.rgb *= np.exp(
            0.3 * streaks(rng, scene.shape, 20, 8, float(rng.uniform(0, 180)))
            + 0.2 * fractal(rng, scene.shape, 4)
        )[..., None]


def _many_blobs(scene: Scene, rng: np.random.Generator) -> None:
    paint_blobs(scene, rng, int(rng.integers(3, 40)), largest=float(rng.uniform(0.1, 0.5)))


def _hiding_things(scene: Scene, rng: np.random.Generator) -> None:
    for _ in range(int(rng.integers(1, 5))):
        paint_things(scene, rng, hide=True)


_PAINTERS: dict[str, Callable[[Scene, np.random.Generator], None]] = {
    "leaf": paint_leaves,
    "circles": paint_circles,
    "scenery": paint_scenery,
    "eye": paint_eyes,
    "collage": paint_collage,
    "blobs": _many_blobs,
    "cane": _fibrous,
    "hand": _hiding_things,
    "things": _hiding_things,
    "bench": _streaky,
}


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
        return _shuffled(rng, rows, cols, aspect)
    scene = Scene(rows, cols)
    cultivar = CULTIVARS[int(rng.integers(len(CULTIVARS)))]
    _paint_ground(scene, rng, kind, cultivar)
    if kind == "whole_bud":
        paint_whole_buds(scene, rng, cultivar)
    elif kind == "bud_top":
        paint_bud_from_above(scene, rng, cultivar)
    elif kind in _PAINTERS:
        _PAINTERS[kind](scene, rng)
    none: Layout | None = None
    return expose(light_up(scene, rng, world, none), rng, world, none)
