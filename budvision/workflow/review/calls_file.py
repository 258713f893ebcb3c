"""The table of calls that people keep on paper or in a spreadsheet: read it, write it.

Columns ``block, cane, node, primary, secondary, tertiary``; optionally ``vine``, ``vigor``,
``zone``, ``cultivar`` and ``primary_cause``, ``secondary_cause``, ``tertiary_cause``; text or a
workbook, as `budvision.tables` reads them. Case, spaces and hyphens in the words do not matter, and
L, D, U and N will do. Rows are numbered as a spreadsheet numbers them: the header is row 1. Counts
a cane (`budvision.workflow.review.cane_counts`) are told by their header.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from pathlib import Path

from budvision.errors import BudvisionError, InputError
from budvision.tables import Cells, Row, Spellings, first_wrong, read_cells, read_table, whole, word
from budvision.vocabulary import TISSUES, BudCalls, CallValue, Cause, Tissue
from budvision.workflow.review.cane_counts import COUNTS_NEEDED, are_counts, buds_of_counts

__all__ = ["CALL_COLUMNS", "CallsFile", "calls_as_csv", "read_calls"]

REQUIRED = ("block", "cane", "node", "primary", "secondary", "tertiary")
_CAUSE_COLUMNS = {tissue: f"{tissue.value}_cause" for tissue in TISSUES}
OPTIONAL = ("vine", "vigor", "zone", "cultivar", *_CAUSE_COLUMNS.values())
CALL_COLUMNS: tuple[str, ...] = REQUIRED + OPTIONAL
VIGORS = ("small", "medium", "large")
_CALLS = {value.value: value for value in CallValue}
_LETTERS = {"l": "live", "d": "dead", "u": "unsure", "n": "not_exposed"}
_CAUSES = {value.value: value for value in Cause}


@dataclass(frozen=True, slots=True)
class CallsFile:
    """Buds read from a table.

    Attributes
    ----------
    buds : tuple of BudCalls
    rows : tuple of int
        The row of each bud, as a spreadsheet numbers it.
    warnings : tuple of str
        What was left aside, such as unknown columns.
    counted : bool
        Whether only counts a cane were kept: nodes number the buds and pairs of tissues mean
        nothing.
    """

    buds: tuple[BudCalls, ...]
    rows: tuple[int, ...]
    warnings: tuple[str, ...]
    counted: bool = False


class _Row:
    """One row of the table, turned into a bud or an error that names it."""

    def __init__(self, row: Row, nothing: str):
        self.cells, self.where, self.nothing = row.cells, row.where, nothing
        if row.trouble is not None:
            raise InputError(row.trouble.what, expected=row.trouble.expected, where=row.where,
                             code="bad_row", do=f"Correct the row and {nothing}.")

    def _error(self, what: str, expected: str) -> InputError:
        return InputError(
            what, expected=expected, where=self.where, code="bad_row",
            do=f"Correct the row and {self.nothing}.",
        )

    def _one_of(self, column: str, allowed: Collection[str]) -> str:
        raw = self.cells.get(column, "")
        value = word(raw)
        if allowed is _CALLS:
            value = _LETTERS.get(value, value)
        if value and value not in allowed:
            raise self._error(f'{column} is "{raw}"', f"{', '.join(allowed)} or empty")
        return value

    def _text(self, column: str) -> str:
        raw = self.cells[column]
        if not raw:
            raise self._error(f"{column} is empty", f"the {column}'s name or number")
        return raw

    def _call(self, tissue: Tissue) -> CallValue | None:
        value = self._one_of(tissue.value, _CALLS)
        return _CALLS[value] if value else None

    def bud(self) -> BudCalls:
        node = whole(self.cells["node"])
        if node is None or not 1 <= node <= 9999:
            raise self._error(f'node is "{self.cells["node"]}"',
                              "a whole number from 1 (the basal node) up")
        causes = {}
        for tissue in TISSUES:
            cause = self._one_of(_CAUSE_COLUMNS[tissue], _CAUSES)
            if cause:
                if self._call(tissue) is not CallValue.DEAD:
                    raise self._error(
                        f'{_CAUSE_COLUMNS[tissue]} is "{cause}" but {tissue.value} is not dead',
                        "a cause only where the call is dead",
                    )
                causes[tissue] = _CAUSES[cause]
        return BudCalls(
            block=self._text("block"), cane=self._text("cane"), node=node,
            primary=self._call(Tissue.PRIMARY), secondary=self._call(Tissue.SECONDARY),
            tertiary=self._call(Tissue.TERTIARY), vine=self.cells.get("vine", ""),
            vigor=self._one_of("vigor", VIGORS), zone=self.cells.get("zone", ""),
            cultivar=self.cells.get("cultivar", ""), causes=causes,
        )


def read_calls(
    source: Path | bytes | str, *, name: str = "",
    nothing: str = "import again; nothing was imported", one_spelling: bool = False,
    counts: bool = False,
) -> CallsFile:
    """Read a table of calls; one wrong row refuses the whole table.

    Parameters
    ----------
    source : Path, bytes or str
        The file, what is in it, or text.
    name : str
        File name for errors; a path's own when left out.
    nothing : str
        How the next step of an error ends: what to do again, and what was not done.
    one_spelling : bool
        Refuse canes "01" and "1", and blocks that differ in case: nothing else can tell them.
    counts : bool
        Whether counts a cane will do; refused with the reason where not.

    Raises
    ------
    NotFoundError
        When there is no such file.
    InputError
        When it is no table, lacks a column, or for the first wrong row: its number, column, value
        and the words allowed, and how many further rows are wrong.
    NothingToDoError
        When there is a header but no row.
    """
    first = _cells(source, name)
    if are_counts([word(cell) for cell in first.rows[0][1]]):
        if not counts:
            raise InputError(
                "it holds counts a cane", where=first.name, code="counts_a_cane",
                expected="a row a bud: a season keeps each bud's calls by block, cane and node, "
                "and counts do not say which bud was dead",
                do="Run `budvision tally` on it for mortality and advice; nothing was imported.")
        return CallsFile(*buds_of_counts(first, nothing=nothing), counted=True)
    table = read_table(first, needed=REQUIRED, optional=OPTIONAL, row_of="a bud",
                       do=f"Correct the first row and {nothing}.")
    notes = table.notes()
    buds: list[BudCalls] = []
    rows: list[int] = []
    wrong: list[BudvisionError] = []
    first_row: dict[tuple[str, str, str, int], int] = {}
    names = Spellings()
    for row in table.rows:
        try:
            bud = _Row(row, nothing).bud()
            if one_spelling:
                names.check("block", bud.block, row.where)
                names.check("cane", bud.cane, row.where, within=(bud.block, bud.vine))
            key = (bud.block, bud.vine, bud.cane, bud.node)
            if first_row.setdefault(key, row.number) != row.number:
                raise InputError(
                    f"node {bud.node} of cane {bud.cane} of block {bud.block} stands already in "
                    f"row {first_row[key]}", expected="each bud once", where=row.where,
                    do=f"Remove one of the two rows and {nothing}.", code="duplicate",
                )
        except InputError as error:
            wrong.append(error)
            continue
        buds.append(bud)
        rows.append(row.number)
    if wrong:
        raise first_wrong(wrong)
    return CallsFile(tuple(buds), tuple(rows), notes)


def _cells(source: Path | bytes | str, name: str) -> Cells:
    """Read cells; of a workbook's sheets that of calls, else that of counts a cane."""
    try:
        return read_cells(source, name=name, needed=REQUIRED)
    except InputError as error:
        if error.code != "not_a_workbook":
            raise
        try:
            return read_cells(source, name=name, needed=COUNTS_NEEDED)
        except InputError:
            raise error from None


def calls_as_csv(buds: Iterable[BudCalls]) -> str:
    """Return buds as the table that `read_calls` reads back unchanged.

    Columns beyond the required ones appear only where some bud fills them.
    """
    listed = list(buds)
    rows = []
    for bud in listed:
        row = {
            "block": bud.block, "cane": bud.cane, "node": str(bud.node), "vine": bud.vine,
            "vigor": bud.vigor, "zone": bud.zone, "cultivar": bud.cultivar,
        }
        for tissue in TISSUES:
            value = bud.call(tissue)
            row[tissue.value] = value.value if value else ""
            cause = bud.causes.get(tissue)
            row[f"{tissue.value}_cause"] = cause.value if cause else ""
        rows.append(row)
    columns = [*REQUIRED, *(name for name in OPTIONAL if any(row[name] for row in rows))]
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, columns, extrasaction="ignore", lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()
