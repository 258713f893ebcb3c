"""Vine-size classes as strata: shares weighted by the block's own make-up.

Where the share of small, medium and large vines in the block is known, each class counts by that
share, whatever the sample took (post-stratification). Without it the sample counts as it is.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

from budvision.errors import InputError
from budvision.stats.groups import GroupShares, group_shares
from budvision.vineyard.buds import BudTable

__all__ = ["StrataShares", "cane_strata", "stratified_shares"]

Floats = NDArray[np.float64]
StrataShares = Mapping[str, Mapping[str, float]]
"""For each block, the share of its vines in each vine-size class."""


def cane_strata(table: BudTable) -> NDArray[np.int64]:
    """Return the vine-size class of each cane, an index into `table.vigor.names`.

    Parameters
    ----------
    table : BudTable
    """
    of_cane = np.zeros(len(table.block_of_cane), dtype=np.int64)
    of_cane[table.cane.codes] = table.vigor.codes
    return of_cane


def _weights(table: BudTable, given: StrataShares) -> tuple[Floats, NDArray[np.bool_]]:
    names = table.vigor.names
    weights = np.zeros((len(table.block.names), len(names)))
    weighted = np.zeros(len(table.block.names), dtype=bool)
    for at, block in enumerate(table.block.names):
        shares = given.get(block)
        if shares is None:
            continue
        if min(shares.values(), default=0) < 0 or sum(shares.values()) <= 0:
            raise InputError(
                f"the vine-size shares are {dict(shares)}", where=f"block {block}",
                expected="shares of at least 0 that sum to 1", do="Correct the block's shares.",
            )
        weighted[at] = True
        weights[at] = [shares.get(name, 0.0) for name in names]
    return weights, weighted


def stratified_shares(
    table: BudTable, hits: ArrayLike, sizes: ArrayLike, given: StrataShares
) -> GroupShares:
    """Return shares with vine-size classes as strata, weighted by the block's own shares.

    Parameters
    ----------
    table : BudTable
    hits, sizes : array_like, shape (n_canes,)
        Dead and judged of each cane.
    given : mapping
        For each block, the share of its vines in each class. Blocks not named, and blocks none of
        whose sampled classes is named, are left unweighted.

    Returns
    -------
    GroupShares
        `hits` is the weighted share times the number judged. A class that was not sampled, or
        that has no share, counts nowhere; the weights of the others are scaled to 1. A class with
        one cane borrows the mean variance a cane of the block's other classes.

    Raises
    ------
    InputError
        When a block's shares are negative or sum to nothing.

    References
    ----------
    Cochran (1977), Sampling Techniques, 3rd ed., sections 5.3 and 5A.9; Korn & Graubard (1998).
    """
    plain = group_shares(hits, sizes, table.block_of_cane, len(table.block.names))
    weights, weighted = _weights(table, given)
    n_blocks, n_strata = weights.shape
    cell = table.block_of_cane * n_strata + cane_strata(table)
    cells = group_shares(hits, sizes, cell, n_blocks * n_strata)
    shape = (n_blocks, n_strata)
    n, k = cells.n.reshape(shape), cells.n_clusters.reshape(shape)
    weights = np.where(n > 0, weights, 0.0)
    total = weights.sum(axis=1)
    use = weighted & (total > 0)
    weights = weights / np.where(total > 0, total, 1.0)[:, None]
    share = np.nan_to_num(cells.share.reshape(shape))
    mean = (weights * share).sum(axis=1)
    variance = cells.variance.reshape(shape)
    a_cane = np.where(k > 1, np.nan_to_num(variance) * k, 0.0)
    known = (k > 1) & (weights > 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        borrowed = (a_cane * known).sum(axis=1) / known.sum(axis=1)
        fallback = plain.variance * plain.n_clusters
        borrowed = np.where(known.any(axis=1), borrowed, fallback)
        each = np.where(k > 1, variance, borrowed[:, None] / k)
    spread = (weights**2 * np.where(weights > 0, each, 0.0)).sum(axis=1)
    counted = np.where(use, (weights > 0).sum(axis=1), 1).astype(float)
    # Classes of one cane give no degree of freedom of their own.
    return GroupShares(
        n=plain.n, hits=np.where(use, mean * plain.n, plain.hits), n_clusters=plain.n_clusters,
        n_hit_clusters=plain.n_hit_clusters, n_miss_clusters=plain.n_miss_clusters,
        weighted_size=plain.weighted_size, variance=np.where(use, spread, plain.variance),
        n_strata=counted, icc=plain.icc,
    )
