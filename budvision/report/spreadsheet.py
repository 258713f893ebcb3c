"""Results as CSV and XLSX; text that a spreadsheet would take for a formula is kept as text."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from openpyxl.cell import Cell

__all__ = ["Row", "as_csv", "as_xlsx", "guarded"]

Value = str | int | float | None
Row = Mapping[str, Value]
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def guarded(text: str) -> str:
    """Return text with an apostrophe before it where a spreadsheet would run it as a formula.

    Examples
    --------
    >>> guarded("=1+1"), guarded("Kettle Bench")
    ("'=1+1", 'Kettle Bench')
    """
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text


def as_csv(rows: Sequence[Row]) -> str:
    """Return rows as CSV (RFC 4180) with a header; None becomes an empty field.

    Parameters
    ----------
    rows : sequence of mapping
        All with the columns of the first.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    if rows:
        writer.writerow(rows[0].keys())
    for row in rows:
        writer.writerow([guarded(v) if isinstance(v, str) else v for v in row.values()])
    return out.getvalue()


def as_xlsx(sheets: Mapping[str, Sequence[Row]]) -> bytes:
    """Return a workbook with one sheet a table, the header frozen.

    Parameters
    ----------
    sheets : mapping of str to sequence of mapping
        Name (31 characters at most) and rows of each sheet.

    Returns
    -------
    bytes
        An Office Open XML workbook without formulas: all text is stored as text.
    """
    from openpyxl import Workbook
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    book = Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        page = book.create_sheet(name[:31])
        columns = list(rows[0].keys()) if rows else ["nothing yet"]
        for number, column in enumerate(columns, start=1):
            page.cell(1, number, column).font = Font(bold=True)
            page.column_dimensions[get_column_letter(number)].width = max(10, len(column) + 2)
        for line, row in enumerate(rows, start=2):
            for number, value in enumerate(row.values(), start=1):
                _write(page.cell(line, number), value)
        page.freeze_panes = "A2"
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _write(cell: Cell, value: Value) -> None:
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

    if isinstance(value, str):
        value = ILLEGAL_CHARACTERS_RE.sub(" ", value)
    cell.value = value
    if isinstance(value, str):
        cell.data_type = "s"  # openpyxl takes "=..." for a formula
        cell.quotePrefix = value.startswith(_FORMULA_STARTS)
