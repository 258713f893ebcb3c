"""Training examples of the segmenter: frames, close crops and pictures to refuse."""

from __future__ import annotations

from dataclasses import dataclass

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
from budvision.render.world import DEPTHS, FAULTS, World, sample_world
from budvision.vocabulary import TISSUES

__all__ = ["JUDGEMENTS", "UNKNOWN", "Example", "draw_example"]

P_FAULT = 0.19
"""Share of close crops that have a fault of light or camera."""
FAULT_WEIGHTS = (0.18, 0.17, 0.22, 0.33, 0.1)
"""How often each of `FAULTS`: those that are hard to tell come more often."""
P_TOO_DEEP = 0.04
"""Share of close crops cut under the buds, on top of the world's own."""
UNKNOWN = 2
"""Mark of a tissue that is labelled but could not be told in the photograph."""


@dataclass(frozen=True, slots=True)
class Example:
    """One square picture with all that the network learns from it.

    Attributes
    ----------
    image : ndarray of uint8, (side, side, 3)
    labels : ndarray of uint8, (side, side)
    dead : ndarray of uint8, (side, side)
        Brownness of tissue pixels, 0 to 255.
    exposed : tuple of int
        For primary, secondary, tertiary: 1 reached, 0 not, UNKNOWN where nobody could tell.
    state : tuple of bool
        Dead, for primary, secondary, tertiary.
    judgement : str
        One of JUDGEMENTS, or empty where nobody could tell.
    close : bool
        Whether the picture is a crop round the face.
    """

    image: Array
    labels: Array
    dead: Array
    exposed: tuple[int, int, int]
    state: tuple[bool, bool, bool]
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


def _other_example(rng: np.random.Generator, side_px: int) -> Example:
    """Draw a picture that is not a cut bud."""
    if rng.random() < 0.65:
        image = render_negative(rng, size_px=side_px)
    else:
        image = render_stray(rng, size_px=(side_px, side_px))
    blank = np.zeros((side_px, side_px), np.uint8)
    return Example(image, blank, blank, (0, 0, 0), (False,) * 3, "no_cut_face", False)


def _world(rng: np.random.Generator, close: bool) -> World:
    """Draw the world of a close crop, faults included, or of a whole frame."""
    if not close:
        return sample_world(rng, face_share=(0.045, 0.8), p_fault=0.1)
    fault = str(rng.choice(FAULTS, p=FAULT_WEIGHTS)) if rng.random() < P_FAULT else ""
    depths = ("too_deep",) if rng.random() < P_TOO_DEEP else DEPTHS
    world = sample_world(rng, depths=depths, face_share=(0.55, 0.95), fault=fault)
    if world.fault == "too_small":
        return world.changed(fault="", face_share=float(rng.uniform(0.55, 0.95)))
    return world


def _photographed(
    rng: np.random.Generator, world: World, close: bool, side_px: int
) -> tuple[RenderedCut, Array, Array, Array]:
    """Render the cut; give it, and its picture, labels and brownness squared and spoilt."""
    aspect = 1.0 if close else float(rng.choice([1.0, 0.75, 0.667, 0.5625]))
    upright = rng.random() < 0.35
    cut = render_cut(
        rng,
        world=world,
        size_px=round(side_px * aspect) if upright else side_px,
        aspect=1 / aspect if upright else aspect,
    )
    image, labels, brown = (_letterboxed(a, side_px) for a in (cut.image, cut.labels, cut.brown))
    if close and rng.random() < 0.3:
        image = _coarser(image, rng, world.face_share * side_px)
    if close and rng.random() < 0.14:
        image, labels, brown = _at_the_edge(rng, image, labels, brown)
    if cut.truth.usable and rng.random() < 0.05:
        image, labels, brown = image.copy(), labels.copy(), brown.copy()
        _covered(rng, image, labels, brown)
    return cut, image, labels, brown


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
    if too_few_px and judgement not in ("too_dark", "blown_out", "too_small"):
        judgement = "usable"  # too few pixels to tell: look closer
    return "" if on_the_border(cut.image, cut.labels, truth.why_not) else judgement


def draw_example(rng: np.random.Generator, *, side_px: int = 320) -> Example:
    """Draw one example: 56 % close crops, 23 % frames, 21 % pictures that are not cut buds."""
    kind = rng.random()
    if kind < 0.21:
        return _other_example(rng, side_px)
    close = bool(kind < 0.77)
    world = _world(rng, close)
    cut, image, labels, brown = _photographed(rng, world, close, side_px)
    left = [int((labels == tissue.label).sum()) for tissue in TISSUES]
    whole = [int((cut.labels == tissue.label).sum()) for tissue in TISSUES]
    exposed = _exposed(cut, left, whole)
    dead = [bool(cut.truth.dead.get(tissue, False)) for tissue in TISSUES]
    too_few_px = not close and world.face_share * side_px < 40
    return Example(
        image=image,
        labels=labels,
        dead=brown,
        exposed=exposed,
        state=(dead[0], dead[1], dead[2]),
        judgement=_judgement(cut, left, whole, exposed[0], too_few_px),
        close=close,
    )
