"""Nodes to retain after winter injury: band rule, additive rule, exact compensation.

The bands and their edges are in `budvision.vineyard.policies`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from budvision.errors import InputError
from budvision.vineyard.policies import check_share

__all__ = [
    "NodeCount",
    "add_share_dead",
    "check_normal",
    "node_range",
    "node_ranges",
    "round_nodes",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeCount:
    """Nodes to retain on one vine by one rule.

    Attributes
    ----------
    retain, low, high : int or None
        Rounded to whole nodes, halves up; None where the rule gives no number.
    unrounded : float or None
        `retain` before rounding.
    capped : bool
        True where `retain` or `high` stopped at the practical maximum.
    retain_capped : bool
        True where `retain` itself did.
    """

    retain: int | None
    low: int | None
    high: int | None
    unrounded: float | None
    capped: bool
    retain_capped: bool = False


def add_share_dead(normal: float, share_dead: float) -> float:
    """Return nodes by the additive rule of thumb, normal * (1 + m).

    Parameters
    ----------
    normal : float
        Nodes retained in a normal year, above 0.
    share_dead : float
        Share of dead primary buds in [0, 1].

    Returns
    -------
    float
        Unrounded. Of these, 1 - m ** 2 of normal are alive: the rule under-compensates.

    Raises
    ------
    InputError
        When the normal count is not positive or the share is outside [0, 1].

    References
    ----------
    Northern New York grape update, 28 Feb 2014 (35 % injured, 35 % more buds).
    """
    check_normal(normal)
    check_share(share_dead)
    return normal * (1 + share_dead)


def check_normal(normal: float, *, where: str = "") -> None:
    """Refuse a normal node count that is not a positive number.

    Parameters
    ----------
    normal : float
        Nodes retained in a normal year.
    where : str
        Named in the error.

    Raises
    ------
    InputError
        When the count is zero, negative or not finite.
    """
    if not (math.isfinite(normal) and normal > 0):
        raise InputError(
            f"the normal node count is {normal!r}", expected="a number above 0",
            do="Give the nodes that are retained on one vine in a normal year.", where=where,
        )


def round_nodes(value: float) -> int:
    """Return a node count rounded to the nearest whole node, halves up.

    Parameters
    ----------
    value : float
        Nodes, at least 0.
    """
    return math.floor(value + 0.5 + 1e-9)


def node_range(
    normal: float, factor: float, low_factor: float, high_factor: float, *, max_factor: float
) -> NodeCount:
    """Turn a multiple of the normal count, with its range, into whole nodes under a cap.

    Parameters
    ----------
    normal : float
        Nodes retained in a normal year, above 0.
    factor, low_factor, high_factor : float
        Multiples at the estimate and at the ends of its interval; nan where a rule gives no
        number there.
    max_factor : float
        Practical maximum as a multiple of normal, at least 1.

    Raises
    ------
    InputError
        When the normal count is not positive or the maximum is below 1.
    """
    check_normal(normal)
    return node_ranges(normal, [factor], [low_factor], [high_factor], max_factor=max_factor)[0]


def node_ranges(
    normal: ArrayLike,
    factor: ArrayLike,
    low_factor: ArrayLike,
    high_factor: ArrayLike,
    *,
    max_factor: float,
) -> list[NodeCount]:
    """Do what `node_range` does for many blocks at once.

    Parameters
    ----------
    normal : array_like of float, scalar or shape (n,)
        Nodes retained in a normal year, above 0 (not checked again).
    factor, low_factor, high_factor : array_like of float, shape (n,)
        As in `node_range`.
    max_factor : float
        Practical maximum as a multiple of normal, at least 1.

    Raises
    ------
    InputError
        When the maximum is below 1.
    """
    if not max_factor >= 1:
        raise InputError(f"the largest multiple is {max_factor!r}", expected="at least 1")
    multiples = np.array([factor, low_factor, high_factor], dtype=float)
    over = multiples > max_factor
    capped = np.any(over, axis=0).tolist()
    itself = [max_factor < value < math.inf for value in multiples[0].tolist()]
    nodes = np.asarray(normal, dtype=float) * np.minimum(multiples, max_factor)
    whole = np.floor(nodes + 0.5 + 1e-9)
    # A multiple without end (nothing alive) is no number to leave; a range may reach the maximum.
    known = ~np.isnan(nodes) & np.concatenate([np.isfinite(multiples[:1]), nodes[1:] >= 0])
    counts = np.where(known, whole, 0).astype(np.int64).tolist()
    retain, low, high = (
        [count if there else None for count, there in zip(row, seen, strict=True)]
        for row, seen in zip(counts, known.tolist(), strict=True)
    )
    exact = [value if there else None
             for value, there in zip(nodes[0].tolist(), known[0].tolist(), strict=True)]
    return [NodeCount(retain=one, low=two, high=three, unrounded=four, capped=five,
                      retain_capped=six)
            for one, two, three, four, five, six
            in zip(retain, low, high, exact, capped, itself, strict=True)]
