"""One tissue of every block of a table: counts, units, interval."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from budvision.settings import Settings
from budvision.stats.posterior import SharePosterior
from budvision.stats.units import Units
from budvision.stats.weighted import whole_end
from budvision.vineyard.buds import DEAD, LIVE, NOT_CALLED, NOT_EXPOSED, UNSURE, BudTable
from budvision.vineyard.results import TissueResult
from budvision.vineyard.strata import BlockStrata, weighed
from budvision.vocabulary import TISSUES, Tissue

__all__ = [
    "UNSURE_TO_WARN", "JudgedTissue", "as_number", "dead_of_cold", "tissue_results", "tissue_units",
]

Floats = NDArray[np.float64]

UNSURE_TO_WARN = 0.1
"""Above this share of unsure primaries the answer says what they could change. Our choice."""


def dead_of_cold(
    table: BudTable, tissue: Tissue, *, cold_only: bool
) -> NDArray[np.bool_]:
    """Return which buds' tissue is called dead, other causes than cold left out where asked.

    Parameters
    ----------
    cold_only : bool
        Leave out tissues dead for another cause.
    """
    column = TISSUES.index(tissue)
    dead = table.calls[:, column] == DEAD
    if cold_only:
        dead &= ~table.other_cause[:, column]
    of_cold: NDArray[np.bool_] = dead
    return of_cold


def tissue_units(
    table: BudTable, tissue: Tissue, *, cold_only: bool = False
) -> tuple[Units, NDArray[np.bool_]]:
    """Return the counts of one tissue in every vine, or cane where vines are not known.

    Parameters
    ----------
    cold_only : bool
        Leave out tissues dead for another cause.

    Returns
    -------
    units : Units
        Those with a tissue judged, grouped by block.
    judged : ndarray of bool, shape (n_units,)
        Which of the table's units they are.
    """
    n_units = len(table.block_of_unit)
    live = table.calls[:, TISSUES.index(tissue)] == LIVE
    hits = np.bincount(table.unit[dead_of_cold(table, tissue, cold_only=cold_only)],
                       minlength=n_units)
    sizes = hits + np.bincount(table.unit[live], minlength=n_units)
    units = Units.of(hits, sizes, table.block_of_unit, len(table.block.names))
    return units, sizes > 0


def _per_block(table: BudTable, rows: NDArray[np.bool_]) -> NDArray[np.int64]:
    return np.bincount(table.block.codes[rows], minlength=len(table.block.names))


def as_number(value: float) -> float | None:
    """Return a float, None for nan."""
    return None if math.isnan(value) else float(value)


@dataclass(frozen=True, slots=True)
class JudgedTissue:
    """One tissue of every block: its units, their strata and what they tell."""

    units: Units
    strata: BlockStrata | None
    posterior: SharePosterior
    low: Floats
    high: Floats

    @classmethod
    def of(cls, table: BudTable, tissue: Tissue, strata: BlockStrata | None,
           settings: Settings) -> JudgedTissue:
        """Judge one tissue of a table; `strata` are those of all its units."""
        units, keep = tissue_units(table, tissue, cold_only=settings.cold_only)
        here = None if strata is None else strata.judged(keep)
        found = weighed(units, here, prior_icc=settings.prior_icc)
        return cls(units, here, found, *found.limits(settings.confidence))


def _weighted_end(judged: JudgedTissue, row: int, confidence: float) -> float:
    """Return what `whole_end` says of a weighted block."""
    assert judged.strata is not None
    facts = judged.strata.facts(judged.units, row)
    assert facts is not None
    here = [name for name, n in facts.n_units.items() if n]
    weights = np.array([facts.weights[name] for name in here])
    return whole_end(np.array([float(facts.n_units[name]) for name in here]),
                     weights / weights.sum(), confidence=confidence)


def tissue_results(
    table: BudTable, tissue: Tissue, judged: JudgedTissue, *, settings: Settings
) -> list[TissueResult]:
    """Return what the calls say of one tissue, block by block.

    Parameters
    ----------
    judged : JudgedTissue
        Of the same table and tissue.
    settings : Settings
        Uses confidence and cold_only.
    """
    column = TISSUES.index(tissue)
    calls, other = table.calls[:, column], table.other_cause[:, column]
    if not settings.cold_only:
        other = np.zeros_like(other)
    left_out = _per_block(table, (calls == DEAD) & other).tolist()
    counts = [
        _per_block(table, (calls == code) & ~((calls == DEAD) & other)).tolist()
        for code in (LIVE, DEAD, UNSURE, NOT_EXPOSED, NOT_CALLED)
    ]
    called = (calls == LIVE) | ((calls == DEAD) & ~other)
    canes = np.unique(table.cane.codes[called])
    n_canes = np.bincount(table.block_of_cane[canes], minlength=len(table.block.names)).tolist()
    vines = np.bincount(table.block_of_unit[table.unit_is_vine],
                        minlength=len(table.block.names)) > 0
    n_units = judged.units.total(np.ones(len(judged.units.sizes))).tolist()
    weighted = (judged.strata.applied(judged.units) if judged.strata is not None
                else np.zeros(len(vines), bool))
    found = judged.posterior
    unseen, few = found.unseen.tolist(), found.few_units.tolist()
    effect, likeness = found.design_effect.tolist(), found.likeness.tolist()
    share, low, high = (np.where(found.n > 0, values, np.nan).tolist()
                        for values in (found.share, judged.low, judged.high))
    whole = found.if_units_whole(settings.confidence)
    for row in np.flatnonzero(weighted & ~np.isnan(whole)).tolist():
        end = _weighted_end(judged, row, settings.confidence)
        whole[row] = 1 - end if found.every[row] else end
    whole = whole.tolist()
    results = []
    for row, (live, dead, unsure, not_exposed, not_called) in enumerate(zip(*counts, strict=True)):
        n, missing = live + dead, unsure + not_exposed + not_called
        doubt = unsure / (n + unsure) if n + unsure else None
        method = "beta_binomial_strata" if weighted[row] else "beta_binomial"
        results.append(TissueResult(
            n_live=live, n_dead=dead, n_unsure=unsure, n_not_exposed=not_exposed,
            n_not_called=not_called,
            n_other_cause=left_out[row], n_canes=n_canes[row],
            unit="vine" if vines[row] else "cane", n_units=int(n_units[row]),
            few_units=few[row], mortality=as_number(share[row]), low=as_number(low[row]),
            high=as_number(high[row]), confidence=settings.confidence,
            if_units_whole=as_number(whole[row]),
            design_effect=effect[row] if n else None,
            design_effect_from_prior=unseen[row] and n > 0,
            icc=None if unseen[row] or not n else likeness[row], method=method if n else "none",
            reason="" if n else f"no {tissue.value} was called live or dead", unsure_share=doubt,
            if_missing_live=dead / (n + missing) if missing else None,
            if_missing_dead=(dead + missing) / (n + missing) if missing else None,
        ))
    return results
