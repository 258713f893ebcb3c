"""Intervals for one share of independent buds.

Functions ending in ``_limits`` take and return arrays, one value a share; the others take one
pair of counts and return an `Interval`.
"""

from __future__ import annotations

import math

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from budvision.errors import InputError
from budvision.vocabulary import Interval

__all__ = [
    "clopper_pearson",
    "effective_limits",
    "size_of_width",
    "wilson",
    "wilson_limits",
]

Floats = NDArray[np.float64]


def _check(n_hit: float, n: float, confidence: float) -> None:
    check_count(n_hit, n)
    if not 0 < confidence < 1:
        raise InputError(
            f"confidence is {confidence!r}", expected="a number between 0 and 1",
            do="Give 0.95 for a 95 % interval.",
        )


def check_count(n_hit: float, n: float) -> None:
    """Refuse counts that no sample can give.

    Parameters
    ----------
    n_hit, n : float
        Counts.

    Raises
    ------
    InputError
        When n is not above 0, or n_hit not within 0 and n.
    """
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
    return float(scipy.special.ndtri(0.5 + confidence / 2))


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
    low = scipy.special.betaincinv(np.where(none, 1.0, x), np.maximum(total - x, 0) + 1, tail)
    high = scipy.special.betaincinv(x + 1, np.where(every, 1.0, total - x), 1 - tail)
    return np.where(none, 0.0, low), np.where(every, 1.0, high)


def size_of_width(share: ArrayLike, low: ArrayLike, high: ArrayLike, confidence: float) -> Floats:
    """Return how many independent buds would give exact limits as far apart as these.

    Parameters
    ----------
    share, low, high : array_like of float, shape (n,)
        Share found and its interval; nan gives 1.
    confidence : float
        Nominal coverage in (0, 1).
    """
    found: Floats = np.nan_to_num(np.asarray(share, dtype=float), nan=0.5)
    wanted: Floats = np.nan_to_num(np.asarray(high, float) - np.asarray(low, float), nan=1.0)
    size: Floats = np.ones_like(found)
    open_ = np.arange(found.size)
    for _ in range(12):
        share, was = found[open_], size[open_]
        ends = effective_limits(np.where(share >= 1, was, share * was), was, confidence)
        power = np.where((share <= 0) | (share >= 1), 1.2, 1.9)
        ratio = (ends[1] - ends[0]) / np.maximum(wanted[open_], 1e-9)
        size[open_] = np.clip(was * ratio**power, 1e-3, 1e9)
        open_ = open_[np.abs(size[open_] - was) > 1e-12 * was]
    return size


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
