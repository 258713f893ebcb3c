"""Bytes to cells: text with its marks and encodings, or the one sheet of a workbook."""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from budvision.errors import BudvisionError, InputError, NotFoundError
from budvision.tables.words import word

__all__ = ["MOST_BYTES", "MOST_COLUMNS", "Cells", "read_cells"]

MOST_BYTES: Final = 256 * 2**20
"""Largest table, in bytes, packed or unpacked."""
MOST_COLUMNS: Final = 500
_MARKS = ",;\t"
_SAY_UTF8 = "Save the table as 'CSV UTF-8', or as .xlsx, and try again."


@dataclass(frozen=True, slots=True)
class Cells:
    """A table's cells as text.

    Attributes
    ----------
    name : str
        File, and sheet where a workbook has several, for errors.
    rows : tuple of (int, list of str)
        Number, as a spreadsheet counts, and stripped cells of each row that is not empty.
    mark : str
        What parts the cells; empty in a workbook.
    """

    name: str
    rows: tuple[tuple[int, list[str]], ...]
    mark: str


def read_cells(
    source: Path | bytes | str, *, name: str = "", needed: Sequence[str] = (),
    marks: str = _MARKS, comment: str = "",
) -> Cells:
    """Read the cells of a table, whatever its header.

    Parameters
    ----------
    source, name
        As in `read_table`.
    needed : sequence of str
        Columns by which the sheet of a workbook is known.
    marks : str
        What may part the cells of text; the one that the first row holds most of does.
    comment : str
        Lines of text that begin with it are left out.

    Raises
    ------
    NotFoundError, InputError
        When the file is not there, is empty, too large, or is neither text nor a workbook.
    """
    name = name or (source.name if isinstance(source, Path) else "table")
    content = source if isinstance(source, str) else _content(source, name)
    if isinstance(content, bytes) and content[:4] == b"PK\x03\x04":
        return _workbook(content, name, needed)
    text = content if isinstance(content, str) else _text(content, name)
    return _parted(text.removeprefix("\ufeff"), name, marks, comment, ",".join(needed))


def _content(source: Path | bytes, name: str) -> bytes:
    if isinstance(source, bytes):
        n_bytes = len(source)
    elif not source.is_file():
        raise NotFoundError("there is no such file", where=str(source), do="Check the path.",
                            expected="a table as CSV or .xlsx", code="no_file")
    else:
        n_bytes = source.stat().st_size
    if n_bytes > MOST_BYTES:
        raise InputError(f"it has {n_bytes:,} bytes", where=name, code="too_large",
                         expected=f"at most {MOST_BYTES:,}", do="Split the table by block.")
    if isinstance(source, bytes):
        return source
    try:
        return source.read_bytes()
    except OSError as error:
        raise NotFoundError(f"it cannot be read ({error.strerror or error})", where=str(source),
                            expected="a readable file", do="Check its permissions.") from error


def _text(content: bytes, name: str) -> str:
    known = {b"\xd0\xcf\x11\xe0": "a workbook of the old kind (.xls)", b"%PDF": "a PDF"}
    if (kind := known.get(content[:4])) is not None:
        raise InputError(f"it is {kind}", where=name, expected="CSV in UTF-8, or .xlsx",
                         do=_SAY_UTF8, code="not_text")
    try:
        wide = content[:2] in (b"\xff\xfe", b"\xfe\xff")
        text = content.decode("utf-16" if wide else "utf-8")
    except UnicodeDecodeError as error:
        row = content.count(b"\n", 0, error.start) + 1
        raise InputError(f"byte {error.start + 1} (row {row}) is not text in UTF-8", where=name,
                         expected="CSV in UTF-8, or .xlsx", do=_SAY_UTF8, code="not_text"
                         ) from error
    if "\0" in text:
        raise InputError("it holds bytes that are not text", where=name, do=_SAY_UTF8,
                         expected="CSV in UTF-8, or .xlsx", code="not_text")
    return text


def _parted(text: str, name: str, marks: str, comment: str, header: str) -> Cells:
    if "\n" not in text:  # the line ends of old systems
        text = text.replace("\r", "\n")
    declared = re.match(r'\s*"?sep=(.)"?[ \t]*(?:\r\n|\n|$)', text, re.IGNORECASE)
    skipped = text[:declared.end()].count("\n") if declared else 0
    text = text[declared.end():] if declared else text
    first = next((line for line in text.splitlines()
                  if line.strip() and not (comment and line.startswith(comment))), "")
    mark = declared[1] if declared else max(marks, key=first.count)
    rows: list[tuple[int, list[str]]] = []
    reader = csv.reader(io.StringIO(text, newline="\n"), delimiter=mark, strict=True)
    try:
        for number, row in enumerate(reader, start=skipped + 1):
            if comment and row and row[0].startswith(comment):
                continue
            _check_width(row, f"{name}, row {number}")
            if any(cells := [cell.strip() for cell in row]):
                rows.append((number, cells))
    except csv.Error as error:
        raise InputError(
            f"it is not a table ({error})", where=f"{name}, row {skipped + reader.line_num}",
            expected="rows of cells, quotes closed, line ends alike", code="bad_row",
            do="Export the table again.",
        ) from error
    return Cells(name, _filled(rows, name, header), mark)


def _check_width(row: Sequence[object], where: str) -> None:
    if len(row) > MOST_COLUMNS:
        raise InputError(f"it has {len(row):,} cells", where=where, code="bad_row",
                         expected=f"at most {MOST_COLUMNS}", do="Export the table again.")


def _filled(
    rows: list[tuple[int, list[str]]], name: str, header: str
) -> tuple[tuple[int, list[str]], ...]:
    if not rows:
        raise InputError("the file is empty", where=name, do="Export the table again.",
                         expected=f"a header {header}".strip(), code="empty_file")
    return tuple(rows)


# ---- workbooks ---------------------------------------------------------------------------------


def _workbook(content: bytes, name: str, needed: Sequence[str]) -> Cells:
    from openpyxl import load_workbook

    def refused(what: str, do: str = "Save the table as 'CSV UTF-8' and try again.") -> InputError:
        return InputError(what, where=name, expected="a workbook (.xlsx) with one table, or CSV in "
                          "UTF-8", do=do, code="not_a_workbook")

    try:
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            n_bytes = sum(part.file_size for part in packed.infolist())
            if "xl/workbook.xml" not in packed.namelist():
                raise refused("it is no workbook that can be read")
            if n_bytes > MOST_BYTES:
                raise refused(f"it unpacks to {n_bytes:,} bytes")
        book = load_workbook(io.BytesIO(content), read_only=True, data_only=True)
        sheets = {sheet.title: _sheet_rows(sheet, name) for sheet in book.worksheets}
        book.close()
    except BudvisionError:
        raise
    except Exception as error:  # a foreign reader of foreign bytes: whatever it raises
        raise refused(f"it cannot be read ({type(error).__name__}: {str(error)[:80]})") from error
    sheets = {title: rows for title, rows in sheets.items() if rows}
    fit = [title for title, rows in sheets.items()
           if {word(cell) for cell in rows[0][1]} >= set(needed)]
    if len(sheets) > 1 and len(fit) != 1:
        raise refused(f"{len(fit) or len(sheets)} of its sheets could be meant "
                      f"({', '.join(fit or sheets)})", "Keep one of them and try again.")
    title = fit[0] if fit else next(iter(sheets), "")
    several = f"{name}, sheet {title}" if len(sheets) > 1 else name
    return Cells(several, _filled(sheets.get(title, []), name, ",".join(needed)), "")


def _sheet_rows(sheet: Any, name: str) -> list[tuple[int, list[str]]]:
    rows = []
    for number, row in enumerate(sheet.iter_rows(values_only=True), start=1):
        filled = max((col for col, value in enumerate(row, 1) if value is not None), default=0)
        cells = [_as_text(value) for value in row[:filled]]
        _check_width(cells, f"{name}, row {number}")
        if any(cells):
            rows.append((number, cells))
    return rows


def _as_text(value: object) -> str:
    """Return a workbook's value as a person would have typed it."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return format(value, ".15g")
    if isinstance(value, dt.datetime):
        plain = value.isoformat(" ")
        return plain.removesuffix(" 00:00:00")
    return str(value).strip()
