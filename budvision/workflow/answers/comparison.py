"""Two blocks, or one block on two dates, against each other; one against many, adjusted for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from budvision.language import say
from budvision.report.answer import NO_RESULT, answer_words
from budvision.report.facts import BlockFacts, HistoryLine
from budvision.report.words import points, points_range
from budvision.stats.compare import Comparison
from budvision.store.session import Season
from budvision.vineyard.breakdown import compare_blocks
from budvision.vineyard.buds import BudTable
from budvision.workflow.answers.answers import Answer, answers_from, counted_buds, history
from budvision.workflow.answers.results import BlockAnswer
from budvision.workflow.answers.sheet_facts import line_facts
from budvision.workflow.answers.summaries import weights_of

__all__ = ["compare_answers", "history_lines", "result_facts", "shows_difference", "with_history"]


def compare_answers(season: Season, first: Answer, others: Sequence[Answer]) -> list[Comparison]:
    """Compare the share of dead primaries of one sampling with that of each of the others.

    Parameters
    ----------
    first : Answer
        Some primary of it is judged.
    others : sequence of Answer
        Likewise; other samplings.

    Returns
    -------
    list of Comparison
        One for each of the others, first less other; p-values adjusted over all of them. Shares are
        those of the answers, weighted where theirs are.
    """
    if not others:
        return []
    buds = [
        replace(bud, block=str(index))
        for index, answer in enumerate((first, *others))
        for bud in counted_buds(season, answer)
    ]
    pairs = [("0", str(index)) for index in range(1, len(others) + 1)]
    zones, sizes = weights_of(
        {str(index): answer.block for index, answer in enumerate((first, *others))})
    compared = compare_blocks(BudTable.from_calls(buds), pairs=pairs, settings=season.settings,
                              zone_shares=zones, strata_shares=sizes)
    return [one.result for one in compared]


def result_facts(season: Season, results: Sequence[BlockAnswer]) -> list[BlockFacts]:
    """Return the facts of results already worked out, each with the block's samplings so far."""
    return [with_history(season, answer, line_facts(season, answer))
            for answer in answers_from(season, results)]


def with_history(season: Season, answer: Answer, facts: BlockFacts) -> BlockFacts:
    """Return a block's facts with its samplings against each other."""
    return replace(facts, history=history_lines(season, history(season, answer.block)))


def history_lines(season: Season, answers: Sequence[Answer]) -> tuple[HistoryLine, ...]:
    """Return a block's samplings in words, oldest first, each against the one before it.

    Parameters
    ----------
    answers : sequence of Answer
        From `budvision.workflow.answers.answers.history`.

    Returns
    -------
    tuple of HistoryLine
        Empty where there are fewer than two samplings.
    """
    if len(answers) < 2:
        return ()
    lines: list[HistoryLine] = []
    before: Answer | None = None
    for one in answers:
        words = answer_words(line_facts(season, one))
        row = words.tissues[0] if one.judged else None
        lines.append(HistoryLine(
            sampling=one.sampling.label if one.sampling else "",
            collected=(one.sampling.collected_at or "")[:10] if one.sampling else "",
            n_judged=row.n_live + row.n_dead if row else 0,
            share=row.share if row else say(NO_RESULT),
            span=row.span if row else "",
            change=_change(season, one, before) if before is not None and one.judged else "",
        ))
        before = one if one.judged else before
    return tuple(lines)


def _change(season: Season, one: Answer, before: Answer) -> str:
    compared = compare_answers(season, one, [before])[0]
    differs = shows_difference(compared, confidence=season.settings.confidence)
    values = {"points": points(compared.difference),
              "span": points_range(compared.low, compared.high)}
    if differs:
        return say("{points} ({span})", **values)
    return say("{points} ({span}), not shown to differ", **values)


def shows_difference(comparison: Comparison, *, confidence: float = 0.95) -> bool:
    """Say whether a comparison shows a difference, adjusted for all made with it."""
    return comparison.p_adjusted < 1 - confidence
