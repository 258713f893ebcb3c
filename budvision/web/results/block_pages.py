"""The page of one block: what was found, how sure, what to do, where, and over time."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from flask import Response, abort, render_template, request
from flask.typing import ResponseReturnValue

from budvision.report.canvas import Drawing
from budvision.report.figures import ShareRow, draw_intervals, draw_positions
from budvision.report.timelines import TimedShare, draw_history
from budvision.report.words import percent, percent_range, plain
from budvision.store.queries.blocks import list_samplings
from budvision.vineyard.breakdown import Part, breakdown
from budvision.vineyard.buds import BudTable
from budvision.vineyard.results import BlockResult
from budvision.vocabulary import TISSUES, BudCalls, Tissue
from budvision.web.current import current_season
from budvision.web.results.door import asked_int, asked_sampling, asked_units, blueprint
from budvision.web.results.parts import (
    BlockRow,
    NodeRow,
    PartRow,
    TissueRow,
    band_edges,
    block_row,
    method_words,
    node_row,
    part_row,
    range_words,
    tissue_row,
)
from budvision.workflow.answers.answers import (
    Answer,
    answer_of,
    block_policies,
    history,
    sampled_buds,
    unsure_buds,
    what_if,
)
from budvision.workflow.answers.comparison import compare_answers, shows_difference
from budvision.workflow.answers.sheet_facts import RULE_WORDS, arrangement, bud_names, late_options

ACRES_PER_HA = 10_000 / 4046.8564224  # international acre, exact
MOST_NAMED = 40


@dataclass(frozen=True, slots=True)
class BandRow:
    """One band with the probability that the block lies in it, now and after more buds."""

    name: str
    span: str
    action: str
    chance: str
    thousandths: float
    after: str
    here: bool


@dataclass(frozen=True, slots=True)
class WhatIfWords:
    """The answer to "what if I had cut so many more?"."""

    more: int
    span: str
    settled: bool


@dataclass(frozen=True, slots=True)
class Group:
    """Primaries by node, vine size or zone."""

    title: str
    rows: tuple[PartRow, ...]
    kind: str
    drawing: Drawing


@dataclass(frozen=True, slots=True)
class HistoryRow:
    """One sampling of the block, and the change since the one before."""

    sampling: str
    collected: str
    n_judged: int
    share: str
    span: str
    change: str


@dataclass(frozen=True, slots=True)
class BlockPage:
    """What the page of a block shows."""

    row: BlockRow
    note: str
    samplings: tuple[str, ...]
    headline: str
    action: str
    options: tuple[str, ...]
    tissues: tuple[TissueRow, ...]
    drawing: Drawing | None
    bands: tuple[BandRow, ...]
    policy: str
    policy_source: str
    more_buds: int | None
    what_if: WhatIfWords | None
    more: int
    nodes: tuple[NodeRow, ...]
    other_policies: tuple[NodeRow, ...]
    normal_nodes: str
    arrangement: str
    area: str
    crop: str
    missing: str
    method: str
    groups: tuple[Group, ...]
    history: tuple[HistoryRow, ...]
    history_drawing: Drawing | None
    waiting: tuple[str, ...]
    n_unseen: int
    unsure: tuple[str, ...]
    notes: tuple[str, ...]
    warnings: tuple[str, ...]


@blueprint.get("/block/<int:block_id>")
def block(block_id: int) -> ResponseReturnValue:
    """Show one block."""
    season = current_season()
    answer = answer_of(season, block_id, sampling=asked_sampling())
    with season.read() as conn:
        labels = tuple(row.label for row in list_samplings(conn, block_id))
    more = asked_int("more", 100, low=0, high=5000)
    return render_template("results/block.html", here=_page(answer, labels, more, asked_units()))


@blueprint.get("/block/<int:block_id>/figure/<kind>.svg")
def figure(block_id: int, kind: str) -> ResponseReturnValue:
    """Give one figure of a block as SVG."""
    answer = answer_of(current_season(), block_id, sampling=asked_sampling())
    buds = sampled_buds(current_season(), answer)[1]
    drawings: dict[str, Drawing | None] = {g.kind: g.drawing for g in _groups(answer, buds)}
    drawings["tissues"], drawings["history"] = _tissue_figure(answer), _history(answer)[1]
    wanted = drawings.get(kind)
    if wanted is None:
        abort(404)
    reply = Response(wanted.svg, mimetype="image/svg+xml")
    reply.headers["Content-Security-Policy"] = "default-src 'none'; style-src 'unsafe-inline'"
    if request.args.get("download"):
        reply.headers["Content-Disposition"] = f'attachment; filename="{kind}.svg"'
    return reply


def _page(answer: Answer, labels: tuple[str, ...], more: int, units: str) -> BlockPage:
    season, result = current_season(), answer.judged
    states, buds = sampled_buds(season, answer)
    names = bud_names(states)
    rows, history_drawing = _history(answer)
    after = what_if(answer, more) if result else None
    per_area = _vines_per_area(answer, units)
    primary = result.tissues[Tissue.PRIMARY] if result else None
    waiting = [s for s in states if not s.node_mark and s.n_called < len(TISSUES)]
    return BlockPage(
        row=block_row(answer), note=answer.block.note, samplings=labels,
        headline=_headline(result), action=result.band.action if result and result.band else "",
        options=late_options(answer), tissues=_tissues(answer), drawing=_tissue_figure(answer),
        bands=_bands(answer, after.band_probabilities if after else {}),
        policy=answer.policy.title, policy_source=answer.policy.source,
        more_buds=result.more_buds if result else None,
        what_if=WhatIfWords(more, percent_range(after.low, after.high), after.settled)
        if after else None,
        more=more, nodes=_nodes(result, per_area),
        other_policies=_others(result),
        normal_nodes=f"{result.normal_nodes:g}" if result else "",
        arrangement=arrangement(answer),
        area=("acre" if units == "us" else "hectare") if per_area else "",
        crop=_crop(result), missing=_missing(result),
        method=method_words(primary) if primary else "",
        groups=_groups(answer, buds), history=rows, history_drawing=history_drawing,
        waiting=tuple(names[s.bud_id] for s in waiting)[:MOST_NAMED],
        n_unseen=sum(s.state == "no_photo" for s in states),
        unsure=tuple(names[s.bud_id] for s in unsure_buds(states))[:MOST_NAMED],
        notes=answer.result.notes if answer.result else (),
        warnings=answer.result.warnings if answer.result else (),
    )


def _headline(result: BlockResult | None) -> str:
    row = result.tissues[Tissue.PRIMARY] if result else None
    if row is None or row.mortality is None or row.low is None or row.high is None:
        return "No primary has been called live or dead yet."
    return (f"About {percent(row.mortality)} of the primary buds are dead "
            f"(likely {percent_range(row.low, row.high)}).")


def _vines_per_area(answer: Answer, units: str) -> float | None:
    row, vine = answer.block.row_spacing_m, answer.block.vine_spacing_m
    if not row or not vine:
        return None
    return 10_000 / (row * vine) / (ACRES_PER_HA if units == "us" else 1.0)


def _tissues(answer: Answer) -> tuple[TissueRow, ...]:
    if answer.result is None:
        return ()
    return tuple(tissue_row(tissue.value, row, answer.policy)
                 for tissue, row in answer.result.tissues.items())


def _tissue_figure(answer: Answer) -> Drawing | None:
    if answer.result is None:
        return None
    rows = [ShareRow(t.value, r.mortality, r.low, r.high, r.n_live + r.n_dead)
            for t, r in answer.result.tissues.items()]
    return draw_intervals(rows, title=f"Dead buds in {answer.block.name}",
                          bands=band_edges(answer.policy))


def _bands(answer: Answer, after: object) -> tuple[BandRow, ...]:
    result = answer.result
    if result is None or result.band is None or not isinstance(after, dict):
        return ()
    return tuple(
        BandRow(
            plain(b.name), percent_range(b.low, b.high), b.action,
            percent(result.band_probabilities[b.name]), 1000 * result.band_probabilities[b.name],
            percent(after.get(b.name)), b.name == result.band.name,
        )
        for b in answer.policy.bands
    )


def _nodes(result: BlockResult | None, per_area: float | None) -> tuple[NodeRow, ...]:
    if result is None:
        return ()
    return tuple(node_row(RULE_WORDS[rule], nodes, per_area=per_area)
                 for rule, nodes in result.nodes.items())


def _others(result: BlockResult | None) -> tuple[NodeRow, ...]:
    if result is None:
        return ()
    titles = {name: policy.title for name, policy in block_policies(current_season()).items()}
    return tuple(
        node_row(titles.get(o.policy, o.policy), o.nodes, per_area=None, note=o.band.action)
        for o in result.other_policies
    )


def _crop(result: BlockResult | None) -> str:
    crop = result.crop_potential if result else None
    if crop is None or crop.share is None or crop.low is None or crop.high is None:
        return ""
    return (
        f"Pruned as usual, the buds left could carry about {percent(crop.share)} of a full crop "
        f"({percent_range(crop.low, crop.high)}): a live secondary under a dead primary counts "
        f"{crop.secondary_crop:.2f} of a primary, a tertiary nothing."
    )


def _missing(result: BlockResult | None) -> str:
    row = result.tissues[Tissue.PRIMARY] if result else None
    if row is None or row.if_missing_live is None or row.if_missing_dead is None:
        return ""
    return (f"With every unjudged primary taken as live {percent(row.if_missing_live)} would be "
            f"dead, with every one taken as dead {percent(row.if_missing_dead)}.")


def _size_order(name: str) -> tuple[int, str]:
    sizes = ("small", "medium", "large")
    return (sizes.index(name) if name in sizes else len(sizes), name)


def _groups(answer: Answer, buds: Sequence[BudCalls]) -> tuple[Group, ...]:
    made = []
    settings, table = current_season().settings, BudTable.from_calls(buds)
    kinds = (
        ("positions", "node", "By node, from the cane base", TISSUES),
        ("sizes", "vigor", "By vine size", (Tissue.PRIMARY,)),
        ("zones", "zone", "By zone", (Tissue.PRIMARY,)),
    )
    for kind, by, title, tissues in kinds:
        parts = {tissue: breakdown(table, by, tissue=tissue, settings=settings)
                 for tissue in tissues} if buds else {}
        first = [part for part in parts.get(Tissue.PRIMARY, ()) if part.name]
        if len(first) < 2:
            continue
        if by == "vigor":
            first.sort(key=lambda part: _size_order(part.name))
        names = [part.name for part in first]
        series = [
            (tissue.value, [_share_row({part.name: part for part in of}[name]) for name in names])
            for tissue, of in parts.items()
        ]
        drawing = draw_positions(
            series, title=f"{title}, {answer.block.name}", bands=band_edges(answer.policy),
            axis="node, from the cane base" if by == "node" else title[3:])
        made.append(Group(title, tuple(part_row(p, answer.policy) for p in first), kind, drawing))
    return tuple(made)


def _share_row(part: Part) -> ShareRow:
    return ShareRow(part.name, part.mortality, part.low, part.high, part.n_judged)


def _history(answer: Answer) -> tuple[tuple[HistoryRow, ...], Drawing | None]:
    season = current_season()
    told = history(season, answer.block)
    if len(told) < 2:
        return (), None
    rows: list[HistoryRow] = []
    before: Answer | None = None
    for one in told:
        result, sampling = one.judged, one.sampling
        assert sampling is not None
        row = result.tissues[Tissue.PRIMARY] if result else None
        change = ""
        if before is not None and result is not None:
            told_of = compare_answers(season, one, [before])[0]
            differs = shows_difference(told_of, confidence=season.settings.number("confidence"))
            change = (f"{100 * told_of.difference:+.0f} points ({100 * told_of.low:+.0f} to "
                      f"{100 * told_of.high:+.0f})" + ("" if differs else ", not shown to differ"))
        rows.append(HistoryRow(
            sampling.label, (sampling.collected_at or "")[:10],
            row.n_live + row.n_dead if row else 0,
            percent(row.mortality) if row else "no result",
            range_words(row) if row else "", change,
        ))
        before = one if result else before
    return tuple(rows), _history_figure(told, answer)


def _history_figure(told: list[Answer], answer: Answer) -> Drawing | None:
    dated = [(dt.date.fromisoformat((a.sampling.collected_at or a.sampling.added_at)[:10]), a)
             for a in told if a.sampling and a.result]
    if not dated:
        return None
    series = [
        (tissue.value, [
            TimedShare(day, ShareRow(a.block.name, t.mortality, t.low, t.high, t.n_live + t.n_dead))
            for day, a in dated if a.result for t in [a.result.tissues[tissue]]
        ])
        for tissue in (Tissue.PRIMARY, Tissue.SECONDARY)
    ]
    return draw_history(series, title=f"Dead buds over time, {answer.block.name}",
                        bands=band_edges(answer.policy))
