"""Buds of one vine or cane are alike: what that costs a sample."""

from __future__ import annotations

from budvision.errors import InputError

__all__ = ["design_effect"]


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
