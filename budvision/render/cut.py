"""The door of the renderer: one photograph of a cut bud with its labels and its truth."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from budvision.errors import UsageError
from budvision.photo.overlay import encode_picture
from budvision.render import surroundings
from budvision.render.anatomy import Layout, lay_out
from budvision.render.bench import paint_surround
from budvision.render.camera import expose
from budvision.render.face import paint_face
from budvision.render.fields import Array
from budvision.render.lamp import glare_over, lit
from budvision.render.lens import photographed
from budvision.render.light import light_up
from budvision.render.process import processed
from budvision.render.scene import Scene
from budvision.render.tissue import TissueTruth
from budvision.render.visible import life_seen
from budvision.render.world import World, sample_world
from budvision.vocabulary import LABEL_SCALES, TISSUES, Tissue

__all__ = ["RenderedCut", "Truth", "render_cut"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is true of a rendered photograph.

    Attributes
    ----------
    exposed : mapping of Tissue to bool
        Whether the tissue shows in the photograph (reached by the cut and not hidden).
    dead : mapping of Tissue to bool
        State of the growing point of each exposed tissue; not of those that are half dead.
    unsure : mapping of Tissue to str
        The exposed tissues that people would leave unsure, and why: half dead, or nobody could
        judge them in the finished photograph (`budvision.render.visible.life_seen`).
    brown_share, core_brown : mapping of Tissue to float
        Dead share of the whole region and of its growing point, in [0, 1].
    growing_points : mapping of Tissue to (row, col, radius)
        Where the growing point of each exposed tissue shows, and the tissue's radius, in pixels of
        the photograph; not of those whose growing point is hidden.
    usable : bool
        Whether a person could judge the photograph; `why_not` is the reason code, or empty.
    box : tuple of int
        (row0, col0, row1, col1) of the face within the frame, half-open.
    world : World
        The choices behind the picture: depth, light, camera, blade, bench, cultivar.
    """

    exposed: Mapping[Tissue, bool]
    dead: Mapping[Tissue, bool]
    unsure: Mapping[Tissue, str]
    brown_share: Mapping[Tissue, float]
    core_brown: Mapping[Tissue, float]
    growing_points: Mapping[Tissue, tuple[float, float, float]]
    usable: bool
    why_not: str
    box: tuple[int, int, int, int]
    world: World

    @property
    def depth(self) -> str:
        """Depth class of the cut."""
        return self.world.depth

    @property
    def light(self) -> str:
        """Kind of light."""
        return self.world.light

    @property
    def camera(self) -> str:
        """Kind of camera."""
        return self.world.camera

    @property
    def blade(self) -> str:
        """What the blade did."""
        return self.world.blade


@dataclass(frozen=True, slots=True)
class RenderedCut:
    """A rendered photograph.

    Attributes
    ----------
    image : ndarray of uint8, shape (rows, cols, 3)
        Upright sRGB.
    labels : ndarray of uint8, shape (rows, cols)
        0 background, 1 primary, 2 secondary, 3 tertiary, 4 scales and wool of the cut face.
    zones : ndarray of uint8, shape (rows, cols)
        The same, what folds to 4 told apart: 5 green that is no bud, 6 wood, 7 torn tissue.
    brown : ndarray of uint8, shape (rows, cols)
        How dead each pixel of tissue is, 0 to 255.
    truth : Truth
    """

    image: Array
    labels: Array
    zones: Array
    brown: Array
    truth: Truth

    def _repr_png_(self) -> bytes:
        return encode_picture(self.image, "png")


def _other_surround(scene: Scene, rng: np.random.Generator, layout: Layout, world: World) -> None:
    """Paint what lies round the face in the second of two independent ways."""
    surroundings.paint_bench(scene, rng, world.bench)
    keep = (*layout.centre, 1.24 * layout.long_px)
    surroundings.paint_clutter(scene, rng, keep_off=keep, count=int(rng.poisson(2.5)))
    if rng.random() < 0.82:
        surroundings.paint_cane(
            scene,
            rng,
            centre=layout.centre,
            angle=layout.base,
            half_width_px=layout.long_px * float(rng.uniform(0.7, 2.5)),
            base_deg=world.base_deg,
        )


def _other_photograph(
    scene: Scene, rng: np.random.Generator, layout: Layout, world: World
) -> Array:
    """Light and photograph the scene in the second of two independent ways."""
    length = 2 * layout.long_px
    picture, tint = lit(scene, rng, world.light, length_px=length, centre=layout.centre)
    if world.fault == "glare":
        picture = glare_over(picture, rng, centre=layout.centre, length_px=length, tint=tint)
    return photographed(
        picture,
        rng,
        camera=world.camera,
        tint=tint,
        stops=world.exposure_stops,
        length_px=length,
        fault=world.fault,
        centre=layout.centre,
    )


def _face_centre(
    rng: np.random.Generator, rows: int, cols: int, long_px: float
) -> tuple[float, float]:
    """Draw where the face lies, near the middle, (x, y) in pixels."""
    room = [max(0.0, 0.5 - 1.02 * long_px / side) for side in (cols, rows)]
    return (
        cols * (0.5 + float(np.clip(rng.normal(0, 0.6) * room[0], -0.42, 0.42))),
        rows * (0.5 + float(np.clip(rng.normal(0, 0.6) * room[1], -0.42, 0.42))),
    )


def _points(
    truths: Mapping[Tissue, TissueTruth], labels: Array, grow: float
) -> dict[Tissue, tuple[float, float, float]]:
    """Return the growing points that show, (row, col, radius) in pixels of the photograph."""
    found = {}
    for tissue, truth in truths.items():
        row, col = (value * grow for value in truth.growing_point)
        pixel = round(row), round(col)
        inside = 0 <= pixel[0] < labels.shape[0] and 0 <= pixel[1] < labels.shape[1]
        if inside and labels[pixel] == tissue.label:
            found[tissue] = (row, col, truth.reach_px * grow)
    return found


def _truth_of(
    world: World, truths: Mapping[Tissue, TissueTruth], image: Array, labels: Array, drawn: Array,
    *, layout: Layout, grow: float,
) -> Truth:
    """Gather what is true of a finished photograph; `grow` is its scale over the scene's."""
    shown = [t for t in TISSUES if t in truths and int((labels == t.label).sum()) >= 4]
    low, high = layout.face.min(0), layout.face.max(0)
    box = tuple(int(v * grow) for v in (low[1], low[0], high[1] + 1, high[0] + 1))
    dead = {t: world.is_dead(t) for t in shown if not world.is_unsure(t)}
    points, core_brown = _points(truths, labels, grow), {t: truths[t].core_brown for t in shown}
    life = life_seen(image, drawn, labels, points=points, dead=dead, core_brown=core_brown)
    unsure = {t: "half and half" for t in shown if t not in dead}
    unsure |= {t: one.why_not for t, one in life.items() if one.why_not}
    return Truth(
        exposed={t: t in shown for t in TISSUES},
        dead=dead,
        unsure=unsure,
        brown_share={t: truths[t].brown_share for t in shown},
        core_brown=core_brown,
        growing_points=points,
        usable=world.usable,
        why_not=world.why_not,
        box=(box[0], box[1], box[2], box[3]),
        world=world,
    )


def render_cut(
    rng: np.random.Generator,
    *,
    world: World | None = None,
    size_px: int = 384,
    aspect: float = 1.0,
    out_px: int | None = None,
) -> RenderedCut:
    """Render one photograph of a cut bud.

    Parameters
    ----------
    rng : numpy Generator
        The only source of randomness.
    world : World, optional
        A world as `sample_world` draws it; drawn here when left out.
    size_px : int
        Width at which the scene is drawn, 64 or more.
    aspect : float
        Height over width.
    out_px : int, optional
        Width of the photograph, when it differs from `size_px` (up to 50 megapixels).

    Raises
    ------
    UsageError
        When a size makes no sense.
    """
    if size_px < 64 or not 0.2 <= aspect <= 5:
        raise UsageError(
            f"size_px is {size_px}, aspect is {aspect}",
            where="render_cut",
            expected="at least 64 pixels and an aspect from 0.2 to 5",
            do="Correct the argument.",
        )
    world = world or sample_world(rng)
    rows, cols = max(32, round(size_px * aspect)), size_px
    long_px = max(3.0, 0.5 * world.face_share * cols)
    face_centre = _face_centre(rng, rows, cols, long_px)
    layout = lay_out(rng, world, centre=face_centre, long_px=long_px)
    scene = Scene(rows, cols)
    if rng.random() < 0.7:
        paint_surround(scene, rng, layout, world)
    else:
        _other_surround(scene, rng, layout, world)
    truths = paint_face(scene, rng, layout, world)
    width = out_px or cols
    shape = (max(1, round(width * rows / cols)), width)
    if shape == scene.shape and rng.random() < 0.35:
        image = _other_photograph(scene, rng, layout, world)
    else:
        light = light_up(scene, rng, world, layout)
        image = expose(light, rng, world, layout, out_shape=shape)
    image = processed(image, rng, process=world.staging.process,
                      face_px=2 * long_px * shape[1] / cols)
    zones, brown = scene.labels, (np.clip(scene.brown, 0, 1) * 255 + 0.5).astype(np.uint8)
    brown[(zones < 1) | (zones > 3)] = 0
    drawn = scene.rgb
    if zones.shape != shape:
        pick_r = (np.arange(shape[0]) * rows // shape[0])[:, None]
        pick_c = (np.arange(shape[1]) * cols // shape[1])[None, :]
        zones, brown, drawn = (one[pick_r, pick_c] for one in (zones, brown, drawn))
    labels = np.minimum(zones, LABEL_SCALES)
    truth = _truth_of(world, truths, image, labels, drawn, layout=layout, grow=shape[1] / cols)
    return RenderedCut(image=image, labels=labels, zones=zones, brown=brown, truth=truth)
