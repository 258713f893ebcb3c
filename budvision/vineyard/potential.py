"""Crop potential of a block: what the buds could bear, as a share of a full crop.

A live primary counts 1. A dead primary with a live secondary counts the secondary's share
(`secondary_crop`, one third by default); with a dead secondary, 0. Tertiaries bear no crop.

Missing tissues. A bud whose primary is unsure, not exposed or not called counts nowhere. A dead
primary whose secondary nobody judged is taken to be like the dead primaries of the same block
whose secondary was judged. Where no secondary under a dead primary was judged at all, the share
counts them as bearing nothing, and the upper end of the interval counts them all as live.

All deaths count here, whatever their cause: a bud killed by mites bears no more than one killed
by cold.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from budvision.errors import InputError
from budvision.stats.groups import group_shares, working_effect
from budvision.stats.proportions import effective_limits
from budvision.vineyard.buds import DEAD, LIVE, BudTable

__all__ = [
    "SECONDARY_CROP", "CropShares", "SecondaryCrop", "block_potential", "crop_potential",
]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class SecondaryCrop:
    """What a live secondary under a dead primary bears, as a share of a primary's crop."""

    share: float
    source: str


SECONDARY_CROP: Mapping[str, SecondaryCrop] = MappingProxyType({
    "usual": SecondaryCrop(
        1 / 3, "Common practice. Most cultivars: the primary holds 70 to 75 % of the bud's crop "
        "(Wines & Vines, Oct 2015), that is 0.33 to 0.43."),
    "labruscana": SecondaryCrop(
        0.35, "Concord, Niagara: G. S. Howell, grapes.extension.org, 2019."),
    "norton": SecondaryCrop(
        0.0, "Norton seldom fruits from secondaries: Missouri Vinews 2023 no. 1 and 2020 no. 5."),
    "vinifera": SecondaryCrop(
        0.2, "10 to 30 % from memory, no source found; Grenache bore 2 % in the first year "
        "(Montague and others, ASEV abstract). Use your own records."),
    "french_hybrid": SecondaryCrop(
        0.55, "40 to 70 % from memory, no source found. Use your own records."),
})
"""By cultivar class; the setting `secondary_crop` or a block's own value decides."""


@dataclass(frozen=True, slots=True)
class CropShares:
    """Crop potential of every block, arrays of shape (n_blocks,).

    Attributes
    ----------
    share, low, high : ndarray of float64
        In [0, 1]; nan where no primary was judged.
    n_filled : ndarray of float64
        Dead primaries without a judged secondary, filled from the others of the block.
    unknown : ndarray of bool
        True where no secondary under a dead primary was judged.
    """

    share: Floats
    low: Floats
    high: Floats
    n_filled: Floats
    unknown: Bools


def crop_potential(
    n_primary_live: float, n_secondary_live: float, n_blind: float, *, secondary_crop: float = 1 / 3
) -> float:
    """Return the crop potential of counted nodes.

    Parameters
    ----------
    n_primary_live : float
        Nodes with a live primary.
    n_secondary_live : float
        Nodes with a dead primary and a live secondary.
    n_blind : float
        Nodes with neither.
    secondary_crop : float
        Crop of such a secondary as a share of a primary's, in [0, 1].

    Returns
    -------
    float
        Share of a full crop.

    Raises
    ------
    InputError
        When a count is negative, all are zero, or the share is outside [0, 1].

    References
    ----------
    G. S. Howell, 'Estimating grapevine potential productivity after spring frost or winter bud
    damage', grapes.extension.org (secondary about 35 % in labruscana).
    """
    counts = (n_primary_live, n_secondary_live, n_blind)
    if min(counts) < 0 or sum(counts) <= 0 or not 0 <= secondary_crop <= 1:
        raise InputError(
            f"counts are {counts!r} and the secondary's share {secondary_crop!r}",
            expected="counts of at least 0, one above it, and a share in [0, 1]",
        )
    return (n_primary_live + secondary_crop * n_secondary_live) / sum(counts)


def block_potential(
    table: BudTable,
    secondary_crop: ArrayLike,
    *,
    prior_icc: float,
    confidence: float = 0.95,
) -> CropShares:
    """Return the crop potential of every block with its interval.

    Parameters
    ----------
    table : BudTable
    secondary_crop : array_like of float, scalar or shape (n_blocks,)
        Crop of a live secondary under a dead primary, in [0, 1].
    prior_icc, confidence : float
        As in `budvision.stats.groups.working_effect`.

    Returns
    -------
    CropShares

    Notes
    -----
    The estimate is L/N + s (D/N) q, with L live and D dead among N judged primaries, s the
    secondary's crop and q the share of live secondaries under dead primaries. Its variance is
    linearised over canes; one half pseudo-bud at 0 and at 1 keeps it from vanishing where all
    buds are alike. Limits are those of a Beta distribution matched to mean and variance.

    References
    ----------
    Cochran (1977), Sampling Techniques, 3rd ed., sections 3.12 and 6.3; Korn & Graubard (1998).
    """
    n_blocks, block_of = len(table.block.names), table.block_of_cane
    n_canes = len(block_of)
    primary, secondary = table.calls[:, 0], table.calls[:, 1]
    dead = primary == DEAD

    def by_cane(flag: Bools) -> Floats:
        return np.bincount(table.cane.codes[flag], minlength=n_canes).astype(np.float64)

    def by_block(values: Floats) -> Floats:
        return np.bincount(block_of, weights=values, minlength=n_blocks).astype(np.float64)

    live_c, dead_c = by_cane(primary == LIVE), by_cane(dead)
    second_c = by_cane(dead & (secondary == LIVE))
    second_dead_c = by_cane(dead & (secondary == DEAD))
    size_c, told_c = live_c + dead_c, second_c + second_dead_c
    groups = group_shares(dead_c, size_c, block_of, n_blocks)
    n, told = groups.n, by_block(told_c)
    live, lost, second = by_block(live_c), groups.hits, by_block(second_c)
    crop = np.broadcast_to(np.asarray(secondary_crop, float), (n_blocks,))
    unknown = (lost > 0) & (told == 0)
    safe_n, safe_told = np.maximum(n, 1), np.maximum(told, 1)

    def at(second_share: Floats) -> tuple[Floats, Floats, Floats]:
        share = (live + crop * lost * second_share) / safe_n
        base = (crop * second_share - share) / safe_n
        step = np.where(told > 0, crop * lost / safe_n / safe_told, 0.0)
        squares = (
            live * ((1 - share) / safe_n) ** 2 + second * (base + step * (1 - second_share)) ** 2
            + (told - second) * (base - step * second_share) ** 2 + (lost - told) * base**2
        )
        reach = (
            live_c * ((1 - share) / safe_n)[block_of] + dead_c * base[block_of]
            + step[block_of] * (second_c - second_share[block_of] * told_c)
        )
        k = groups.n_clusters
        with np.errstate(invalid="ignore", divide="ignore"):
            variance = np.where(k > 1, k / (k - 1) * by_block(reach**2), np.nan)
            seen = np.where(squares > 0, variance / squares, np.nan)
        effect = working_effect(groups, prior_icc=prior_icc, confidence=confidence, seen=seen)
        smooth = (squares * safe_n**2 + 0.5 * ((1 - share) ** 2 + share**2)) / (n + 1)
        inside = (share > 0) & (share < 1)
        size = np.where(inside, share * (1 - share) / smooth, 1.0) * effect.n_effective
        size = np.where(n > 0, size, 1.0)
        low, high = effective_limits(np.where(share >= 1, size, share * size), size, confidence)
        return share, low, high

    share, low, high = at(np.where(told > 0, second / safe_told, 0.0))
    if unknown.any():
        high = np.where(unknown, at(np.where(unknown, 1.0, second / safe_told))[2], high)
    none = n == 0
    for values in (share, low, high):
        values[none] = np.nan
    return CropShares(share, low, high, np.where(unknown, 0.0, lost - told), unknown)
