"""Paper for the vineyard and the bench: photo cards, walking sheet, cane tags, bench tally."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from itertools import groupby

import segno

from budvision.errors import UsageError
from budvision.language import say, typed_number
from budvision.photo.card import LINE_MM, card_rectangles
from budvision.photo.card_layout import LAYOUTS
from budvision.photo.tag import NEXT_BUD, tag_text
from budvision.report.paper import PAPERS, compile_pdf
from budvision.report.words import count
from budvision.vineyard.sample_plan import SamplePlan

__all__ = [
    "TAG_SHEETS", "CaneTag", "StopLine", "TagSize", "bench_tally_pdf", "cane_tags_pdf",
    "photo_cards_pdf", "plan_tags", "tag_size", "walking_sheet_pdf",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class TagSize:
    """Size of a tag and where tags stand on a sheet, in millimetres; no columns: one a page."""

    width_mm: float
    height_mm: float
    columns: int = 0
    rows: int = 0
    left_mm: float = 0.0
    top_mm: float = 0.0
    pitch_x_mm: float = 0.0
    pitch_y_mm: float = 0.0
    outline: bool = False
    paper: str = ""


TAG_SHEETS: dict[str, TagSize] = {
    "cut": TagSize(width_mm=62, height_mm=26, columns=3, rows=9, left_mm=12, top_mm=14,
                   pitch_x_mm=62, pitch_y_mm=28, outline=True),
    "a4-21": TagSize(width_mm=63.5, height_mm=38.1, columns=3, rows=7, left_mm=7.2, top_mm=15.15,
                     pitch_x_mm=66.0, pitch_y_mm=38.1, paper="a4"),
    "letter-30": TagSize(width_mm=66.675, height_mm=25.4, columns=3, rows=10, left_mm=4.7625,
                         top_mm=12.7, pitch_x_mm=69.85, pitch_y_mm=25.4, paper="us-letter"),
}
"""Sheets by name: plain waterproof paper to cut, and two usual sizes of label sheets."""
_SINGLE = re.compile(r"(\d{2,3}(?:\.\d)?)x(\d{2,3}(?:\.\d)?)")


@dataclass(frozen=True, slots=True)
class CaneTag:
    """What stands on one tag: the code's text, the cane, and where the cane comes from."""

    text: str
    cane: str
    place: str


@dataclass(frozen=True, slots=True)
class StopLine:
    """After so many canes: the dead, from and to, to stop at in each band; None is never."""

    canes: int
    dead: tuple[tuple[int, int] | None, ...]


def _tone(share: float) -> float:
    """Return the sRGB grey, 0 to 1, that leaves this share of the paper's light."""
    return 12.92 * share if share <= 0.0031308 else 1.055 * share ** (1 / 2.4) - 0.055


def _code(text: str) -> bytes:
    """Return a QR code as SVG, with the quiet zone that ISO/IEC 18004 asks for."""
    buffer = io.BytesIO()
    segno.make(text, error="q", micro=False).save(
        buffer, kind="svg", border=4, xmldecl=False, svgns=True)
    return buffer.getvalue()


def photo_cards_pdf(*, paper: str = "a4") -> bytes:
    """Set a page of photo cards for phones and microscopes, in exact millimetres.

    Parameters
    ----------
    paper : str
        a4 or us-letter.

    Returns
    -------
    bytes
        A PDF of one page.

    Raises
    ------
    UsageError
        When `paper` is not a known size.
    """
    layouts = {
        name: {
            "name": name, "size_mm": layout.size_mm, "opening_mm": layout.opening_mm,
            "round_opening": layout.round_opening,
            "ink": [(x, y, w, h, _tone(share)) for x, y, w, h, share in card_rectangles(layout)],
        }
        for name, layout in LAYOUTS.items()
    }
    return compile_pdf("photo_card", {"layouts": layouts, "line_mm": LINE_MM}, paper=paper,
                       files={"next.svg": _code(NEXT_BUD)})


def walking_sheet_pdf(plan: SamplePlan, *, paper: str = "a4", soak_h: float = 48.0) -> bytes:
    """Set the walking sheet: a map of the block, and the vines in walking order with tick boxes.

    Parameters
    ----------
    paper : str
        a4 or us-letter.
    soak_h : float
        Hours in water that the sheet names.

    Returns
    -------
    bytes
        A PDF; one page for up to about 20 canes.

    Raises
    ------
    UsageError
        When `paper` is not a known size.
    """
    order = {row.label: i for i, row in enumerate(plan.layout.rows)}
    data = {
        "block": plan.block, "cultivar": plan.cultivar, "sampling": plan.sampling,
        "draw": plan.draw, "nodes": plan.nodes, "nodes_words": count(plan.nodes, "node"),
        "which_nodes": plan.which_nodes,
        "soak_h": typed_number(soak_h),
        "map_mm": 100 if len(plan.vines) <= 12 else 80,
        "rows": [{"label": row.label, "n_vines": row.n_vines, "missing": sorted(row.missing)}
                 for row in plan.layout.rows],
        "zones": [(zone, len(list(rows))) for zone, rows in
                  groupby(plan.layout.rows, key=lambda row: row.zone)],
        "vines": [{**vine.as_dict(), "row_index": order[vine.row], "note": vine.note_words,
                   "size": say(vine.size),
                   "substitute": _place(vine.substitute_row, vine.substitute_vine)}
                  for vine in plan.vines],
    }
    return compile_pdf("walking_sheet", data, paper=paper)


def _place(row: str | None, vine: int | None) -> str:
    return say("row {row} vine {vine}", row=row, vine=vine)


def tag_size(name: str) -> TagSize:
    """Return a sheet by name, or a single label from its size, for instance ``57x32``.

    Raises
    ------
    UsageError
        When the name is neither.
    """
    if name in TAG_SHEETS:
        return TAG_SHEETS[name]
    match = _SINGLE.fullmatch(name)
    if match and 30 <= float(match[1]) <= 200 and 18 <= float(match[2]) <= 150:
        return TagSize(width_mm=float(match[1]), height_mm=float(match[2]))
    raise UsageError(
        f"the tag size is {name!r}",
        expected=f"{', '.join(TAG_SHEETS)} or a label of WIDTHxHEIGHT millimetres (from 30x18)",
        do="For a label printer give its label, for instance 57x32.",
    )


def plan_tags(plan: SamplePlan) -> list[CaneTag]:
    """List the tags of a plan's canes."""
    tags = []
    for vine in plan.vines:
        where = _place(vine.row, vine.vine) + (f", {vine.zone}" if vine.zone else "")
        tags.append(CaneTag(tag_text(plan.key, vine.cane), vine.cane, where))
    return tags


def cane_tags_pdf(
    tags: Sequence[CaneTag], *, block: str, sampling: str, key: str, size: str = "cut",
    paper: str = "a4",
) -> bytes:
    """Set cane tags: a QR code, and the same in words.

    Parameters
    ----------
    tags : sequence of CaneTag
        In the order of printing.
    block, sampling, key : str
        Stand on each tag in words.
    size : str
        A name in `TAG_SHEETS`, or WIDTHxHEIGHT in millimetres for a label printer.
    paper : str
        a4 or us-letter, for the sheet that is cut by hand; label sheets have their own.

    Returns
    -------
    bytes
        A PDF.

    Raises
    ------
    UsageError
        When size or paper is unknown.
    """
    sheet = tag_size(size)
    files = {}
    for i, tag in enumerate(tags):
        files[f"code{i}.svg"] = _code(tag.text)
    data = {
        "block": block, "sampling": sampling, "key": key, "size": asdict(sheet),
        "tags": [{"code": f"code{i}.svg", "cane": tag.cane, "place": tag.place}
                 for i, tag in enumerate(tags)],
    }
    if paper not in PAPERS:
        raise UsageError(f"paper is {paper!r}", expected=" or ".join(PAPERS))
    return compile_pdf("cane_tags", data, paper=sheet.paper or paper, files=files)


def bench_tally_pdf(
    plan: SamplePlan, *, paper: str = "a4", stops: Sequence[StopLine] = (),
    stop_bands: Sequence[str] = (), stop_words: str = "", counts: bool = False,
) -> bytes:
    """Set the bench tally for people who score on paper.

    Parameters
    ----------
    plan : SamplePlan
        Its canes and nodes get a box for each tissue.
    paper : str
        a4 or us-letter.
    stops : sequence of StopLine
        Lines of the stopping rule; empty leaves the table out.
    stop_bands : sequence of str
        Shares of each band, in words.
    stop_words : str
        What the numbers mean, in a sentence.
    counts : bool
        A row a cane for counts of live and dead, instead of a box for each bud.

    Returns
    -------
    bytes
        A PDF.

    Raises
    ------
    UsageError
        When `paper` is not a known size.
    """
    data = {
        "counts": counts, "block": plan.block, "cultivar": plan.cultivar, "sampling": plan.sampling,
        "nodes": plan.nodes, "stop_words": stop_words, "stops": [asdict(row) for row in stops],
        "stop_bands": list(stop_bands),
        "canes": [{"cane": vine.cane, "place": _place(vine.row, vine.vine),
                   "size": say(vine.size)} for vine in plan.vines],
    }
    return compile_pdf("bench_tally", data, paper=paper)
