"""Buds of one cane are alike: intra-class correlation, design effect, cluster variance.

Arrays of clusters (canes) carry the number judged and the number dead; a parallel array of group
numbers (blocks) lets one call work out thousands of blocks at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

from budvision.errors import InputError
from budvision.stats.proportions import effective_limits, student_factor, wilson_limits

__all__ = [
    "BetaBinomialFit",
    "ClusterSummary",
    "GroupShares",
    "WorkingEffect",
    "anova_icc",
    "beta_binomial_fit",
    "clusters_needed",
    "design_effect",
    "group_limits",
    "group_shares",
    "summarise_clusters",
    "working_effect",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

THIN_CANES = 10
"""With fewer canes than this a sample is thin, and the prior puts a floor under its variance."""

THIN_HITS = 6
"""With dead (or live) buds on fewer canes than this a sample is thin, too."""


@dataclass(frozen=True, slots=True)
class ClusterSummary:
    """One share with the variance that its clusters show.

    Attributes
    ----------
    share : float
        Hits among all.
    se : float
        Linearised (ratio) standard error with the factor k / (k - 1).
    design_effect : float
        se squared over share * (1 - share) / n; nan where the share is 0 or 1, or k is 1.
    icc : float
        ANOVA estimate of the intra-class correlation; nan where it cannot be worked out.
    n0, msb, msw : float
        The ANOVA's average cluster size, and mean squares between and within clusters.
    """

    n_clusters: int
    n: int
    share: float
    se: float
    design_effect: float
    icc: float
    n0: float
    msb: float
    msw: float


@dataclass(frozen=True, slots=True)
class BetaBinomialFit:
    """A fitted beta-binomial: mean, correlation 1 / (alpha + beta + 1), log-likelihood."""

    share: float
    icc: float
    log_likelihood: float


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
    """

    n: Floats
    hits: Floats
    n_clusters: Floats
    n_hit_clusters: Floats
    n_miss_clusters: Floats
    weighted_size: Floats
    variance: Floats
    n_strata: Floats

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


def design_effect(size: float, icc: float, *, cv: float = 0.0) -> float:
    """Return the design effect of clusters of a mean size and intra-class correlation.

    Parameters
    ----------
    size : float
        Mean number of buds a cane, at least 1.
    icc : float
        Intra-class correlation in [0, 1].
    cv : float
        Coefficient of variation of the sizes, 0 for equal ones.

    Returns
    -------
    float
        1 + ((1 + cv ** 2) * size - 1) * icc.

    Raises
    ------
    InputError
        When the size is below 1, the correlation outside [0, 1] or the variation negative.

    References
    ----------
    Kish (1965), Survey Sampling; unequal sizes: Eldridge, Ashby & Kerry (2006), Int. J.
    Epidemiol. 35:1292-1300, doi 10.1093/ije/dyl129.
    """
    if size < 1 or not 0 <= icc <= 1 or cv < 0:
        raise InputError(
            f"size is {size!r}, icc {icc!r} and cv {cv!r}",
            expected="a size of at least 1, an icc in [0, 1] and a cv of at least 0",
        )
    return 1 + ((1 + cv * cv) * size - 1) * icc


def clusters_needed(
    share: float,
    *,
    size: float,
    icc: float,
    relative_error: float,
    confidence: float = 0.95,
    size_sd: float = 0.0,
    n_clusters_in_all: int | None = None,
) -> float:
    """Return how many canes a one-stage sample needs for a wanted relative error, unrounded.

    Parameters
    ----------
    share : float
        Expected share in (0, 1).
    size, size_sd : float
        Mean and standard deviation of buds a cane.
    icc : float
        Intra-class correlation in [0, 1].
    relative_error : float
        Half the interval's width over the share.
    confidence : float
        Nominal coverage in (0, 1).
    n_clusters_in_all : int, optional
        Canes in the whole block, for the finite-population form n / (1 + n / N).

    Returns
    -------
    float
        Canes, to be rounded up.

    Raises
    ------
    InputError
        When a value is outside its range.

    References
    ----------
    Cochran (1977), Sampling Techniques, 3rd ed.; worked values in the manual of the R package
    epiR, function epi.ssclus1estb.
    """
    if not (0 < share < 1 and relative_error > 0 and 0 < confidence < 1):
        raise InputError(
            f"share is {share!r}, relative error {relative_error!r}, confidence {confidence!r}",
            expected="a share and confidence between 0 and 1 and a positive error",
        )
    z = float(special.ndtri(0.5 + confidence / 2))
    independent = (z / relative_error) ** 2 * (1 - share) / share
    canes = independent * design_effect(size, icc, cv=size_sd / size) / size
    if n_clusters_in_all is not None:
        canes = canes / (1 + canes / n_clusters_in_all)
    return canes


def _clusters(hits: ArrayLike, sizes: ArrayLike) -> tuple[Floats, Floats]:
    x, m = np.asarray(hits, dtype=float), np.asarray(sizes, dtype=float)
    if x.shape != m.shape or x.ndim != 1 or x.size == 0:
        raise InputError(
            f"hits have shape {x.shape} and sizes {m.shape}",
            expected="two rows of the same length, one value a cluster",
        )
    if np.any(x < 0) or np.any(x > m):
        at = int(np.flatnonzero((x < 0) | (x > m))[0])
        raise InputError(
            f"cluster {at + 1} has {x[at]:g} hits of {m[at]:g}", expected="0 to its size"
        )
    keep = m > 0
    if not keep.any():
        raise InputError("no cluster has anything judged", expected="at least one judged bud")
    return x[keep], m[keep]


def _anova(x: Floats, m: Floats) -> tuple[float, float, float, float]:
    k, n = len(m), m.sum()
    if k < 2 or n <= k:
        return np.nan, np.nan, np.nan, np.nan
    share = x.sum() / n
    n0 = (n - (m * m).sum() / n) / (k - 1)
    msb = (m * (x / m - share) ** 2).sum() / (k - 1)
    msw = (x * (m - x) / m).sum() / (n - k)
    bottom = msb + (n0 - 1) * msw
    icc = (msb - msw) / bottom if bottom > 0 else np.nan
    return float(icc), float(n0), float(msb), float(msw)


def anova_icc(hits: ArrayLike, sizes: ArrayLike) -> float:
    """Return the ANOVA estimate of the intra-class correlation of a yes/no outcome.

    Parameters
    ----------
    hits, sizes : array_like, shape (n_clusters,)
        Dead and judged buds of each cane.

    Returns
    -------
    float
        May be negative; nan with one cluster, with clusters of one, or when nothing varies.

    Raises
    ------
    InputError
        When a cluster's counts are impossible.

    References
    ----------
    Donner (1986), Int. Stat. Rev. 54:67-82; Ridout, Demetrio & Firth (1999), Biometrics
    55:137-148, doi 10.1111/j.0006-341X.1999.00137.x.
    """
    return _anova(*_clusters(hits, sizes))[0]


def summarise_clusters(hits: ArrayLike, sizes: ArrayLike) -> ClusterSummary:
    """Work out one share, its cluster variance and the likeness within clusters.

    Parameters
    ----------
    hits, sizes : array_like, shape (n_clusters,)
        Dead and judged buds of each cane; canes with nothing judged are left out.

    Returns
    -------
    ClusterSummary

    Raises
    ------
    InputError
        When a cluster's counts are impossible or nothing was judged.

    References
    ----------
    Cochran (1977), Sampling Techniques, 3rd ed., section 3.12 (ratio variance of a share);
    Rao & Scott (1992), Biometrics 48:577-585, for its design effect.
    """
    x, m = _clusters(hits, sizes)
    groups = group_shares(x, m, np.zeros(len(x), dtype=np.int64), 1)
    icc, n0, msb, msw = _anova(x, m)
    return ClusterSummary(
        n_clusters=len(m), n=int(m.sum()), share=float(groups.share[0]),
        se=float(np.sqrt(groups.variance[0])), design_effect=float(groups.design_effect[0]),
        icc=icc, n0=n0, msb=msb, msw=msw,
    )


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
    return GroupShares(
        n=n, hits=s, n_clusters=k, n_hit_clusters=total((x > 0).astype(float)),
        n_miss_clusters=total((x < m).astype(float)), weighted_size=weighted, variance=variance,
        n_strata=np.ones(n_groups),
    )


def working_effect(
    groups: GroupShares, *, prior_icc: float, confidence: float = 0.95
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
    seen = np.maximum(np.nan_to_num(groups.design_effect, nan=1.0), 1.0)
    with_df = seen / student_factor(groups.n, groups.n_clusters - groups.n_strata, confidence)
    size = np.maximum(np.nan_to_num(groups.weighted_size, nan=1.0), 1.0)
    floor = 1 + (size - 1) * prior_icc
    fewest = np.minimum(groups.n_hit_clusters, groups.n_miss_clusters)
    thin = (groups.n_clusters < THIN_CANES) | (fewest < THIN_HITS)
    single = size <= 1
    from_prior = thin & (floor > with_df) & ~single
    divisor = np.where(single, 1.0, np.where(from_prior, floor, with_df))
    shown = np.where(single, 1.0, np.where(from_prior, floor, seen))
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


def beta_binomial_fit(hits: ArrayLike, sizes: ArrayLike) -> BetaBinomialFit:
    """Fit a beta-binomial distribution to clusters by maximum likelihood.

    Parameters
    ----------
    hits, sizes : array_like, shape (n_clusters,)
        Dead and judged buds of each cane.

    Returns
    -------
    BetaBinomialFit
        The correlation is 0 where the clusters vary no more than independent buds would.

    Raises
    ------
    InputError
        When a cluster's counts are impossible, or every bud or none was hit (no maximum inside).

    References
    ----------
    Williams (1975), Biometrics 31:949-952, doi 10.2307/2529820.
    """
    x, m = _clusters(hits, sizes)
    if x.sum() in (0, m.sum()):
        raise InputError(
            f"{x.sum():g} of {m.sum():g} are hits", expected="some hits and some misses",
            do="With all alike there is no likeness to fit; use an interval with a prior icc.",
        )

    chosen = np.sum(special.gammaln(m + 1) - special.gammaln(x + 1) - special.gammaln(m - x + 1))

    def minus_log(at: Floats) -> float:
        share, icc = special.expit(at[0]), special.expit(at[1])
        size = (1 - icc) / icc
        a, b = share * size, (1 - share) * size
        return -float(chosen + np.sum(special.betaln(x + a, m - x + b) - special.betaln(a, b)))

    start = max(_anova(x, m)[0], 0.01) if len(m) > 1 else 0.01
    found = optimize.minimize(
        minus_log, [special.logit(x.sum() / m.sum()), special.logit(min(start, 0.9))],
        method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10, "maxiter": 4000},
    )
    share = x.sum() / m.sum()
    independent = float(chosen + np.sum(special.xlogy(x, share) + special.xlogy(m - x, 1 - share)))
    if -found.fun <= independent + 1e-9:
        return BetaBinomialFit(float(share), 0.0, independent)
    return BetaBinomialFit(
        float(special.expit(found.x[0])), float(special.expit(found.x[1])), -float(found.fun)
    )
