"""Paint the parts of a stand-in bud: scales, wool, live and dead tissue."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from budvision.render.standin.light import Lamp, Sensor, reflectance, seen
from budvision.render.standin.paint import Colour, Plane, Tile, clouds, mix
from budvision.render.standin.shapes import BudShape, Outline, closed_curve

__all__ = ["DEAD_STATES", "LIVE_STATES", "Cultivar", "draw_cultivar", "paint_bud"]

LIVE_STATES = ("live", "live_brown_rim", "live_streaked")
DEAD_STATES = ("brown", "reddish", "black", "olive", "brown_core")


@dataclass(frozen=True, slots=True)
class Cultivar:
    """Colours (reflectance curves) and habits of one kind of vine."""

    name: str
    curves: Mapping[str, NDArray[np.float64]]
    leaves: str
    hairy: float


def draw_cultivar(rng: np.random.Generator, *, name: str = "") -> Cultivar:
    """Draw the greens, browns, wool and bark of one kind of vine."""
    def u(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    green = {"leaf_green": u(0.5, 2.6), "leaf_green_b": u(0.05, 0.9), "yellow": u(0.25, 2.2),
             "blue_dye": 0.0}
    if rng.random() < 0.25:
        green["blue_dye"] = u(0.02, 0.12)
    clear = u(0.015, 0.06)

    def times(factor: float, **more: float) -> NDArray[np.float64]:
        return reflectance({**{k: v * factor for k, v in green.items()}, **more}, clear=clear)

    warm = u(0.7, 1.4)
    curves = {
        "live": times(1.0), "live_pale": times(rng.uniform(0.3, 0.55)),
        "live_deep": times(rng.uniform(1.7, 2.8), soot=0.05),
        "brown": reflectance({"tannin": u(2, 6) * warm, "red_tannin": u(0.3, 1.2),
                              "soot": u(0.05, 0.5)}),
        "brown_deep": reflectance({"tannin": u(6, 14), "red_tannin": u(0.6, 2.0),
                                   "soot": u(0.4, 1.5)}),
        "reddish": reflectance({"tannin": u(1, 3), "red_tannin": u(2, 5), "soot": u(0.05, 0.4)}),
        "black": reflectance({"tannin": u(3, 12), "red_tannin": u(0.3, 2), "soot": u(2.5, 9)}),
        "olive": reflectance({"cooked": u(0.8, 2.0), "tannin": u(0.3, 1.1),
                              "leaf_green": u(0.05, 0.25), "soot": u(0.03, 0.15)}),
        "wool": reflectance({"tannin": u(0.04, 0.7), "red_tannin": u(0.005, 0.12)},
                            clear=u(0.008, 0.04)),
        "wool_shade": reflectance({"tannin": u(0.4, 1.4), "red_tannin": u(0.05, 0.3)}),
        "scale": reflectance({"tannin": u(1.2, 4), "red_tannin": u(0.1, 1.2),
                              "soot": u(0.03, 0.4)}),
        "scale_dark": reflectance({"tannin": u(4, 12), "red_tannin": u(0.4, 2), "soot": u(0.5, 2)}),
        "bark": reflectance({"tannin": u(0.6, 4), "red_tannin": u(0.05, 1), "soot": u(0.05, 0.8)}),
        "bark_dark": reflectance({"tannin": u(3, 9), "red_tannin": u(0.2, 1.5),
                                  "soot": u(0.4, 2.5)}),
        "cane_green": reflectance({"leaf_green": u(0.25, 0.8), "tannin": u(0.1, 0.5),
                                   "yellow": u(0.2, 0.8)}),
        "white": reflectance({}, clear=0.003),
    }
    leaves = str(rng.choice(["nested", "folded", "spiral", "plain"], p=[0.4, 0.3, 0.2, 0.1]))
    return Cultivar(name, curves, leaves, rng.uniform(0.3, 1.0))


def colours(cultivar: Cultivar, lamp: Lamp, sensor: Sensor) -> dict[str, Colour]:
    """Return what the sensor sees of each material of a cultivar."""
    return {name: seen(curve, lamp, sensor) for name, curve in cultivar.curves.items()}


def _shrunk(outline: Outline, share: float) -> Outline:
    middle = outline.mean(axis=0)
    return np.asarray(middle + (outline - middle) * share)


def _leaf_lines(
    rng: np.random.Generator, outline: Outline, habit: str
) -> tuple[list[Outline], list[Outline]]:
    """Gap lines and midrib lines of the folded leaves round a growing point."""
    middle = outline.mean(axis=0)
    arms = outline - middle
    n = len(outline)
    gaps: list[Outline] = []
    ribs: list[Outline] = []
    count = int(rng.integers(3, 6))
    shares = np.linspace(0.28, 0.86, count) + rng.normal(0, 0.03, count)
    for i, share in enumerate(shares):
        waves = int(rng.integers(2, 6))
        phase = rng.uniform(0, 2 * np.pi)
        t = np.linspace(0, 2 * np.pi, n, endpoint=False)
        r = share * (1 + rng.uniform(0.03, 0.11) * np.sin(waves * t + phase))
        curve = middle + arms * r[:, None]
        if habit == "nested":
            gaps.append(np.vstack([curve, curve[:1]]))
        elif habit == "folded":
            start = int(rng.normal(0.25 * n if i % 2 else 0.75 * n, 0.04 * n)) % n
            take = (start + np.arange(int(n * rng.uniform(0.5, 0.72)))) % n
            gaps.append(curve[take])
            mid = take[len(take) // 2]
            ribs.append(np.stack([curve[mid], middle + arms[mid] * min(0.95, share + 0.14)]))
        else:
            lengths = np.linspace(0.12, 0.9, n // 2)
            turn = (np.arange(n // 2) * rng.uniform(0.7, 1.3) + n * i / count).astype(int) % n
            gaps.append(middle + arms[turn] * lengths[:, None])
    return gaps, ribs


def _live(rng: np.random.Generator, tile: Tile, picture: Plane, outline: Outline, habit: str,
          c: Mapping[str, Colour]) -> Plane:
    cover = tile.cover(outline)
    size = max(float(np.ptp(outline[:, 0])), 0.2)
    body = np.broadcast_to(c["live"], picture.shape).astype(np.float32)
    rim = 1 - tile.soften(tile.cover(_shrunk(outline, 0.72)), 0.1 * size)
    body = mix(body, c["live_pale" if rng.random() < 0.6 else "live_deep"],
               np.clip(rim * rng.uniform(0.15, 0.7), 0, 1))
    heart = tile.soften(tile.cover(_shrunk(outline, 0.24)), 0.05 * size)
    body = mix(body, c["live_pale" if rng.random() < 0.65 else "live"],
               heart * rng.uniform(0.3, 0.9))
    if habit != "plain":
        gaps, ribs = _leaf_lines(rng, outline, habit)
        width = size * rng.uniform(0.02, 0.045)
        line = tile.soften(tile.strokes(gaps, width_mm=width), 0.3 * width)
        beside = tile.soften(line, 1.6 * width)
        body = mix(body, c["live_pale"], np.clip(beside * rng.uniform(0.2, 0.8), 0, 1))
        dark = c["live_deep"] if rng.random() < 0.75 else 0.5 * (c["live"] + c["wool"])
        body = mix(body, dark, np.clip(line * rng.uniform(0.5, 1.0), 0, 1))
        body = mix(body, c["live_pale"], tile.strokes(ribs, width_mm=width) * 0.7)
    mottle = clouds(rng, (tile.n, tile.n), grain=max(3.0, 0.3 * size * tile.px_per_mm))
    body = body * (1 + rng.uniform(0.02, 0.07) * mottle[..., None])
    return mix(picture, body, cover)


def _dead(rng: np.random.Generator, tile: Tile, picture: Plane, outline: Outline, state: str,
          habit: str, c: Mapping[str, Colour]) -> Plane:
    size = max(float(np.ptp(outline[:, 0])), 0.2)
    cover = tile.cover(outline)
    base, deep = {
        "brown": ("brown", "brown_deep"), "reddish": ("reddish", "brown_deep"),
        "black": ("black", "black"), "olive": ("olive", "olive"),
    }[state]
    grain = max(3.0, rng.uniform(0.12, 0.4) * size * tile.px_per_mm)
    patches = clouds(rng, (tile.n, tile.n), grain=grain)
    body = np.broadcast_to(c[base], picture.shape).astype(np.float32)
    if state == "olive":
        body = mix(body, c["brown"], np.clip(0.12 + 0.1 * patches, 0, 0.3) * rng.uniform(0, 1))
    else:
        other = c["reddish"] if rng.random() < 0.3 else c[deep]
        body = mix(body, other, np.clip(0.5 + 0.5 * patches, 0, 1) * rng.uniform(0.2, 0.8))
    rim = np.clip(1 - tile.soften(tile.cover(_shrunk(outline, 0.8)), 0.07 * size), 0, 1)
    body = mix(body, c[deep] * rng.uniform(0.5, 0.9), rim * rng.uniform(0.1, 0.7))
    if habit != "plain" and rng.random() < 0.7:
        gaps, _ = _leaf_lines(rng, outline, habit)
        width = size * rng.uniform(0.018, 0.04)
        line = tile.soften(tile.strokes(gaps, width_mm=width), 0.4 * width)
        body = mix(body, c[deep] * 0.6, line * rng.uniform(0.1, 0.6))
    if state == "black" and rng.random() < 0.5:
        cracks = tile.hairs(rng, outline, count=9, length_mm=0.7 * size, curl=0.5)
        body = mix(body, c["wool_shade"], tile.strokes(cracks, width_mm=0.02 * size) * 0.6)
    body = body * (1 + rng.uniform(0.04, 0.14) * clouds(
        rng, (tile.n, tile.n), grain=max(2.0, 0.1 * size * tile.px_per_mm))[..., None])
    gap = tile.soften(tile.strokes([np.vstack([outline, outline[:1]])],
                                   width_mm=size * rng.uniform(0.02, 0.07)), 0.02 * size)
    out = mix(picture, body, cover)
    return mix(out, c["scale_dark"] * rng.uniform(0.4, 1.0), gap * rng.uniform(0.1, 0.9))


def paint_tissue(
    rng: np.random.Generator, tile: Tile, picture: Plane, outline: Outline, state: str,
    habit: str, c: Mapping[str, Colour],
) -> tuple[Plane, float]:
    """Paint one tissue in a state; return the picture and the brown share of its growing point."""
    if state == "live":
        return _live(rng, tile, picture, outline, habit, c), 0.0
    if state in ("brown", "reddish", "black", "olive"):
        return _dead(rng, tile, picture, outline, state, habit, c), 1.0
    live = _live(rng, tile, picture, outline, habit, c)
    dead = _dead(rng, tile, picture, outline, "brown" if rng.random() < 0.7 else "reddish",
                 habit, c)
    size = float(np.ptp(outline[:, 0]))
    ragged = 0.12 * clouds(rng, (tile.n, tile.n), grain=max(3.0, 0.2 * size * tile.px_per_mm))
    if state == "live_streaked":
        streaks = tile.hairs(rng, outline, count=int(rng.integers(2, 6)), length_mm=0.6 * size,
                             curl=0.2, along=rng.uniform(0, np.pi))
        share = tile.strokes(streaks, width_mm=0.05 * size)
        share = share * (1 - tile.cover(_shrunk(outline, 0.34)))
    else:
        core = tile.soften(tile.cover(_shrunk(outline, rng.uniform(0.55, 0.85))), 0.06 * size)
        share = np.clip((core + ragged - 0.5) * 6 + 0.5, 0, 1)
        if state == "live_brown_rim":
            share = 1 - share
    share = tile.soften(np.asarray(share, np.float32), 0.02 * size)
    heart = tile.inside(_shrunk(outline, 0.34))
    brown = float(share[heart].mean()) if heart.any() else float(state == "brown_core")
    return mix(live, dead, share), brown


def paint_scales(
    rng: np.random.Generator, tile: Tile, picture: Plane, shape: BudShape, c: Mapping[str, Colour]
) -> Plane:
    """Paint the cut rims of the overlapping scales, outermost first."""
    layers = int(rng.integers(2, 7))
    out = mix(picture, c["scale_dark"], tile.cover(shape.face))
    for i in range(layers):
        share = (i + rng.uniform(0.1, 0.6)) / layers
        edge = shape.face * (1 - share) + shape.inner * share
        middle = edge.mean(axis=0)
        edge = middle + (edge - middle) * (1 + 0.02 * np.sin(
            np.linspace(0, 2 * np.pi * rng.integers(2, 5), len(edge))[:, None] + rng.uniform(0, 6)))
        tone = rng.uniform(0.55, 1.25)
        out = mix(out, c["scale"] * tone, tile.cover(edge) * rng.uniform(0.5, 1.0))
        start, n = int(rng.integers(len(edge))), len(edge)
        arc = edge[(start + np.arange(int(n * rng.uniform(0.4, 0.9)))) % n]
        line = tile.strokes([arc], width_mm=rng.uniform(0.03, 0.09))
        out = mix(out, c["scale_dark"] * rng.uniform(0.3, 0.9), tile.soften(line, 0.015))
    return out


def paint_wool(
    rng: np.random.Generator, tile: Tile, picture: Plane, shape: BudShape,
    c: Mapping[str, Colour], hairy: float,
) -> Plane:
    """Paint the felt of hairs inside the scales."""
    cover = tile.cover(shape.inner)
    base = mix(np.broadcast_to(c["wool"], picture.shape).astype(np.float32), c["wool_shade"],
               np.clip(rng.uniform(0.1, 0.45) + 0.15 * clouds(
                   rng, (tile.n, tile.n), grain=0.5 * tile.px_per_mm), 0, 1))
    count = int(350 + 900 * hairy)
    light = tile.strokes(tile.hairs(rng, shape.inner, count=count, length_mm=0.6, curl=0.4),
                         width_mm=rng.uniform(0.015, 0.04))
    dark = tile.strokes(tile.hairs(rng, shape.inner, count=count // 2, length_mm=0.5, curl=0.4),
                        width_mm=rng.uniform(0.015, 0.04))
    base = mix(base, c["wool_shade"] * 0.8, dark * rng.uniform(0.3, 0.8) * hairy)
    base = mix(base, np.minimum(c["wool"] * 1.15, 1.0), light * rng.uniform(0.4, 0.9) * hairy)
    edge = 1 - tile.soften(cover, rng.uniform(0.05, 0.2))
    base = base * (1 - rng.uniform(0.3, 0.8) * np.clip(edge, 0, 1)[..., None])
    return mix(picture, base, cover)


def paint_bud(
    rng: np.random.Generator, tile: Tile, picture: Plane, shape: BudShape,
    states: Mapping[str, str], cultivar: Cultivar, c: Mapping[str, Colour],
) -> tuple[Plane, dict[str, float]]:
    """Paint a whole cut face over a picture of the cane.

    Returns
    -------
    picture : ndarray, shape (n, n, 3), float32
    brown : dict of str to float
        Brown share of the growing point of each painted tissue.
    """
    out = paint_scales(rng, tile, picture, shape, c)
    out = paint_wool(rng, tile, out, shape, c, cultivar.hairy)
    brown: dict[str, float] = {}
    parts = [(t.value, o) for t, o in shape.tissues.items()]
    if shape.extra is not None:
        parts.insert(0, ("extra", shape.extra))
    for name, outline in reversed(parts):
        size = float(np.ptp(outline[:, 0]))
        if rng.random() < 0.55:  # its own small scales
            ring = _shrunk(outline, 1 + rng.uniform(0.08, 0.2))
            n, start = len(ring), int(rng.integers(len(ring)))
            arc = ring[(start + np.arange(int(n * rng.uniform(0.4, 1.0)))) % n]
            line = tile.soften(tile.strokes([arc], width_mm=rng.uniform(0.02, 0.07)), 0.015)
            out = mix(out, c["scale"], line * rng.uniform(0.3, 0.9))
        shade = tile.soften(tile.cover(_shrunk(outline, 1.08)), 0.08 * size)
        out = mix(out, c["wool_shade"] * 0.6, shade * rng.uniform(0.1, 0.5))
        state = states.get(name, "live")
        out, brown[name] = paint_tissue(rng, tile, out, outline, state, cultivar.leaves, c)
    for _ in range(int(rng.integers(0, 4))):  # cut inner scales between the buds
        arc = shape.inner.mean(axis=0) + (shape.inner - shape.inner.mean(axis=0)) * rng.uniform(
            0.72, 0.95)
        n, start = len(arc), int(rng.integers(len(arc)))
        part = arc[(start + np.arange(int(n * rng.uniform(0.1, 0.4)))) % n]
        line = tile.soften(tile.strokes([part], width_mm=rng.uniform(0.03, 0.12)), 0.02)
        clear = np.ones_like(line)
        for outline in shape.tissues.values():
            clear *= 1 - tile.cover(outline)
        scale = c["scale"] * rng.uniform(0.5, 1.1)
        out = mix(out, scale, line * clear * rng.uniform(0.4, 1.0))
    for outline in shape.tissues.values():  # hairs that lie over the tissue's rim
        band = tile.cover(_shrunk(outline, 1.05)) - tile.cover(_shrunk(outline, 0.86))
        fringe = tile.strokes(tile.hairs(rng, _shrunk(outline, 1.1), count=int(60 * cultivar.hairy),
                                         length_mm=0.25, curl=0.3), width_mm=0.02)
        over = np.asarray(np.clip(fringe * band, 0, 1), np.float32)
        out = mix(out, c["wool"], over * 0.5)
    if shape.too_deep:
        core = closed_curve(rng, centre=(0, 0), semi=(1.2, 1.4), wobble=0.05)
        soft = tile.soften(tile.cover(core), 0.08)
        out = mix(out, c["cane_green"] * rng.uniform(0.7, 1.0), soft)
    if rng.random() < 0.35:  # chatter of the blade
        u, v = tile.grid()
        along = rng.uniform(0, np.pi)
        wave = np.sin((u * np.cos(along) + v * np.sin(along)) * rng.uniform(12, 40))
        out = out * (1 + (tile.cover(shape.face) * wave * rng.uniform(0.01, 0.05))[..., None])
    return np.asarray(out, np.float32), brown


def gloss(rng: np.random.Generator, tile: Tile, shape: BudShape, kind: str) -> Plane:
    """Return the share of mirrored light on a wet face: window panes, ring arcs or sparkles."""
    film = tile.cover(shape.inner)
    bumps = clouds(rng, (tile.n, tile.n), grain=rng.uniform(0.15, 0.5) * tile.px_per_mm)
    if kind == "ring":
        canvas = np.zeros((tile.n, tile.n), np.uint8)
        for outline in shape.tissues.values():
            x, y = tile.to_px(outline.mean(axis=0, keepdims=True))[0]
            radius = max(2, int(rng.uniform(0.2, 0.5) * np.ptp(outline[:, 0]) * tile.px_per_mm / 2))
            first = int(rng.integers(360))
            cv2.ellipse(canvas, (int(x), int(y)), (radius, radius), 0, first,
                        first + int(rng.integers(40, 200)), 255,
                        max(1, int(0.05 * tile.px_per_mm)), cv2.LINE_AA)
        spots = tile.soften(np.asarray(canvas, np.float32) / np.float32(255), 0.02)
    else:
        slope = cv2.Sobel(bumps, cv2.CV_32F, 1, 0) * np.cos(2) + cv2.Sobel(bumps, cv2.CV_32F, 0, 1)
        slope = slope / (slope.std() + 1e-6)
        spots = np.clip((slope - rng.uniform(2.0, 2.8)) * 2, 0, 1).astype(np.float32)
        spots = tile.soften(spots, 0.015)
    return np.asarray(film * spots * rng.uniform(0.3, 1.0), np.float32)
