"""The grower sheet: one page a block in plain words, on A4 or Letter, metric or US.

The answer's words are those of `budvision.report.answer`, the same as on page and command line; the
rest is said here. The template only lays them out. The template chooses
the largest of its densities that fits one page, so that long names and many notes stay on it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import asdict, dataclass

from budvision.language import form_of, mark, say, say_n
from budvision.report.answer import (
    NO_NUMBER,
    NODE_HEADS,
    TISSUE_HEADS,
    AnswerWords,
    NodeLine,
    answer_words,
)
from budvision.report.canvas import BandEdges, Drawing
from budvision.report.examples import MOST_PHOTOS
from budvision.report.facts import BlockFacts
from budvision.report.figures import ShareRow, draw_intervals
from budvision.report.paper import compile_pdf
from budvision.report.uncalled import uncalled_words
from budvision.report.words import (
    and_list,
    band_name,
    count,
    day_words,
    days_words,
    printed_words,
    short,
)

__all__ = ["CAUTIONS", "SheetWords", "sheet_figure", "sheet_pdf", "sheet_words"]

CAUTIONS = (
    mark("Consult your local extension or licensed adviser before you prune by this sheet."),
    mark("These figures describe the buds that were cut; trunks, canes and other parts of the "
         "block may have fared better or worse."),
    mark("Razor blades cut people: cut away from your hand and cap the blade."),
)
_LONGEST_NAME = 90
_LONGEST_NOTE = 170
_MOST_NAMED = 8
_MOST_REMARKS = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetWords:
    """What the sheet says beside the block's answer; the template adds headings only."""

    answer: AnswerWords
    block: str
    place: str
    judged: tuple[str, ...]
    open_buds: tuple[str, ...]
    remarks: tuple[str, ...]
    captions: tuple[str, ...]
    small_print: tuple[str, ...]
    cautions: tuple[str, ...]
    printed: str


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
    return SheetWords(
        answer=answer_words(facts, units=units),
        block=short(facts.block, _LONGEST_NAME),
        place=_place(facts, units),
        judged=_judged(facts, units),
        open_buds=_open_buds(facts),
        remarks=_remarks(facts),
        captions=tuple(short(photo.caption, 80) for photo in facts.photos[:MOST_PHOTOS]),
        small_print=_small_print(facts),
        cautions=tuple(say(text) for text in CAUTIONS),
        printed=printed_words(printed_on, units=units),
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
    words = sheet_words(facts, units=units, printed_on=printed_on)
    answer = words.answer
    files = {f"photo{i}.jpg": photo.jpeg for i, photo in enumerate(facts.photos[:MOST_PHOTOS])}
    figure = sheet_figure(facts)
    data = asdict(words) | {
        "photo_files": list(files), "figure": "figure.svg" if figure else "",
        "figure_alt": figure.alt if figure else "",
        "tissue_heads": [say(head) for head in TISSUE_HEADS],
        "tissue_rows": [row.cells() for row in answer.tissues],
        "node_heads": [*(say(head) for head in NODE_HEADS), *(
            [say("nodes {area}", area=answer.area)] if answer.area else [])],
        "node_rows": [
            [row.name, row.retain, row.span, *([row.per_area] if answer.area else [])]
            for row in answer.nodes
        ],
        "policies": [[short(row.name, 110), _policy_text(row)] for row in answer.policies],
        "history": [
            say("{sampling} ({day}): {share} of {n}. {change}", sampling=line.sampling,
                day=day_words(dt.date.fromisoformat(line.collected) if line.collected else None,
                              units=units), n=line.n_judged, change=line.change,
                share=f"{line.share} ({line.span})" if line.span else line.share)
            for line in facts.history[-4:]
        ],
        "lab": short(facts.lab, 60), "lab_phone": short(facts.lab_phone, 30),
        "logo": f"logo.{facts.logo_kind}" if facts.logo else "",
    }
    if figure:
        files["figure.svg"] = figure.svg.encode()
    if facts.logo:
        files[f"logo.{facts.logo_kind}"] = facts.logo
    return compile_pdf("grower_sheet", data, paper=paper, files=files)


def _policy_text(row: NodeLine) -> str:
    if row.retain == say(NO_NUMBER):
        return short(row.note, _LONGEST_NOTE)
    nodes = form_of("{n} node a vine", "{n} nodes a vine", 1 if row.retain == "1" else 2).format(
        n=row.retain)
    return f"{nodes} ({row.span})" if row.span else nodes


def sheet_figure(facts: BlockFacts) -> Drawing | None:
    """Draw the tissues' intervals with the policy's bands behind; None without tissues."""
    if not facts.tissues:
        return None
    bands = None
    if facts.bands:
        bands = BandEdges(
            tuple(band_name(b.name) for b in facts.bands), tuple(b.high for b in facts.bands[:-1]))
    rows = [ShareRow(label=t.name, share=t.share, low=t.low, high=t.high,
                     n_judged=t.n_judged, n_waiting=t.n_not_called) for t in facts.tissues]
    return draw_intervals(rows, title=say("Dead buds in {block}", block=facts.block), bands=bands,
                          width_mm=175.0)


def _place(facts: BlockFacts, units: str) -> str:
    parts = [short(facts.site, 60), short(facts.cultivar, 50)]
    if facts.collected_on:
        parts.append(say("canes collected {day}", day=day_words(facts.collected_on, units=units)))
    if facts.sampling:
        parts.append(say("sampling “{name}”", name=short(facts.sampling, 40)))
    return " · ".join(part for part in parts if part)


def _judged(facts: BlockFacts, units: str) -> tuple[str, ...]:
    lines = []
    if facts.readers:
        named = [
            f"{short(r.name, 40)} ({count(r.n_buds, 'bud')}, "
            f"{days_words(r.first, r.last, units=units)})"
            for r in facts.readers
        ]
        lines.append(say("Every call was made by a person: {people}.",
                         people=and_list(named, most=4)))
    else:
        lines.append(uncalled_words())
    if facts.n_photos:
        lines.append(say_n("{n} photograph of cuts are kept.", "{n} photographs of cuts are kept.",
                           facts.n_photos))
    if facts.trust:
        lines.append(facts.trust)
    return tuple(lines)


def _small_print(facts: BlockFacts) -> tuple[str, ...]:
    """Return what only whoever checks the sheet needs."""
    lines = [short(text, _LONGEST_NOTE) for text in facts.notes if _technical(text)]
    if facts.photos:
        marks = ", ".join(photo.mark for photo in facts.photos[:MOST_PHOTOS])
        lines.append(say("P, S and T are the primary, secondary and tertiary bud. Files of the "
                         "photographs begin with {marks}.", marks=marks))
    return tuple(lines)


def _technical(text: str) -> bool:
    return "icc" in text or "likeness" in text


def _named(names: Sequence[str]) -> str:
    return and_list([short(name, 44) for name in names], most=_MOST_NAMED)


def _open_buds(facts: BlockFacts) -> tuple[str, ...]:
    lines = []
    if facts.waiting:
        n = len(facts.waiting)
        values = {"named": _named(facts.waiting)}
        lines.append(
            say_n("{n} bud waits for a person and is not counted ({unseen} not photographed): "
                  "{named}.",
                  "{n} buds wait for a person and are not counted ({unseen} not photographed): "
                  "{named}.", n, unseen=facts.n_unseen, **values) if facts.n_unseen else
            say_n("{n} bud waits for a person and is not counted: {named}.",
                  "{n} buds wait for a person and are not counted: {named}.", n, **values)
        )
    if facts.left_out:
        lines.append(say_n(
            "The primary of {n} bud could not be called for sure and is left out of the share: "
            "{named}.",
            "The primary of {n} buds could not be called for sure and is left out of the share: "
            "{named}.", len(facts.left_out), named=_named(facts.left_out)))
    others = [name for name in facts.unsure if name not in facts.left_out]
    if others:
        lines.append(say_n(
            "In {n} bud a secondary or tertiary could not be called for sure: {named}.",
            "In {n} buds a secondary or tertiary could not be called for sure: {named}.",
            len(others), named=_named(others)))
    return tuple(lines)


def _remarks(facts: BlockFacts) -> tuple[str, ...]:
    all_ = [short(text, _LONGEST_NOTE) for text in (*facts.warnings, *facts.notes)
            if text.strip() and not _technical(text)]
    if len(all_) <= _MOST_REMARKS:
        return tuple(all_)
    rest = len(all_) - _MOST_REMARKS + 1
    return (*all_[: _MOST_REMARKS - 1], say_n(
        "{n} more remark stands in the appendix.", "{n} more remarks stand in the appendix.",
        rest))
