"""Mortality by node position, vine-size class, zone or cultivar, and blocks against each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from budvision.errors import InputError, NotFoundError
from budvision.settings import Settings
from budvision.stats.compare import Comparison, compare_groups
from budvision.stats.posterior import share_posterior
from budvision.stats.units import Units
from budvision.vineyard.buds import LIVE, BudTable, Factor
from budvision.vineyard.strata import StrataShares, block_strata
from budvision.vineyard.tissues import JudgedTissue, as_number, dead_of_cold
from budvision.vocabulary import TISSUES, Tissue

__all__ = ["BREAKDOWNS", "NamedComparison", "Part", "breakdown", "compare_blocks"]

BREAKDOWNS = ("node", "vigor", "zone", "cultivar", "block")


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """Mortality of one part of the buds; None where nothing was judged.

    Attributes
    ----------
    name : str
        Node number, vine-size class, zone, cultivar or block; empty for unknown.
    n_units : int
        Vines where they are known, else canes; the interval rests on their number.
    few_units, design_effect_from_prior : bool
        Fewer units than `budvision.stats.posterior.LEAST_UNITS`; the sample cannot show how alike
        the buds of a unit are.
    """

    name: str
    n_judged: int
    n_dead: int
    n_canes: int
    n_units: int
    mortality: float | None
    low: float | None
    high: float | None
    few_units: bool
    design_effect_from_prior: bool


@dataclass(frozen=True, slots=True)
class NamedComparison:
    """Two blocks compared, by name."""

    first: str
    second: str
    result: Comparison


def _factor(table: BudTable, by: str) -> Factor:
    if by == "node":
        nodes, codes = np.unique(table.node, return_inverse=True)
        return Factor(tuple(str(node) for node in nodes), codes.astype(np.int64))
    if by not in BREAKDOWNS:
        raise InputError(f"{by!r} is no way to break down", expected=", ".join(BREAKDOWNS))
    factor: Factor = getattr(table, by)
    return factor


def breakdown(
    table: BudTable,
    by: str,
    *,
    tissue: Tissue = Tissue.PRIMARY,
    settings: Settings | None = None,
) -> list[Part]:
    """Return mortality by node position, vine-size class, zone, cultivar or block.

    Parameters
    ----------
    by : {"node", "vigor", "zone", "cultivar", "block"}
    settings : Settings, optional
        Uses confidence, prior_icc and cold_only.

    Returns
    -------
    list of Part
        Nodes from the base up; others in the order of first appearance.

    Raises
    ------
    InputError
        When `by` is another word.

    Notes
    -----
    Vines, or canes where vines are not known, are the units. Over several blocks the answer
    describes these blocks, not all blocks of the cultivar or zone. At one node each cane has one
    bud: with canes as units the interval is Clopper and Pearson's.
    """
    settings, factor = settings or Settings(), _factor(table, by)
    dead = dead_of_cold(table, tissue, cold_only=settings.cold_only)
    keep = dead | (table.calls[:, TISSUES.index(tissue)] == LIVE)
    n_parts, part = len(factor.names), factor.codes[keep]
    cells, index = np.unique(table.unit[keep] * n_parts + part, return_inverse=True)
    units = Units.of(np.bincount(index, dead[keep], len(cells)), np.bincount(index),
                     cells % n_parts, n_parts)
    found = share_posterior(units, prior_icc=settings.prior_icc)
    low, high = found.limits(settings.confidence)
    canes = np.unique(table.cane.codes[keep] * n_parts + part) % n_parts
    n_canes = np.bincount(canes, minlength=n_parts)
    return [
        Part(
            name=factor.names[code], n_judged=int(found.n[code]), n_dead=int(found.hits[code]),
            n_canes=int(n_canes[code]), n_units=int(found.n_units[code]),
            mortality=as_number(found.share[code]), low=as_number(low[code]),
            high=as_number(high[code]), few_units=bool(found.few_units[code]),
            design_effect_from_prior=bool(found.unseen[code] and found.n[code] > 0),
        )
        for code in np.unique(factor.codes).tolist()
    ]


def compare_blocks(
    table: BudTable,
    *,
    pairs: Sequence[tuple[str, str]] | None = None,
    settings: Settings | None = None,
    zone_shares: StrataShares | None = None,
    strata_shares: StrataShares | None = None,
) -> list[NamedComparison]:
    """Compare the primaries' mortality of blocks, or of one block on two dates, in pairs.

    Parameters
    ----------
    table : BudTable
        A date is compared by giving each sampling its own block name.
    pairs : sequence of (str, str), optional
        Pairs of block names; every pair when left out.
    settings : Settings, optional
        Uses confidence, prior_icc and cold_only.
    zone_shares, strata_shares : mapping, optional
        Weights, as in `budvision.vineyard.mortality.summarise_table`.

    Returns
    -------
    list of NamedComparison
        P-values are adjusted over all pairs together.

    Raises
    ------
    NotFoundError
        When a pair names no block of the table.
    """
    settings = settings or Settings()
    names = table.block.names
    wanted = list(combinations(names, 2)) if pairs is None else list(pairs)
    for name in {name for pair in wanted for name in pair}:
        if name not in names:
            raise NotFoundError(f"there is no block {name!r}",
                                expected=f"one of {', '.join(names)}")
    strata = block_strata(table, zones=zone_shares, sizes=strata_shares)
    results = compare_groups(
        JudgedTissue.of(table, Tissue.PRIMARY, strata, settings).posterior,
        [(names.index(a), names.index(b)) for a, b in wanted],
        confidence=settings.confidence,
    )
    return [NamedComparison(a, b, result)
            for (a, b), result in zip(wanted, results, strict=True)]
