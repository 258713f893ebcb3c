"""Blocks from a table: what it would change, changing it, and taking that back."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from budvision.errors import ConflictError, InputError, NothingToDoError
from budvision.files import write_whole
from budvision.store.queries import blocks
from budvision.store.session import Season, now
from budvision.tables import Cells, Row, decimal, read_table
from budvision.vineyard.potential import check_class
from budvision.vineyard.training import check_training

__all__ = ["BLOCK_COLUMNS", "BlockChange", "LastTable", "add_blocks", "foresee_blocks",
           "last_table", "undo_blocks"]

_NUMBERS = ("normal_nodes", "row_spacing_m", "vine_spacing_m")
BLOCK_COLUMNS = ("cultivar", "cultivar_class", "training_system", *_NUMBERS)
"""Columns that may stand beside ``block`` in a table of blocks."""
_DO = "Correct it; nothing was changed."


@dataclass(frozen=True, slots=True)
class BlockChange:
    """What a row makes of a block: the facts that change, as they were and as they become."""

    name: str
    new: bool
    before: Mapping[str, Any]
    after: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class LastTable:
    """The table that was kept last at this station: whose, when, and what it changed."""

    by: str
    at: str
    changes: tuple[BlockChange, ...]


class _OnlyForeseen(Exception):
    """Rolls a foreseen table back."""


def add_blocks(
    season: Season, table: str | Cells, *, by: str = "", columns: Mapping[str, str] | None = None
) -> tuple[BlockChange, ...]:
    """Add blocks from a table, or change the facts that it gives of known ones: all rows or none.

    Parameters
    ----------
    table : str or Cells
        As it was pasted, with a header: ``block`` and any of `BLOCK_COLUMNS`; an empty cell leaves
        the fact as it is. Spacing in metres.
    by : str
        Whose table it is.
    columns : mapping of str to str, optional
        Which column is what, as `chosen` of `budvision.tables.read_table`.

    Returns
    -------
    tuple of BlockChange
        One for each row.

    Raises
    ------
    InputError
        When it is no table or a row cannot be used; it names the row, and nothing is changed.
    NothingToDoError
        When it has no row.
    """
    rows = _rows(table, columns)
    with season.write() as conn:
        changes = tuple(_change(conn, row) for row in rows)
    kept = _kept(season)
    with suppress(OSError):                      # then it cannot be taken back; it is kept
        kept.unlink(missing_ok=True)
        kept.parent.mkdir(parents=True, exist_ok=True)
        write_whole(kept, json.dumps(asdict(LastTable(by, now(), changes))), lasting=False)
    return changes


def foresee_blocks(
    season: Season, table: str | Cells, *, columns: Mapping[str, str] | None = None
) -> tuple[BlockChange, ...]:
    """Say what `add_blocks` would do, by doing it and taking it back; errors are the same."""
    rows, changes = _rows(table, columns), tuple[BlockChange, ...]()
    with suppress(_OnlyForeseen), season.write() as conn:
        changes = tuple(_change(conn, row) for row in rows)
        raise _OnlyForeseen
    return changes


def last_table(season: Season) -> LastTable | None:
    """Return the table that was kept last here, None where there is none to take back."""
    try:
        found = json.loads(_kept(season).read_text(encoding="utf-8"))
        return LastTable(str(found["by"]), str(found["at"]),
                         tuple(BlockChange(**one) for one in found["changes"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def undo_blocks(season: Season) -> tuple[BlockChange, ...]:
    """Give the blocks of the last table the facts that they had before it.

    A block that the table made goes again, unless a sampling or a measurement hangs on it by now.

    Raises
    ------
    NothingToDoError
        When there is no table to take back.
    ConflictError
        When a fact was changed since; nothing is taken back then.
    """
    last = last_table(season)
    if last is None:
        raise NothingToDoError("there is no table to take back", where="blocks",
                               do="Load the page again.")
    with season.write() as conn:
        for one in reversed(last.changes):
            found = blocks.get_block(conn, one.name)
            for name, value in one.after.items():
                if getattr(found, name) != value:
                    raise ConflictError(
                        f"{name} is {getattr(found, name)!r} by now", where=f"block {one.name}",
                        expected=f"{value!r}, as the table gave it", code="changed_since",
                        do="Change it by a table of its own; nothing was taken back.")
            blocks.update_block(conn, found.id, **one.before)
            if one.new:
                blocks.drop_unused_block(conn, found.id)
    _kept(season).unlink(missing_ok=True)
    return last.changes


def _kept(season: Season) -> Path:
    return season.folder / "cache" / "last_blocks.json"


def _rows(table: str | Cells, columns: Mapping[str, str] | None) -> Sequence[Row]:
    return read_table(table, needed=("block",), optional=BLOCK_COLUMNS, name="table of blocks",
                      others=False, row_of="a block", do=_DO, chosen=columns).rows


def _change(conn: Connection, row: Row) -> BlockChange:
    given: dict[str, Any] = {key: text for key, text in row.cells.items()
                             if key in BLOCK_COLUMNS and text}
    for name in _NUMBERS:
        if name in given and (number := decimal(given[name])) is None:
            raise InputError(f"{name} is {given[name]!r}", where=row.where, do=_DO,
                             expected="a number")
        if name in given:
            given[name] = number
    check_training(given.get("training_system", ""), where=row.where)
    check_class(given.get("cultivar_class", ""), where=row.where)
    try:
        if row.trouble is not None:
            raise row.trouble
        new = blocks.find_block(conn, row.cells["block"]) is None
        found = blocks.block_by_id(conn, blocks.ensure_block(conn, row.cells["block"]))
        after = {name: value for name, value in given.items() if getattr(found, name) != value}
        blocks.update_block(conn, found.id, **after)
    except InputError as error:
        raise InputError(error.what, expected=error.expected, where=row.where, do=_DO) from error
    return BlockChange(found.name, new, {name: getattr(found, name) for name in after}, after)
