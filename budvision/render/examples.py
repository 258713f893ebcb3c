"""Training examples of the segmenter: frames, close crops and pictures to refuse."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from budvision.photo.refusals import JUDGEMENTS
from budvision.render.cut import render_cut
from budvision.render.fields import Array
from budvision.render.negatives import render_negative
from budvision.render.strays import render_stray
from budvision.render.world import sample_world
from budvision.vocabulary import TISSUES

__all__ = ["JUDGEMENTS", "Example", "draw_example"]


@dataclass(frozen=True, slots=True)
class Example:
    """One square picture with all that the network learns from it.

    Attributes
    ----------
    image : ndarray of uint8, (side, side, 3)
    labels : ndarray of uint8, (side, side)
    dead : ndarray of uint8, (side, side)
        Brownness of tissue pixels, 0 to 255.
    exposed, state : tuple of bool
        Reached and dead, for primary, secondary, tertiary.
    judgement : str
        One of JUDGEMENTS.
    close : bool
        Whether the picture is a crop round the face.
    """

    image: Array
    labels: Array
    dead: Array
    exposed: tuple[bool, bool, bool]
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


def _letterboxed(picture: Array, side_px: int) -> Array:
    """Centre a picture in a square: grey around an image, 0 around labels."""
    rows, cols = picture.shape[:2]
    if (rows, cols) == (side_px, side_px):
        return picture
    top, left = (side_px - rows) // 2, (side_px - cols) // 2
    square = np.full(
        (side_px, side_px, *picture.shape[2:]), 114 if picture.ndim == 3 else 0, np.uint8
    )
    square[top : top + rows, left : left + cols] = picture
    return square


def draw_example(rng: np.random.Generator, *, side_px: int = 320) -> Example:
    """Draw one example: 56 % close crops, 23 % frames, 21 % pictures that are not cut buds."""
    kind = rng.random()
    blank = np.zeros((side_px, side_px), np.uint8)
    if kind < 0.21:
        if rng.random() < 0.65:
            image = render_negative(rng, size_px=side_px)
        else:
            image = render_stray(rng, size_px=(side_px, side_px))
        return Example(image, blank, blank, (False,) * 3, (False,) * 3, "no_cut_face", False)
    close = kind < 0.77
    if close:
        fault = None if rng.random() < 0.16 else ""
        p_fault = 1.0
        world = sample_world(rng, face_share=(0.55, 0.95), fault=fault, p_fault=p_fault)
        if world.fault == "too_small":
            world = world.changed(fault="", face_share=float(rng.uniform(0.55, 0.95)))
    else:
        world = sample_world(rng, face_share=(0.045, 0.8), p_fault=0.1)
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
    truth = cut.truth
    exposed = tuple(bool(truth.exposed[tissue]) for tissue in TISSUES)
    state = tuple(bool(truth.dead.get(tissue, False)) for tissue in TISSUES)
    judgement = truth.why_not or "usable"
    if judgement == "too_deep":
        exposed = tuple(bool((labels == tissue.label).any()) for tissue in TISSUES)
    if truth.usable and not any(exposed):  # nothing shows after all
        judgement = "too_shallow"
    if (
        not close
        and world.face_share * side_px < 40
        and judgement not in ("too_dark", "blown_out", "too_small")
    ):  # too few pixels to tell: look closer
        judgement = "usable"
    return Example(
        image,
        labels,
        brown,
        (exposed[0], exposed[1], exposed[2]),
        (state[0], state[1], state[2]),
        judgement,
        close,
    )
