"""What more cutting would buy, by the same rule as the interval: more units alike those cut."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from budvision.stats.kept import Kept
from budvision.stats.likelihood import likeness_grid, log_likelihood
from budvision.stats.posterior import SharePosterior, posterior_of
from budvision.stats.units import Units, alike_units, chunks
from budvision.vineyard.policies import Policy
from budvision.vineyard.strata import BlockStrata, weighed

__all__ = ["MOST_BUDS", "Outlook", "buds_to_settle"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
_Settles = Callable[[Floats, Ints], NDArray[np.bool_]]

MOST_BUDS = 300
"""Further buds that count as within reach: three more samples of ten canes of ten, our choice.
Where more would be needed the band stays open."""


@dataclass(frozen=True, slots=True)
class Outlook:
    """What is known of one block's share, ready to be asked about more buds.

    Further buds are taken to come from further vines or canes, as many to each and as alike as
    those cut so far, and to show the same share dead.

    Attributes
    ----------
    units : Units
        Of all blocks; `block` is the one this outlook is about.
    strata : BlockStrata or None
        Of these units.
    prior_icc, confidence : float
        As in `budvision.stats.posterior`.
    """

    units: Units
    strata: BlockStrata | None
    block: int
    prior_icc: float
    confidence: float

    def expected(self, more: ArrayLike) -> SharePosterior:
        """Return what would be known after so many more judged buds, one row for each number.

        Parameters
        ----------
        more : array_like of float, shape (n,)
            Further judged buds, at least 0.
        """
        further = np.atleast_1d(np.asarray(more, dtype=float))
        keep = self.units.group == self.block
        x, m = self.units.hits[keep], self.units.sizes[keep]
        n_units, times = len(x), len(further)
        factor = 1 + further / max(float(m.sum()), 1.0)
        group = np.repeat(np.arange(times), n_units)
        units = Units(np.tile(x, times), np.tile(m, times), group, times, factor[group])
        if self.strata is None:
            return weighed(units, None, prior_icc=self.prior_icc)
        strata = self.strata.repeated(self.block, keep, times)
        return weighed(units, strata, prior_icc=self.prior_icc)

    def limits(self, more: ArrayLike) -> tuple[Floats, Floats]:
        """Return the interval to expect after so many more judged buds.

        Parameters
        ----------
        more : array_like of float, shape (n,)
            Further judged buds, at least 0.

        Returns
        -------
        low, high : ndarray of float64, shape (n,)
            nan where nothing has been judged yet.
        """
        return self.expected(more).limits(self.confidence)

    def band_chances(self, policy: Policy, more: ArrayLike) -> Floats:
        """Return the probability of each band after so many more buds, shape (n, n_bands)."""
        return self.expected(more).band_chances(policy.edges)


def _settled(found: SharePosterior, policy: Policy, confidence: float) -> NDArray[np.bool_]:
    low, high = (np.nan_to_num(end, nan=0.5) for end in found.limits(confidence))
    one: NDArray[np.bool_] = policy.band_index(low) == policy.band_index(high)
    return one


class _Alike:
    """Blocks of one handful with their log-likelihood kept: more of the same multiplies it."""

    def __init__(self, units: Units, prior: tuple[Floats, Floats]) -> None:
        self._units, self._prior = units, prior
        self._loglike = log_likelihood(units, prior[0])

    def found(self, factor: Floats, rows: Ints) -> SharePosterior:
        """Return the posterior of some blocks with so many times the units, one factor a block."""
        return posterior_of(self._loglike[rows] * factor[:, None, None],
                            alike_units(self._units.of_groups(rows), factor), *self._prior)


def buds_to_settle(
    units: Units, posterior: SharePosterior, policy: Policy, *, confidence: float,
    prior_icc: float, strata: BlockStrata | None = None,
) -> Ints:
    """Return how many more judged buds would put the whole interval into one band.

    Parameters
    ----------
    units : Units
        Judged units of each block.
    posterior : SharePosterior
        What they tell already.
    policy : Policy
        The bands.
    confidence, prior_icc : float
        As in `budvision.stats.posterior`.
    strata : BlockStrata, optional
        Of these units.

    Returns
    -------
    ndarray of int64, shape (n_blocks,)
        Whole vines or canes, of as many buds as those cut on average; 0 where it is settled
        already; -1 where nothing was judged, or more than `MOST_BUDS` would be needed.
    """
    judged = posterior.n > 0
    answer = np.where(judged & _settled(posterior, policy, confidence), 0, -1)
    weighted = strata.applied(units) if strata is not None else np.zeros(len(answer), bool)
    open_ = judged & (answer != 0)
    size = posterior.n / np.maximum(posterior.n_units, 1)
    for block in np.flatnonzero(open_ & weighted).tolist():
        outlook = Outlook(units, strata, block, prior_icc, confidence)

        def one(extra: Floats, _: Ints, outlook: Outlook = outlook,
                block: int = block) -> NDArray[np.bool_]:
            return _settled(outlook.expected(extra * size[block]), policy, confidence)

        answer[block] = _fewest(one, size[[block]])[0]
    plain = np.flatnonzero(open_ & ~weighted)
    few = units.of_groups(plain)

    def work_out(groups: list[int]) -> list[int]:
        return _plain_buds(few.of_groups(groups), policy, confidence, prior_icc)

    under = (policy.bands, confidence, prior_icc)
    answer[plain] = _KEPT.each([(under, layout) for layout in few.layouts()], work_out)
    return answer


_KEPT: Kept[tuple[object, bytes], int] = Kept(65536)


def _plain_buds(units: Units, policy: Policy, confidence: float, prior_icc: float) -> list[int]:
    """Return the buds that settle each block without weights, -1 beyond reach."""
    prior, buds = likeness_grid(prior_icc), np.zeros(units.n_groups, np.int64)
    for some, handful in chunks(units):
        alike = _Alike(handful, prior)
        n_units = handful.total(np.ones(len(handful.sizes)))

        def settled(extra: Floats, rows: Ints, alike: _Alike = alike,
                    n_units: Floats = n_units) -> NDArray[np.bool_]:
            return _settled(alike.found(1 + extra / n_units[rows], rows), policy, confidence)

        buds[some] = _fewest(settled, handful.total(handful.sizes) / n_units)
    found: list[int] = buds.tolist()
    return found


def _fewest(settled: _Settles, size: Floats) -> Ints:
    """Return the buds of the fewest further units that settle each block, -1 beyond reach."""
    most = np.maximum(np.floor(MOST_BUDS / size), 1.0)
    within = settled(most, np.arange(len(size)))
    below, enough = np.zeros(len(size)), most.copy()
    while len(rows := np.flatnonzero(within & (enough - below > 1))):
        middle = np.floor((below + enough) / 2)[rows]
        good = settled(middle, rows)
        enough[rows[good]], below[rows[~good]] = middle[good], middle[~good]
    return np.where(within, np.ceil(enough * size - 1e-9), -1).astype(np.int64)
