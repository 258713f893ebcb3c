"""Which column of a person's own table is what: one form for every table that pages take."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from flask import render_template, request

from budvision.language import mark, say
from budvision.tables import FIXED, Cells, guess_columns

__all__ = ["WORDS", "chosen_columns", "columns_page", "unread_columns"]

WORDS = {
    "file": mark("Name of the photograph's file"), "block": mark("Block"), "cane": mark("Cane"),
    "node": mark("Node, counted from the cane's base"), "cut": mark("Cut, the first is 1"),
    "vine": mark("Vine"), "zone": mark("Zone"),
    "vigor": mark("Size of the vine: small, medium, large"), "cultivar": mark("Cultivar"),
    "cultivar_class": mark("Cultivar class"), "training_system": mark("Training system"),
    "normal_nodes": mark("Nodes a vine keeps in a normal year"),
    "row_spacing_m": mark("Metres between rows"), "vine_spacing_m": mark("Metres between vines"),
}
"""What each column of people's tables is, in words for `say`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnsPage:
    """A table's first rows, and a choice for each column: its name, what it is, the guess.

    `fixed` are the columns that may be the same in every row, `n_needed` how many come first and
    must be there, `kept` what the form carries on, `back` where another table is given.
    """

    header: list[str]
    examples: list[list[str]]
    choices: tuple[tuple[str, str, str], ...]
    fixed: tuple[str, ...]
    n_needed: int
    kept: Mapping[str, str]
    back: str
    problem: str


def chosen_columns(names: Sequence[str]) -> dict[str, str]:
    """Return what the form says: a cell of the header, or a value for every row, by column."""
    chosen = {}
    for name in names:
        value = request.form.get(name, "")
        fixed = request.form.get(f"fixed-{name}", "").strip()
        if value or fixed:
            chosen[name] = value or f"{FIXED}{fixed}"
    return chosen


def unread_columns(header: Sequence[str], chosen: Mapping[str, str]) -> tuple[str, ...]:
    """Return the cells of a header that nobody chose, where columns were chosen at all."""
    return tuple(cell for cell in header if cell and cell not in chosen.values()) if chosen else ()


def columns_page(
    cells: Cells, names: Sequence[str], *, n_needed: int, back: str, problem: str = "",
    chosen: Mapping[str, str] | None = None, fixed: Mapping[str, str] | None = None,
    kept: Mapping[str, str] | None = None,
) -> str:
    """Show a table's first rows, and ask which column is what.

    Parameters
    ----------
    cells : Cells
        The table.
    names : sequence of str
        Columns to choose for; the first `n_needed` must be there.
    back : str
        Address at which another table is given.
    problem : str
        What was wrong with the last choice.
    chosen : mapping of str to str, optional
        The last choice; without one a guess is offered.
    fixed : mapping of str to str, optional
        Columns that may be the same in every row, with the value that is offered.
    kept : mapping of str to str, optional
        What the form carries on.
    """
    (_, header), *below = cells.rows[:4]
    offered = {name: f"{FIXED}{value}" for name, value in (fixed or {}).items() if value}
    guessed = chosen or {**offered, **guess_columns(header, names)}
    return render_template("season/columns.html", page=ColumnsPage(
        header=header, examples=[row for _, row in below],
        choices=tuple((name, say(WORDS[name]), guessed.get(name, "")) for name in names),
        fixed=tuple(fixed or ()), n_needed=n_needed, kept=kept or {}, back=back,
        problem=problem))
