"""Intervals for one share: independent buds, and buds that come in canes.

Functions ending in ``_limits`` take and return arrays, one value a share; the others take one
pair of counts and return an `Interval`.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from budvision.errors import InputError
from budvision.vocabulary import Interval

__all__ = [
    "agresti_coull",
    "clopper_pearson",
    "effective_limits",
    "jeffreys",
    "mortality_interval",
    "one_sided_bound",
    "student_factor",
    "wilson",
    "wilson_limits",
]

Floats = NDArray[np.float64]


def _check(n_hit: float, n: float, confidence: float) -> None:
    if not 0 < confidence < 1:
        raise InputError(
            f"confidence is {confidence!r}", expected="a number between 0 and 1",
            do="Give 0.95 for a 95 % interval.",
        )
    if not (math.isfinite(n) and n > 0):
        raise InputError(
            f"the number judged is {n!r}", expected="at least 1",
            do="A share of nothing has no interval; count the judged buds again.",
        )
    if not 0 <= n_hit <= n:
        raise InputError(
            f"the count is {n_hit!r} of {n!r}", expected=f"0 to {n!r}",
            do="Correct the impossible count.",
        )


def normal_quantile(confidence: float) -> float:
    """Return z such that a standard normal lies within -z and z with this probability."""
    return float(special.ndtri(0.5 + confidence / 2))


def wilson_limits(n_hit: ArrayLike, n: ArrayLike, confidence: float) -> tuple[Floats, Floats]:
    """Return Wilson's score limits for arrays of counts (n may be any positive number).

    Parameters
    ----------
    n_hit, n : array_like of float
        0 <= n_hit <= n, n > 0.
    confidence : float
        Nominal coverage in (0, 1).

    References
    ----------
    Wilson (1927), J. Am. Stat. Assoc. 22:209-212, doi 10.1080/01621459.1927.10502953.
    """
    x, total = np.asarray(n_hit, dtype=float), np.asarray(n, dtype=float)
    z = normal_quantile(confidence)
    share = x / total
    centre = (share + z * z / (2 * total)) / (1 + z * z / total)
    half = z / (1 + z * z / total) * np.sqrt(
        share * (1 - share) / total + z * z / (4 * total * total)
    )
    low = np.where(x <= 0, 0.0, np.clip(centre - half, 0, 1))
    high = np.where(x >= total, 1.0, np.clip(centre + half, 0, 1))
    return low, high


def effective_limits(n_hit: ArrayLike, n: ArrayLike, confidence: float) -> tuple[Floats, Floats]:
    """Return exact binomial (Clopper-Pearson) limits, also for counts that are not whole.

    Parameters
    ----------
    n_hit, n : array_like of float
        0 <= n_hit <= n, n > 0; effective counts may be fractions.
    confidence : float
        Nominal coverage in (0, 1).

    Returns
    -------
    low, high : ndarray of float64
        Shares. Exactly 0 where nothing, exactly 1 where everything was hit.

    References
    ----------
    Clopper & Pearson (1934), Biometrika 26:404-413, doi 10.1093/biomet/26.4.404.
    """
    x, total = np.asarray(n_hit, dtype=float), np.asarray(n, dtype=float)
    tail = (1 - confidence) / 2
    none, every = x <= 0, x >= total
    low = special.betaincinv(np.where(none, 1.0, x), np.maximum(total - x, 0) + 1, tail)
    high = special.betaincinv(x + 1, np.where(every, 1.0, total - x), 1 - tail)
    return np.where(none, 0.0, low), np.where(every, 1.0, high)


def wilson(n_hit: float, n: float, *, confidence: float = 0.95) -> Interval:
    """Bound a share of independent buds by Wilson's score interval.

    Parameters
    ----------
    n_hit, n : float
        Counts, 0 <= n_hit <= n, n > 0.
    confidence : float
        Nominal coverage in (0, 1).

    Returns
    -------
    Interval
        With ``low`` exactly 0 where nothing was hit and ``high`` exactly 1 where everything was.

    Raises
    ------
    InputError
        When the counts are impossible.

    References
    ----------
    Wilson (1927), doi 10.1080/01621459.1927.10502953; values in Newcombe (1998), Stat. Med.
    17:857-872.
    """
    _check(n_hit, n, confidence)
    low, high = wilson_limits(n_hit, n, confidence)
    return Interval(float(low), float(high), confidence, "wilson")


def clopper_pearson(n_hit: float, n: float, *, confidence: float = 0.95) -> Interval:
    """Bound a share of independent buds by the exact binomial interval.

    Parameters
    ----------
    n_hit, n : float
        Counts, 0 <= n_hit <= n, n > 0; fractions are taken as effective counts.
    confidence : float
        Nominal coverage in (0, 1); half of what is left lies beyond either end.

    Returns
    -------
    Interval
        0 hits of n give 0 to 1 - ((1 - confidence) / 2) ** (1 / n).

    Raises
    ------
    InputError
        When the counts are impossible.

    References
    ----------
    Clopper & Pearson (1934), Biometrika 26:404-413, doi 10.1093/biomet/26.4.404.
    """
    _check(n_hit, n, confidence)
    low, high = effective_limits(n_hit, n, confidence)
    return Interval(float(low), float(high), confidence, "clopper_pearson")


def agresti_coull(n_hit: float, n: float, *, confidence: float = 0.95) -> Interval:
    """Bound a share by the adjusted Wald interval of Agresti and Coull, ends not cut at 0 and 1.

    Parameters
    ----------
    n_hit, n : float
        Counts, 0 <= n_hit <= n, n > 0.
    confidence : float
        Nominal coverage in (0, 1).

    Returns
    -------
    Interval
        May reach beyond 0 and 1, as published.

    Raises
    ------
    InputError
        When the counts are impossible.

    References
    ----------
    Agresti & Coull (1998), Am. Stat. 52:119-126, doi 10.1080/00031305.1998.10480550.
    """
    _check(n_hit, n, confidence)
    z = normal_quantile(confidence)
    total = n + z * z
    share = (n_hit + z * z / 2) / total
    half = z * math.sqrt(share * (1 - share) / total)
    return Interval(share - half, share + half, confidence, "agresti_coull")


def jeffreys(n_hit: float, n: float, *, confidence: float = 0.95) -> Interval:
    """Bound a share by equal tails of the Beta(x + 1/2, n - x + 1/2) distribution.

    Parameters
    ----------
    n_hit, n : float
        Counts, 0 <= n_hit <= n, n > 0.
    confidence : float
        Nominal coverage in (0, 1).

    Returns
    -------
    Interval
        Raw tails: with nothing hit the lower end is close to 0, not exactly 0.

    Raises
    ------
    InputError
        When the counts are impossible.

    References
    ----------
    Brown, Cai & DasGupta (2001), Stat. Sci. 16:101-133, doi 10.1214/ss/1009213286.
    """
    _check(n_hit, n, confidence)
    tail = (1 - confidence) / 2
    a, b = n_hit + 0.5, n - n_hit + 0.5
    low, high = special.betaincinv(a, b, tail), special.betaincinv(a, b, 1 - tail)
    return Interval(float(low), float(high), confidence, "jeffreys")


def one_sided_bound(
    n_hit: float, n: float, *, side: str = "upper", confidence: float = 0.95
) -> float:
    """Return the exact one-sided bound of a share.

    Parameters
    ----------
    n_hit, n : float
        Counts, 0 <= n_hit <= n, n > 0.
    side : {"upper", "lower"}
        Which bound.
    confidence : float
        Coverage of this one bound.

    Returns
    -------
    float
        0 hits of n give the upper bound 1 - (1 - confidence) ** (1 / n).

    Raises
    ------
    InputError
        When the counts are impossible or the side is another word.

    References
    ----------
    Clopper & Pearson (1934), Biometrika 26:404-413, doi 10.1093/biomet/26.4.404.
    """
    _check(n_hit, n, confidence)
    if side not in ("upper", "lower"):
        raise InputError(f"side is {side!r}", expected="upper or lower")
    if confidence <= 0.5:
        raise InputError(f"confidence is {confidence!r}", expected="above 0.5 for one bound")
    low, high = effective_limits(n_hit, n, 2 * confidence - 1)
    return float(high) if side == "upper" else float(low)


def student_factor(n: ArrayLike, df: ArrayLike, confidence: float) -> Floats:
    """Return the factor that few degrees of freedom cost an effective sample size.

    It is (t(n - 1) / t(df)) squared, at most 1, where df is the number of canes less the number
    of strata. Where df is below 1 the factor is 1: the caller must then rest on a prior.

    Parameters
    ----------
    n : array_like of float
        Buds judged.
    df : array_like of float
        Canes less strata.
    confidence : float
        Nominal coverage in (0, 1).

    References
    ----------
    Korn & Graubard (1998), Survey Methodology 24:193-201.
    """
    total, freedom = np.asarray(n, dtype=float), np.asarray(df, dtype=float)
    at = 0.5 + confidence / 2
    wide = special.stdtrit(np.maximum(freedom, 1.0), at)
    narrow = special.stdtrit(np.maximum(total - 1, 1.0), at)
    factor = np.where(freedom >= 1, (narrow / wide) ** 2, 1.0)
    return np.minimum(factor, 1.0)


def mortality_interval(
    n_dead: float,
    n_judged: float,
    *,
    design_effect: float = 1.0,
    n_clusters: int | None = None,
    n_strata: int = 1,
    confidence: float = 0.95,
) -> Interval:
    """Bound the share of dead buds, allowing for buds of one cane being alike.

    Parameters
    ----------
    n_dead, n_judged : float
        Counts, 0 <= n_dead <= n_judged, n_judged >= 1. Unsure and unexposed tissues stand in
        neither.
    design_effect : float
        At least 1; 1 means independent buds.
    n_clusters : int, optional
        Canes that the buds came from. When given, the effective sample size is also corrected
        for the degrees of freedom, `n_clusters` - `n_strata`.
    n_strata : int
        Strata (vine-size classes) that the design effect was worked out over.
    confidence : float
        Nominal coverage in (0, 1).

    Returns
    -------
    Interval
        Exact binomial limits on the effective sample size n_judged / design_effect (times the
        degrees-of-freedom factor). With nothing dead the lower end is exactly 0 and the upper end
        a proper bound; likewise with everything dead.

    Raises
    ------
    InputError
        When the counts are impossible or the design effect is below 1.

    Notes
    -----
    The effective size never exceeds the true one. With very few canes an estimated design effect
    is itself unsure; `budvision.stats.groups.working_effect` puts a floor under it.

    References
    ----------
    Korn & Graubard (1998), Survey Methodology 24:193-201.
    """
    _check(n_dead, n_judged, confidence)
    if not (math.isfinite(design_effect) and design_effect >= 1):
        raise InputError(
            f"the design effect is {design_effect!r}", expected="at least 1",
            do="Give 1 for independent buds.",
        )
    factor = 1.0
    if n_clusters is not None:
        factor = float(student_factor(n_judged, n_clusters - n_strata, confidence))
    n_effective = n_judged / design_effect * factor
    low, high = effective_limits(n_dead / n_judged * n_effective, n_effective, confidence)
    plain = design_effect == 1.0 and factor == 1.0
    return Interval(
        float(low), float(high), confidence, "clopper_pearson" if plain else "korn_graubard"
    )
