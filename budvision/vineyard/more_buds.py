"""What more cutting would buy: the interval to expect, and how many buds would settle a band."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from budvision.stats.groups import GroupShares, WorkingEffect
from budvision.stats.proportions import effective_limits, student_factor, wilson_limits
from budvision.vineyard.policies import Policy

__all__ = ["MOST_BUDS", "Outlook"]

Floats = NDArray[np.float64]

MOST_BUDS = 5000
"""Beyond so many more buds the band counts as not to be settled by cutting."""


@dataclass(frozen=True, slots=True)
class Outlook:
    """What is known of each block's share, ready to be asked about more buds.

    Further buds are taken to come from further canes, as many to a cane and as alike as those
    cut so far, and to show the same share dead.

    Attributes
    ----------
    share, n, n_clusters, n_strata, design_effect : ndarray of float64, shape (n_blocks,)
    from_prior, single : ndarray of bool, shape (n_blocks,)
        As in `budvision.stats.groups`.
    confidence : float
        Nominal coverage.
    """

    share: Floats
    n: Floats
    n_clusters: Floats
    n_strata: Floats
    design_effect: Floats
    from_prior: NDArray[np.bool_]
    single: NDArray[np.bool_]
    confidence: float

    @classmethod
    def of(cls, groups: GroupShares, effect: WorkingEffect, confidence: float) -> Outlook:
        """Return the outlook of blocks already summarised."""
        return cls(
            groups.share, groups.n, groups.n_clusters, groups.n_strata, effect.design_effect,
            effect.from_prior, effect.single, confidence,
        )

    def at(self, index: int) -> Outlook:
        """Return the outlook of one block, arrays of length 1."""
        one = slice(index, index + 1)
        return Outlook(
            self.share[one], self.n[one], self.n_clusters[one], self.n_strata[one],
            self.design_effect[one], self.from_prior[one], self.single[one], self.confidence,
        )

    def effective_sizes(self, more: Floats) -> Floats:
        """Return the effective numbers of independent buds after so many more judged buds.

        Parameters
        ----------
        more : ndarray of float64, shape (n_blocks,)
            Further judged buds, at least 0.

        Returns
        -------
        ndarray of float64, shape (n_blocks,)
            With the correction for few canes; of no meaning where nothing has been judged yet.
        """
        known = self.n > 0
        total = np.where(known, self.n + more, 1.0)
        canes = self.n_clusters * total / np.where(known, self.n, 1.0)
        factor = student_factor(total, canes - self.n_strata, self.confidence)
        factor = np.where(self.from_prior | self.single, 1.0, factor)
        sizes: Floats = total / self.design_effect * factor
        return sizes

    def limits(self, more: Floats) -> tuple[Floats, Floats]:
        """Return the interval to expect after so many more judged buds in each block.

        Parameters
        ----------
        more : ndarray of float64, shape (n_blocks,)
            Further judged buds, at least 0.

        Returns
        -------
        low, high : ndarray of float64, shape (n_blocks,)
            nan where nothing has been judged yet.
        """
        known, size = self.n > 0, self.effective_sizes(more)
        share = np.where(known, self.share, 0.0)
        hits = np.where(share >= 1, size, share * size)
        exact = effective_limits(hits, size, self.confidence)
        score = wilson_limits(hits, size, self.confidence)
        low, high = (
            np.where(known, np.where(self.single, score[end], exact[end]), np.nan)
            for end in (0, 1)
        )
        return low, high

    def buds_to_settle(self, policy: Policy) -> NDArray[np.int64]:
        """Return how many more judged buds would put the whole interval into one band.

        Parameters
        ----------
        policy : Policy
            The bands.

        Returns
        -------
        ndarray of int64, shape (n_blocks,)
            0 where it is settled already; -1 where nothing was judged, or where more than
            `MOST_BUDS` would be needed (the share found is on, or next to, an edge).
        """

        def settled(more: Floats) -> NDArray[np.bool_]:
            low, high = (np.nan_to_num(end, nan=0.5) for end in self.limits(more))
            one: NDArray[np.bool_] = policy.band_index(low) == policy.band_index(high)
            return one

        below = np.full(len(self.n), -1.0)
        enough = np.full(len(self.n), float(MOST_BUDS))
        never = ~settled(enough) | (self.n == 0)
        now = settled(np.zeros(len(self.n)))
        below, enough = np.where(now, -1.0, 0.0), np.where(now, 0.0, enough)
        for _ in range(14):
            middle = np.floor((below + enough) / 2)
            good = settled(np.maximum(middle, 0))
            enough = np.where(good, np.maximum(middle, 0), enough)
            below = np.where(good, below, middle)
        return np.where(never, -1, enough).astype(np.int64)
