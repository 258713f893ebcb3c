"""From probabilities of each pixel to at most one region a tissue, in a possible arrangement.

The primary is the largest region and lies in the middle; the secondary and the tertiary lie on
opposite sides of it, the secondary towards the cane base and larger (FACTS of the trade: primary
largest, secondary beside the scar of the leaf stalk, tertiary on the tip side). The network's own
opinion, the areas and, where it is known, the side of the cane base decide together which is which.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

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


@dataclass(slots=True)
class _Region:
    mask: Array
    area: int
    weight: float
    centre: Array
    lean: float


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
        found.append(_Region(own, area, float(weight[own].sum()), centres[k][::-1].copy(), lean))
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


def _primary(shares: Array, face: Array, least: float) -> _Region | None:
    """Return the primary: the heaviest region of its class, central ones before others."""
    mask = (
        (shares[1] > np.maximum(shares[0], shares[4]))
        & (shares[1] > np.maximum(shares[2], shares[3]))
        & face
    )
    found = _regions(mask, shares[1], shares[2], shares[3], least)
    if not found:
        return None
    if len(found) == 1:
        return found[0]
    rows, cols = np.nonzero(face)
    middle = np.array([rows.mean(), cols.mean()])
    reach = np.sqrt(len(rows) / np.pi)
    return max(
        found,
        key=lambda r: r.weight * np.exp(-((np.hypot(*(r.centre - middle)) / (0.6 * reach)) ** 2)),
    )


def _flankers(shares: Array, face: Array, primary: _Region | None, least: float) -> list[_Region]:
    """Return up to two regions beside the primary, on opposite sides of it."""
    beside = shares[2] + shares[3]
    others = np.maximum(np.maximum(shares[0], shares[4]), shares[1])
    mask = (beside > others) & face
    found = _regions(mask, beside, shares[2], shares[3], least)
    if len(found) == 1 or (len(found) > 1 and found[1].area < 0.12 * found[0].area):
        # one region with both opinions in it: two that touch
        parts = [
            _regions(
                found[0].mask & (shares[k] >= shares[5 - k]),
                beside,
                shares[2],
                shares[3],
                max(least, 0.2 * found[0].area),
            )
            for k in (2, 3)
        ]
        if (
            parts[0]
            and parts[1]
            and primary is not None
            and _angle_between(
                parts[0][0].centre - primary.centre, parts[1][0].centre - primary.centre
            )
            > 70
        ):
            found = [parts[0][0], parts[1][0]]
    if primary is None or len(found) < 2:
        return found[:2]
    first = found[0]
    across = [
        region
        for region in found[1:]
        if _angle_between(first.centre - primary.centre, region.centre - primary.centre) > 75
    ]
    return [first, across[0]] if across else [first]


def arrange(
    shares: Array,
    face: Array,
    *,
    base_direction_deg: float | None = None,
    base_weight: float = BASE_WEIGHT,
    lone_odds: float = 0.0,
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

    Returns
    -------
    Arrangement

    Notes
    -----
    Two flankers are told apart by the sum of three log odds: the network's mean opinion over each,
    three times the log ratio of the areas, and the cane base's side where it is known. One flanker
    alone is told by the network's opinion of its pixels and of the whole picture, and by the cane
    base; a blade going deeper meets the secondary first. The weights are rounded from
    logistic regressions on 163 flankers alone in renders of the main renderer and 105 of the
    second, none of them trained on.
    """
    labels = np.where(face, LABEL_SCALES, 0).astype(np.uint8)
    least = max(6.0, LEAST_SHARE * float(face.sum()))
    primary = _primary(shares, face, least)
    beside = _flankers(shares, face, primary, least)
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
    return Arrangement(labels, doubt)
