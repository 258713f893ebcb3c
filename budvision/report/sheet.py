"""The grower sheet: one page a block in plain words, on A4 or Letter, metric or US.

`sheet_words` turns facts into sentences; the template only lays them out. The template chooses
the largest of its densities that fits one page, so that long names and many notes stay on it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import asdict, dataclass

from budvision.errors import UsageError
from budvision.report.canvas import BandEdges, Drawing
from budvision.report.facts import BlockFacts, RuleFacts, TissueFacts
from budvision.report.figures import ShareRow, draw_intervals
from budvision.report.paper import compile_pdf
from budvision.report.words import (
    and_list,
    count,
    day_words,
    days_words,
    ends,
    number,
    percent,
    percent_range,
    plain,
    short,
)

__all__ = [
    "CAUTIONS", "MOST_PHOTOS", "SheetWords", "check_units", "sheet_figure", "sheet_pdf",
    "sheet_words",
]

CAUTIONS = (
    "Consult your local extension or licensed adviser before you prune by this sheet.",
    "These figures describe the buds that were cut; trunks, canes and other parts of the block "
    "may have fared better or worse.",
    "Razor blades cut people: cut away from your hand and cap the blade.",
)
MOST_PHOTOS = 8
_ACRES_PER_HA = 10_000 / 4046.8564224  # international acre, exact
_LONGEST_NAME = 90
_LONGEST_NOTE = 170
_MOST_NAMED = 8
_MOST_REMARKS = 6
_LIKELY = 0.9


@dataclass(frozen=True, slots=True)
class SheetWords:
    """Every word of the sheet, in the order of the page; the template adds headings only."""

    block: str
    place: str
    headline: str
    found: tuple[str, ...]
    tissues: tuple[tuple[str, ...], ...]
    sure: tuple[str, ...]
    bands: tuple[tuple[str, str, float], ...]
    action: str
    options: tuple[str, ...]
    nodes_head: tuple[str, ...]
    nodes: tuple[tuple[str, ...], ...]
    nodes_note: str
    disagreement: str
    policies: tuple[tuple[str, str], ...]
    judged: tuple[str, ...]
    open_buds: tuple[str, ...]
    remarks: tuple[str, ...]
    captions: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    figure_alt: str
    printed: str


def check_units(units: str) -> None:
    """Raise UsageError unless the units are metric or us."""
    if units not in ("metric", "us"):
        raise UsageError(
            f"the units are {units!r}", expected="metric or us", where="report",
            do="Choose one with --units.",
        )


def sheet_words(
    facts: BlockFacts, *, units: str = "metric", printed_on: dt.date | None = None
) -> SheetWords:
    """Turn the facts of a block into the sentences of its sheet.

    Parameters
    ----------
    facts : BlockFacts
        Confirmed calls and what follows from them.
    units : {"metric", "us"}
        Per hectare with 10 January 2026, or per acre with January 10, 2026.
    printed_on : datetime.date, optional
        Day of printing, for the foot.

    Returns
    -------
    SheetWords
        No sentence claims more than the facts: where nothing is judged the sheet says so.

    Raises
    ------
    UsageError
        When the units are unknown.
    """
    check_units(units)
    head, nodes = _nodes(facts, units)
    split = _disagreement(facts)
    return SheetWords(
        block=short(facts.block, _LONGEST_NAME),
        place=_place(facts, units),
        headline=_headline(facts),
        found=_found(facts),
        tissues=tuple(_tissue_row(tissue) for tissue in facts.tissues),
        sure=_sure(facts),
        bands=tuple(
            (f"{plain(b.name)} ({percent_range(b.low, b.high)} dead)", percent(b.probability),
             b.probability)
            for b in facts.bands if b.probability is not None
        ),
        action=_action(facts),
        options=facts.options,
        nodes_head=head,
        nodes=nodes,
        nodes_note=_nodes_note(facts),
        disagreement=split,
        policies=tuple(
            (short(p.title, 110), _rule_text(p.rule, p.action)) for p in facts.policies
        ) if split else (),
        judged=_judged(facts, units),
        open_buds=_open_buds(facts),
        remarks=_remarks(facts),
        captions=tuple(
            (short(photo.caption, 60), photo.mark) for photo in facts.photos[:MOST_PHOTOS]),
        cautions=CAUTIONS,
        figure_alt=drawing.alt if (drawing := sheet_figure(facts)) else "",
        printed=f"Printed {day_words(printed_on, units=units)}" if printed_on else "",
    )


def sheet_pdf(
    facts: BlockFacts, *, paper: str = "a4", units: str = "metric",
    printed_on: dt.date | None = None,
) -> bytes:
    """Set the sheet of a block on one page.

    Parameters
    ----------
    facts : BlockFacts
        Confirmed calls and what follows from them.
    paper : {"a4", "us-letter"}
        Size of the page.
    units : {"metric", "us"}
        As in `sheet_words`.
    printed_on : datetime.date, optional
        Day of printing, for the foot.

    Returns
    -------
    bytes
        A PDF of one page.

    Raises
    ------
    UsageError
        When the units or the paper are unknown.
    """
    words = asdict(sheet_words(facts, units=units, printed_on=printed_on))
    files = {f"photo{i}.jpg": photo.jpeg for i, photo in enumerate(facts.photos[:MOST_PHOTOS])}
    words["photo_files"] = list(files)
    figure = sheet_figure(facts)
    words["figure"] = "figure.svg" if figure else ""
    if figure:
        files["figure.svg"] = figure.svg.encode()
    return compile_pdf("grower_sheet", words, paper=paper, files=files)


def sheet_figure(facts: BlockFacts) -> Drawing | None:
    """Draw the tissues' intervals with the policy's bands behind; None without tissues."""
    if not facts.tissues:
        return None
    bands = None
    if facts.bands:
        bands = BandEdges(
            tuple(plain(b.name) for b in facts.bands), tuple(b.high for b in facts.bands[:-1]))
    rows = [ShareRow(t.name, t.share, t.low, t.high, t.n_judged) for t in facts.tissues]
    return draw_intervals(rows, title=f"Dead buds in {facts.block}", bands=bands, width_mm=175.0)


def _place(facts: BlockFacts, units: str) -> str:
    parts = [short(facts.site, 60), short(facts.cultivar, 50)]
    if facts.collected_on:
        parts.append(f"canes collected {day_words(facts.collected_on, units=units)}")
    if facts.sampling:
        parts.append(f"sampling “{short(facts.sampling, 40)}”")
    return " · ".join(part for part in parts if part)


def _primary(facts: BlockFacts) -> TissueFacts | None:
    return facts.tissues[0] if facts.tissues else None


def _headline(facts: BlockFacts) -> str:
    first = _primary(facts)
    if first is None or first.share is None or first.low is None or first.high is None:
        return "No primary bud has been judged live or dead yet, so there is no result."
    return (
        f"About {percent(first.share)} of the primary buds are dead "
        f"(likely {percent_range(first.low, first.high)})."
    )


def _found(facts: BlockFacts) -> tuple[str, ...]:
    first = _primary(facts)
    lines = []
    if first is not None and first.n_judged:
        lines.append(
            f"{first.n_dead} of the {count(first.n_judged, 'primary bud')} that could be judged "
            f"were dead, on {count(facts.n_canes, 'cane')}."
        )
    if facts.crop_share is not None:
        share, low, high = facts.crop_share
        lines.append(
            f"With the live secondary buds counted for their smaller crop, the buds left could "
            f"carry about {percent(share)} of a full crop ({percent_range(low, high)}) if you "
            "pruned as usual."
        )
    lines += facts.causes
    return tuple(lines)


def _tissue_row(tissue: TissueFacts) -> tuple[str, ...]:
    range_ = "nothing judged"
    if tissue.share is not None and tissue.low is not None and tissue.high is not None:
        range_ = f"{percent(tissue.share)} ({percent_range(tissue.low, tissue.high)})"
    return (
        tissue.name, str(tissue.n_live), str(tissue.n_dead), str(tissue.n_unsure),
        str(tissue.n_not_exposed), range_,
    )


def _sure(facts: BlockFacts) -> tuple[str, ...]:
    first = _primary(facts)
    if first is None or first.share is None:
        return ("Nothing can be said yet.",)
    lines = [
        f"Ranges like these hold the true share {number(facts.confidence * 100)} times in 100; "
        "they allow for buds of one cane being alike."
    ]
    told = [b for b in facts.bands if b.probability is not None]
    if told:
        best = max(told, key=lambda b: b.probability or 0.0)
        certain = (best.probability or 0.0) >= _LIKELY
        lines.append(
            f"The block {'lies' if certain else 'most likely lies'} in the band "
            f"“{plain(best.name)}” ({percent(best.probability)} likely)."
        )
    if facts.more_buds == 0:
        lines.append("The sample is large enough to settle the band.")
    elif facts.more_buds is not None:
        lines.append(f"About {facts.more_buds} more buds would settle the band.")
    return tuple(lines)


def _action(facts: BlockFacts) -> str:
    first = _primary(facts)
    if first is None or first.share is None:
        return "Wait for the result before you decide how to prune."
    return facts.action


def _rule_text(rule: RuleFacts, otherwise: str) -> str:
    if rule.retain is None:
        return short(otherwise or rule.note, _LONGEST_NOTE)
    text = f"{number(rule.retain)} nodes a vine"
    span = ends(rule.low, rule.high)
    return f"{text} ({span})" if span else text


def _nodes(facts: BlockFacts, units: str) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Return the head and the rows of the table of nodes."""
    first = _primary(facts)
    if first is None or first.share is None or not facts.rules:
        return (), ()
    area = "an acre" if units == "us" else "a hectare"
    per_area = facts.vines_per_ha
    if per_area is not None and units == "us":
        per_area /= _ACRES_PER_HA
    head = ["rule", "nodes a vine", "range"] + ([f"nodes {area}"] if per_area else [])
    rows = []
    for rule in facts.rules:
        if rule.retain is None:
            row = [rule.name, "no number", ""]
        else:
            row = [rule.name, number(rule.retain), ends(rule.low, rule.high)]
        if per_area:
            row.append("" if rule.retain is None else number(_round(rule.retain * per_area)))
        rows.append(tuple(row))
    return tuple(head), tuple(rows)


def _round(value: float) -> float:
    """Round to two leading digits more than the sample can carry."""
    step = 1000.0 if value >= 10_000 else 100.0
    return round(value / step) * step


def _nodes_note(facts: BlockFacts) -> str:
    parts = []
    if facts.normal_nodes is not None:
        parts.append(f"Normal year: {number(facts.normal_nodes)} nodes a vine.")
    if facts.arrangement:
        parts.append(short(facts.arrangement, _LONGEST_NOTE))
    return " ".join(parts)


def _disagreement(facts: BlockFacts) -> str:
    told = {(policy.rule.retain, policy.action if policy.rule.retain is None else "")
            for policy in facts.policies}
    if len(told) < 2:
        return ""
    numbers = sorted(p.rule.retain for p in facts.policies if p.rule.retain is not None)
    spread = ""
    if len(set(numbers)) > 1:
        spread = f": from {number(numbers[0])} to {number(numbers[-1])} nodes a vine"
    silent = sum(policy.rule.retain is None for policy in facts.policies)
    if silent and numbers:
        spread += f"{';' if spread else ':'} {count(silent, 'rule gives', 'rules give')} no number"
    return f"Published rules do not agree here{spread}. Choose with your adviser."


def _judged(facts: BlockFacts, units: str) -> tuple[str, ...]:
    lines = []
    if facts.readers:
        named = [
            f"{short(r.name, 40)} ({count(r.n_buds, 'bud')}, "
            f"{days_words(r.first, r.last, units=units)})"
            for r in facts.readers
        ]
        lines.append(f"Every call was made by a person: {and_list(named, most=4)}.")
    else:
        lines.append("Nobody has called a bud of this block yet.")
    if facts.n_photos:
        lines.append(f"{count(facts.n_photos, 'photograph')} of cuts are kept.")
    if facts.photos:
        lines.append("P, S and T are the primary, secondary and tertiary bud; the mark under a "
                     "photograph is the start of its file's SHA-256.")
    return tuple(lines)


def _named(names: Sequence[str]) -> str:
    return and_list([short(name, 44) for name in names], most=_MOST_NAMED)


def _open_buds(facts: BlockFacts) -> tuple[str, ...]:
    lines = []
    if facts.waiting:
        n = len(facts.waiting)
        lines.append(
            f"{count(n, 'bud waits', 'buds wait')} for a person and "
            f"{'is' if n == 1 else 'are'} not counted"
            f"{f' ({facts.n_unseen} not photographed)' if facts.n_unseen else ''}: "
            f"{_named(facts.waiting)}."
        )
    if facts.unsure:
        lines.append(
            f"{count(len(facts.unsure), 'bud')} could not be called for sure and "
            f"{'is' if len(facts.unsure) == 1 else 'are'} left out of the share: "
            f"{_named(facts.unsure)}."
        )
    return tuple(lines)


def _remarks(facts: BlockFacts) -> tuple[str, ...]:
    all_ = [short(text, _LONGEST_NOTE) for text in (*facts.warnings, *facts.notes) if text.strip()]
    if len(all_) <= _MOST_REMARKS:
        return tuple(all_)
    rest = len(all_) - _MOST_REMARKS + 1
    return (*all_[: _MOST_REMARKS - 1], f"{rest} more remarks stand in the appendix.")
