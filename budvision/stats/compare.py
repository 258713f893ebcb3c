"""Two shares against each other, of buds that come in units."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from budvision.errors import InputError
from budvision.stats.posterior import SharePosterior

__all__ = ["Comparison", "cane_interval", "compare_groups", "holm"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One share less another, both from canes.

    Attributes
    ----------
    first, second : int
        Numbers of the two groups.
    difference, low, high : float
        First less second, with its interval (not adjusted for the number of comparisons).
    p_value, p_adjusted : float
        Two-sided; adjusted by Holm's method over all comparisons made together.
    """

    first: int
    second: int
    difference: float
    low: float
    high: float
    p_value: float
    p_adjusted: float


def holm(p_values: ArrayLike) -> NDArray[np.float64]:
    """Adjust p-values for being many, by Holm's step-down method.

    Parameters
    ----------
    p_values : array_like of float, shape (n,)
        Each in [0, 1].

    Returns
    -------
    ndarray of float64, shape (n,)
        In the same order, at most 1.

    Raises
    ------
    InputError
        When a value is not in [0, 1].

    References
    ----------
    Holm (1979), Scand. J. Stat. 6:65-70.
    """
    p = np.asarray(p_values, dtype=float)
    if p.ndim != 1 or np.any(~((p >= 0) & (p <= 1))):
        raise InputError("a p-value is outside 0 to 1", expected="a row of values in [0, 1]")
    order = np.argsort(p, kind="stable")
    stepped = np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(stepped, 1.0)
    return adjusted


def compare_groups(
    groups: SharePosterior,
    pairs: Sequence[tuple[int, int]],
    *,
    confidence: float = 0.95,
) -> list[Comparison]:
    """Compare shares of groups whose buds come in units: blocks, dates, cultivars.

    Parameters
    ----------
    groups : SharePosterior
        What is known of each group's share.
    pairs : sequence of (int, int)
        Groups to compare, each pair first less second. The two share no unit.
    confidence : float
        Nominal coverage in (0, 1).

    Returns
    -------
    list of Comparison
        One for each pair. Values are nan where either group has nothing judged.

    Notes
    -----
    The interval joins the two groups' own intervals as Newcombe's method 10 does. The p-value is
    that of the pooled test on effective counts, which allow for units and their number.

    References
    ----------
    Rao & Scott (1992), Biometrics 48:577-585 (tests on effective counts); Zou & Donner (2008),
    Stat. Med. 27:1693-1702 (joining two intervals); Holm (1979).
    """
    low, high = groups.limits(confidence)
    share, size = groups.share, groups.n_effective
    rows: list[tuple[int, int, float, float, float, float]] = []
    for a, b in pairs:
        if groups.n[a] == 0 or groups.n[b] == 0:
            rows.append((a, b, math.nan, math.nan, math.nan, math.nan))
            continue
        apart = float(share[a] - share[b])
        down = math.hypot(share[a] - low[a], high[b] - share[b])
        up = math.hypot(high[a] - share[a], share[b] - low[b])
        pooled = (share[a] * size[a] + share[b] * size[b]) / (size[a] + size[b])
        spread = math.sqrt(pooled * (1 - pooled) * (1 / size[a] + 1 / size[b]))
        p = 2 * float(scipy.special.ndtr(-abs(apart) / spread)) if spread > 0 else 1.0
        rows.append((a, b, apart, apart - down, apart + up, p))
    known = [index for index, row in enumerate(rows) if not math.isnan(row[5])]
    adjusted = np.full(len(rows), np.nan)
    adjusted[known] = holm([rows[index][5] for index in known])
    return [
        Comparison(first=a, second=b, difference=apart, low=down, high=up, p_value=p,
                   p_adjusted=float(kept))
        for (a, b, apart, down, up, p), kept in zip(rows, adjusted, strict=True)
    ]


def cane_interval(
    gain: NDArray[np.float64], cane: NDArray[np.int64], *, rng: np.random.Generator
) -> tuple[float, float, float]:
    """Bound a mean difference, at 95 %, by drawing canes anew 2,000 times.

    Parameters
    ----------
    gain : ndarray, shape (n,)
        Difference of each tissue, paired.
    cane : ndarray, shape (n,)

    Returns
    -------
    mean, low, high : float

    References
    ----------
    Efron & Tibshirani (1993), An Introduction to the Bootstrap, chapter 13 (percentile interval);
    canes are the units drawn.
    """
    which = np.unique(cane, return_inverse=True)[1]
    total, count = np.bincount(which, gain), np.bincount(which).astype(np.float64)
    picks = rng.integers(0, len(total), (2000, len(total)))
    means = total[picks].sum(axis=1) / count[picks].sum(axis=1)
    low, high = np.quantile(means, [0.025, 0.975])
    return float(gain.mean()), float(low), float(high)
