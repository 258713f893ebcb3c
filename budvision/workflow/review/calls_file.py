"""The table of calls that people keep on paper or in a spreadsheet: read it, write it.

Columns ``block, cane, node, primary, secondary, tertiary``; optionally ``vine``, ``vigor``,
``zone``, ``cultivar`` and ``primary_cause``, ``secondary_cause``, ``tertiary_cause``. Commas,
semicolons or tabs; UTF-8 with or without byte-order mark. Case, spaces and hyphens in the words
do not matter. Rows are numbered as a spreadsheet numbers them: the header is row 1.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from budvision.errors import InputError, NotFoundError, NothingToDoError
from budvision.vocabulary import TISSUES, BudCalls, CallValue, Cause, Tissue

__all__ = ["CALL_COLUMNS", "CallsFile", "calls_as_csv", "read_calls", "read_calls_text"]

REQUIRED = ("block", "cane", "node", "primary", "secondary", "tertiary")
_CAUSE_COLUMNS = {tissue: f"{tissue.value}_cause" for tissue in TISSUES}
OPTIONAL = ("vine", "vigor", "zone", "cultivar", *_CAUSE_COLUMNS.values())
CALL_COLUMNS: tuple[str, ...] = REQUIRED + OPTIONAL
VIGORS = ("small", "medium", "large")
_CALLS = {value.value: value for value in CallValue}
_CAUSES = {value.value: value for value in Cause}
MOST_BYTES = 256 * 1024 * 1024


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
    """

    buds: tuple[BudCalls, ...]
    rows: tuple[int, ...]
    warnings: tuple[str, ...]


def _decode(content: bytes, name: str) -> str:
    if not content.strip():
        raise InputError("the file is empty", where=name, expected=f"a header {','.join(REQUIRED)}",
                         do="Export the table again.", code="empty_file")
    encoding = "utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError as error:
        raise InputError(
            f"byte {error.start + 1} is not text in UTF-8", where=name, expected="a CSV in UTF-8",
            do="Save the table as 'CSV UTF-8' and try again.", code="not_text",
        ) from error
    if "\x00" in text:
        raise InputError("it holds bytes that are not text", where=name, expected="a CSV in UTF-8",
                         do="Export the spreadsheet as CSV first.", code="not_text")
    return text


@lru_cache(maxsize=1024)
def _word(text: str) -> str:
    return re.sub(r"[\s\-]+", "_", text.strip().lower())


def _header(row: Sequence[str], name: str) -> tuple[list[str], tuple[str, ...]]:
    columns = [_word(cell) for cell in row]
    for column in CALL_COLUMNS:
        if columns.count(column) > 1:
            raise InputError(f"column {column} stands twice", where=f"{name}, row 1",
                             expected="each column once", do="Remove one.", code="bad_header")
    missing = [column for column in REQUIRED if column not in columns]
    if missing:
        raise InputError(
            f"columns {', '.join(missing)} are missing" if len(missing) > 1
            else f"column {missing[0]} is missing",
            where=f"{name}, row 1", expected=f"a header {','.join(REQUIRED)}",
            do="Add the missing names to the first row.", code="bad_header",
        )
    unknown = [cell.strip() for cell, column in zip(row, columns, strict=True)
               if column and column not in CALL_COLUMNS]
    told = (f"{name}: columns {', '.join(unknown)} were not read.",) if unknown else ()
    return columns, told


class _Row:
    """One row of the table, turned into a bud or an error that names it."""

    def __init__(self, cells: dict[str, str], where: str, nothing: str):
        self.cells, self.where, self.nothing = cells, where, nothing

    def _error(self, what: str, expected: str) -> InputError:
        return InputError(
            what, expected=expected, where=self.where, code="bad_row",
            do=f"Correct the row and {self.nothing}.",
        )

    def _one_of(self, column: str, allowed: Collection[str]) -> str:
        raw = self.cells.get(column, "").strip()
        word = _word(raw)
        if word and word not in allowed:
            raise self._error(f'{column} is "{raw}"', f"{', '.join(allowed)} or empty")
        return word

    def _text(self, column: str) -> str:
        raw = self.cells.get(column, "").strip()
        if not raw:
            raise self._error(f"{column} is empty", f"the {column}'s name or number")
        return raw

    def _call(self, tissue: Tissue) -> CallValue | None:
        word = self._one_of(tissue.value, _CALLS)
        return _CALLS[word] if word else None

    def bud(self) -> BudCalls:
        node = self.cells.get("node", "").strip()
        if not re.fullmatch(r"[0-9]{1,4}", node) or int(node) < 1:
            raise self._error(f'node is "{node}"', "a whole number from 1 (the basal node) up")
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
            block=self._text("block"), cane=self._text("cane"), node=int(node),
            primary=self._call(Tissue.PRIMARY), secondary=self._call(Tissue.SECONDARY),
            tertiary=self._call(Tissue.TERTIARY), vine=self.cells.get("vine", "").strip(),
            vigor=self._one_of("vigor", VIGORS), zone=self.cells.get("zone", "").strip(),
            cultivar=self.cells.get("cultivar", "").strip(), causes=causes,
        )


def read_calls_text(
    text: str, *, name: str, nothing: str = "import again; nothing was imported"
) -> CallsFile:
    """Read a table of calls from text; one wrong row refuses the whole table.

    Parameters
    ----------
    text : str
        The table with its header.
    name : str
        File name for errors.
    nothing : str
        How the next step of an error ends: what to do again, and what was not done.

    Returns
    -------
    CallsFile

    Raises
    ------
    InputError
        For the first wrong row, naming row, column, value and the words allowed, and how many
        further rows are wrong.
    NothingToDoError
        When there is a header but no row.
    """
    first = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(",;\t", key=first.count)
    try:
        table = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True))
    except csv.Error as error:
        raise InputError(f"it is not a table ({error})", where=name, code="bad_row",
                         expected="rows of cells, quotes closed",
                         do="Export the table again.") from error
    start = next((at for at, row in enumerate(table) if any(cell.strip() for cell in row)), None)
    if start is None:
        raise InputError("the file is empty", where=name, expected=f"a header {','.join(REQUIRED)}",
                         do="Export the table again.", code="empty_file")
    columns, warnings = _header(table[start], name)
    buds: list[BudCalls] = []
    rows: list[int] = []
    wrong: list[tuple[int, InputError]] = []
    first_row: dict[tuple[str, str, str, int], int] = {}
    for number, cells in enumerate(table[start + 1:], start=start + 2):
        if not any(cell.strip() for cell in cells):
            continue
        where = f"{name}, row {number}"
        try:
            if any(cell.strip() for cell in cells[len(columns):]):
                raise InputError(
                    f"it has {len(cells)} cells", where=where, code="bad_row",
                    expected=f"{len(columns)}, as in the header",
                    do=f"Correct the row and {nothing}.",
                )
            bud = _Row(dict(zip(columns, cells, strict=False)), where, nothing).bud()
            key = (bud.block, bud.vine, bud.cane, bud.node)
            if key in first_row:
                raise InputError(
                    f"node {bud.node} of cane {bud.cane} of block {bud.block} stands already in "
                    f"row {first_row[key]}", expected="each bud once", where=where,
                    do=f"Remove one of the two rows and {nothing}.", code="duplicate",
                )
            first_row[key] = number
        except InputError as error:
            wrong.append((number, error))
            continue
        buds.append(bud)
        rows.append(number)
    if wrong:
        told = wrong[0][1]
        others = [str(number) for number, _ in wrong[1:]]
        if others:
            named = ", ".join(others[:10]) + (" ..." if len(others) > 10 else "")
            many = "rows are" if len(others) > 1 else "row is"
            told = InputError(
                told.what, expected=told.expected, where=told.where, code=told.code,
                do=f"{told.do} {len(others)} further {many} wrong: {named}.",
            )
        raise told
    if not buds:
        raise NothingToDoError("there is a header but no row below it", where=name,
                               expected="one row a bud", do="Fill in the table.")
    return CallsFile(tuple(buds), tuple(rows), warnings)


def read_calls(
    path: Path, *, nothing: str = "import again; nothing was imported"
) -> CallsFile:
    """Read a table of calls from a file; one wrong row refuses the whole file.

    Parameters
    ----------
    path : Path
        A CSV as the module describes it.
    nothing : str
        As in `read_calls_text`.

    Returns
    -------
    CallsFile

    Raises
    ------
    NotFoundError
        When there is no such file.
    InputError
        When the file is empty, not text, without its columns, or a row is wrong.
    NothingToDoError
        When there is a header but no row.
    """
    if not path.is_file():
        raise NotFoundError("there is no such file", where=str(path), expected="a CSV of calls",
                            do="Check the path.")
    if path.stat().st_size > MOST_BYTES:
        raise InputError(f"it has {path.stat().st_size:,} bytes", where=path.name,
                         expected=f"at most {MOST_BYTES:,}", do="Split the table by block.")
    try:
        content = path.read_bytes()
    except OSError as error:
        raise NotFoundError(f"it cannot be read ({error.strerror})", where=str(path),
                            expected="a readable file", do="Check its permissions.") from error
    return read_calls_text(_decode(content, path.name), name=path.name, nothing=nothing)


def calls_as_csv(buds: Iterable[BudCalls]) -> str:
    """Return buds as the table that `read_calls_text` reads back unchanged.

    Columns beyond the required ones appear only where some bud fills them.

    Parameters
    ----------
    buds : iterable of BudCalls
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
