"""Training examples of the segmenter: frames, close crops and pictures to refuse."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from budvision.photo.locate import OUTSIDE
from budvision.photo.refusals import JUDGEMENTS
from budvision.render.cut import RenderedCut, render_cut
from budvision.render.fields import Array, fractal
from budvision.render.negatives import render_negative
from budvision.render.palette import colour
from budvision.render.shapes import OUTLINES, mask_of, outline, placed, window_of
from budvision.render.strays import render_stray
from budvision.render.visible import can_be_told, on_the_border
from budvision.render.world import DEPTHS, FAULTS, World, sample_world, staged
from budvision.vocabulary import LABEL_SCALES, TISSUES

__all__ = ["JUDGEMENTS", "UNKNOWN", "Example", "draw_example", "heat_of"]

P_FAULT = 0.19
"""Share of close crops that have a fault of light or camera."""
FAULT_WEIGHTS = (0.18, 0.17, 0.22, 0.33, 0.1)
"""How often each of `FAULTS`: those that are hard to tell come more often."""
P_TOO_DEEP = 0.04
"""Share of close crops cut under the buds, on top of the world's own."""
P_DISTANT = 0.5
"""Share of close crops taken from a more distant photograph, and of frames that are reduced."""
UNKNOWN = 2
"""Mark of a tissue that is labelled but could not be told or judged in the photograph."""
TORN_BORDER = 0.5
"""Torn share of the primary's radius from which people would disagree whether to judge it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Example:
    """One square picture with all that the network learns from it.

    Attributes
    ----------
    image : ndarray of uint8, (side, side, 3)
    labels : ndarray of uint8, (side, side)
        Zones as `budvision.render.zones.ZONES` numbers them; 4 and above fold to scales and wool.
    growing : ndarray of uint8, (side, side)
        255 at each growing point that shows, falling off within a quarter of the tissue's radius.
    dead : ndarray of uint8, (side, side)
        Brownness of tissue pixels, 0 to 255.
    exposed : tuple of int
        For primary, secondary, tertiary: 1 reached, 0 not, UNKNOWN where nobody could tell.
    state : tuple of int
        For primary, secondary, tertiary: 1 dead, 0 live, UNKNOWN where people would be unsure.
    judgement : str
        One of JUDGEMENTS, or empty where nobody could tell.
    close : bool
        Whether the picture is a crop round the face.
    """

    image: Array
    labels: Array
    growing: Array
    dead: Array
    exposed: tuple[int, int, int]
    state: tuple[int, int, int]
    judgement: str
    close: bool


def _coarser(image: Array, rng: np.random.Generator, face_px: float) -> Array:
    """Lose resolution as a distant photograph enlarged to the crop has lost it."""
    left = float(np.exp(rng.uniform(np.log(56), np.log(320))))
    shrink = left / max(face_px, 1)
    if shrink >= 0.95:
        return image
    side = image.shape[1], image.shape[0]
    small = cv2.resize(image, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    how = cv2.INTER_LINEAR if rng.random() < 0.7 else cv2.INTER_CUBIC
    return cv2.resize(small, side, interpolation=how)


def _at_the_edge(
    rng: np.random.Generator, image: Array, labels: Array, brown: Array
) -> tuple[Array, Array, Array]:
    """Hide a strip at one or two sides, as where the face lies at the edge of the photograph."""
    image, labels, brown = image.copy(), labels.copy(), brown.copy()
    side = image.shape[0]
    for turn in rng.choice(4, 2 if rng.random() < 0.25 else 1, replace=False):
        strip = int(side * rng.uniform(0.04, 0.36))
        for array, value in ((image, OUTSIDE), (labels, 0), (brown, 0)):
            np.rot90(array, int(turn))[:strip] = value
    return image, labels, brown


def _covered(rng: np.random.Generator, image: Array, labels: Array, brown: Array) -> None:
    """Lay a finger, a slice or a scrap over the primary, in place."""
    rows, cols = np.nonzero(labels == 1)
    if rows.size < 30:
        return
    radius = float(np.sqrt(rows.size / np.pi))
    at = np.array([cols.mean(), rows.mean()]) + rng.normal(0, 0.5, 2) * radius
    points = placed(
        outline(rng, str(rng.choice(OUTLINES)), elongation=float(rng.uniform(1, 3)), bump=0.1),
        (float(at[0]), float(at[1])),
        radius * float(rng.uniform(0.8, 2.6)),
        float(rng.uniform(0, np.pi)),
    )
    window = window_of(points, (labels.shape[0], labels.shape[1]))
    cover = mask_of(points, window)
    if not cover.size or min(cover.shape) < 4:
        return
    level = float(np.median(image[labels > 0])) / 255
    ink = 255 * colour(rng, ((20, 88), (3, 42), (20, 120))) ** np.float32(1 / 2.2)
    ink *= float(np.clip(level / 0.5, 0.4, 1.5))
    field = fractal(rng, (cover.shape[0], cover.shape[1]), float(rng.uniform(2, 9)), 3)
    paint = np.clip(ink * np.exp(0.12 * field)[..., None], 0, 255)
    share = cv2.GaussianBlur(cover, (0, 0), max(0.6, radius * float(rng.uniform(0.01, 0.12))))
    part = image[window]
    image[window] = np.clip(part + share[..., None] * (paint - part) + 0.5, 0, 255)
    hidden = cover > 0.5
    labels[window][hidden], brown[window][hidden] = 0, 0


def _letterboxed(picture: Array, side_px: int) -> Array:
    """Centre a picture in a square: grey around an image, 0 around labels."""
    rows, cols = picture.shape[:2]
    if (rows, cols) == (side_px, side_px):
        return picture
    top, left = (side_px - rows) // 2, (side_px - cols) // 2
    square = np.full(
        (side_px, side_px, *picture.shape[2:]), OUTSIDE if picture.ndim == 3 else 0, np.uint8
    )
    square[top : top + rows, left : left + cols] = picture
    return square


def heat_of(
    points: Sequence[tuple[float, float, float]], shape: tuple[int, int]
) -> Array:
    """Draw growing points (row, col, radius of the tissue) as spots of heat, 0 to 255."""
    heat = np.zeros(shape, np.float32)
    for row, col, radius in points:
        spread = max(1.8, 0.22 * radius)
        reach = int(3 * spread) + 1
        row0, row1 = max(0, int(row) - reach), min(shape[0], int(row) + reach + 1)
        col0, col1 = max(0, int(col) - reach), min(shape[1], int(col) + reach + 1)
        if row1 <= row0 or col1 <= col0:
            continue
        away = (np.arange(row0, row1)[:, None] - row) ** 2 + (np.arange(col0, col1) - col) ** 2
        part = heat[row0:row1, col0:col1]
        np.maximum(part, np.exp(-away / (2 * spread**2)), out=part)
    return (255 * heat + 0.5).astype(np.uint8)


def _other_example(rng: np.random.Generator, side_px: int) -> Example:
    """Draw a picture that is not a cut bud."""
    if rng.random() < 0.65:
        image = render_negative(rng, size_px=side_px)
    else:
        image = render_stray(rng, size_px=(side_px, side_px))
    blank = np.zeros((side_px, side_px), np.uint8)
    return Example(image=image, labels=blank, growing=blank, dead=blank, exposed=(0, 0, 0),
                   state=(0, 0, 0), judgement="no_cut_face", close=False)


def _world(rng: np.random.Generator, close: bool, share_staged: float) -> World:
    """Draw the world of a close crop, faults included, or of a whole frame."""
    if close:
        fault = str(rng.choice(FAULTS, p=FAULT_WEIGHTS)) if rng.random() < P_FAULT else ""
        depths = ("too_deep",) if rng.random() < P_TOO_DEEP else DEPTHS
        world = sample_world(rng, depths=depths, face_share=(0.55, 0.95), fault=fault)
        if world.fault == "too_small":
            world = world.changed(fault="", face_share=float(rng.uniform(0.55, 0.95)))
    else:
        world = sample_world(rng, face_share=(0.045, 0.8), p_fault=0.1)
    if share_staged and rng.random() < share_staged:
        return staged(rng, world)
    return world


@dataclass(frozen=True, slots=True)
class _Square:
    """A cut's picture, zones, heat and brownness in a square."""

    image: Array
    zones: Array
    heat: Array
    brown: Array


def _zoom(rng: np.random.Generator, close: bool, face_px: float) -> float:
    """Return how much larger the example is than the photograph it is taken from.

    A distant face is enlarged with its noise, halos and JPEG blocks; a frame is reduced.
    """
    if rng.random() >= P_DISTANT:
        return 1.0
    if not close:
        return float(rng.uniform(0.45, 0.8))
    return max(1.0, face_px / float(np.exp(rng.uniform(np.log(50), np.log(330)))))


def _resized(cut: RenderedCut, heat: Array, size: tuple[int, int]) -> tuple[RenderedCut, Array]:
    """Bring a cut and its heat to another size (width, height), as the program's eye does."""
    soft = cv2.INTER_AREA if cut.image.shape[1] > size[0] else cv2.INTER_LINEAR

    def to(picture: Array, how: int) -> Array:
        return np.asarray(cv2.resize(picture, size, interpolation=how), np.uint8)

    return replace(
        cut, image=to(cut.image, soft), labels=to(cut.labels, cv2.INTER_NEAREST),
        zones=to(cut.zones, cv2.INTER_NEAREST), brown=to(cut.brown, cv2.INTER_NEAREST),
    ), to(heat, soft)


def _photographed(
    rng: np.random.Generator, world: World, close: bool, side_px: int
) -> tuple[RenderedCut, _Square]:
    """Render the cut; give it, and its picture and labels squared and spoilt."""
    aspect = 1.0 if close else float(rng.choice([1.0, 0.75, 0.667, 0.5625]))
    upright = rng.random() < 0.35
    zoom = _zoom(rng, close, world.face_share * side_px)
    cut = render_cut(
        rng,
        world=world,
        size_px=max(64, round((side_px * aspect if upright else side_px) / zoom)),
        aspect=1 / aspect if upright else aspect,
    )
    shape = (cut.labels.shape[0], cut.labels.shape[1])
    heat = heat_of(list(cut.truth.growing_points.values()), shape)
    if zoom != 1.0:
        long, short = side_px, round(side_px * aspect)
        cut, heat = _resized(cut, heat, (short, long) if upright else (long, short))
    image, zones, heat, brown = (
        _letterboxed(a, side_px) for a in (cut.image, cut.zones, heat, cut.brown))
    if close and rng.random() < 0.2:
        image = _coarser(image, rng, world.face_share * side_px)
    if close and rng.random() < 0.14:
        image, zones, brown = _at_the_edge(rng, image, zones, brown)
    if cut.truth.usable and rng.random() < 0.05:
        image, zones, brown = image.copy(), zones.copy(), brown.copy()
        _covered(rng, image, zones, brown)
    heat = np.where((zones > 0) & (zones < LABEL_SCALES), heat, 0).astype(np.uint8)
    return cut, _Square(image, zones, heat, brown)


def _exposed(cut: RenderedCut, left: list[int], whole: list[int]) -> tuple[int, int, int]:
    """Say of each tissue whether it shows, given its pixels `left` of the `whole`."""
    legible = can_be_told(cut.image, cut.labels, cut.truth.exposed)
    marks = []
    for k, tissue in enumerate(TISSUES):
        if left[k] < 4:
            marks.append(0)
        elif left[k] < 0.4 * whole[k] or not legible[tissue]:
            marks.append(UNKNOWN)
        else:
            marks.append(1)
    return marks[0], marks[1], marks[2]


def _judgement(
    cut: RenderedCut, left: list[int], whole: list[int], primary: int, too_few_px: bool
) -> str:
    """Judge the picture as a person would, or give "" where nobody could."""
    truth = cut.truth
    judgement = truth.why_not or "usable"
    if truth.usable:
        if not truth.exposed[TISSUES[0]]:  # nothing shows after all
            judgement = "too_shallow"
        elif left[0] < 0.25 * whole[0]:  # covered or out of the frame
            judgement = "no_cut_face"
        elif primary != 1 or left[0] < 0.7 * whole[0]:
            judgement = ""
        if truth.world.staging.torn > TORN_BORDER:  # torn in part: people would disagree
            judgement = "" if judgement == "usable" else judgement
    if too_few_px and judgement not in ("too_dark", "blown_out", "too_small"):
        judgement = "usable"  # too few pixels to tell: look closer
    return "" if on_the_border(cut.image, cut.labels, truth.why_not) else judgement


def _states(cut: RenderedCut) -> tuple[int, int, int]:
    marks = [
        UNKNOWN if t in cut.truth.unsure else int(cut.truth.dead.get(t, False))
        for t in TISSUES]
    return marks[0], marks[1], marks[2]


def draw_example(
    rng: np.random.Generator,
    *,
    side_px: int = 320,
    close: bool | None = None,
    share_staged: float = 0.0,
) -> Example:
    """Draw one example: 56 % close crops, 23 % frames, 21 % pictures that are not cut buds.

    Parameters
    ----------
    close : bool, optional
        Close crops or whole frames only, beside the pictures that are no cut buds.
    share_staged : float
        Share of the cut buds that are staged as benches stage them (`budvision.render.staging`).
    """
    kind = rng.random()
    if kind < 0.21:
        return _other_example(rng, side_px)
    near = bool(kind < 0.77) if close is None else close
    world = _world(rng, near, share_staged)
    cut, square = _photographed(rng, world, near, side_px)
    left = [int((square.zones == tissue.label).sum()) for tissue in TISSUES]
    whole = [int((cut.labels == tissue.label).sum()) for tissue in TISSUES]
    exposed = _exposed(cut, left, whole)
    too_few_px = not near and world.face_share * side_px < 40
    return Example(
        image=square.image,
        labels=square.zones,
        growing=square.heat,
        dead=square.brown,
        exposed=exposed,
        state=_states(cut),
        judgement=_judgement(cut, left, whole, exposed[0], too_few_px),
        close=near,
    )
