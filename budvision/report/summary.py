"""Paper over a whole program: all blocks on a few pages, and every bud's calls as an appendix."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from budvision.errors import NothingToDoError
from budvision.language import say, say_n
from budvision.report.answer import NO_RESULT, answer_words
from budvision.report.facts import BlockFacts, BudLine
from budvision.report.paper import compile_pdf
from budvision.report.sheet import CAUTIONS
from budvision.report.words import check_units, count, day_words, printed_words, short

__all__ = ["appendix_pdf", "program_summary_pdf"]


_FIRST = "*"
"""Beside the band of a block whose answer begins with "Read this first"."""


def program_summary_pdf(
    blocks: Sequence[BlockFacts], *, title: str, paper: str = "a4", units: str = "metric",
    printed_on: dt.date | None = None,
) -> bytes:
    """Set all blocks as one table with interval bars to scale.

    Parameters
    ----------
    blocks : sequence of BlockFacts
        In the order wanted; a block with nothing judged keeps its line.
    title : str
        Name of the season or program.
    paper : {"a4", "us-letter"}
        Size of the page.
    units : {"metric", "us"}
        How days are written.
    printed_on : datetime.date, optional
        Day of printing, for the foot.

    Returns
    -------
    bytes
        A PDF; its length follows the blocks.

    Raises
    ------
    NothingToDoError
        When there is no block.
    UsageError
        When the units or the paper are unknown.
    """
    check_units(units)
    if not blocks:
        raise NothingToDoError(
            "there is no block to report", where="report",
            do="Take photographs in, or import calls, first.",
        )
    n_waiting = sum(len(facts.waiting) for facts in blocks)
    n_judged = sum(facts.tissues[0].n_judged for facts in blocks if facts.tissues)
    lead = [
        say("{blocks}, {buds} counted: called live or dead by people.",
            blocks=count(len(blocks), "block"), buds=count(n_judged, "primary bud"))
    ]
    if n_waiting:
        lead.append(say_n("{n} bud waits for a person and is not counted.",
                          "{n} buds wait for a person and are not counted.", n_waiting))
    rows = [_row(facts, units) for facts in blocks]
    if any(str(row["band"]).endswith(_FIRST) for row in rows):
        lead.append(say("Where {mark} stands, the block's own sheet says first what must be known "
                        "before its numbers are used.", mark=_FIRST))
    edges = [band.high for band in blocks[0].bands[:-1]]
    shared = all([band.high for band in facts.bands[:-1]] == edges for facts in blocks)
    data = {
        "title": short(title, 90),
        "lead": lead,
        "edges": edges if shared else [],
        "rows": rows,
        "cautions": [say(text) for text in CAUTIONS[:2]],
        "printed": printed_words(printed_on, units=units),
    }
    return compile_pdf("program_summary", data, paper=paper)


def _row(facts: BlockFacts, units: str) -> dict[str, object]:
    words = answer_words(facts, units=units)
    first = words.tissues[0] if words.tissues else None
    place = [short(part, 40) for part in (facts.site, facts.cultivar) if part]
    if facts.collected_on:
        place.append(day_words(facts.collected_on, units=units))
    nodes = words.nodes[0] if words.nodes and not words.by_zone else None
    span = f" ({nodes.span})" if nodes and nodes.span else ""
    return {
        "block": short(facts.block, 60),
        "place": " · ".join(place),
        "judged": str(first.n_live + first.n_dead) if first else "0",
        "share": first.share if first else say(NO_RESULT),
        "range": first.span if first else "",
        "ends": list(first.ends) if first and first.ends else [],
        "band": f"{words.band} {_FIRST}" if words.first else words.band,
        "nodes": words.retain + span,
        "waiting": str(len(facts.waiting)) if facts.waiting else "",
    }


def appendix_pdf(
    facts: BlockFacts, *, paper: str = "a4", units: str = "metric",
    printed_on: dt.date | None = None,
) -> bytes:
    """Set every bud of a block with its calls, who made them and from which photographs.

    Parameters
    ----------
    facts : BlockFacts
        `appendix` holds the buds, called or waiting; warnings and notes stand in full length.
    paper, units, printed_on
        As in `program_summary_pdf`.

    Returns
    -------
    bytes
        A PDF; its length follows the buds.

    Raises
    ------
    NothingToDoError
        When the block has no bud.
    UsageError
        When the units or the paper are unknown.
    """
    check_units(units)
    if not facts.appendix:
        raise NothingToDoError(
            "the block has no bud", where=facts.block,
            do="Take photographs in, or import calls, first.",
        )
    place = [part for part in (facts.site, facts.cultivar, facts.sampling) if part]
    if facts.collected_on:
        place.append(day_words(facts.collected_on, units=units))
    data = {
        "block": short(facts.block, 120),
        "place": " · ".join(short(part, 80) for part in place),
        "rows": [_bud(line) for line in facts.appendix],
        "remarks": [short(text, 2000) for text in (*facts.warnings, *facts.notes) if text.strip()],
        "cautions": [say(text) for text in CAUTIONS[:2]],
        "printed": printed_words(printed_on, units=units),
    }
    return compile_pdf("bud_appendix", data, paper=paper)


def _bud(line: BudLine) -> list[str]:
    return [
        short(line.cane, 24), str(line.node), short(line.vine, 16), line.primary, line.secondary,
        line.tertiary, short(line.reader, 40), line.called_on, short(line.photos, 60),
        short(line.note, 120),
    ]
