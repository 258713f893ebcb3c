"""The blocks of the season: listed, and added from a table that is pasted and looked over first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from budvision.errors import BudvisionError
from budvision.language import say, say_n, told
from budvision.store.queries.blocks import Block, list_blocks
from budvision.tables import read_cells
from budvision.vineyard.potential import SECONDARY_CROP
from budvision.web.current import current_season
from budvision.web.people import need_person
from budvision.web.season.columns import WORDS, chosen_columns, columns_page, unread_columns
from budvision.web.season.door import blueprint
from budvision.workflow.season.block_table import (
    BLOCK_COLUMNS,
    BlockChange,
    LastTable,
    add_blocks,
    foresee_blocks,
    last_table,
    undo_blocks,
)

_COLUMNS = ("block", *BLOCK_COLUMNS)
_FIRST = f"{';'.join(_COLUMNS)}\n"
_SAME = {"cultivar": "", "training_system": ""}
"""Columns that a whole table may have in common."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BlocksPage:
    """The blocks, the table as it was pasted, and the one that was kept last."""

    blocks: tuple[Block, ...]
    classes: tuple[str, ...]
    typed: str
    problem: str
    last: LastTable | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockPreviewPage:
    """What the table would do: `changes` with the words of its facts, and what the form keeps.

    `unread` are its columns that nobody chose.
    """

    changes: tuple[BlockChange, ...]
    words: Mapping[str, str]
    n_new: int
    n_changed: int
    unread: tuple[str, ...]
    kept: Mapping[str, str]


def _page(typed: str, problem: str = "") -> str:
    season = current_season()
    with season.read() as conn:
        known = tuple(list_blocks(conn))
    return render_template("season/blocks.html", page=BlocksPage(
        blocks=known, classes=tuple(SECONDARY_CROP), typed=typed, problem=problem,
        last=last_table(season)))


def _asked() -> tuple[str, dict[str, str]]:
    """Return the table as it was pasted, and which of its columns is what."""
    return request.form.get("table", ""), (
        chosen_columns(_COLUMNS) if request.form.get("chosen") else {})


def _which(typed: str, chosen: Mapping[str, str], problem: str = "") -> str:
    return columns_page(
        read_cells(typed, name=say("table of blocks")), _COLUMNS, n_needed=1, chosen=chosen,
        fixed=_SAME, kept={"table": typed, "chosen": "yes"}, back=url_for("season.blocks"),
        problem=problem)


@blueprint.get("/blocks")
def blocks() -> ResponseReturnValue:
    """List the blocks with their facts, and the form that adds some."""
    return _page(_FIRST)


@blueprint.post("/blocks")
def blocks_foreseen() -> ResponseReturnValue:
    """Show what the pasted table would do, or ask which of its columns is what."""
    typed, chosen = _asked()
    then = request.form.get("then", "")
    if then == "correct":
        return _page(typed)
    try:
        if then == "columns":
            return _which(typed, chosen)
        cells = read_cells(typed, name=say("table of blocks"))
        changes = foresee_blocks(current_season(), cells, columns=chosen)
    except BudvisionError as error:
        if error.code == "bad_header":
            return _which(typed, chosen, told(error) if chosen else ""), 400 if chosen else 200
        return _page(typed, told(error)), 400
    return render_template("season/block_preview.html", page=BlockPreviewPage(
        changes=changes, words={name: say(WORDS[name]) for name in BLOCK_COLUMNS},
        n_new=sum(one.new for one in changes),
        n_changed=sum(bool(one.after) and not one.new for one in changes),
        unread=unread_columns(cells.rows[0][1], chosen),
        kept={"table": typed, **({"chosen": "yes"} if chosen else {}), **chosen}))


@blueprint.post("/blocks/keep")
def blocks_added() -> ResponseReturnValue:
    """Keep what the table holds: all of it or nothing."""
    typed, chosen = _asked()
    try:
        changes = add_blocks(current_season(), typed, by=need_person().name, columns=chosen)
    except BudvisionError as error:
        return _page(typed, told(error)), 400
    flash(say_n("{n} block kept.", "{n} blocks kept.", len(changes)))
    return redirect(url_for("season.blocks"), 303)


@blueprint.post("/blocks/undo")
def blocks_undone() -> ResponseReturnValue:
    """Take the last table back."""
    n = len(undo_blocks(current_season()))
    flash(say_n("The table of {n} block was taken back.", "The table of {n} blocks was taken back.",
                n))
    return redirect(url_for("season.blocks"), 303)
