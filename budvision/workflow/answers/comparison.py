"""Two blocks, or one block on two dates, against each other; one against many, adjusted for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from budvision.stats.compare import Comparison
from budvision.store.session import Season
from budvision.vineyard.breakdown import compare_blocks
from budvision.vineyard.buds import BudTable
from budvision.workflow.answers.answers import Answer, sampled_buds

__all__ = ["compare_answers", "shows_difference"]


def compare_answers(season: Season, first: Answer, others: Sequence[Answer]) -> list[Comparison]:
    """Compare the share of dead primaries of one sampling with that of each of the others.

    Parameters
    ----------
    season : Season
    first : Answer
        Some primary of it is judged.
    others : sequence of Answer
        Likewise; other samplings.

    Returns
    -------
    list of Comparison
        One for each of the others, first less other; p-values adjusted over all of them. Canes
        are the clusters.
    """
    if not others:
        return []
    buds = [
        replace(bud, block=str(at))
        for at, answer in enumerate((first, *others))
        for bud in sampled_buds(season, answer)[1]
    ]
    pairs = [("0", str(at)) for at in range(1, len(others) + 1)]
    told = compare_blocks(BudTable.from_calls(buds), pairs=pairs, settings=season.settings)
    return [one.result for one in told]


def shows_difference(comparison: Comparison, *, confidence: float = 0.95) -> bool:
    """Say whether a comparison shows a difference, adjusted for all made with it."""
    return comparison.p_adjusted < 1 - confidence
