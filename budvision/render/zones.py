"""What lies in a cut face and is no bud: green cushion and cortex, the cane's wood, torn tissue."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

from budvision.render.anatomy import Layout
from budvision.render.fields import Array, any_field, cellular, fibres, fractal, ridged, streaks
from budvision.render.palette import DEAD_LOOKS, Cultivar, colour
from budvision.render.scene import Scene, Window, mix, textured
from budvision.render.shapes import mask_of, outline, placed, window_of
from budvision.render.world import World

__all__ = [
    "ZONES", "ZONE_GREEN", "ZONE_TORN", "ZONE_WOOD", "paint_green", "paint_section", "paint_torn",
]

ZONE_GREEN: Final = 5
ZONE_WOOD: Final = 6
ZONE_TORN: Final = 7
ZONES: Final = (
    "background", "primary", "secondary", "tertiary", "scales", "green", "wood", "torn")
"""Names of the zones by their number in `Scene.labels`; from 4 on they fold to scales and wool."""

_GREEN = ((34, 80), (12, 50), (96, 140))


def _green_of(rng: np.random.Generator, family: Cultivar, live: Array) -> Array:
    """Return the colour of green that is no bud: often just that of the buds."""
    how = rng.random()
    if how < 0.4:
        ink = live * rng.uniform(0.7, 1.3, 3)
    elif how < 0.7:
        ink = colour(rng, family.live)
    else:
        ink = colour(rng, _GREEN)
    return np.clip(ink, 0.002, 1).astype(np.float32)


def _lay_zone(
    scene: Scene, rng: np.random.Generator, window: Window, cover: Array, ink: Array, layout: Layout
) -> None:
    name = str(rng.choice(["fractal", "cellular", "flat", "grain", "streaks"]))
    field = any_field(rng, (cover.shape[0], cover.shape[1]), name=name,
                      cells=float(rng.uniform(3, 26)))
    other = np.clip(ink * rng.uniform(0.5, 1.5, 3), 0.002, 1).astype(np.float32)
    paint = textured(ink, field, float(rng.uniform(0.01, 0.16)), other=other,
                     share=float(rng.uniform(0, 0.7)))
    scene.lay(window, cover, np.clip(paint, 0.002, 1), label=ZONE_GREEN,
              soft_px=layout.long_px * float(rng.uniform(0.003, 0.04)))


def paint_green(
    scene: Scene, rng: np.random.Generator, layout: Layout, world: World, family: Cultivar,
    live: Array,
) -> None:
    """Paint the green of the world's staging inside the face, under the buds to come."""
    kind = world.staging.green
    window = window_of(layout.face, scene.shape)
    cover = mask_of(layout.face, window)
    if not kind or not cover.size or min(cover.shape) < 8:
        return
    ink = _green_of(rng, family, live)
    if kind == "cushion":
        _lay_zone(scene, rng, window, _cushion(rng, layout, world, window) * cover, ink, layout)
    elif kind == "cortex":
        outer, inner = float(rng.uniform(0.86, 1.0)), float(rng.uniform(0.6, 0.85))
        shift = layout.long_px * rng.normal(0, 0.05, 2)
        rest = _shrunk(layout, inner, window, shift)
        ring = np.clip(_shrunk(layout, outer, window, shift) - rest, 0, 1) * cover
        if rng.random() < 0.5:  # the ring shows in part only
            ring *= _half_plane(rng, layout, window, float(rng.uniform(-0.3, 0.6)))
        _lay_zone(scene, rng, window, ring, ink, layout)
    elif kind == "slant":
        _slant(scene, rng, layout, window, cover, ink)
    else:
        for _ in range(int(rng.integers(1, 6))):
            spot = layout.face[int(rng.integers(96))] - np.asarray(layout.centre)
            spot = np.asarray(layout.centre) + spot * float(rng.uniform(0.1, 0.95))
            piece = placed(
                outline(rng, str(rng.choice(["oval", "drop", "kidney", "rough", "hull"])),
                        elongation=float(rng.uniform(1, 4)), bump=0.15),
                (float(spot[0]), float(spot[1])), layout.long_px * float(rng.uniform(0.03, 0.16)),
                float(rng.uniform(0, np.pi)))
            _lay_zone(scene, rng, window, mask_of(piece, window) * cover, ink, layout)


def _shrunk(layout: Layout, share: float, window: Window, shift: Array) -> Array:
    middle = np.asarray(layout.centre)
    return mask_of(middle + shift + (layout.face - middle) * share, window)


def _half_plane(
    rng: np.random.Generator, layout: Layout, window: Window, off: float
) -> Array:
    """Return 1 on one side of a line at `off` long half axes from the centre, soft over 5 %."""
    rows, cols = window
    angle = float(rng.uniform(0, 2 * np.pi))
    x = (np.arange(cols.start, cols.stop, dtype=np.float32) - np.float32(layout.centre[0]))
    y = (np.arange(rows.start, rows.stop, dtype=np.float32) - np.float32(layout.centre[1]))
    way = (x[None, :] * np.float32(np.cos(angle)) + y[:, None] * np.float32(np.sin(angle)))
    return np.clip((way / np.float32(layout.long_px) - np.float32(off)) * 20 + 0.5, 0, 1)


def _cushion(rng: np.random.Generator, layout: Layout, world: World, window: Window) -> Array:
    """Return the cushion's cover: what lies round and between some of the buds, or under one."""
    rows, cols = window
    cover = np.zeros((rows.stop - rows.start, cols.stop - cols.start), np.float32)
    shown = [s for s, on in zip(layout.spots, world.exposed, strict=True) if on] or [
        layout.spots[0]]
    some = [s for s in shown if rng.random() < 0.75] or shown[:1]
    grow = float(rng.uniform(1.15, 1.7))
    for spot in some:
        blob = placed(outline(rng, "oval", elongation=spot.elongation, bump=0.1), spot.centre,
                      spot.radius * grow, spot.angle)
        cover = np.maximum(cover, mask_of(blob, window))
    if len(some) > 1 and rng.random() < 0.7:
        path = np.array([s.centre for s in some]) - [cols.start, rows.start]
        thick = max(2, round(layout.long_px * float(rng.uniform(0.1, 0.4))))
        bridge = np.zeros(cover.shape, np.uint8)
        cv2.polylines(bridge, [np.round(path * 16).astype(np.int32)], False, 255, thick,
                      cv2.LINE_AA, 4)
        cover = np.maximum(cover, bridge.astype(np.float32) / 255)
    if rng.random() < 0.4:  # seen at one side only
        cover = cover * _half_plane(rng, layout, window, float(rng.uniform(-0.5, 0.3)))
    return cover


def _slant(
    scene: Scene, rng: np.random.Generator, layout: Layout, window: Window, cover: Array, ink: Array
) -> None:
    """Paint a cut that runs out through the cane at one side: cortex, cambium, wood."""
    angle = float(rng.uniform(0, 2 * np.pi))
    way = np.array([np.cos(angle), np.sin(angle)]) * layout.long_px
    deep = float(rng.uniform(0.15, 0.75))
    rest = mask_of(layout.face + way * deep, window)
    _lay_zone(scene, rng, window, np.clip(cover - rest, 0, 1), ink, layout)
    if rng.random() < 0.6:
        wood = colour(rng, ((52, 90), (8, 32), (72, 104)))
        under = mask_of(layout.face + way * (deep * float(rng.uniform(0.25, 0.8))), window)
        own = np.clip(cover - under, 0, 1)
        field = streaks(rng, (cover.shape[0], cover.shape[1]), 30, 8, float(np.rad2deg(-angle)))
        scene.lay(window, own, textured(wood, field, float(rng.uniform(0.02, 0.14))),
                  label=ZONE_WOOD, soft_px=0.01 * layout.long_px)
    if rng.random() < 0.4:  # a thin pale line between cortex and wool
        scene.strokes([layout.face + way * deep], ink * np.float32(rng.uniform(0.4, 1.6)),
                      closed=True, width_px=max(0.6, 0.015 * layout.long_px), within=cover,
                      window=window, alpha=0.7)


def paint_section(
    scene: Scene, rng: np.random.Generator, layout: Layout, family: Cultivar
) -> None:
    """Paint a cut through the cane: bark, green ring, wood with rays and vessels, pith."""
    window = window_of(layout.face, scene.shape)
    cover = mask_of(layout.face, window)
    if not cover.size or min(cover.shape) < 8:
        return
    shape = (cover.shape[0], cover.shape[1])
    shift = layout.long_px * rng.normal(0, 0.02, 2)
    bark = textured(colour(rng, family.scales), fractal(rng, shape, 12, 3), 0.2)
    scene.lay(window, cover, bark, label=4, soft_px=0.008 * layout.long_px)
    outer = float(rng.uniform(0.8, 0.97))
    inner = outer * float(rng.uniform(0.72, 0.96))
    green = colour(rng, _GREEN)
    _lay_zone(scene, rng, window, _shrunk(layout, outer, window, shift) * cover, green, layout)
    wood = _shrunk(layout, inner, window, shift) * cover
    rows, cols = window
    x = np.arange(cols.start, cols.stop, dtype=np.float32) - np.float32(layout.centre[0] + shift[0])
    y = np.arange(rows.start, rows.stop, dtype=np.float32) - np.float32(layout.centre[1] + shift[1])
    theta = np.arctan2(y[:, None], x[None, :])
    rays = np.cos(theta * int(rng.integers(14, 60)) + 0.4 * fractal(rng, shape, 5, 2))
    rays = np.sign(rays) * np.abs(rays) ** np.float32(rng.uniform(0.6, 4))
    first = colour(rng, ((45, 92), (6, 36), (60, 104)))
    second = np.clip(first * rng.uniform(0.4, 1.5, 3), 0.002, 1).astype(np.float32)
    paint = mix(first, second, np.clip(0.5 + 0.5 * rays, 0, 1))
    if rng.random() < 0.6:  # vessels
        paint *= np.exp(-0.5 * np.clip(-cellular(rng, shape, float(rng.uniform(30, 80))) - 0.9, 0,
                                       1.5))[..., None].astype(np.float32)
    if rng.random() < 0.4:
        away = np.hypot(x[None, :], y[:, None]) / np.float32(layout.long_px)
        paint *= np.exp(0.1 * np.sin(away * float(rng.uniform(20, 70))))[..., None]
    scene.lay(window, wood, np.clip(paint, 0.002, 1).astype(np.float32), label=ZONE_WOOD,
              soft_px=0.01 * layout.long_px)
    if rng.random() < 0.8:
        pith = placed(
            outline(rng, str(rng.choice(["oval", "super", "rough"])),
                    elongation=float(rng.uniform(1, 1.5)), bump=0.08),
            (layout.centre[0] + float(shift[0]), layout.centre[1] + float(shift[1])),
            layout.long_px * float(rng.uniform(0.1, 0.45)), layout.turn)
        own = mask_of(pith, window) * cover
        ink = colour(rng, ((18, 88), (4, 38), (38, 95)))
        field = any_field(rng, shape, cells=float(rng.uniform(6, 30)))
        scene.lay(window, own, textured(ink, field, float(rng.uniform(0.03, 0.25))),
                  label=ZONE_WOOD, soft_px=0.015 * layout.long_px)
    if rng.random() < 0.25:  # a bud's trace, no bud
        spot = layout.spots[0]
        scene.paint(placed(outline(rng, "drop", elongation=2.0), spot.centre, spot.radius * 0.5,
                           float(rng.uniform(0, 2 * np.pi))),
                    green, alpha=float(rng.uniform(0.2, 0.8)), soft_px=spot.radius * 0.2)


def paint_torn(
    scene: Scene, rng: np.random.Generator, layout: Layout, world: World, family: Cultivar,
    live: Array, wool: Array,
) -> None:
    """Tear the primary by the share of its radius that the staging names."""
    spot, share = layout.spots[0], world.staging.torn
    towards = float(rng.uniform(0, 2 * np.pi))
    away = spot.radius * max(0.0, 1.0 - share) * float(rng.uniform(0.7, 1.1))
    middle = (spot.centre[0] + away * np.cos(towards), spot.centre[1] + away * np.sin(towards))
    hole = placed(
        outline(rng, "rough", elongation=float(rng.uniform(1, 1.8)), bump=0.35),
        middle, spot.radius * share, float(rng.uniform(0, np.pi)))
    window = window_of(hole, scene.shape, 0.4 * spot.radius)
    cover = mask_of(hole, window) * (scene.labels[window] > 0)
    if not cover.size or min(cover.shape) < 8:
        return
    shape = (cover.shape[0], cover.shape[1])
    angle = float(rng.uniform(0, 180))
    shreds = streaks(rng, shape, float(rng.uniform(10, 30)), float(rng.uniform(0.1, 0.4)), angle)
    shreds = shreds + 0.7 * ridged(rng, shape, float(rng.uniform(3, 10)), 3)
    inks = (live, colour(rng, family.scales), colour(rng, DEAD_LOOKS["brown"]),
            wool, colour(rng, _GREEN))
    first, second = (inks[int(rng.integers(len(inks)))] for _ in range(2))
    paint = mix(first.astype(np.float32), second.astype(np.float32),
                np.clip(0.5 + 0.6 * fractal(rng, shape, float(rng.uniform(2, 8)), 3), 0, 1))
    paint *= np.exp(np.clip(np.float32(rng.uniform(0.2, 0.7)) * shreds, -2, 1.2))[..., None]
    ragged = np.clip(cover * (1.2 + 0.5 * shreds), 0, 1)
    scene.lay(window, ragged, np.clip(paint, 0.002, 1).astype(np.float32),
              lift_px=-0.1 * spot.radius)
    scene.labels[window][(cover > 0.5)] = ZONE_TORN
    scene.height[window] += ragged * shreds * np.float32(0.08 * spot.radius)
    if rng.random() < 0.7:
        threads = fibres(rng, shape, int(rng.integers(10, 60)), float(rng.uniform(0.2, 0.6)),
                         angle_deg=-angle, spread=0.4)
        lines = np.clip((np.abs(threads) - 0.8) / 2, 0, 0.9) * cover
        tone = wool if rng.random() < 0.6 else live
        scene.rgb[window] += lines[..., None] * (tone.astype(np.float32) - scene.rgb[window])
    if rng.random() < 0.5:
        scene.gloss[window] = np.maximum(scene.gloss[window],
                                         ragged * np.float32(rng.uniform(0.1, 0.6)))
