"""Entry of cuts into canes, cordons and trunks, by page, command and table."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from sqlalchemy import Connection

from budvision.errors import BudvisionError, InputError
from budvision.store.names import clean_label
from budvision.store.queries.blocks import get_block
from budvision.store.queries.wood import KeptCut, add_wood_cut, counted_cuts, wood_cuts
from budvision.store.session import Season
from budvision.tables import day_order, read_day, read_table
from budvision.vineyard.wood import PARTS, WOOD_TISSUES, WoodCut
from budvision.vocabulary import CallValue

__all__ = ["WOOD_COLUMNS", "add_cut", "block_cuts", "import_cuts"]

WOOD_COLUMNS = ("block", "part", "vine", "position", "phloem", "cambium", "cut_on", "note")
_NEEDED = ("block", "part", "vine", "phloem", "cambium", "cut_on")
_CALLS: Mapping[str, CallValue | None] = {
    "live": CallValue.LIVE, "dead": CallValue.DEAD, "unsure": CallValue.UNSURE,
    "l": CallValue.LIVE, "d": CallValue.DEAD, "u": CallValue.UNSURE, "": None,
}


def _read(cells: Mapping[str, str], where: str, order: str = "") -> tuple[WoodCut, str]:
    part = cells.get("part", "").strip().casefold()
    if part not in PARTS:
        raise InputError(f'part is "{cells.get("part", "")}"', where=where,
                         expected=" or ".join(PARTS), do="Name what was cut.")
    called = {}
    for tissue in WOOD_TISSUES:
        text = cells.get(tissue, "").strip()
        if text.casefold() not in _CALLS:
            raise InputError(f'{tissue} is "{text}"', where=where,
                             expected="live, dead, unsure or empty", do="Correct it.")
        called[tissue] = _CALLS[text.casefold()]
    day = read_day(cells.get("cut_on", ""), order)
    if day is None or len(day) != len("2026-02-03"):
        raise InputError(f'the day is "{cells.get("cut_on", "")}"', where=where,
                         expected="year-month-day", do="Write for instance 2026-02-03.")
    return WoodCut(
        part=part, vine=clean_label(cells.get("vine", ""), "vine", limit=60),
        position=clean_label(cells.get("position", ""), "position", limit=60, empty=True),
        phloem=called["phloem"], cambium=called["cambium"]), day


def _keep(
    conn: Connection, cells: Mapping[str, str], where: str, person_id: int, order: str = ""
) -> int:
    cut, day = _read(cells, where, order)
    return add_wood_cut(conn, get_block(conn, cells["block"]).id, cut, cut_on=day,
                        person_id=person_id, note=cells.get("note", "").strip()[:500])


def add_cut(
    season: Season, cells: Mapping[str, str], *, person_id: int, where: str = "cut"
) -> int:
    """Keep one cut.

    Parameters
    ----------
    cells : mapping of str to str
        By the names of `WOOD_COLUMNS`; position and note may be left out.
    person_id : int
        Whose call it is.
    where : str
        Named in errors.

    Returns
    -------
    int
        Id of the cut. Another of the same part, vine and position counts instead of it; with
        neither phloem nor cambium it takes it back.

    Raises
    ------
    InputError
        When the part, a call or the day cannot be read, or no vine is named.
    NotFoundError
        When there is no such block.
    """
    with season.write() as conn:
        return _keep(conn, cells, where, person_id)


def import_cuts(
    season: Season, source: Path | bytes | str, *, person_id: int, name: str = ""
) -> int:
    """Keep every cut of a table, or none.

    Parameters
    ----------
    source : Path, bytes or str
        Table with the columns of `WOOD_COLUMNS`; position and note may be left out.
    person_id : int
        Whose calls they are.
    name : str
        File name for errors; a path's own when left out.

    Returns
    -------
    int
        Cuts kept.

    Raises
    ------
    InputError
        When a column is missing, a line cannot be used or a cut stands twice; nothing was imported.
    NothingToDoError
        When there is no line.
    """
    table = read_table(source, name=name, needed=_NEEDED, optional=("position", "note"),
                       row_of="a cut", do="Correct the header; nothing was imported.")
    order = day_order(row.cells["cut_on"] for row in table.rows)
    seen: dict[tuple[str, ...], str] = {}
    with season.write() as conn:
        for row in table.rows:
            if row.trouble is not None:
                raise row.trouble
            try:
                _keep(conn, row.cells, row.where, person_id, order)
            except BudvisionError as error:
                raise type(error)(
                    error.what, expected=error.expected, code=error.code, where=row.where,
                    do=f"{error.do} Nothing was imported.".strip()) from error
            key = tuple(row.cells.get(column, "").casefold()
                        for column in ("block", "part", "vine", "position"))
            if key in seen:
                raise InputError(
                    "this part of this vine stands twice", where=row.where, code="duplicate",
                    expected=f"each cut once; it stands in {seen[key].rsplit(', ', 1)[-1]}",
                    do="Tell the two by their position. Nothing was imported.")
            seen[key] = row.where
    return len(table.rows)


def block_cuts(season: Season, block: str) -> tuple[list[KeptCut], list[KeptCut]]:
    """Return every cut of a block, the oldest first, and those of them that count.

    Raises
    ------
    NotFoundError
        When there is no such block.
    """
    with season.read() as conn:
        cuts = wood_cuts(conn, get_block(conn, block).id)
    return cuts, counted_cuts(cuts)
