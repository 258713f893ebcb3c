"""Stand-in pictures that are not a cut bud: what else ends up in a folder of photographs."""

from __future__ import annotations

import cv2
import numpy as np

from budvision.render.standin.camera import expose
from budvision.render.standin.cut import Lab, StandinCut, StandinTruth, TissueTruth, draw_lab
from budvision.render.standin.light import reflectance, seen
from budvision.render.standin.paint import Plane, Tile, clouds, mix
from budvision.render.standin.scene import paint_bench, paint_cane, paint_clutter, paint_finger
from budvision.render.standin.shapes import closed_curve
from budvision.render.standin.tissue import colours
from budvision.vocabulary import TISSUES

__all__ = ["OTHERS", "render_other"]

OTHERS = ("cane only", "whole bud", "empty bench", "leaf", "fruit slice", "end grain", "hand",
          "label sheet", "noise", "sky")
"""What the picture shows instead of a cut bud."""


def _leaf(rng: np.random.Generator, picture: Plane, lab: Lab) -> Plane:
    rows, cols = picture.shape[:2]
    n = max(rows, cols)
    tile = Tile(n, n / 2.4, rng.uniform(0, 6.28))
    shape = closed_curve(rng, centre=(0, 0), semi=(1.0, rng.uniform(0.5, 0.95)), wobble=0.13,
                         knots=13)
    amounts = {"leaf_green": rng.uniform(1, 4), "yellow": rng.uniform(0.2, 1.5)}
    if rng.random() < 0.3:
        amounts = {"tannin": 3.0, "red_tannin": 1.5}
    leaf = seen(reflectance(amounts, clear=0.05), lab.lamp, lab.sensor)
    vein = seen(reflectance({"leaf_green": 0.4, "yellow": 0.5}), lab.lamp, lab.sensor)
    body = leaf * (1 + 0.12 * clouds(rng, (n, n), grain=n / 14))[..., None]
    out = mix(np.broadcast_to(picture[:1, :1], (n, n, 3)).astype(np.float32),
              np.asarray(body, np.float32), tile.cover(shape))
    rays = [np.stack([np.linspace(-0.9, 0.1, 9), np.zeros(9)], axis=1)]
    for angle in rng.uniform(-1.2, 1.2, 7):
        t = np.linspace(0, 0.8, 9)
        rays.append(np.stack([-0.9 + t * np.cos(angle) * 1.9, t * np.sin(angle)], axis=1))
    out = mix(out, vein, tile.strokes(rays, width_mm=0.02) * tile.cover(shape))
    return np.ascontiguousarray(out[:rows, :cols])


def _slice(rng: np.random.Generator, picture: Plane, lab: Lab, *, wood: bool) -> Plane:
    """A disc with rings or rays: a fruit cut across, or the end grain of a cane."""
    rows, cols = picture.shape[:2]
    n = max(rows, cols)
    tile = Tile(n, n / rng.uniform(2.4, 5), 0.0)
    shape = closed_curve(rng, centre=(0, 0), semi=(1.0, 0.95), wobble=0.02)
    flesh = {"tannin": 0.4} if wood else {
        "leaf_green": rng.uniform(0.05, 0.6), "yellow": rng.uniform(0.1, 1.0)}
    skin = {"tannin": 5.0} if wood else {"leaf_green": 3.0}
    u, v = tile.grid()
    radius, angle = np.hypot(u, v), np.arctan2(v, u)
    rays = 0.5 + 0.5 * np.cos(angle * int(rng.integers(8, 40)))
    rings = 0.5 + 0.5 * np.cos(radius * rng.uniform(20, 60))
    share = rings * 0.5 if wood else rays * (radius > 0.25) * 0.5
    body = mix(np.broadcast_to(seen(reflectance(flesh), lab.lamp, lab.sensor), (n, n, 3)).astype(
        np.float32), seen(reflectance({"tannin": 1.2, "yellow": 0.2}), lab.lamp, lab.sensor),
        np.asarray(share, np.float32))
    if wood:
        pith = tile.soften(tile.cover(closed_curve(rng, centre=(0, 0), semi=(0.25, 0.25))), 0.03)
        body = mix(body, seen(reflectance({"tannin": 3.0}), lab.lamp, lab.sensor), pith)
    ground = np.asarray(cv2.resize(picture, (n, n)), np.float32)
    out = mix(ground, seen(reflectance(skin), lab.lamp, lab.sensor), tile.cover(shape))
    core = closed_curve(rng, centre=(0, 0), semi=(0.9, 0.86), wobble=0.015)
    out = mix(out, body, tile.cover(core))
    return np.ascontiguousarray(cv2.resize(out, (cols, rows)))


def _whole_bud(rng: np.random.Generator, picture: Plane, lab: Lab) -> Plane:
    rows, cols = picture.shape[:2]
    n = max(rows, cols)
    c = colours(lab.cultivars[0], lab.lamp, lab.sensor)
    scale = n / rng.uniform(10, 25)
    ground = np.asarray(cv2.resize(picture, (n, n)), np.float32)
    ground = paint_cane(rng, ground, centre=(n / 2, n / 2), px_per_mm=scale,
                        turn=0.0, c=c, side=0.3)
    tile = Tile(n, scale, 0.0)
    for i in range(7):
        s = 1 - i / 8
        shape = closed_curve(rng, centre=(0.25 * i, 0.08 * rng.normal()), semi=(2.8 * s, 2.0 * s),
                             wobble=0.05)
        tone = rng.uniform(0.6, 1.2)
        ground = mix(ground, c["scale_dark"], tile.soften(tile.cover(shape), 0.06))
        ground = mix(ground, c["scale"] * tone, tile.cover(shape + np.array([0.08, 0.0])))
    fluff = tile.hairs(rng, closed_curve(rng, centre=(1.2, 0), semi=(0.9, 0.7)), count=250,
                       length_mm=0.7, curl=0.3, along=0.0)
    ground = mix(ground, c["wool"], tile.strokes(fluff, width_mm=0.03) * 0.6)
    return np.ascontiguousarray(ground[(n - rows) // 2:, (n - cols) // 2:][:rows, :cols])


def render_other(
    rng: np.random.Generator, *, lab: Lab | None = None, kind: str = "",
    megapixels: float | None = None,
) -> StandinCut:
    """Photograph something that is not a cut bud; nothing is exposed and nothing is usable.

    Parameters
    ----------
    kind : str
        One of `OTHERS`; drawn at random when empty.
    """
    lab = draw_lab(rng) if lab is None else lab
    kind = kind or str(rng.choice(OTHERS))
    area = 1e6 * (lab.megapixels if megapixels is None else megapixels)
    cols = 2 * round(float(np.sqrt(area * lab.aspect)) / 2)
    rows = 2 * round(area / cols / 2)
    small = min(1.0, 1100 / max(rows, cols))
    low = (round(rows * small), round(cols * small))
    middle = (low[0] / 2, low[1] / 2)
    base = paint_bench(rng, low, lab.bench, lab.lamp, lab.sensor)
    scale = max(low) / float(rng.uniform(18, 50))
    if kind in ("cane only", "empty bench", "hand"):
        base = paint_clutter(rng, base, keep_off=(*middle, 0.0), lamp=lab.lamp, sensor=lab.sensor,
                             count=int(rng.integers(2, 9)))
    if kind == "cane only":
        base = paint_cane(rng, base, centre=middle, px_per_mm=scale, turn=float(rng.normal(0, 0.5)),
                          c=colours(lab.cultivars[0], lab.lamp, lab.sensor), side=0.2)
    elif kind == "hand":
        for _ in range(3):
            base, _ = paint_finger(rng, base, centre=middle, px_per_mm=scale,
                                   turn=float(rng.uniform(0, 6)), lamp=lab.lamp, sensor=lab.sensor,
                                   over=bool(rng.random() < 0.5))
    elif kind == "leaf":
        base = _leaf(rng, base, lab)
    elif kind in ("fruit slice", "end grain"):
        base = _slice(rng, base, lab, wood=kind == "end grain")
    elif kind == "whole bud":
        base = _whole_bud(rng, base, lab)
    elif kind == "label sheet":
        base = paint_bench(rng, low, "white paper", lab.lamp, lab.sensor)
        page = np.zeros(low, np.uint8)
        for i in range(7):
            cv2.putText(page, f"block {i} cane {i * 3} node {i + 1}", (10, 40 * (i + 1)),
                        cv2.FONT_HERSHEY_SIMPLEX, 0.9, 255, 2, cv2.LINE_AA)
        base = base * (1 - 0.9 * (np.asarray(page, np.float32) / np.float32(255))[..., None])
    elif kind == "noise":
        planes = [clouds(rng, low, grain=float(rng.uniform(3, 90))) for _ in range(3)]
        base = np.asarray(np.clip(0.3 + 0.2 * np.stack(planes, axis=2), 0, 1), np.float32)
    elif kind == "sky":
        ramp = np.linspace(0.9, 0.3, low[0])[:, None, None]
        base = np.asarray(ramp * np.array([0.5, 0.75, 0.9]) * np.ones((*low, 3)), np.float32)
        base[int(0.6 * low[0]):] = 0.15 * np.exp(0.4 * clouds(rng, low, grain=20))[
            int(0.6 * low[0]):, :, None]
    picture = np.asarray(cv2.resize(base, (cols, rows)), np.float32)
    white = seen(np.ones(31), lab.lamp, lab.sensor)
    aim = float(np.clip(0.26 / (picture[..., 1].mean() + 0.02), 0.5, 2))
    image = expose(rng, picture, camera=lab.camera, sensor=lab.sensor, white=white, aim=aim)
    nothing = {t: TissueTruth(exposed=False, dead=None, state="", brown_share=0.0, area_px=0,
                              centre=None) for t in TISSUES}
    truth = StandinTruth(
        usable=False, fault=kind, tissues=nothing, depth=0.0, face_share=0.0, cane_base_deg=180.0,
        cultivar="", light=lab.lamp.kind, camera=lab.camera.tone, bench=lab.bench)
    return StandinCut(image, np.zeros((rows, cols), np.uint8), truth)
