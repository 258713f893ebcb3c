"""Draw cut compound buds a second, independent way: the stand-in for photographs of real buds.

No open photographs of sliced grapevine buds exist. The default model learns from the package's
main renderer; this one shares no code, texture, geometry or camera with it and is never used for
training the default model. It stands in for the unseen laboratory when accuracy and the learning
curve are measured. It is still a drawing: what is measured on it has not been measured on buds.

``python -m budvision.render.standin --n 40 --out DIR`` writes photographs, their manifest, the
truth and label images.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from budvision.render.standin.camera import Camera, draw_camera, expose
from budvision.render.standin.light import Lamp, Sensor, draw_lamp, draw_sensor, seen
from budvision.render.standin.paint import Plane, Tile, clouds, mix
from budvision.render.standin.scene import (
    BENCHES,
    light_map,
    paint_bench,
    paint_cane,
    paint_clutter,
    paint_finger,
)
from budvision.render.standin.shapes import BudShape, build
from budvision.render.standin.tissue import (
    DEAD_STATES,
    LIVE_STATES,
    Cultivar,
    colours,
    draw_cultivar,
    gloss,
    paint_bud,
)
from budvision.vocabulary import LABEL_SCALES, TISSUES, Tissue

__all__ = ["FAULTS", "Lab", "StandinCut", "StandinTruth", "TissueTruth", "draw_lab", "render"]

FAULTS = ("blurred", "dark", "blown", "too_small", "glare", "too_shallow", "too_deep", "covered")
"""What can make a stand-in photograph unusable."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TissueTruth:
    """What is true of one tissue: exposed or not, its state, its verdict and its region.

    Attributes
    ----------
    dead : bool or None
        None where not exposed.
    state : str
        One of the live and dead states; empty where not exposed.
    brown_share : float
        Brown share of the growing point.
    area_px : int
    centre : tuple of float or None
        (row, col) of the mean of the region's pixels.
    """

    exposed: bool
    dead: bool | None
    state: str
    brown_share: float
    area_px: int
    centre: tuple[float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StandinTruth:
    """What is true of one stand-in photograph.

    Attributes
    ----------
    usable : bool
        Whether a person could judge it.
    fault : str
        Why not (one of `FAULTS`, or what the picture shows instead); empty where usable.
    depth : float
        Depth of the cut, 0 the top of the scales, above 1 under the bud.
    face_share : float
        Width of the cut face over the width of the frame.
    cane_base_deg : float
        Direction towards the cane base, degrees clockwise from the right of the frame.
    """

    usable: bool
    fault: str
    tissues: Mapping[Tissue, TissueTruth]
    depth: float
    face_share: float
    cane_base_deg: float
    cultivar: str
    light: str
    camera: str
    bench: str


@dataclass(frozen=True, slots=True)
class StandinCut:
    """A stand-in photograph: upright sRGB image, labels 0 to 4 and truth."""

    image: NDArray[np.uint8]
    labels: NDArray[np.uint8]
    truth: StandinTruth


@dataclass(frozen=True, slots=True, kw_only=True)
class Lab:
    """What stays the same within one laboratory: camera, lamps, bench, cultivars, habits."""

    name: str
    sensor: Sensor
    camera: Camera
    lamp: Lamp
    second: Lamp | None
    bench: str
    cultivars: tuple[Cultivar, ...]
    megapixels: float
    aspect: float
    face_share: tuple[float, float]
    turn_spread: float
    hand: float
    dead_kinds: tuple[str, ...]


def draw_lab(rng: np.random.Generator, *, name: str = "lab") -> Lab:
    """Draw a laboratory."""
    low = float(np.exp(rng.uniform(np.log(0.12), np.log(0.55))))
    dead = [str(k) for k in rng.permutation(["brown", "reddish", "black", "olive"])]
    return Lab(
        name=name, sensor=draw_sensor(rng), camera=draw_camera(rng), lamp=draw_lamp(rng),
        second=draw_lamp(rng) if rng.random() < 0.25 else None,
        bench=str(rng.choice(sorted(BENCHES))),
        cultivars=tuple(draw_cultivar(rng, name=f"cultivar {letter}") for letter in "ABC"),
        megapixels=float(np.exp(rng.uniform(0, np.log(12)))),
        aspect=float(rng.choice([4 / 3, 3 / 2, 3 / 4, 1.0, 16 / 9])),
        face_share=(low, min(0.88, low * float(rng.uniform(1.3, 2.0)))),
        turn_spread=float(rng.choice([0.1, 0.35, np.pi], p=[0.5, 0.35, 0.15])),
        hand=float(rng.choice([0.0, 0.3, 0.9])), dead_kinds=(*dead[:3], "brown_core"),
    )


def _states(
    rng: np.random.Generator, lab: Lab, dead: Mapping[Tissue, bool] | None, share: float
) -> dict[Tissue, str]:
    out: dict[Tissue, str] = {}
    first = bool(rng.random() < share)
    frozen = str(rng.choice(lab.dead_kinds, p=_weights(len(lab.dead_kinds))))
    for tissue in TISSUES:
        follow = first if rng.random() < 0.45 else bool(
            rng.random() < share * (1.0 if tissue is Tissue.PRIMARY else 0.6))
        is_dead = dead[tissue] if dead is not None and tissue in dead else (
            first if tissue is Tissue.PRIMARY else follow)
        if is_dead:
            out[tissue] = frozen if rng.random() < 0.8 else str(rng.choice(lab.dead_kinds))
        else:
            out[tissue] = str(rng.choice(LIVE_STATES, p=[0.88, 0.06, 0.06]))
    return out


def _weights(n: int) -> NDArray[np.float64]:
    weight = np.ones(n)
    weight[-1] = 0.3
    return np.asarray(weight / weight.sum())


def _truth(
    shape: BudShape, labels: NDArray[np.uint8], states: Mapping[Tissue, str],
    brown: Mapping[str, float],
) -> dict[Tissue, TissueTruth]:
    out: dict[Tissue, TissueTruth] = {}
    least = max(12.0, 3e-5 * labels.size)
    for tissue in TISSUES:
        rows, cols = np.nonzero(labels == tissue.label)
        if tissue not in shape.tissues or len(rows) < least or shape.too_deep:
            labels[labels == tissue.label] = LABEL_SCALES
            out[tissue] = TissueTruth(exposed=False, dead=None, state="", brown_share=0.0,
                                      area_px=0, centre=None)
            continue
        out[tissue] = TissueTruth(
            exposed=True, dead=states[tissue] in DEAD_STATES, state=states[tissue],
            brown_share=brown.get(tissue.value, 0.0),
            area_px=len(rows), centre=(float(rows.mean()), float(cols.mean())))
    return out


def _faulty(camera: Camera, fault: str, rng: np.random.Generator, face_px: float) -> Camera:
    if fault == "blurred":
        if rng.random() < 0.5:
            return replace(camera, blur_px=max(6.0, face_px * float(rng.uniform(0.06, 0.1))))
        return replace(camera, motion_px=max(14.0, face_px * float(rng.uniform(0.15, 0.3))))
    if fault == "dark":
        return replace(camera, stops=float(rng.uniform(-6.5, -5)), noise=0.02, tone="srgb")
    if fault == "blown":
        return replace(camera, stops=float(rng.uniform(3.2, 4.5)))
    return camera


def _place(
    picture: Plane, patch: Plane, cover: Plane, corner: tuple[float, float], side: float
) -> Plane:
    """Scale a square patch to `side` pixels and lay it on the picture at (row, col)."""
    rows, cols = picture.shape[:2]
    scale = side / patch.shape[0]
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    n = max(2, round(side))
    patch = np.asarray(cv2.resize(patch, (n, n), interpolation=way), np.float32)
    soft = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    cover = np.asarray(cv2.resize(cover, (n, n), interpolation=soft), np.float32)
    top, left = round(corner[0]), round(corner[1])
    r0, r1, c0, c1 = max(0, top), min(rows, top + n), max(0, left), min(cols, left + n)
    if r1 > r0 and c1 > c0:
        part = (slice(r0 - top, r1 - top), slice(c0 - left, c1 - left))
        picture[r0:r1, c0:c1] = mix(picture[r0:r1, c0:c1], np.clip(patch[part], 0, None),
                                    np.clip(cover[part], 0, 1))
    return picture


def _depth(rng: np.random.Generator, wanted: float | None, fault: str) -> float:
    """Draw the depth of the cut where it is not given; a fault of depth has its own."""
    if wanted is None:
        wanted = float(np.clip(rng.normal(0.52, 0.16), 0.24, 0.9))
    if fault == "too_shallow":
        return float(rng.uniform(0.02, 0.09))
    if fault == "too_deep":
        return float(rng.uniform(1.02, 1.2))
    return wanted


def _shine(
    rng: np.random.Generator, tile: Tile, shape: BudShape, *, ring: bool, glare: bool
) -> Plane:
    """Return how much the wet face mirrors the lamp; nearly all of it where there is `glare`."""
    shine = gloss(rng, tile, shape, "ring" if ring else "window")
    if glare:
        wet = clouds(rng, (tile.n, tile.n), grain=tile.n / 4) > -0.7
        shine = np.clip(shine + tile.cover(shape.inner) * wet * 1.2, 0, 1.5).astype(np.float32)
        shine = tile.soften(shine, 0.1)
    return shine


def render(
    rng: np.random.Generator, *, lab: Lab | None = None, cultivar: Cultivar | None = None,
    dead: Mapping[Tissue, bool] | None = None, mortality: float = 0.4, depth: float | None = None,
    fault: str = "", megapixels: float | None = None,
) -> StandinCut:
    """Photograph one cut bud.

    Parameters
    ----------
    lab : Lab, optional
        The laboratory; a fresh one is drawn when left out.
    cultivar : Cultivar, optional
        One of the laboratory's cultivars at random when left out.
    dead : mapping of Tissue to bool, optional
        Which tissues are dead; drawn with probability `mortality` when left out.
    depth : float, optional
        Depth of the cut in (0, 1.2); about the usual one when left out.
    fault : str
        Empty, or one of `FAULTS`.
    megapixels : float, optional
        Size of the photograph, 0.3 to 50; the laboratory's when left out.
    """
    if fault and fault not in FAULTS:
        raise ValueError(f"fault is {fault!r}; expected one of {', '.join(FAULTS)}")
    lab = draw_lab(rng) if lab is None else lab
    if cultivar is None:
        cultivar = lab.cultivars[int(rng.integers(len(lab.cultivars)))]
    depth = _depth(rng, depth, fault)
    area = 1e6 * (lab.megapixels if megapixels is None else megapixels)
    cols = 2 * round(float(np.sqrt(area * lab.aspect)) / 2)
    rows = 2 * round(area / cols / 2)
    turn = float(rng.normal(0, lab.turn_spread)) if lab.turn_spread < 3 else float(
        rng.uniform(0, 2 * np.pi))
    shape = build(rng, depth=depth, lean=float(rng.normal(0, 0.5)))
    share = float(rng.uniform(*lab.face_share))
    if fault == "too_small":
        share = min(0.03, 60.0 / cols)
    across = shape.face @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    extent = np.ptp(across, axis=0)
    px_per_mm = min(share * cols / extent[0], 0.94 * rows / extent[1])
    share = float(px_per_mm * extent[0] / cols)
    slack = np.maximum(0, 0.5 * np.array([rows, cols]) - 0.52 * px_per_mm * extent[::-1])
    centre = np.array([rows, cols]) / 2 + rng.uniform(-1, 1, 2) * np.minimum(
        slack, 0.18 * np.array([rows, cols]))

    small = min(1.0, 1300 / max(rows, cols))
    low = (max(2, round(rows * small)), max(2, round(cols * small)))
    place = (float(centre[0] * small), float(centre[1] * small))
    c = colours(cultivar, lab.lamp, lab.sensor)
    base = paint_bench(rng, low, lab.bench, lab.lamp, lab.sensor)
    base = paint_clutter(
        rng, base, keep_off=(*place, 6 * px_per_mm * small), lamp=lab.lamp, sensor=lab.sensor,
        count=int(rng.poisson(3)))
    side = float(rng.uniform(-1, 1))
    if rng.random() < 0.9:
        base = paint_cane(rng, base, centre=place, px_per_mm=px_per_mm * small, turn=turn, c=c,
                          side=side)
    if rng.random() < lab.hand:
        base, _ = paint_finger(rng, base, centre=place, px_per_mm=px_per_mm * small, turn=turn,
                               lamp=lab.lamp, sensor=lab.sensor)
    base = np.asarray(cv2.GaussianBlur(base, (0, 0), rng.uniform(0.3, 2.0)), np.float32)
    picture = np.asarray(cv2.resize(base, (cols, rows), interpolation=cv2.INTER_LINEAR), np.float32)

    side_mm = 1.35 * float(max(extent.max(), np.abs(across).max() * 2))
    n = int(np.clip(side_mm * px_per_mm, 48, 820))
    tile = Tile(n, n / side_mm, turn)
    full_px = side_mm * px_per_mm
    corner = (float(centre[0] - full_px / 2), float(centre[1] - full_px / 2))
    states = _states(rng, lab, dead, mortality)
    ground = np.broadcast_to(c["bark_dark"], (n, n, 3)).astype(np.float32)
    patch, brown = paint_bud(rng, tile, ground, shape, {t.value: s for t, s in states.items()},
                             cultivar, c)
    relief = cv2.GaussianBlur(patch[..., 1], (0, 0), max(0.6, 0.03 * tile.px_per_mm))
    angle = float(rng.uniform(0, 2 * np.pi))
    slope = cv2.Sobel(relief, cv2.CV_32F, 1, 0) * np.cos(angle) + cv2.Sobel(
        relief, cv2.CV_32F, 0, 1) * np.sin(angle)
    patch = patch * np.clip(1 + rng.uniform(0, 0.5) * slope / (relief + 0.05), 0.6, 1.5)[..., None]
    white = seen(np.ones(31), lab.lamp, lab.sensor)
    if rng.random() < 0.45 or fault == "glare":
        shine = _shine(rng, tile, shape, ring=lab.lamp.kind == "ring", glare=fault == "glare")
        patch = patch + shine[..., None] * white * rng.uniform(0.5, 1.4)
    soft = tile.cover(shape.face)
    halo = np.clip(tile.soften(soft, 0.35) * 1.2, 0, 0.75) * (1 - soft)
    picture = _place(picture, np.broadcast_to(c["scale_dark"] * 0.4, (n, n, 3)).astype(np.float32),
                     np.asarray(halo * 0.8, np.float32), corner, full_px)
    picture = _place(picture, patch, soft, corner, full_px)

    labels = np.zeros((rows, cols), np.uint8)
    exact = Tile(max(rows, cols), px_per_mm, turn)
    shift = np.round(centre - max(rows, cols) / 2).astype(int)
    for outline, value in ((shape.face, LABEL_SCALES), *(
            (o, t.label) for t, o in reversed(list(shape.tissues.items())))):
        inside = np.roll(exact.inside(outline), tuple(shift), axis=(0, 1))[:rows, :cols]
        labels[inside] = value
    if fault == "covered":
        picture, cover = paint_finger(
            rng, picture, centre=(float(centre[0]), float(centre[1])), px_per_mm=px_per_mm,
            turn=turn, lamp=lab.lamp, sensor=lab.sensor, over=True)
        labels[cover > 0.5] = 0
    lit = light_map(rng, low, lamp=lab.lamp, second=lab.second, sensor=lab.sensor,
                    shadow=bool(rng.random() < 0.2))
    picture *= cv2.resize(lit, (cols, rows), interpolation=cv2.INTER_LINEAR)

    tissues = _truth(shape, labels, states, brown)
    camera = _faulty(lab.camera, fault, rng, share * cols)
    camera = replace(camera, stops=camera.stops + float(rng.normal(0, 0.12)))
    window = picture[rows // 4:-rows // 4, cols // 4:-cols // 4, 1]
    aim = float(np.clip(0.26 / (window.mean() + 0.02), 0.55, 1.6))
    image = expose(rng, picture, camera=camera, sensor=lab.sensor, white=white, aim=aim)
    truth = StandinTruth(
        usable=not fault, fault=fault, tissues=tissues, depth=depth, face_share=share,
        cane_base_deg=float(np.degrees(turn) + 180) % 360, cultivar=cultivar.name,
        light=lab.lamp.kind, camera=lab.camera.tone, bench=lab.bench)
    return StandinCut(image, labels, truth)
