"""Shares of many groups at once, from counts a cluster: thousands of blocks in one call.

Arrays of clusters (canes) carry the number judged and the number dead; a parallel array says to
which group (block) each belongs. The cost is linear in the number of clusters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from budvision.stats.proportions import effective_limits, student_factor, wilson_limits

__all__ = ["GroupShares", "WorkingEffect", "group_limits", "group_shares", "working_effect"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

THIN_CANES = 10
"""With fewer canes than this a sample is thin, and the prior puts a floor under its variance."""

THIN_HITS = 6
"""With dead (or live) buds on fewer canes than this a sample is thin, too."""


@dataclass(frozen=True, slots=True)
class GroupShares:
    """Shares and cluster variances of many groups at once, arrays of shape (n_groups,).

    Attributes
    ----------
    n, hits : ndarray of float64
        Judged and hit.
    n_clusters, n_hit_clusters, n_miss_clusters : ndarray of float64
        Clusters with at least one judged, with at least one hit, with at least one not hit.
    weighted_size : ndarray of float64
        Sum of squared sizes over sum of sizes, (1 + CV squared) times the mean size.
    variance : ndarray of float64
        Linearised variance of the share; nan where there are fewer than two clusters.
    n_strata : ndarray of float64
        Strata the variance was worked out over, 1 for none.
    icc : ndarray of float64
        ANOVA estimate of the intra-class correlation; nan where the sample cannot show it.
    """

    n: Floats
    hits: Floats
    n_clusters: Floats
    n_hit_clusters: Floats
    n_miss_clusters: Floats
    weighted_size: Floats
    variance: Floats
    n_strata: Floats
    icc: Floats

    @property
    def share(self) -> Floats:
        """Hits over judged; nan where nothing was judged."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(self.n > 0, self.hits / self.n, np.nan)

    @property
    def design_effect(self) -> Floats:
        """Variance over that of independent buds; nan where the sample cannot show it."""
        share = self.share
        with np.errstate(invalid="ignore", divide="ignore"):
            plain = share * (1 - share) / self.n
            return np.where(plain > 0, self.variance / plain, np.nan)


@dataclass(frozen=True, slots=True)
class WorkingEffect:
    """The design effects that intervals rest on, arrays of shape (n_groups,).

    Attributes
    ----------
    design_effect : ndarray of float64
        At least 1: the sample's own, or the prior's floor where `from_prior`.
    n_effective : ndarray of float64
        Judged buds worth as much as independent ones, degrees of freedom allowed for.
    from_prior : ndarray of bool
        True where the prior's floor, not the sample, decides.
    single : ndarray of bool
        True where no cane has more than one bud judged: single-stage data.
    """

    design_effect: Floats
    n_effective: Floats
    from_prior: NDArray[np.bool_]
    single: NDArray[np.bool_]


def group_shares(
    hits: ArrayLike, sizes: ArrayLike, group: Ints, n_groups: int
) -> GroupShares:
    """Work out shares and their cluster variances for many groups at once.

    Parameters
    ----------
    hits, sizes : array_like, shape (n_clusters,)
        Dead and judged buds of each cane; a cane may have nothing judged.
    group : ndarray of int64, shape (n_clusters,)
        The block of each cane, in [0, n_groups).
    n_groups : int
        Number of blocks.

    Returns
    -------
    GroupShares

    Notes
    -----
    The cost is linear in the number of canes. With share p, variance is k / (k - 1) times the
    sum of (x - p m) squared over n squared.
    """
    x, m = np.asarray(hits, dtype=float), np.asarray(sizes, dtype=float)

    def total(values: Floats) -> Floats:
        return np.bincount(group, weights=values, minlength=n_groups).astype(np.float64)

    n, s = total(m), total(x)
    k = total((m > 0).astype(float))
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(n > 0, s / n, 0.0)
        squares = total((x - share[group] * m) ** 2)
        variance = np.where(k > 1, k / (k - 1) * squares / (n * n), np.nan)
        weighted = np.where(n > 0, total(m * m) / n, np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        per_size = np.where(m > 0, x * x / m, 0.0)
        between = (total(per_size) - s * s / n) / (k - 1)
        within = (s - total(per_size)) / (n - k)
        mean_size = (n - weighted * n / n) / (k - 1)
        icc = (between - within) / (between + (mean_size - 1) * within)
        icc = np.where((k > 1) & (n > k) & np.isfinite(icc), icc, np.nan)
    return GroupShares(
        n=n, hits=s, n_clusters=k, n_hit_clusters=total((x > 0).astype(float)),
        n_miss_clusters=total((x < m).astype(float)), weighted_size=weighted, variance=variance,
        n_strata=np.ones(n_groups), icc=icc,
    )


def working_effect(
    groups: GroupShares,
    *,
    prior_icc: float,
    confidence: float = 0.95,
    seen: Floats | None = None,
) -> WorkingEffect:
    """Return the effective sample size to build an interval on, with a floor for thin samples.

    Parameters
    ----------
    groups : GroupShares
        Shares with their cluster variances.
    prior_icc : float
        Likeness of buds of one cane that is assumed where the sample cannot show it, in [0, 1).
    confidence : float
        Coverage that the degrees-of-freedom correction is worked out for, in (0, 1).
    seen : ndarray of float64, shape (n_groups,), optional
        The sample's own design effect of another mean over the same canes, nan where unknown;
        that of `groups` when left out.

    Returns
    -------
    WorkingEffect

    Notes
    -----
    The sample's own design effect (at least 1) is divided by the factor that few canes cost
    (`budvision.stats.proportions.student_factor`). Few canes, or hits (or misses) on very few of
    them, hide the likeness of buds of one cane. A sample counts as thin with fewer than
    `THIN_CANES` canes, or where the rarer of dead and live was found on fewer than `THIN_HITS`
    canes; then the effective size is at most n / (1 + (weighted size - 1) * prior_icc). The rule
    and the prior were tuned on a coverage simulation (`python -m budvision.stats.coverage`), not
    taken from a publication. Where every cane has one bud judged, the design effect is 1.

    References
    ----------
    Korn & Graubard (1998), Survey Methodology 24:193-201.
    """
    own = groups.design_effect if seen is None else seen
    shown = np.maximum(np.nan_to_num(own, nan=1.0), 1.0)
    with_df = shown / student_factor(groups.n, groups.n_clusters - groups.n_strata, confidence)
    size = np.maximum(np.nan_to_num(groups.weighted_size, nan=1.0), 1.0)
    floor = 1 + (size - 1) * prior_icc
    fewest = np.minimum(groups.n_hit_clusters, groups.n_miss_clusters)
    thin = (groups.n_clusters < THIN_CANES) | (fewest < THIN_HITS)
    single = size <= 1
    from_prior = thin & (floor > with_df) & ~single
    divisor = np.where(single, 1.0, np.where(from_prior, floor, with_df))
    shown = np.where(single, 1.0, np.where(from_prior, floor, shown))
    return WorkingEffect(
        design_effect=shown, n_effective=groups.n / divisor, from_prior=from_prior, single=single
    )


def group_limits(
    groups: GroupShares, *, prior_icc: float, confidence: float = 0.95
) -> tuple[Floats, Floats, WorkingEffect]:
    """Bound the shares of many groups: Korn and Graubard, or Wilson for single-stage data.

    Parameters
    ----------
    groups : GroupShares
        Shares with their cluster variances.
    prior_icc, confidence : float
        As in `working_effect`.

    Returns
    -------
    low, high : ndarray of float64, shape (n_groups,)
        nan where nothing was judged.
    effect : WorkingEffect
        The effective sizes they rest on.

    References
    ----------
    Korn & Graubard (1998), Survey Methodology 24:193-201; Wilson (1927), doi
    10.1080/01621459.1927.10502953.
    """
    effect = working_effect(groups, prior_icc=prior_icc, confidence=confidence)
    judged = groups.n > 0
    size = np.where(judged, effect.n_effective, 1.0)
    hits = np.where(judged, groups.share, 0.0) * size
    hits = np.where(groups.share == 1, size, hits)
    exact, score = effective_limits(hits, size, confidence), wilson_limits(hits, size, confidence)
    low, high = (
        np.where(judged, np.where(effect.single, score[end], exact[end]), np.nan)
        for end in (0, 1)
    )
    return low, high, effect
