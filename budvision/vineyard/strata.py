"""Zones and vine-size classes as strata: shares weighted by the block's own make-up.

Where the share of the block that lies in each zone, or is of each vine size, is known, each stratum
counts by that share, whatever the sample took. Without it the sample counts as it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from budvision.errors import InputError
from budvision.stats.posterior import SharePosterior, share_posterior
from budvision.stats.units import Units
from budvision.stats.weighted import weighted_posterior
from budvision.vineyard.buds import BudTable, Factor

__all__ = ["BlockStrata", "StrataShares", "Weighting", "block_strata", "weighed"]

Floats = NDArray[np.float64]
StrataShares = Mapping[str, Mapping[str, float]]
"""For each block, the share of its vines in each stratum."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighting:
    """How a block's strata were weighted, and what the weights could not reach.

    Attributes
    ----------
    by : {"zone", "vigor"}
    weights : mapping of str to float
        Share of the block in each stratum, as given, summing to 1.
    n_units : mapping of str to int
        Vines or canes with a judged primary in each stratum that has a weight.
    n_without : int
        Vines or canes whose stratum is unknown or has no weight: they count nowhere.
    unsampled : mapping of str to float
        Strata with a weight of which nothing was judged; the others stand in for them.
    unsampled_weight : float
        Their weights together.
    applied : bool
        False where no stratum with a weight was judged, so that nothing is weighted.
    """

    by: str
    weights: Mapping[str, float]
    n_units: Mapping[str, int]
    n_without: int
    unsampled: Mapping[str, float]
    unsampled_weight: float
    applied: bool


@dataclass(frozen=True, slots=True)
class BlockStrata:
    """Strata of the units of a table, and their weights in each block.

    Attributes
    ----------
    by : tuple of str, length n_blocks
        "zone" or "vigor", what the strata of a block are; empty where it has no weights.
    names : tuple of str
        Zones first, then vine sizes; a name may stand in both.
    of_unit : ndarray of int64, shape (n_units,)
        Index into `names`.
    weights : ndarray of float64, shape (n_blocks, n_strata)
        As given, rows summing to 1; of strata that no bud names too.
    """

    by: tuple[str, ...]
    names: tuple[str, ...]
    of_unit: NDArray[np.int64]
    weights: Floats

    @property
    def weighted(self) -> NDArray[np.bool_]:
        """Whether each block has weights at all."""
        return np.array([bool(what) for what in self.by], dtype=bool)

    def applied(self, units: Units) -> NDArray[np.bool_]:
        """Return which blocks have one of these units, whose strata these are, with a weight."""
        reached = self.weights[units.group, self.of_unit] > 0
        return self.weighted & (units.total(reached.astype(float)) > 0)

    def judged(self, keep: NDArray[np.bool_]) -> BlockStrata:
        """Return the strata of some of the units."""
        return BlockStrata(self.by, self.names, self.of_unit[keep], self.weights)

    def repeated(self, block: int, keep: NDArray[np.bool_], times: int) -> BlockStrata:
        """Return one block's strata as those of so many blocks of the same units."""
        return BlockStrata(self.by[block : block + 1] * times, self.names,
                           np.tile(self.of_unit[keep], times),
                           np.repeat(self.weights[[block]], times, axis=0))

    def facts(self, units: Units, block: int) -> Weighting | None:
        """Return how one block was weighted, None where it was not to be.

        Parameters
        ----------
        units : Units
            Judged units; these strata are theirs.
        """
        if not self.by[block]:
            return None
        here = self.of_unit[units.group == block]
        count = np.bincount(here, minlength=len(self.names)).tolist()
        row = self.weights[block].tolist()
        named = {name: (weight, count[index]) for index, (name, weight) in
                 enumerate(zip(self.names, row, strict=True)) if weight > 0}
        unsampled = {name: weight for name, (weight, n) in named.items() if n == 0}
        return Weighting(
            by=self.by[block], weights={name: weight for name, (weight, _) in named.items()},
            n_units={name: n for name, (_, n) in named.items()},
            n_without=len(here) - sum(n for _, n in named.values()), unsampled=unsampled,
            unsampled_weight=sum(unsampled.values()),
            applied=len(unsampled) < len(named),
        )


def block_strata(
    table: BudTable, *, zones: StrataShares | None = None, sizes: StrataShares | None = None
) -> BlockStrata | None:
    """Return the strata of a table's units with the weights of each block.

    Parameters
    ----------
    zones, sizes : mapping, optional
        For each block, the share of its vines in each zone, and in each vine-size class. A block
        is weighted by its zones where it names any, else by its vine sizes.

    Returns
    -------
    BlockStrata or None
        None where no block has weights.

    Raises
    ------
    InputError
        When a block's shares are negative or sum to nothing.
    """
    zones, sizes, blocks = zones or {}, sizes or {}, table.block.names
    if not any(block in zones or block in sizes for block in blocks):
        return None
    of_zone, of_size = _names(table.zone, zones), _names(table.vigor, sizes)
    by, weights = [], np.zeros((len(blocks), len(of_zone) + len(of_size)))
    for row, block in enumerate(blocks):
        if block in zones:
            by.append("zone")
            weights[row, : len(of_zone)] = _row(zones[block], of_zone, f"block {block}", "zone")
        elif block in sizes:
            by.append("vigor")
            weights[row, len(of_zone):] = _row(sizes[block], of_size, f"block {block}", "vine-size")
        else:
            by.append("")
    of_unit = np.zeros(len(table.block_of_unit), dtype=np.int64)
    zoned = np.array([what == "zone" for what in by], dtype=bool)[table.block.codes]
    of_unit[table.unit] = np.where(zoned, table.zone.codes, len(of_zone) + table.vigor.codes)
    return BlockStrata(tuple(by), (*of_zone, *of_size), of_unit, weights)


def _names(factor: Factor, given: StrataShares) -> tuple[str, ...]:
    extra = (name for shares in given.values() for name in shares)
    return tuple(dict.fromkeys((*factor.names, *extra)))


def _row(shares: Mapping[str, float], names: tuple[str, ...], where: str, what: str) -> Floats:
    if min(shares.values(), default=0) < 0 or sum(shares.values()) <= 0:
        raise InputError(
            f"the {what} shares are {dict(shares)}", where=where,
            expected="shares of at least 0 that sum to 1", do="Correct the block's shares.",
        )
    given = np.array([shares.get(name, 0.0) if name else 0.0 for name in names])
    row: Floats = given / sum(shares.values())
    return row


def weighed(units: Units, strata: BlockStrata | None, *, prior_icc: float) -> SharePosterior:
    """Return the posterior of each block: weighted where it has weights, plain elsewhere.

    Parameters
    ----------
    units : Units
        Judged units of each block.
    strata : BlockStrata, optional
        Of these units.
    prior_icc : float
        As in `budvision.stats.posterior.share_posterior`.
    """
    applied = strata.applied(units) if strata is not None else np.zeros(units.n_groups, bool)
    if strata is None or not applied.any():
        return share_posterior(units, prior_icc=prior_icc)
    plain = share_posterior(units.only(~applied), prior_icc=prior_icc)
    keep = applied[units.group]
    place = np.cumsum(applied) - 1
    some = Units(units.hits[keep], units.sizes[keep], place[units.group[keep]],
                 int(applied.sum()), units.copies[keep])
    joined = weighted_posterior(some, strata.of_unit[keep], strata.weights[applied],
                                prior_icc=prior_icc)
    return plain.with_rows(np.flatnonzero(applied), joined)
