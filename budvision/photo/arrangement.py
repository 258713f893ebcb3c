"""From probabilities of each pixel to at most one region a tissue, in a possible arrangement.

The primary is the largest region; mostly it lies in the middle, the secondary and the tertiary on
opposite sides of it, the secondary towards the cane base and larger (FACTS of the trade: primary
largest, secondary beside the scar of the leaf stalk, tertiary on the tip side). That is a habit and
no law: flankers lie on one side or behind one another, too. The network's own opinion, the areas
and, where it is known, the side of the cane base decide together which is which. A network that
sees growing points tells two flankers that touch from one, and a third bud from a stray patch.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from budvision.photo.windows import window_round
from budvision.vocabulary import LABEL_SCALES

__all__ = ["Arrangement", "arrange"]

Array = NDArray[Any]

LEAST_SHARE = 0.0011
"""Smallest region of a tissue, as a share of the face's area."""
LONE_PRIOR = 0.5
"""Log odds that a flanker alone is the secondary when nothing else speaks."""
BASE_WEIGHT = 5.0
"""Log odds of a flanker straight towards the cane base being the secondary: a bud held the wrong
way round once in 150 times. The model's card says how many flankers alone it names right.
"""


@dataclass(frozen=True, slots=True)
class Arrangement:
    """Labels in a possible arrangement.

    Attributes
    ----------
    labels : ndarray of uint8, (n, n)
    swap_doubt : float
        Probability in [0, 0.5] that secondary and tertiary should change places.
    """

    labels: NDArray[np.uint8]
    swap_doubt: float


@dataclass(slots=True, kw_only=True)
class _Region:
    mask: Array
    area: int
    weight: float
    centre: Array
    lean: float
    heat: float = 0.0


SEEN_POINT = 0.3
"""Share of a growing point above which a region is taken for a bud wherever it lies."""


def _regions(
    mask: Array, weight: Array, second: Array, third: Array, least: float
) -> list[_Region]:
    """Return the connected regions of a mask, the heaviest first."""
    count, index, stats, centres = cv2.connectedComponentsWithStats(
        mask.astype(np.uint8), connectivity=8
    )
    found = []
    for k in range(1, count):
        area = int(stats[k, cv2.CC_STAT_AREA])
        if area < least:
            continue
        own = index == k
        lean = float(np.mean(np.log(second[own] + 0.02) - np.log(third[own] + 0.02)))
        found.append(_Region(mask=own, area=area, weight=float(weight[own].sum()),
                             centre=centres[k][::-1].copy(), lean=lean))
    return sorted(found, key=lambda region: -region.weight)


def _filled(mask: Array) -> Array:
    """Fill the holes of a region and smooth its edge by a pixel."""
    outer, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    full = np.zeros(mask.shape, np.uint8)
    cv2.drawContours(full, outer, -1, 1, cv2.FILLED)
    return full.astype(bool)


def _angle_between(first: Array, second: Array) -> float:
    along = float(np.hypot(*first) * np.hypot(*second))
    return float(np.degrees(np.arccos(np.clip(first @ second / max(along, 1e-6), -1, 1))))


def _warm(regions: list[_Region], heat: Array | None) -> list[_Region]:
    """Note how surely a growing point lies in each region."""
    if heat is not None:
        for region in regions:
            region.heat = float(heat[region.mask].max())
    return regions


def _primaries(shares: Array, face: Array, least: float, heat: Array | None) -> list[_Region]:
    """Return the regions of the primary's class, the likeliest first."""
    mask = (
        (shares[1] > np.maximum(shares[0], shares[4]))
        & (shares[1] > np.maximum(shares[2], shares[3]))
        & face
    )
    found = _warm(_regions(mask, shares[1], shares[2], shares[3], least), heat)
    if len(found) < 2:
        return found
    rows, cols = np.nonzero(face)
    middle = np.array([rows.mean(), cols.mean()])
    reach = np.sqrt(len(rows) / np.pi)
    # a network that sees growing points knows better than the habit of lying in the middle
    far = 0.6 * reach if heat is None else 1.6 * reach

    def likely(region: _Region) -> float:
        away = np.exp(-((np.hypot(*(region.centre - middle)) / far) ** 2))
        return float(region.weight * away * (1.0 if heat is None else 0.3 + region.heat))

    return sorted(found, key=likely, reverse=True)


def _parted(
    region: _Region, shares: Array, primary: _Region | None, least: float, heat: Array | None
) -> list[_Region]:
    """Part a region with both opinions in it where it is two flankers that touch."""
    beside = shares[2] + shares[3]
    parts = [
        _warm(_regions(region.mask & (shares[k] >= shares[5 - k]), beside, shares[2], shares[3],
                       max(least, 0.2 * region.area)), heat)
        for k in (2, 3)]
    if not parts[0] or not parts[1]:
        return [region]
    first, second = parts[0][0], parts[1][0]
    if heat is not None:
        two = min(first.heat, second.heat) > SEEN_POINT
        peaks = [np.argwhere(one.mask)[int(np.argmax(heat[one.mask]))] for one in (first, second)]
        apart = float(np.hypot(*(peaks[0] - peaks[1])))
        smaller = np.sqrt(min(first.area, second.area) / np.pi)
        return [first, second] if two and apart > 1.2 * smaller else [region]
    across = primary is not None and _angle_between(
        first.centre - primary.centre, second.centre - primary.centre) > 70
    return [first, second] if across else [region]


def _flankers(
    shares: Array, face: Array, primary: _Region | None, least: float, heat: Array | None
) -> list[_Region]:
    """Return up to two regions beside the primary."""
    beside = shares[2] + shares[3]
    others = np.maximum(np.maximum(shares[0], shares[4]), shares[1])
    mask = (beside > others) & face
    found = _warm(_regions(mask, beside, shares[2], shares[3], least), heat)
    if len(found) == 1 or (len(found) > 1 and found[1].area < 0.12 * found[0].area):
        parts = _parted(found[0], shares, primary, least, heat)
        found = parts if len(parts) > 1 else found
    if primary is None or len(found) < 2:
        return found[:2]
    first = found[0]
    second = [
        region
        for region in found[1:]
        if region.heat > SEEN_POINT
        or _angle_between(first.centre - primary.centre, region.centre - primary.centre) > 75
    ]
    return [first, second[0]] if second else [first]


def arrange(
    shares: Array,
    face: Array,
    *,
    base_direction_deg: float | None = None,
    base_weight: float = BASE_WEIGHT,
    lone_odds: float = 0.0,
    heat: Array | None = None,
) -> Arrangement:
    """Choose at most one region for each tissue.

    Parameters
    ----------
    shares : ndarray of float32, (5, n, n)
        Probability of each label at each pixel.
    face : ndarray of bool, (n, n)
        The cut face.
    base_direction_deg : float, optional
        Direction of the cane base, degrees clockwise from the right of the picture.
    base_weight : float
        Log odds that the side of the cane base speaks for the secondary.
    lone_odds : float
        Log odds that a flanker alone is the secondary, from the whole picture.
    heat : ndarray of float32, (n, n), optional
        Share of a growing point lying at each pixel.

    Notes
    -----
    Two flankers are told apart by the sum of three log odds: the network's mean opinion over each,
    three times the log ratio of the areas, and the cane base's side where it is known. One flanker
    alone is told by the network's opinion of its pixels and of the whole picture, and by the cane
    base; a blade going deeper meets the secondary first. The weights are rounded from
    logistic regressions on 163 flankers alone in renders of the main renderer and 105 of the
    second, none of them trained on.
    """
    whole = np.where(face, LABEL_SCALES, 0).astype(np.uint8)
    if not face.any():
        return Arrangement(whole, 0.0)
    window = window_round(face, 1)  # nothing lies outside the face
    labels, face = whole[window], face[window]
    shares, heat = shares[:, *window], None if heat is None else heat[window]
    least = max(6.0, LEAST_SHARE * float(face.sum()))
    candidates = _primaries(shares, face, least, heat)
    primary = candidates[0] if candidates else None
    beside = _flankers(shares, face, primary, least, heat)
    if len(beside) < 2:  # a second bud that looks like a primary is a flanker
        beside += [one for one in candidates[1:] if one.heat > SEEN_POINT][: 2 - len(beside)]
    doubt = 0.0

    def toward_base(region: _Region) -> float:
        if base_direction_deg is None or primary is None:
            return 0.0
        way = region.centre - primary.centre
        turn = np.arctan2(way[0], way[1]) - np.deg2rad(base_direction_deg)
        return float(base_weight * np.cos(turn))

    if len(beside) == 2:
        first, second = beside
        odds = 0.5 * (first.lean - second.lean) + 3.0 * float(np.log(first.area / second.area))
        odds += 0.5 * (toward_base(first) - toward_base(second))
        if odds < 0:
            first, second = second, first
        doubt = float(1 / (1 + np.exp(np.clip(abs(odds), 0, 30))))
        order = [(2, first), (3, second)]
    elif beside:
        odds = 0.6 * beside[0].lean + 0.45 * lone_odds + LONE_PRIOR + toward_base(beside[0])
        doubt = float(1 / (1 + np.exp(np.clip(abs(odds), 0, 30))))
        order = [(2 if odds >= 0 else 3, beside[0])]
    else:
        order = []
    for label, region in order:
        labels[_filled(region.mask) & face] = label
    if primary is not None:
        own = _filled(primary.mask)
        for _, region in order:
            own &= ~region.mask
        labels[own & face] = 1
    return Arrangement(whole, doubt)
