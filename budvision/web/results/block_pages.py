"""The page of one block: what was found, how sure, what to do, where, and over time."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from flask import Response, abort, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from budvision.language import locale_day, mark, say
from budvision.report.answer import AnswerWords, ShareLine, answer_words
from budvision.report.canvas import Drawing
from budvision.report.facts import HistoryLine
from budvision.report.figures import ShareRow, draw_positions
from budvision.report.sheet import sheet_figure
from budvision.report.timelines import TimedShare, draw_history
from budvision.report.words import band_name, chance_words, percent_range
from budvision.store.queries.blocks import block_by_id, list_samplings
from budvision.store.queries.states import BudState
from budvision.vineyard.breakdown import Part, breakdown
from budvision.vineyard.buds import BudTable
from budvision.vocabulary import TISSUES, BudCalls, CallValue, Tissue
from budvision.web.asked import integer
from budvision.web.current import current_season
from budvision.web.people import need_person
from budvision.web.results.door import blueprint, sampling_label, units_shown
from budvision.web.results.parts import (
    Bar,
    BlockRow,
    PartRow,
    band_edges,
    bar,
    block_row,
    method_words,
    part_row,
)
from budvision.workflow.after.wood import add_cut, block_cuts
from budvision.workflow.answers.answers import (
    Answer,
    answer_of,
    history,
    kept_buds,
    left_out,
    sampled_buds,
    unsure_buds,
    what_if,
)
from budvision.workflow.answers.comparison import history_lines
from budvision.workflow.answers.sheet_facts import bud_names, line_facts

MOST_NAMED = 40


@dataclass(frozen=True, slots=True)
class TissueRow:
    """One tissue's line with its bar."""

    line: ShareLine
    bar: Bar | None


@dataclass(frozen=True, slots=True)
class WhatIfWords:
    """The answer to "what if I had cut so many more?"."""

    more: int
    span: str
    settled: bool


@dataclass(frozen=True, slots=True)
class BudLink:
    """A bud by name, and its number for the review page."""

    name: str
    bud_id: int


@dataclass(frozen=True, slots=True)
class Group:
    """Primaries by node, vine size or zone."""

    title: str
    rows: tuple[PartRow, ...]
    kind: str
    drawing: Drawing
    first: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WoodLine:
    """One cut into the wood."""

    what: str
    phloem: str
    cambium: str
    cut_on: str
    person: str
    note: str
    counts: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockPage:
    """What the page of a block shows: the answer's words, and what only a page has."""

    row: BlockRow
    answer: AnswerWords
    note: str
    samplings: tuple[str, ...]
    tissues: tuple[TissueRow, ...]
    after: Mapping[str, str]
    what_if: WhatIfWords | None
    more: int
    method: str
    groups: tuple[Group, ...]
    history: tuple[HistoryLine, ...]
    history_drawing: Drawing | None
    waiting: tuple[BudLink, ...]
    n_unseen: int
    left_out: tuple[BudLink, ...]
    unsure: tuple[BudLink, ...]
    notes: tuple[str, ...]
    warnings: tuple[str, ...]
    cuts: tuple[WoodLine, ...]
    today: str


@blueprint.get("/block/<int:block_id>")
def block(block_id: int) -> ResponseReturnValue:
    """Show one block."""
    season = current_season()
    answer = answer_of(season, block_id, sampling=sampling_label())
    with season.read() as conn:
        labels = tuple(row.label for row in list_samplings(conn, block_id))
    more = integer(request.args, "more", high=5000)
    return render_template("results/block.html", page=_page(
        answer, labels, 100 if more is None else more, units_shown()))


@blueprint.get("/block/<int:block_id>/figure/<kind>.svg")
def figure(block_id: int, kind: str) -> ResponseReturnValue:
    """Give one figure of a block as SVG."""
    answer = answer_of(current_season(), block_id, sampling=sampling_label())
    wanted = _figure(answer, kind)
    if wanted is None:
        abort(404)
    reply = Response(wanted.svg, mimetype="image/svg+xml")
    reply.headers["Content-Security-Policy"] = "default-src 'none'; style-src 'unsafe-inline'"
    if request.args.get("download"):
        reply.headers["Content-Disposition"] = f'attachment; filename="{kind}.svg"'
    return reply


def _page(answer: Answer, labels: tuple[str, ...], more: int, units: str) -> BlockPage:
    season, result = current_season(), answer.judged
    facts = line_facts(season, answer)
    words = answer_words(facts, units=units)
    states, buds = sampled_buds(season, answer)
    answers = history(season, answer.block)
    after = what_if(answer, more) if result else None
    waiting = [s for s in states if not s.node_mark and s.n_called < len(TISSUES)]
    return BlockPage(
        row=block_row(season, answer), answer=words, note=answer.block.note, samplings=labels,
        tissues=tuple(TissueRow(line, bar(line.ends, answer.policy)) for line in words.tissues),
        after={band_name(name): chance_words(p) for name, p in after.band_probabilities.items()}
        if after else {},
        what_if=WhatIfWords(more, percent_range(after.low, after.high), after.settled)
        if after else None,
        more=more, method=method_words(result.tissues[Tissue.PRIMARY]) if result else "",
        groups=_groups(answer, buds), history=tuple(
            replace(line, collected=line.collected and locale_day(
                line.collected, us=units == "us")) for line in history_lines(season, answers)),
        history_drawing=_history_figure(answers, answer) if len(answers) > 1 else None,
        waiting=_links(states, waiting), n_unseen=sum(s.state == "no_photo" for s in states),
        left_out=_links(states, left_out(answer, states)),
        unsure=_links(states, [s for s in unsure_buds(states)
                               if s.calls.get(Tissue.PRIMARY) is not CallValue.UNSURE]),
        notes=(*(answer.result.notes if answer.result else ()),
               *([answer.trust] if answer.trust else [])),
        warnings=answer.result.warnings if answer.result else (),
        cuts=_cuts(answer.block.name), today=dt.datetime.now(dt.UTC).date().isoformat(),
    )


def _cuts(block: str) -> tuple[WoodLine, ...]:
    """Return every cut into the block's wood, the newest first."""
    cuts, counted = block_cuts(current_season(), block)
    newest = {one.id for one in counted}
    return tuple(
        WoodLine(
            what=f"{one.cut.part} of vine {one.cut.vine}"
            + (f", {one.cut.position}" if one.cut.position else ""),
            phloem=one.cut.phloem or "not looked at", cambium=one.cut.cambium or "not looked at",
            cut_on=one.cut_on, person=one.person, note=one.note, counts=one.id in newest)
        for one in reversed(cuts))


@blueprint.post("/block/<int:block_id>/wood")
def wood_add(block_id: int) -> ResponseReturnValue:
    """Keep one cut into the block's wood."""
    season = current_season()
    with season.read() as conn:
        name = block_by_id(conn, block_id).name
    add_cut(season, {**request.form, "block": name}, person_id=need_person().id, where="the form")
    flash(say("Kept."))
    return redirect(url_for("results.block", block_id=block_id) + "#wood")


def _links(states: Sequence[BudState], wanted: Sequence[BudState]) -> tuple[BudLink, ...]:
    names = bud_names(states)
    return tuple(BudLink(names[s.bud_id], s.bud_id) for s in wanted)[:MOST_NAMED]


def _figure(answer: Answer, kind: str) -> Drawing | None:
    """Draw the one figure that is asked for."""
    if kind == "tissues":
        return _tissue_figure(answer)
    if kind == "history":
        answers = history(current_season(), answer.block)
        return _history_figure(answers, answer) if len(answers) > 1 else None
    made = _groups(answer, sampled_buds(current_season(), answer)[1], kind=kind)
    return made[0].drawing if made else None


def _tissue_figure(answer: Answer) -> Drawing | None:
    return None if answer.result is None else sheet_figure(line_facts(current_season(), answer))


def _size_order(name: str) -> tuple[int, str]:
    sizes = ("small", "medium", "large")
    return (sizes.index(name) if name in sizes else len(sizes), name)


@dataclass(frozen=True, slots=True)
class GroupKind:
    """A way of parting the buds of a block."""

    kind: str
    by: str
    title: str
    tissues: tuple[Tissue, ...]


_FIRST = {"node": mark("node, from the cane base"), "vigor": mark("vine size"),
          "zone": mark("zone")}

GROUPS = (
    GroupKind("positions", "node", mark("By node, from the cane base"), TISSUES),
    GroupKind("sizes", "vigor", mark("By vine size"), (Tissue.PRIMARY,)),
    GroupKind("zones", "zone", mark("By zone"), (Tissue.PRIMARY,)),
)


def _groups(answer: Answer, buds: tuple[BudCalls, ...], *, kind: str = "") -> tuple[Group, ...]:
    """Return the ways of parting the buds, or one: all by node, those that count by the rest."""
    kept = kept_buds(answer, buds)
    made = (_group(answer, BudTable.from_calls(of), one) for one in GROUPS
            if kind in ("", one.kind) and (of := buds if one.by == "node" else kept))
    return tuple(group for group in made if group is not None)


def _group(answer: Answer, table: BudTable, kind: GroupKind) -> Group | None:
    settings = current_season().settings
    parts = {tissue: breakdown(table, kind.by, tissue=tissue, settings=settings)
             for tissue in kind.tissues}
    first = [part for part in parts[Tissue.PRIMARY] if part.name]
    if len(first) < 2:
        return None
    if kind.by == "vigor":
        first.sort(key=lambda part: _size_order(part.name))
    names = [part.name for part in first]
    series = [
        (tissue.value, [_share_row({part.name: part for part in of}[name]) for name in names])
        for tissue, of in parts.items()
    ]
    drawing = draw_positions(
        series, title=f"{say(kind.title)}, {answer.block.name}", bands=band_edges(answer.policy),
        axis=say(_FIRST[kind.by]))
    return Group(say(kind.title), tuple(part_row(p, answer.policy) for p in first), kind.kind,
                 drawing, say(_FIRST[kind.by]))


def _share_row(part: Part) -> ShareRow:
    return ShareRow(label=part.name, share=part.mortality, low=part.low, high=part.high,
                    n_judged=part.n_judged)


def _history_figure(answers: list[Answer], answer: Answer) -> Drawing | None:
    dated = [(dt.date.fromisoformat((a.sampling.collected_at or a.sampling.added_at)[:10]), a)
             for a in answers if a.sampling and a.result]
    if not dated:
        return None
    series = [
        (tissue.value, [
            TimedShare(day, ShareRow(label=a.block.name, share=t.mortality, low=t.low, high=t.high,
                                     n_judged=t.n_live + t.n_dead))
            for day, a in dated if a.result for t in [a.result.tissues[tissue]]
        ])
        for tissue in (Tissue.PRIMARY, Tissue.SECONDARY)
    ]
    return draw_history(series, title=say("Dead buds over time, {block}", block=answer.block.name),
                        bands=band_edges(answer.policy))
