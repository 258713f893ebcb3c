"""Counts a cane instead of a row a bud: cane, buds cut, live and dead of each tissue.

Columns ``block, cane, primary_live, primary_dead``; optionally ``buds`` (cut), ``vine``,
``vigor``, ``zone``, ``cultivar``, ``primary_unsure``, ``primary_not_exposed`` and the same four of
secondary and tertiary. Such counts carry mortality and its interval, since they say which cane a
bud was of. They do not say at which node a bud stood, nor which secondary sat under which primary.
"""

from __future__ import annotations

from collections.abc import Sequence

from budvision.errors import BudvisionError, InputError
from budvision.language import plain_count
from budvision.tables import Cells, Row, Spellings, first_wrong, read_table, whole
from budvision.vocabulary import TISSUES, BudCalls, CallValue, Tissue

__all__ = ["COUNTS_NEEDED", "are_counts", "buds_of_counts"]

COUNTS_NEEDED = ("block", "cane", "primary_live", "primary_dead")
_OF_TISSUE = tuple(f"{tissue.value}_{value.value}" for tissue in TISSUES for value in CallValue)
OPTIONAL = ("buds", *(name for name in _OF_TISSUE if name not in COUNTS_NEEDED),
            "vine", "vigor", "zone", "cultivar")
MOST_BUDS = 1000
"""On one cane; more is a slip of the pen."""


def are_counts(columns: Sequence[str]) -> bool:
    """Say whether a header is of counts a cane: it names counts and no node."""
    return "node" not in columns and bool({"primary_live", "primary_dead"} & set(columns))


def buds_of_counts(
    cells: Cells, *, nothing: str
) -> tuple[tuple[BudCalls, ...], tuple[int, ...], tuple[str, ...]]:
    """Read counts a cane as buds whose nodes and whose pairs of tissues mean nothing.

    Parameters
    ----------
    cells : Cells
        Of the file.
    nothing
        As in `budvision.workflow.review.calls_file.read_calls`.

    Returns
    -------
    buds : tuple of BudCalls
        As many of each cane as were cut; nodes only number them.
    rows : tuple of int
        The row of each bud's cane.
    warnings : tuple of str

    Raises
    ------
    InputError, NothingToDoError
        As in `budvision.workflow.review.calls_file.read_calls`.
    """
    table = read_table(cells, needed=COUNTS_NEEDED, optional=OPTIONAL, row_of="a cane",
                       do=f"Correct the first row and {nothing}.")
    notes = table.notes()
    buds: list[BudCalls] = []
    rows: list[int] = []
    wrong: list[BudvisionError] = []
    first_row: dict[tuple[str, str, str], int] = {}
    names = Spellings()
    for row in table.rows:
        try:
            made = _cane(row, nothing)
            block, vine, cane = made[0].block, made[0].vine, made[0].cane
            names.check("block", block, row.where)
            names.check("cane", cane, row.where, within=(block, vine))
            if first_row.setdefault((block, vine, cane), row.number) != row.number:
                raise InputError(
                    f"cane {cane} of block {block} stands already in row "
                    f"{first_row[block, vine, cane]}", where=row.where, code="duplicate",
                    expected="each cane once; a column vine where two vines have a cane of one "
                    "name", do=f"Remove one of the two rows and {nothing}.")
        except InputError as error:
            wrong.append(error)
            continue
        buds += made
        rows += [row.number] * len(made)
    if wrong:
        raise first_wrong(wrong)
    return tuple(buds), tuple(rows), notes


def _cane(row: Row, nothing: str) -> list[BudCalls]:
    def refused(what: str, expected: str) -> InputError:
        return InputError(what, expected=expected, where=row.where, code="bad_row",
                          do=f"Correct the row and {nothing}.")

    def count(column: str) -> int:
        raw = row.cells.get(column, "")
        found = whole(raw) if raw else 0
        if found is None or found > MOST_BUDS:
            raise refused(f'{column} is "{raw}"', f"a whole number up to {MOST_BUDS}, or empty")
        return found

    if row.trouble is not None:
        raise refused(row.trouble.what, row.trouble.expected)
    for column in ("block", "cane"):
        if not row.cells[column]:
            raise refused(f"{column} is empty", f"the {column}'s name or number")
    vigor = row.cells.get("vigor", "").lower()
    if vigor not in ("", "small", "medium", "large"):
        raise refused(f'vigor is "{row.cells["vigor"]}"', "small, medium, large or empty")
    calls: dict[Tissue, list[CallValue | None]] = {
        tissue: [value for value in CallValue
                 for _ in range(count(f"{tissue.value}_{value.value}"))]
        for tissue in TISSUES
    }
    most = max(map(len, calls.values()))
    n = count("buds") if row.cells.get("buds") else most
    over = next((tissue for tissue in TISSUES if len(calls[tissue]) > n), None)
    if over is not None:
        raise refused(f"{plain_count(len(calls[over]), f'{over.value} bud')} "
                      f"{'is' if len(calls[over]) == 1 else 'are'} counted of {n} cut",
                      f"at most {n}, all kinds of call together")
    if not n:
        raise refused("no bud is counted", "at least one, or no row for the cane")
    filled = {tissue: values + [None] * (n - len(values)) for tissue, values in calls.items()}
    return [
        BudCalls(
            block=row.cells["block"], cane=row.cells["cane"], node=index + 1,
            primary=filled[Tissue.PRIMARY][index], secondary=filled[Tissue.SECONDARY][index],
            tertiary=filled[Tissue.TERTIARY][index], vine=row.cells.get("vine", ""), vigor=vigor,
            zone=row.cells.get("zone", ""), cultivar=row.cells.get("cultivar", ""))
        for index in range(n)
    ]
