"""Mortality by node position, vine-size class, zone or cultivar, and blocks against each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from budvision.errors import InputError, NotFoundError
from budvision.settings import Settings
from budvision.stats.compare import Comparison, compare_groups
from budvision.stats.groups import group_limits, group_shares
from budvision.vineyard.buds import DEAD, LIVE, BudTable, Factor
from budvision.vineyard.mortality import tissue_shares
from budvision.vocabulary import TISSUES, Tissue

__all__ = ["BREAKDOWNS", "NamedComparison", "Part", "breakdown", "compare_blocks"]

BREAKDOWNS = ("node", "vigor", "zone", "cultivar", "block")


@dataclass(frozen=True, slots=True)
class Part:
    """Mortality of one part of the buds; None where nothing was judged.

    Attributes
    ----------
    name : str
        Node number, vine-size class, zone, cultivar or block; empty for unknown.
    design_effect_from_prior : bool
        True where the interval rests on the prior icc.
    """

    name: str
    n_judged: int
    n_dead: int
    n_canes: int
    mortality: float | None
    low: float | None
    high: float | None
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
    block: str | None = None,
    settings: Settings | None = None,
) -> list[Part]:
    """Return mortality by node position, vine-size class, zone, cultivar or block.

    Parameters
    ----------
    table : BudTable
    by : {"node", "vigor", "zone", "cultivar", "block"}
    tissue : Tissue
    block : str, optional
        Only this block's buds; all when left out.
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
    NotFoundError
        When there is no such block.

    Notes
    -----
    Canes are the clusters. Over several blocks the answer describes these blocks, not all blocks
    of the cultivar or zone. At one node each cane has one bud, so Wilson's interval applies.
    """
    settings, factor = settings or Settings(), _factor(table, by)
    column = TISSUES.index(tissue)
    calls = table.calls[:, column]
    dead = calls == DEAD
    if settings["cold_only"]:
        dead &= ~table.other_cause[:, column]
    keep = dead | (calls == LIVE)
    if block is not None:
        if block not in table.block.names:
            raise NotFoundError(f"there is no block {block!r}",
                                expected=f"one of {', '.join(table.block.names)}")
        keep &= table.block.codes == table.block.names.index(block)
    n_parts = len(factor.names)
    cell = table.cane.codes[keep] * n_parts + factor.codes[keep]
    cells, index = np.unique(cell, return_inverse=True)
    sizes = np.bincount(index, minlength=len(cells))
    hits = np.bincount(index, weights=dead[keep].astype(float), minlength=len(cells))
    groups = group_shares(hits, sizes, cells % n_parts, n_parts)
    low, high, effect = group_limits(
        groups, prior_icc=settings.number("prior_icc"), confidence=settings.number("confidence")
    )
    present = np.unique(factor.codes if block is None
                        else factor.codes[table.block.codes == table.block.names.index(block)])
    parts = []
    for at in present.tolist():
        judged = bool(groups.n[at] > 0)
        parts.append(Part(
            factor.names[at], int(groups.n[at]), int(groups.hits[at]), int(groups.n_clusters[at]),
            float(groups.share[at]) if judged else None, float(low[at]) if judged else None,
            float(high[at]) if judged else None, bool(effect.from_prior[at]) and judged,
        ))
    return parts


def compare_blocks(
    table: BudTable,
    *,
    tissue: Tissue = Tissue.PRIMARY,
    pairs: Sequence[tuple[str, str]] | None = None,
    settings: Settings | None = None,
) -> list[NamedComparison]:
    """Compare mortality of blocks, or of one block on two dates, in pairs.

    Parameters
    ----------
    table : BudTable
        A date is compared by giving each sampling its own block name.
    tissue : Tissue
    pairs : sequence of (str, str), optional
        Pairs of block names; every pair when left out.
    settings : Settings, optional
        Uses confidence, prior_icc and cold_only.

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
    groups = tissue_shares(table, tissue, cold_only=bool(settings["cold_only"]))
    results = compare_groups(
        groups, [(names.index(a), names.index(b)) for a, b in wanted],
        prior_icc=settings.number("prior_icc"), confidence=settings.number("confidence"),
    )
    return [NamedComparison(a, b, result)
            for (a, b), result in zip(wanted, results, strict=True)]
