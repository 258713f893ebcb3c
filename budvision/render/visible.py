"""What a person could see in a finished photograph, and of each tissue in it.

A render knows every label, also of tissue that nobody could tell in the photograph: burnt out to
white, of the same colour as the wool beside it, or cut off by the edge of the frame. And it knows
what fault was asked for, also where a lamp turned up too far has left dark tissue well lit. What
cannot be seen is asked neither of the network nor of the evaluation.

It knows, too, which tissue it meant to be alive; whether anybody could say so from the finished
photograph is another matter. `life_seen` takes the light and the camera out again, pixel by pixel
against what was drawn, and reads the colour of the growing point as an eye wholly used to that
light would, against all looks that living and dead tissue may have: what lies between them or
looks like the other state, is cut through by the injury, has too few pixels or is hidden people
would leave unsure. The rule reads the rendered truth and the finished photograph, never what a
model says.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np

from budvision.photo.colour import lab_from_linear, linear_light
from budvision.photo.quality import burnt_out
from budvision.photo.windows import Window, window_round
from budvision.render.fields import Array
from budvision.render.palette import CULTIVARS, DEAD_LOOKS, LIVE_LOOKS, away_from
from budvision.vocabulary import TISSUES, Tissue

__all__ = [
    "DARK_BELOW",
    "JUST_SEEN",
    "LEAST_DIFFERENCE",
    "LEAST_POINT_PX",
    "MOST_CLIPPED",
    "LifeSeen",
    "Sight",
    "can_be_told",
    "life_seen",
    "on_the_border",
    "sights",
]

LEAST_DIFFERENCE = 6.0
"""Colour difference (CIE 1976) from what lies round a tissue below which nobody tells it."""
MOST_CLIPPED = 0.5
"""Share of a tissue burnt out above which nobody can judge it."""
DARK_BELOW = 75.0
"""Grey level (0 to 255) that a tenth of the face exceeds: below it the face is dark. Of renders
meant to be too dark all lie below 72, of good ones 1 in 60 (900 photographs)."""
JUST_SEEN = 2.3
"""Colour difference (CIE 1976) that is just noticed (Mahy, Van Eycken & Oosterlinck 1994): by so
much a pixel must be nearer to the looks of one state to look like it. A growing point can be judged
where a quarter of it looks like its own state, and twice as much as like the other."""
LEAST_POINT_PX = 8
"""Pixels of the photograph that a growing point must have to be judged."""
_POINT_REACH = 0.4
_LIVING = (*(family.live for family in CULTIVARS), *LIVE_LOOKS.values())
_HALF = (0.25, 0.75)
_TWICE, _LEAST_TOLD = 2.0, 0.25
_CROP_PX = 160
_BURNT_FROM = 250


@dataclass(frozen=True, slots=True)
class Sight:
    """How well one tissue shows.

    Attributes
    ----------
    difference : float
        Colour difference (CIE 1976) between tissue and surroundings: the larger of that of the
        medians and that of the spreads of lightness.
    clipped : float
        Share of the tissue burnt out in two channels or all, in [0, 1].
    cut_off : bool
        Whether the edge of the frame cuts it.
    """

    difference: float
    clipped: float
    cut_off: bool

    @property
    def clear(self) -> bool:
        """Whether a person could tell and judge the tissue."""
        return (
            self.difference >= LEAST_DIFFERENCE
            and self.clipped <= MOST_CLIPPED
            and not self.cut_off
        )


def sights(image: Array, labels: Array) -> Mapping[Tissue, Sight]:
    """Measure how well each labelled tissue shows.

    Parameters
    ----------
    image : ndarray of uint8, (rows, cols, 3)
        Upright sRGB.
    labels : ndarray of uint8, (rows, cols)
        0 background, 1 to 3 tissues, 4 scales and wool.

    Returns
    -------
    mapping of Tissue to Sight
        For the tissues that still show when the face is reduced to 160 pixels.
    """
    window = window_round(labels, 0)
    part, own = image[window], labels[window]
    if not own.size:
        return {}
    height, width = own.shape
    scale = _CROP_PX / max(width, height)
    size = (max(4, round(width * scale)), max(4, round(height * scale)))
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    small = cv2.resize(np.ascontiguousarray(part), size, interpolation=how)
    marks = cv2.resize(np.ascontiguousarray(own), size, interpolation=cv2.INTER_NEAREST)
    lab = cv2.cvtColor(
        cv2.GaussianBlur(small, (0, 0), 1.5).astype(np.float32) / 255, cv2.COLOR_RGB2Lab
    )
    white = _burnt_out(small)
    found = {}
    for tissue in TISSUES:
        mask = marks == tissue.label
        if not mask.any():
            continue
        reach = max(2, round(0.5 * float(np.sqrt(mask.sum() / np.pi))))
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
        ring = (cv2.dilate(mask.astype(np.uint8), disc) > 0) & ~mask & (marks == 4)
        inner = cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        inner = inner if inner.any() else mask
        full = labels == tissue.label
        found[tissue] = Sight(
            difference=_difference(lab[inner], lab[ring]) if ring.sum() > 8 else 100.0,
            clipped=float(white[mask].mean()),
            cut_off=bool(
                full[0].any() or full[-1].any() or full[:, 0].any() or full[:, -1].any()
            ),
        )
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class LifeSeen:
    """What a finished photograph shows of a tissue's life.

    Attributes
    ----------
    dead : bool
        What is true of its growing point.
    brown_share : float
        Dead share of the growing point as drawn, in [0, 1].
    n_px : int
        Pixels of the growing point in the photograph; 0 where it is hidden.
    looks_live, looks_dead : float
        Shares of them that are nearer to the looks of living than of dead tissue, light and camera
        taken out, by at least `JUST_SEEN`, and the other way round.
    burnt : float
        Share of the growing point burnt out, in [0, 1].
    """

    dead: bool
    brown_share: float
    n_px: int
    looks_live: float
    looks_dead: float
    burnt: float

    @property
    def why_not(self) -> str:
        """Why nobody could judge it, in plain words; empty where people could."""
        if self.n_px == 0:
            return "hidden"
        if self.n_px < LEAST_POINT_PX:
            return "too small"
        if _HALF[0] < self.brown_share < _HALF[1]:
            return "half and half"
        if self.burnt > MOST_CLIPPED:
            return "burnt out"
        own, other = self.looks_live, self.looks_dead
        if self.dead:
            own, other = other, own
        if other >= _TWICE * own and other >= _LEAST_TOLD:
            return "of the other side's colour"
        return "" if own >= _TWICE * other and own >= _LEAST_TOLD else "between living and dead"


def life_seen(
    image: Array,
    reflectance: Array,
    labels: Array,
    *,
    points: Mapping[Tissue, tuple[float, float, float]],
    dead: Mapping[Tissue, bool],
    core_brown: Mapping[Tissue, float],
) -> Mapping[Tissue, LifeSeen]:
    """Read the life of each exposed tissue as a person could from the finished photograph.

    Parameters
    ----------
    image : ndarray of uint8, (rows, cols, 3)
        The finished photograph, sRGB.
    reflectance : ndarray of float32, (rows, cols, 3)
        What was drawn, in linear light, before lamp and camera.
    labels : ndarray of uint8, (rows, cols)
        0 background, 1 to 3 tissues, 4 scales and wool.
    points : mapping of Tissue to (row, col, radius)
        Growing points that show, and the tissue's radius, in pixels.
    dead, core_brown : mapping of Tissue
        What is true of the growing points, and their dead share.

    Returns
    -------
    mapping of Tissue to LifeSeen
        For the tissues of `dead`.

    Notes
    -----
    The light is taken out as the median, over the rest of the face, of what stands in the
    photograph over what was drawn, channel by channel: an eye wholly used to the light, which is
    more than people manage. So fewer tissues are left out than people would leave unsure.
    """
    found: dict[Tissue, LifeSeen] = {}
    if not dead:
        return found
    window = window_round(labels, 0)
    labels, drawn = labels[window], reflectance[window].reshape(-1, 3)
    part = np.ascontiguousarray(image[window])
    smooth = np.asarray(cv2.medianBlur(part, 3), np.uint8).reshape(-1, 3)
    white = _burnt_out(part).ravel()
    for tissue, gone in dead.items():
        point = points.get(tissue)
        core = np.zeros(0, np.intp) if point is None else _point_of(labels, tissue, point, window)
        looks, burnt = (0.0, 0.0), 0.0
        if core.size:
            rest = np.flatnonzero((labels.ravel() > 0) & (labels.ravel() != tissue.label) & ~white)
            rest = _some(rest if rest.size >= LEAST_POINT_PX else np.flatnonzero(labels))
            gain = np.median(_log(linear_light(smooth[rest])) - _log(drawn[rest]), axis=0)
            looks = _looks(linear_light(smooth[_some(core)]) / np.exp(gain))
            burnt = float(white[core].mean())
        share = float(core_brown.get(tissue, float(gone)))
        found[tissue] = LifeSeen(
            dead=bool(gone), brown_share=share, n_px=core.size, looks_live=looks[0],
            looks_dead=looks[1], burnt=burnt)
    return found


def _some(places: Array) -> Array:
    """Return a few thousand of many places, evenly."""
    return places[:: max(1, places.size // 2000)]


def _log(light: Array) -> Array:
    return np.asarray(np.log(np.maximum(light, 1e-3)))


def _looks(light: Array) -> tuple[float, float]:
    """Return the shares of colours, linear light (n, 3), that look living and that look dead."""
    lab = lab_from_linear(light)
    living = np.min([away_from(lab, look) for look in _LIVING], axis=0)
    gone = np.min([away_from(lab, look) for look in DEAD_LOOKS.values()], axis=0)
    return (float(np.mean(gone - living >= JUST_SEEN)), float(np.mean(living - gone >= JUST_SEEN)))


def _point_of(
    labels: Array, tissue: Tissue, point: tuple[float, float, float], window: Window
) -> Array:
    """Return the places of a tissue's pixels round its growing point, in a window laid flat."""
    rows, cols = np.ogrid[window]
    near = np.hypot(rows - point[0], cols - point[1]) <= max(1.0, _POINT_REACH * point[2])
    return np.flatnonzero(near & (labels == tissue.label))


def can_be_told(
    image: Array, labels: Array, exposed: Mapping[Tissue, bool]
) -> Mapping[Tissue, bool]:
    """Say of each tissue whether a person could tell it; True of one that is not exposed.

    Parameters
    ----------
    image, labels
        As for `sights`.
    exposed : mapping of Tissue to bool
        Whether the cut has reached it.
    """
    seen = sights(image, labels)
    return {t: not exposed[t] or (t in seen and seen[t].clear) for t in TISSUES}


def on_the_border(image: Array, labels: Array, why_not: str) -> bool:
    """Say whether people would disagree about a photograph that a render calls good or faulty.

    So it is where one meant to be too dark shows the face in the light, one meant to be blown out
    shows most of the primary, and a good one is as dark as those that are too dark.

    Parameters
    ----------
    image, labels
        As for `sights`.
    why_not : str
        Why the render calls it unusable, empty for a good one.
    """
    if why_not not in ("", "too_dark", "blown_out") or not (labels > 0).any():
        return False
    window = window_round(labels, 0)
    part, own = image[window], labels[window]
    face = own > 0
    if why_not == "blown_out":
        primary = own == Tissue.PRIMARY.label
        return bool(_burnt_out(part)[primary if primary.any() else face].mean() <= MOST_CLIPPED)
    grey = cv2.cvtColor(np.ascontiguousarray(part), cv2.COLOR_RGB2GRAY)
    dark = float(np.quantile(grey[face], 0.9)) < DARK_BELOW
    return dark == (why_not == "")


def _burnt_out(image: Array) -> Array:
    """Return where two channels or all stand at the top of what the photograph holds.

    A camera's curve may end below 255: the brightest thousandth of the face tells where.
    """
    highest = float(np.quantile(image.max(2), 0.999))
    top = min(_BURNT_FROM, highest - 4) if highest > 215 else _BURNT_FROM
    return burnt_out(image, top=top)


def _difference(tissue: Array, around: Array) -> float:
    middles = float(np.linalg.norm(np.median(tissue, 0) - np.median(around, 0)))
    spreads = abs(float(tissue[:, 0].std()) - float(around[:, 0].std()))
    return max(middles, 2.0 * spreads)
