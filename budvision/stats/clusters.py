"""Buds of one cane are alike: intra-class correlation, design effect, cluster variance.

One sample at a time; `budvision.stats.groups` works out thousands of blocks at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

from budvision.errors import InputError
from budvision.stats.groups import group_shares

__all__ = [
    "BetaBinomialFit",
    "ClusterSummary",
    "anova_icc",
    "beta_binomial_fit",
    "clusters_needed",
    "design_effect",
    "summarise_clusters",
]

Floats = NDArray[np.float64]

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
    if -found.fun <= independent + 1e-4:
        return BetaBinomialFit(float(share), 0.0, independent)
    return BetaBinomialFit(
        float(special.expit(found.x[0])), float(special.expit(found.x[1])), -float(found.fun)
    )
