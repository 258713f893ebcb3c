"""The season overview, the order of pruning, and comparisons."""

from __future__ import annotations

from dataclasses import dataclass, replace

from flask import render_template, request
from flask.typing import ResponseReturnValue

from budvision.errors import InputError, NothingToDoError
from budvision.language import say
from budvision.report.canvas import Drawing
from budvision.report.figures import ShareRow, draw_intervals
from budvision.report.uncalled import uncalled_words
from budvision.report.wood import wood_state
from budvision.report.words import band_name, chance_words, percent, points, points_range
from budvision.store.queries.blocks import list_samplings, sampling_labels
from budvision.vineyard.breakdown import breakdown
from budvision.vineyard.mortality import chosen_policy
from budvision.vineyard.results import TissueResult
from budvision.vocabulary import Tissue
from budvision.web.asked import integer
from budvision.web.current import current_season
from budvision.web.results.door import blueprint, sampling_label
from budvision.web.results.parts import BlockRow, PartRow, band_edges, block_row, part_row
from budvision.workflow.answers.answers import (
    Answer,
    answer_of,
    block_policies,
    latest_part,
    most_urgent_first,
    prune_last_first,
    season_answers,
)
from budvision.workflow.answers.comparison import compare_answers, shows_difference
from budvision.workflow.answers.results import season_table

ROWS_A_PAGE = 100
MOST_IN_ORDER = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class OverviewPage:
    """What the season overview shows."""

    rows: tuple[BlockRow, ...]
    n_blocks: int
    n_waiting: int
    n_judged: int
    sampling: str
    samplings: tuple[str, ...]
    page: int
    n_pages: int


@dataclass(frozen=True, slots=True)
class PruneRow:
    """One block in the order of pruning."""

    row: BlockRow
    last_band: str
    why: str


@dataclass(frozen=True, slots=True)
class PrunePage:
    """The order of pruning, and the blocks that have no place in it yet."""

    rows: tuple[PruneRow, ...]
    n_more: int
    without: tuple[BlockRow, ...]
    n_without: int


@dataclass(frozen=True, slots=True)
class Choice:
    """One sampling that can be compared."""

    value: str
    words: str


@dataclass(frozen=True, slots=True)
class DifferenceRow:
    """One comparison in words."""

    name: str
    share: str
    difference: str
    span: str
    verdict: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparePage:
    """Two samplings side by side, or one against all others."""

    choices: tuple[Choice, ...]
    one: str
    two: str
    first_name: str
    first_share: str
    rows: tuple[DifferenceRow, ...]
    drawing: Drawing | None
    n_comparisons: int
    missing: tuple[str, ...]


@blueprint.get("/")
def overview() -> ResponseReturnValue:
    """Show every block, the most urgent first."""
    season = current_season()
    sampling = sampling_label()
    answers = most_urgent_first(season_answers(season, sampling=sampling))
    with season.read() as conn:
        labels = sampling_labels(conn)
    n_pages = max(1, -(-len(answers) // ROWS_A_PAGE))
    page = integer(request.args, "page", low=1, high=n_pages) or 1
    shown = answers[(page - 1) * ROWS_A_PAGE: page * ROWS_A_PAGE]
    rows = tuple(block_row(season, answer) for answer in shown)
    return render_template("results/overview.html", page=OverviewPage(
        rows=rows, n_blocks=len(answers), n_waiting=sum(a.waiting.n_buds for a in answers),
        n_judged=sum(_primary(a).n_live + _primary(a).n_dead for a in answers if a.judged),
        sampling=sampling or "", samplings=labels, page=page, n_pages=n_pages,
    ))


@dataclass(frozen=True, slots=True)
class OverAllPage:
    """Primaries over all blocks, by cultivar, node, vine size and zone."""

    groups: tuple[tuple[str, str, tuple[PartRow, ...]], ...]
    empty: str


@blueprint.get("/over-all")
def over_all() -> ResponseReturnValue:
    """Show mortality over all blocks by cultivar, node, vine size and zone."""
    season = current_season()
    try:
        table = season_table(season, sampling=sampling_label())
    except NothingToDoError:
        return render_template("results/over_all.html", page=OverAllPage((), uncalled_words()))
    policy = chosen_policy(season.settings, block_policies(season))
    groups = []
    for by, title, first in (
            ("cultivar", say("By cultivar"), say("cultivar")),
            ("node", say("By node, from the cane base"), say("node")),
            ("vigor", say("By vine size"), say("vine size")),
            ("zone", say("By zone"), say("zone"))):
        parts = breakdown(table, by, settings=season.settings)
        if by in ("cultivar", "zone"):
            parts.sort(key=lambda part: (not part.name, -(part.mortality or 0.0)))
        if len(parts) > 1:
            groups.append((title, first, tuple(
                part_row(replace(p, name=p.name or say("not recorded")), policy) for p in parts)))
    empty = "" if groups else say(
        "All called buds are of one cultivar, node, vine size and zone.")
    return render_template("results/over_all.html", page=OverAllPage(tuple(groups), empty))


@blueprint.get("/prune-last")
def prune_last() -> ResponseReturnValue:
    """Say which blocks to prune last, and why."""
    season = current_season()
    answers = season_answers(season, sampling=sampling_label())
    ordered = prune_last_first(answers)
    placed = {answer.block.id for answer in ordered}
    rest = [answer for answer in answers if answer.block.id not in placed]
    return render_template("results/prune_last.html", page=PrunePage(
        tuple(PruneRow(row, *_why_late(a, row)) for a in ordered[:MOST_IN_ORDER]
              for row in [block_row(season, a)]),
        max(0, len(ordered) - MOST_IN_ORDER),
        tuple(block_row(season, a) for a in rest[:MOST_IN_ORDER]), len(rest),
    ))


def _why_late(answer: Answer, row: BlockRow) -> tuple[str, str]:
    result, last = latest_part(answer), answer.policy.bands[-1]
    assert result.band is not None
    chance = result.band_probabilities.get(last.name, 0.0)
    values = {"band": band_name(last.name), "chance": chance_words(chance)}
    if answer.zones_differ:
        return (say("{zone}: “{band}” {chance} likely", zone=result.block, **values),
                row.next_step)
    text = say("“{band}”: {chance} likely", **values)
    if chance >= 0.5:
        return text, say("Leave it until bud break shows what lives.")
    if chance >= 0.1:
        return text, say("Cut more buds, or leave it until bud break, before deciding.")
    if wood_state(answer.wood) in ("hurt", "dead"):
        return text, row.next_step
    if row.first and result.more_buds == 0:
        return text, f"{row.first[0]} {row.next_step}"
    if result.more_buds == 0:
        return text, say("The band is settled: prune when it suits.")
    return text, say("Likely “{band}”, not settled yet.", band=band_name(result.band.name))


@blueprint.get("/compare")
def comparison() -> ResponseReturnValue:
    """Compare two samplings, or one with all others."""
    season = current_season()
    with season.read() as conn:
        samplings = list_samplings(conn)
    choices = tuple(
        Choice(f"{s.block_id}:{s.label}",
               f"{s.block} · {s.label}" + (f" · {s.collected_at[:10]}" if s.collected_at else ""))
        for s in samplings
    )
    one, two = request.args.get("one", ""), request.args.get("two", "")
    if not one or not two:
        return render_template("results/compare.html", page=ComparePage(
            choices=choices, one=one, two=two, first_name="", first_share="", rows=(),
            drawing=None, n_comparisons=0, missing=()))
    first = _asked(one)
    others = ([_asked(c.value) for c in choices if c.value != one] if two == "all"
              else [_asked(two)])
    return render_template("results/compare.html", page=_compare_page(choices, one, two, first,
                                                                      others))


def _asked(value: str) -> Answer:
    block, _, label = value.partition(":")
    if not block.isdigit() or not label:
        raise InputError(f"{value!r} names no sampling", expected="a choice from the list",
                         where="compare", do="Choose again.")
    return answer_of(current_season(), int(block), sampling=label)


def _name(answer: Answer) -> str:
    return f"{answer.block.name} · {answer.sampling.label if answer.sampling else ''}"


def _compare_page(
    choices: tuple[Choice, ...], one: str, two: str, first: Answer, others: list[Answer]
) -> ComparePage:
    confidence = current_season().settings.confidence
    judged = [a for a in others if a.judged]
    missing = tuple(_name(a) for a in (first, *others) if not a.judged)
    if first.judged is None or not judged:
        return ComparePage(choices=choices, one=one, two=two, first_name=_name(first),
                           first_share=say("no result"), rows=(), drawing=None, n_comparisons=0,
                           missing=missing)
    comparisons = compare_answers(current_season(), first, judged)
    rows = []
    for answer, difference in zip(judged, comparisons, strict=True):
        verdict = say("not shown to differ")
        if shows_difference(difference, confidence=confidence):
            verdict = say("more dead in the first") if difference.difference > 0 else (
                say("fewer dead in the first"))
        rows.append(DifferenceRow(
            _name(answer), percent(_primary(answer).mortality),
            points(difference.difference),
            points_range(difference.low, difference.high), verdict,
        ))
    drawn = [first, *judged][:40]
    figure = draw_intervals(
        [_share_row(a) for a in drawn], title=say("Dead primary buds"),
        bands=band_edges(first.policy))
    return ComparePage(
        choices=choices, one=one, two=two, first_name=_name(first),
        first_share=percent(_primary(first).mortality),
        rows=tuple(rows), drawing=figure, n_comparisons=len(comparisons), missing=missing,
    )


def _primary(answer: Answer) -> TissueResult:
    assert answer.judged is not None
    return answer.judged.tissues[Tissue.PRIMARY]


def _share_row(answer: Answer) -> ShareRow:
    row = _primary(answer)
    return ShareRow(label=_name(answer), share=row.mortality, low=row.low, high=row.high,
                    n_judged=row.n_live + row.n_dead,
                    n_waiting=answer.waiting.n_buds)
