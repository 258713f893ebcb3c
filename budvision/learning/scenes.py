"""Photographs with their truth, in one form for every renderer, named by their seeds."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from budvision.learning.traced import TracedPhoto
from budvision.render.cut import RenderedCut, render_cut
from budvision.render.negatives import render_negative
from budvision.render.world import sample_world, staged
from budvision.vocabulary import TISSUES, Tissue

__all__ = [
    "FIRST_SEED",
    "HANDS",
    "WORLD_KEYS",
    "Scene",
    "draw_scene",
    "draw_staged",
    "draw_standin",
    "traced_scene",
]

Uint8 = npt.NDArray[np.uint8]

FIRST_SEED: Final = 2_000_000_000
"""Photographs from this seed on are never seen by the segmenter's training."""
WORLD_KEYS: Final = ("depth", "light", "camera", "cultivar", "structure", "bench", "blade")


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """A photograph with its truth, in one form for every renderer.

    Attributes
    ----------
    image : ndarray of uint8, shape (rows, columns, 3)
    labels : ndarray of uint8, shape (rows, columns)
    exposed, dead : dict of Tissue to bool
    usable : bool
    why_not : str
    world : dict of str to str
    base_deg : float
        Direction of the cane base, degrees clockwise from the right of the picture.
    kinds : tuple of str
        What makes it hard, of `budvision.render.staging.KINDS`.
    unsure : tuple of Tissue
        Those that people would leave unsure: half dead, or nobody could judge them.
    """

    image: Uint8
    labels: Uint8
    exposed: dict[Tissue, bool]
    dead: dict[Tissue, bool]
    usable: bool
    why_not: str
    world: dict[str, str]
    base_deg: float
    kinds: tuple[str, ...] = ("tidy",)
    unsure: tuple[Tissue, ...] = ()


def _scene_of(cut: RenderedCut) -> Scene:
    """Turn a rendered cut into a scene."""
    truth, world = cut.truth, cut.truth.world
    usable = bool(truth.usable and truth.exposed[Tissue.PRIMARY])
    shown = tuple(
        one for one, tissue in zip(world.conditions, TISSUES, strict=True) if truth.exposed[tissue])
    return Scene(
        image=np.asarray(cut.image, np.uint8), labels=np.asarray(cut.labels, np.uint8),
        exposed=dict(truth.exposed), dead=dict(truth.dead), usable=usable,
        why_not=truth.why_not or ("" if usable else "too_shallow"),
        world={key: str(getattr(world, key)) for key in WORLD_KEYS}, base_deg=world.base_deg,
        kinds=world.staging.kinds(shown),
        unsure=tuple(truth.unsure),
    )


def draw_scene(seed: int) -> Scene:
    """Draw a photograph of the main renderer by its seed; one in eight is no cut bud.

    Parameters
    ----------
    seed : int
        From `FIRST_SEED` on.
    """
    rng = np.random.default_rng(seed)
    aspect = float(rng.choice([0.75, 2 / 3, 1.0, 4 / 3]))
    if rng.random() < 0.125:
        image = np.asarray(render_negative(rng, size_px=640, aspect=aspect), np.uint8)
        none = dict.fromkeys(TISSUES, False)
        world = dict.fromkeys(WORLD_KEYS, "stray")
        return Scene(
            image=image, labels=np.zeros(image.shape[:2], np.uint8), exposed=none, dead={},
            usable=False, why_not="no_cut_face", world=world, base_deg=0.0)
    world_drawn = sample_world(rng, p_fault=0.14)
    if not world_drawn.fault:
        share = float(np.exp(rng.uniform(np.log(0.12), np.log(0.9))))
        world_drawn = replace(world_drawn, face_share=share * min(1.0, aspect))
    return _scene_of(render_cut(rng, world=world_drawn, size_px=640, aspect=aspect))


def draw_staged(seed: int) -> Scene:
    """Draw a photograph staged as real benches stage them (`budvision.render.staging`).

    Of ten, one has a fault of light or camera. The face fills 12 to 90 % of the frame.
    """
    rng = np.random.default_rng(seed)
    aspect = float(rng.choice([0.75, 2 / 3, 1.0, 4 / 3]))
    drawn = staged(rng, sample_world(rng, p_fault=0.1))
    if not drawn.fault:
        share = float(np.exp(rng.uniform(np.log(0.12), np.log(0.9))))
        drawn = drawn.changed(face_share=share * min(1.0, aspect))
    return _scene_of(render_cut(rng, world=drawn, size_px=640, aspect=aspect))


def traced_scene(photo: TracedPhoto) -> Scene:
    """Return a path-traced photograph as a scene."""
    return Scene(
        image=photo.image, labels=photo.labels,
        exposed=dict(zip(TISSUES, photo.exposed, strict=True)),
        dead={t: bool(s) for t, s, on in zip(TISSUES, photo.state, photo.exposed, strict=True)
              if on},
        usable=photo.judgement == "usable",
        why_not="" if photo.judgement == "usable" else photo.judgement,
        world=dict.fromkeys(WORLD_KEYS, "traced"), base_deg=0.0,
    )


def draw_standin(seed: int) -> Scene:
    """Draw a photograph of the independent renderer: for scoring, never for training."""
    from budvision.render.standin.cut import FAULTS, render
    from budvision.render.standin.others import render_other

    rng = np.random.default_rng(seed)
    kind = rng.random()
    if kind < 0.1:
        cut = render_other(rng, megapixels=1.0)
    else:
        fault = str(rng.choice(FAULTS)) if kind < 0.22 else ""
        cut = render(rng, fault=fault, megapixels=float(rng.uniform(0.8, 2.5)))
    truth = cut.truth
    return Scene(
        image=cut.image, labels=cut.labels,
        exposed={one: truth.tissues[one].exposed for one in TISSUES},
        dead={one: bool(truth.tissues[one].dead) for one in TISSUES if truth.tissues[one].exposed},
        usable=truth.usable, why_not=truth.fault,
        world={"depth": f"{round(truth.depth, 1)}", "light": truth.light, "camera": truth.camera,
               "cultivar": truth.cultivar, "structure": "standin", "bench": truth.bench,
               "blade": ""},
        base_deg=truth.cane_base_deg,
    )


HANDS: Final[Mapping[str, Callable[[int], Scene]]] = {
    "tidy": draw_scene, "staged": draw_staged, "standin": draw_standin}
"""Who draws a photograph of a seed: the main renderer, the same staged, the independent one."""
