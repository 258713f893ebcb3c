"""Two shares against each other: independent buds, and buds that come in canes."""

from __future__ import annotations

import math

from budvision.stats.proportions import wilson
from budvision.vocabulary import Interval

__all__ = ["share_difference"]


def share_difference(
    first: tuple[float, float], second: tuple[float, float], *, confidence: float = 0.95
) -> Interval:
    """Bound the first share less the second, independent buds or effective counts.

    Parameters
    ----------
    first, second : tuple of float
        (hits, total) of either group.
    confidence : float
        Nominal coverage in (0, 1).

    Returns
    -------
    Interval
        Newcombe's method 10, from the two Wilson intervals.

    Raises
    ------
    InputError
        When the counts are impossible.

    References
    ----------
    Newcombe (1998), Stat. Med. 17:873-890.
    """
    one, two = wilson(*first, confidence=confidence), wilson(*second, confidence=confidence)
    a, b = first[0] / first[1], second[0] / second[1]
    low = a - b - math.hypot(a - one.low, two.high - b)
    high = a - b + math.hypot(one.high - a, b - two.low)
    return Interval(low, high, confidence, "newcombe_10")
