"""The grower sheet: one page a block in plain words, on A4 or Letter, metric or US.

The answer's words are those of `budvision.report.answer`, the same as on page and command line; the
rest is said here. The template only lays them out. The template chooses
the largest of its densities that fits one page, so that long names and many notes stay on it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import asdict, dataclass

from budvision.report.answer import (
    NO_NUMBER,
    NODE_HEADS,
    TISSUE_HEADS,
    AnswerWords,
    NodeLine,
    answer_words,
)
from budvision.report.canvas import BandEdges, Drawing
from budvision.report.facts import BlockFacts
from budvision.report.figures import ShareRow, draw_intervals
from budvision.report.paper import compile_pdf
from budvision.report.words import (
    and_list,
    count,
    day_words,
    days_words,
    plain,
    short,
)

__all__ = [
    "CAUTIONS", "MOST_PHOTOS", "SheetWords", "sheet_figure", "sheet_pdf", "sheet_words",
]

CAUTIONS = (
    "Consult your local extension or licensed adviser before you prune by this sheet.",
    "These figures describe the buds that were cut; trunks, canes and other parts of the block "
    "may have fared better or worse.",
    "Razor blades cut people: cut away from your hand and cap the blade.",
)
MOST_PHOTOS = 8
_LONGEST_NAME = 90
_LONGEST_NOTE = 170
_MOST_NAMED = 8
_MOST_REMARKS = 6


@dataclass(frozen=True, slots=True)
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
        captions=tuple(short(photo.caption, 60) for photo in facts.photos[:MOST_PHOTOS]),
        small_print=_small_print(facts),
        cautions=CAUTIONS,
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
    words = sheet_words(facts, units=units, printed_on=printed_on)
    answer = words.answer
    files = {f"photo{i}.jpg": photo.jpeg for i, photo in enumerate(facts.photos[:MOST_PHOTOS])}
    figure = sheet_figure(facts)
    data = asdict(words) | {
        "photo_files": list(files), "figure": "figure.svg" if figure else "",
        "figure_alt": figure.alt if figure else "",
        "tissue_heads": TISSUE_HEADS, "tissue_rows": [row.cells() for row in answer.tissues],
        "node_heads": [*NODE_HEADS, *([f"nodes {answer.area}"] if answer.area else [])],
        "node_rows": [
            [row.name, row.retain, row.span, *([row.per_area] if answer.area else [])]
            for row in answer.nodes
        ],
        "policies": [[short(row.name, 110), _policy_text(row)] for row in answer.policies],
        "history": [
            f"{line.sampling} ({line.collected or 'day not recorded'}): {line.share} "
            f"{f'({line.span}) ' if line.span else ''}of {line.n_judged}. {line.change}"
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
    if row.retain == NO_NUMBER:
        return short(row.note, _LONGEST_NOTE)
    return f"{row.retain} nodes a vine ({row.span})" if row.span else f"{row.retain} nodes a vine"


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
    return tuple(lines)


def _small_print(facts: BlockFacts) -> tuple[str, ...]:
    """Return what only whoever checks the sheet needs."""
    lines = [short(text, _LONGEST_NOTE) for text in facts.notes if _technical(text)]
    if facts.photos:
        marks = ", ".join(photo.mark for photo in facts.photos[:MOST_PHOTOS])
        lines.append("P, S and T are the primary, secondary and tertiary bud. Files of the "
                     f"photographs begin with {marks}.")
    return tuple(lines)


def _technical(text: str) -> bool:
    return "icc" in text or "likeness" in text


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
    if facts.left_out:
        lines.append(
            f"The primary of {count(len(facts.left_out), 'bud')} could not be called for sure and "
            f"is left out of the share: {_named(facts.left_out)}."
        )
    others = [name for name in facts.unsure if name not in facts.left_out]
    if others:
        lines.append(
            f"In {count(len(others), 'bud')} a secondary or tertiary could not be called for "
            f"sure: {_named(others)}."
        )
    return tuple(lines)


def _remarks(facts: BlockFacts) -> tuple[str, ...]:
    all_ = [short(text, _LONGEST_NOTE) for text in (*facts.warnings, *facts.notes)
            if text.strip() and not _technical(text)]
    if len(all_) <= _MOST_REMARKS:
        return tuple(all_)
    rest = len(all_) - _MOST_REMARKS + 1
    return (*all_[: _MOST_REMARKS - 1], f"{rest} more remarks stand in the appendix.")
