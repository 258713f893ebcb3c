"""Two shares against each other, of buds that come in units."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from budvision.errors import InputError
from budvision.stats.posterior import SharePosterior

__all__ = ["Comparison", "cane_interval", "compare_groups", "holm"]

Floats = NDArray[np.float64]

_FARTHEST, _HALVINGS = 8.0, 40
"""Normal deviates up to which a level is looked for, and how often the span is halved."""


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
    The interval joins the two groups' own intervals as Newcombe's method 10 does. Where both groups
    are whole (none or all of each dead) nothing shows that units do not live and die whole, and the
    ends for whole units are joined. The p-value is 1 less the confidence at which the interval just
    reaches no difference, so that test and interval never contradict each other.

    References
    ----------
    Newcombe (1998), Stat. Med. 17:873-890, and Zou & Donner (2008), Stat. Med. 27:1693-1702
    (joining two intervals); Holm (1979).
    """
    judged = [groups.n[a] > 0 and groups.n[b] > 0 for a, b in pairs]
    of = np.array(pairs, dtype=np.int64).reshape(-1, 2)
    first, second = groups.rows(of[:, 0]), groups.rows(of[:, 1])
    down, up = _joined(first, second, np.full(len(of), confidence))
    p = np.where(judged, _reaching_none(first, second), np.nan)
    adjusted = np.full(len(of), np.nan)
    adjusted[judged] = holm(p[judged])
    apart = first.share - second.share
    return [
        Comparison(first=a, second=b, difference=float(found), low=float(low), high=float(high),
                   p_value=float(own), p_adjusted=float(kept))
        for (a, b), found, low, high, own, kept in zip(
            pairs, apart, down, up, p, adjusted, strict=True)
    ]


def _joined(
    first: SharePosterior, second: SharePosterior, confidence: Floats
) -> tuple[Floats, Floats]:
    """Return the interval of each first share less the second."""
    a, b = first.share, second.share
    (low_a, high_a), (low_b, high_b) = (one.limits(confidence) for one in (first, second))
    whole = (first.none | first.every) & (second.none | second.every)
    if whole.any():
        low_a, high_a, low_b, high_b = (
            np.where(whole & at_end, one.if_units_whole(confidence), end)
            for one, at_end, end in ((first, first.every, low_a), (first, first.none, high_a),
                                     (second, second.every, low_b), (second, second.none, high_b)))
    return a - b - np.hypot(a - low_a, high_b - b), a - b + np.hypot(high_a - a, b - low_b)


def _reaching_none(first: SharePosterior, second: SharePosterior) -> Floats:
    """Return 1 less the confidence at which each interval just reaches no difference."""
    near, far = np.zeros(len(first.n)), np.full(len(first.n), _FARTHEST)
    for _ in range(_HALVINGS):
        middle = (near + far) / 2
        down, up = _joined(first, second, 1 - 2 * scipy.special.ndtr(-middle))
        holds = (down <= 0) & (up >= 0)
        near, far = np.where(holds, near, middle), np.where(holds, middle, far)
    p: Floats = 2 * scipy.special.ndtr(-near)
    return p


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
