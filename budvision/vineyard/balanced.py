"""Nodes in a normal year: from the weight of prunings, from vine spacing; canes and spurs.

The A + B formulas leave A nodes for the first pound of one-year cane prunings and B for each
further pound. Sources do not agree on vines below one pound; here A is taken pro rata, and the
answer says so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from budvision.errors import InputError
from budvision.language import plain_count
from budvision.vineyard.units import FOOT_M, POUND_KG

__all__ = [
    "BALANCED_FORMULAS",
    "BalancedFormula",
    "BalancedNodes",
    "Layout",
    "balanced_nodes",
    "charge_nodes",
    "lay_out",
    "spacing_nodes",
]

_SOURCE = "M. Smith, Ohio State University, 15 Mar 2023 (ohiograpeweb.cfaes.ohio-state.edu)"


@dataclass(frozen=True, slots=True)
class BalancedFormula:
    """Nodes by weight of prunings.

    Attributes
    ----------
    first, further : int
        Nodes for the first pound, and for each further pound.
    thin_clusters : str
        "yes", "no" or "yes/no", whether clusters are thinned as well.
    """

    name: str
    first: int
    further: int
    thin_clusters: str
    source: str


BALANCED_FORMULAS: Mapping[str, BalancedFormula] = MappingProxyType({
    name: BalancedFormula(name, first, further, thin, _SOURCE)
    for name, first, further, thin in (
        ("american", 30, 10, "no"), ("french_hybrid", 20, 10, "yes"),
        ("new_hybrid", 20, 20, "no"), ("seedless_table", 30, 10, "yes"),
        ("vinifera", 20, 20, "yes/no"),
    )
})


@dataclass(frozen=True, slots=True)
class BalancedNodes:
    """Nodes by an A + B formula, unrounded.

    Attributes
    ----------
    nodes : float
    pro_rata : bool
        True below one pound, where sources do not agree; such a vine is better pruned to
        rebuild its size.
    limited : bool
        True where the least or most nodes allowed decided.
    """

    nodes: float
    pro_rata: bool
    limited: bool


@dataclass(frozen=True, slots=True)
class Layout:
    """Nodes laid out as canes or spurs: `count` of `each`, `total` in all."""

    count: int
    each: int
    total: int


def balanced_nodes(
    prunings_kg: float,
    formula: BalancedFormula,
    *,
    least: float | None = None,
    most: float | None = None,
) -> BalancedNodes:
    """Return nodes to retain for a vine's weight of prunings, in a normal year.

    Parameters
    ----------
    prunings_kg : float
        Weight of one-year cane prunings of one vine, kg, above 0.
    least, most : float, optional
        Limits to keep the answer within.

    Raises
    ------
    InputError
        When the weight is not positive or the limits are out of order.

    References
    ----------
    Growing Grapes in West Virginia, p. 14 (30 + 10 at 3 lb: 50 buds).
    """
    if not (math.isfinite(prunings_kg) and prunings_kg > 0):
        raise InputError(f"the prunings weigh {prunings_kg!r} kg", expected="more than 0",
                         do="Weigh the one-year canes of a few typical vines.")
    if least is not None and most is not None and least > most:
        raise InputError(f"the limits are {least:g} and {most:g}", expected="least up to most")
    pounds = prunings_kg / POUND_KG
    light = pounds < 1
    nodes = formula.first * pounds if light else formula.first + formula.further * (pounds - 1)
    kept = max(nodes, least if least is not None else nodes)
    kept = min(kept, most if most is not None else kept)
    return BalancedNodes(kept, light, kept != nodes)


def charge_nodes(prunings_kg: float) -> tuple[float, float]:
    """Return nodes by what a good shoot weighs in winter, 30 to 40 g.

    Parameters
    ----------
    prunings_kg : float
        Weight of dry prunings of one vine, kg, above 0.

    Returns
    -------
    low, high : float
        Nodes with the heavier and the lighter shoot.

    Raises
    ------
    InputError
        When the weight is not positive.

    References
    ----------
    Wineskills, 'Factors to be taken into account when pruning' (30 to 40 g).
    """
    if not prunings_kg > 0:
        raise InputError(f"the prunings weigh {prunings_kg!r} kg", expected="more than 0")
    return prunings_kg * 1000 / 40, prunings_kg * 1000 / 30


def spacing_nodes(vine_m: float) -> tuple[float, float]:
    """Return nodes from vine spacing, by the general guide of 4 to 6 a foot of row.

    Parameters
    ----------
    vine_m : float
        Vine spacing in the row, metres, above 0.

    Returns
    -------
    low, high : float

    Raises
    ------
    InputError
        When a value is not positive.

    References
    ----------
    M. Smith, Ohio State University, 15 Mar 2023 (5 to 8 ft: about 20 to 50 buds).
    """
    if not vine_m > 0:
        raise InputError(f"the spacing is {vine_m!r} m", expected="more than 0")
    return vine_m * (4 / FOOT_M), vine_m * (6 / FOOT_M)


def lay_out(nodes: float, each: int) -> Layout:
    """Return how many canes (or spurs) of so many nodes each come closest to a node count.

    Parameters
    ----------
    nodes : float
        Nodes to retain, above 0.
    each : int
        Nodes on one cane or spur, at least 1.

    Returns
    -------
    Layout
        `total` may differ from `nodes` by up to half a cane.

    Raises
    ------
    InputError
        When a value is not positive.
    """
    if not (math.isfinite(nodes) and nodes > 0 and each >= 1):
        raise InputError(f"there are {plain_count(nodes, 'node')} and {each!r} on each",
                         expected="more than 0, and at least 1 on each")
    count = max(1, math.floor(nodes / each + 0.5))
    return Layout(count, each, count * each)
