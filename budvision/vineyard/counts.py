"""How many vines to count for a mean that is sure enough."""

from __future__ import annotations

import math

import scipy

from budvision.errors import InputError

__all__ = ["vines_to_count"]


def vines_to_count(n_vines: float, *, cv: float, error: float = 0.05) -> int:
    """Return how many vines to count for a wanted error of the mean count, at 95 %.

    Parameters
    ----------
    n_vines : float
        Vines there are, at least 2.
    cv : float
        Spread of the counts of single vines over their mean, above 0.
    error : float
        Half the width of the interval as a share of the mean, in (0, 1).

    Returns
    -------
    int
        The fewest, at least 2, whose interval by Student's t is that narrow.

    Raises
    ------
    InputError
        When a value is outside its range.

    References
    ----------
    Cochran (1977), Sampling Techniques, 3rd ed., sections 4.4 and 4.6.
    """
    if not (n_vines >= 2 and cv > 0 and 0 < error < 1):
        raise InputError(
            f"vines are {n_vines!r}, cv {cv!r}, the error {error!r}",
            expected="at least 2 vines, cv above 0, an error between 0 and 1")
    most = math.ceil(n_vines)

    def narrow(n: int) -> bool:
        left = max(0.0, 1 - n / n_vines)
        return float(scipy.special.stdtrit(n - 1, 0.975)) * cv * math.sqrt(left / n) <= error

    few, enough = 1, most
    while enough - few > 1:
        middle = (few + enough) // 2
        few, enough = (few, middle) if narrow(middle) else (middle, enough)
    return enough
