"""The blocks of the season: listed, and added from a table that is pasted."""

from __future__ import annotations

from dataclasses import dataclass

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from budvision.errors import BudvisionError
from budvision.store.queries.blocks import Block, list_blocks
from budvision.vineyard.potential import SECONDARY_CROP
from budvision.web.current import current_season
from budvision.web.season.door import blueprint
from budvision.workflow.season.make import BLOCK_COLUMNS, add_blocks

_FIRST = f"block;{';'.join(BLOCK_COLUMNS)}\n"


@dataclass(frozen=True, slots=True, kw_only=True)
class BlocksPage:
    """The blocks, and the table as it was pasted."""

    blocks: tuple[Block, ...]
    classes: tuple[str, ...]
    typed: str
    problem: str


def _page(typed: str, problem: str = "") -> str:
    with current_season().read() as conn:
        known = tuple(list_blocks(conn))
    return render_template("season/blocks.html", page=BlocksPage(
        blocks=known, classes=tuple(SECONDARY_CROP), typed=typed,
        problem=problem))


@blueprint.get("/blocks")
def blocks() -> ResponseReturnValue:
    """List the blocks with their facts, and the form that adds some."""
    return _page(_FIRST)


@blueprint.post("/blocks")
def blocks_added() -> ResponseReturnValue:
    """Add what the pasted table holds: all of it or nothing."""
    typed = request.form.get("table", "")
    try:
        n = add_blocks(current_season(), typed)
    except BudvisionError as error:
        return _page(typed, str(error)), 400
    flash(f"{n} block{'' if n == 1 else 's'} kept.")
    return redirect(url_for("season.blocks"), 303)
