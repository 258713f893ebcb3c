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
from budvision.stats.posterior import SharePosterior
from budvision.stats.proportions import effective_limits, size_of_width
from budvision.vineyard.buds import DEAD, LIVE, BudTable
from budvision.vineyard.strata import BlockStrata

__all__ = [
    "SECONDARY_CROP", "CropShares", "SecondaryCrop", "block_potential", "check_class",
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
        0.2, "0 to 30 %, with wide doubt: 10 to 30 % from memory, Grenache bore 2 % in the first "
        "year (Montague and others, ASEV abstract). Use your own records."),
    "french_hybrid": SecondaryCrop(
        0.55, "About 53 % in Marquette where over 80 % of primary shoots were killed in 2012, "
        "worked out from its next crop (Frioni and others 2017, Sci. Hortic. 219:302-309). 20 to "
        "55 % is what records support; use your own."),
})
"""By cultivar class; the setting `secondary_crop` or a block's own value decides."""


@dataclass(frozen=True, slots=True)
class CropShares:
    """Crop potential of every block, arrays of shape (n_blocks,).

    Attributes
    ----------
    share, low, high : ndarray of float64
        In [0, 1]; nan where no primary was judged, or tissues are not paired.
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


def check_class(cultivar_class: str, *, where: str) -> None:
    """Refuse a cultivar class that says nothing of what secondaries bear.

    Parameters
    ----------
    cultivar_class : str
        A key of `SECONDARY_CROP`; empty for not known.
    where : str
        Named in the error.

    Raises
    ------
    InputError
        When it is another word.
    """
    if cultivar_class and cultivar_class not in SECONDARY_CROP:
        raise InputError(f'the cultivar class is "{cultivar_class}"', where=where,
                         expected=", ".join(SECONDARY_CROP),
                         do="Choose one; it says what live secondaries bear.")


def block_potential(
    table: BudTable,
    secondary_crop: ArrayLike,
    primary: SharePosterior,
    *,
    strata: BlockStrata | None = None,
    confidence: float = 0.95,
) -> CropShares:
    """Return the crop potential of every block with its interval.

    Parameters
    ----------
    secondary_crop : array_like of float, scalar or shape (n_blocks,)
        Crop of a live secondary under a dead primary, in [0, 1].
    primary : SharePosterior
        What is known of the share of dead primaries, all causes together.
    strata : BlockStrata, optional
        Of all units of the table; weighted as the primaries' share is.
    confidence : float
        Nominal coverage in (0, 1).

    Returns
    -------
    CropShares
        Without a share where the table's tissues are not paired.

    Notes
    -----
    The estimate is the weighted sum over strata of (L + s S + s U q) / N, with L live primaries, S
    live and U unjudged secondaries under dead ones, N judged primaries, s the secondary's crop and
    q the block's share of live secondaries under dead primaries. Its effective number of buds is
    its own variance of independent buds, widened as the interval of the primaries is against that
    of independent buds; one half pseudo-bud at 0 and at 1 keeps it from vanishing where all buds
    are alike. Limits are exact binomial ones on that number.

    References
    ----------
    Cochran (1977), Sampling Techniques, 3rd ed., sections 5.3 and 6.3; Clopper & Pearson (1934),
    Biometrika 26:404-413, doi 10.1093/biomet/26.4.404.
    """
    n_blocks = len(table.block.names)
    if not table.paired:
        share = np.full(n_blocks, np.nan)
        return CropShares(share, share, share, np.zeros(n_blocks), np.zeros(n_blocks, bool))
    cells = _Cells.of(table, strata)
    crop = np.broadcast_to(np.asarray(secondary_crop, float), (n_blocks,))[:, None]
    judged, second = cells.judged.sum(axis=1), cells.second.sum(axis=1)
    lost = cells.dead.sum(axis=1)
    unknown = (lost > 0) & (judged == 0)
    size = size_of_width(primary.share, *primary.limits(confidence), confidence)
    loss = np.maximum(primary.n / np.maximum(size, 1e-9), 1.0)
    loss /= np.maximum(cells.loss, 1.0)

    def crop_at(alive: Floats) -> tuple[Floats, Floats, Floats]:
        n = np.maximum(cells.n, 1)
        filled = cells.dead - cells.judged
        share = (cells.live + crop * (cells.second + filled * alive[:, None])) / n
        square = (cells.live + crop**2 * (cells.second + filled * alive[:, None])) / n
        spread = np.maximum(square - share**2, 0)
        spread = (spread * n + 0.5 * ((1 - share) ** 2 + share**2)) / (n + 1)
        variance = (cells.weight**2 * spread / n).sum(axis=1)
        gap = (cells.weight * crop * filled / n).sum(axis=1)
        variance = variance + gap**2 * alive * (1 - alive) / np.maximum(judged, 1)
        whole = (cells.weight * share).sum(axis=1)
        inside = (whole > 0) & (whole < 1)
        plain = np.where(inside, whole * (1 - whole) / np.maximum(variance, 1e-300), primary.n)
        effective = np.maximum(plain / np.maximum(loss, 1.0), 1e-9)
        hits = np.where(whole >= 1, effective, whole * effective)
        low, high = effective_limits(hits, effective, confidence)
        return whole, low, high

    alive = np.where(judged > 0, second / np.maximum(judged, 1), 0.0)
    share, low, high = crop_at(alive)
    if unknown.any():
        high = np.where(unknown, crop_at(np.where(unknown, 1.0, alive))[2], high)
    none = cells.n.sum(axis=1) == 0
    for values in (share, low, high):
        values[none] = np.nan
    return CropShares(share, low, high, np.where(unknown, 0.0, lost - judged), unknown)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Cells:
    """Buds of each block and stratum, arrays of shape (n_blocks, n_strata).

    `weight` sums to 1 over the strata of a block that were judged; `loss`, shape (n_blocks,), is
    what weighting itself costs against as many buds of one stratum.
    """

    n: Floats
    live: Floats
    dead: Floats
    judged: Floats
    second: Floats
    weight: Floats
    loss: Floats

    @classmethod
    def of(cls, table: BudTable, strata: BlockStrata | None) -> _Cells:
        """Count the buds of a table."""
        n_blocks = len(table.block.names)
        n_strata = len(strata.names) if strata else 1
        stratum = strata.of_unit[table.unit] if strata else np.zeros(table.n_buds, np.int64)
        cell = table.block.codes * n_strata + stratum
        primary, secondary = table.calls[:, 0], table.calls[:, 1]

        def count(flag: Bools) -> Floats:
            found: Floats = np.bincount(cell[flag], minlength=n_blocks * n_strata).astype(float)
            return found.reshape(n_blocks, n_strata)

        live, dead = count(primary == LIVE), count(primary == DEAD)
        under = primary == DEAD
        second = count(under & (secondary == LIVE))
        judged = second + count(under & (secondary == DEAD))
        n = live + dead
        weight = n.copy()
        if strata:
            given = np.where(n > 0, strata.weights, 0.0)
            weight = np.where((given.sum(axis=1) > 0)[:, None] & strata.weighted[:, None],
                              given, n)
        weight /= np.maximum(weight.sum(axis=1, keepdims=True), 1e-300)
        kept = np.where(weight > 0, 1.0, 0.0)
        safe = np.maximum(n, 1)
        loss = (weight**2 / safe).sum(axis=1) * (n * kept).sum(axis=1)
        return cls(n=n, live=live, dead=dead, judged=judged, second=second, weight=weight,
                   loss=loss)
