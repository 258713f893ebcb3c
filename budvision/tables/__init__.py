"""The one door from a file to rows: tables as people keep them, in text or in a workbook.

Text has commas, semicolons or tabs between its cells, a line ``sep=;`` before the header if it
likes, and any line ends; it is UTF-8, or UTF-16 with its mark. A workbook (``.xlsx``) is read from
the one sheet that holds the table. Rows are numbered as a spreadsheet numbers them. What cannot be
told (another encoding, a day written 2/3/2026, two spellings of one cane) is asked for.

`cells` turns bytes into cells, `words` reads what stands in one, `columns` finds or takes from a
person which column is which.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from budvision.errors import BudvisionError, InputError, NothingToDoError
from budvision.tables.cells import MOST_BYTES, MOST_COLUMNS, Cells, read_cells
from budvision.tables.columns import FIXED, apply_choice, guess_columns
from budvision.tables.words import Spellings, alike, day_order, decimal, read_day, whole, word

__all__ = [
    "FIXED", "MOST_BYTES", "MOST_COLUMNS", "Cells", "Row", "Spellings", "Table", "alike",
    "day_order", "decimal", "first_wrong", "guess_columns", "read_cells", "read_day", "read_table",
    "whole", "word",
]


@dataclass(frozen=True, slots=True)
class Row:
    """One row below the header.

    Attributes
    ----------
    number : int
    where : str
        File and row, for errors.
    cells : mapping of str to str
        By column of the header, stripped; a cell that is not there is empty.
    trouble : InputError or None
        Why the row cannot be used as it stands: it has more cells than the header.
    """

    number: int
    where: str
    cells: Mapping[str, str]
    trouble: InputError | None = None


@dataclass(frozen=True, slots=True)
class Table:
    """A table with its header.

    Attributes
    ----------
    name : str
        As in `Cells`.
    columns : tuple of str
        Known columns that it has.
    unknown : tuple of str
        Other columns, as they are written.
    rows : tuple of Row
    """

    name: str
    columns: tuple[str, ...]
    unknown: tuple[str, ...]
    rows: tuple[Row, ...]

    def notes(self) -> tuple[str, ...]:
        """Say which columns were not read, where there are any."""
        return () if not self.unknown else (
            f"{self.name}: columns {', '.join(self.unknown)} were not read.",)


def read_table(
    source: Path | bytes | str | Cells, *, needed: Sequence[str], optional: Sequence[str] = (),
    name: str = "", others: bool = True, row_of: str = "",
    do: str = "Correct the first row and try again.", chosen: Mapping[str, str] | None = None,
) -> Table:
    """Read a table whose first row names its columns.

    Parameters
    ----------
    source : Path, bytes, str or Cells
        The file, what is in it, text, or cells that were read already.
    needed, optional : sequence of str
        Columns that must and may be there. Case, spaces and hyphens do not matter.
    name : str
        What errors call it; a path's own name when left out.
    others : bool
        False refuses columns of other names.
    row_of : str
        What a row stands for, for errors: ``a bud``.
    do : str
        The next step of errors about the header.
    chosen : mapping of str to str, optional
        The header's cell that stands for each column, or ``=`` and the value that every row gets;
        what nobody chose is not read.

    Raises
    ------
    NotFoundError
        When there is no such file.
    InputError
        When it is no table, or its header lacks a column, has one twice or one too many.
    NothingToDoError
        When there is a header and no row below it.
    """
    header = ",".join(needed)
    cells = source if isinstance(source, Cells) else read_cells(source, name=name, needed=needed)
    (head_row, first), below = cells.rows[0], cells.rows[1:]
    columns, fixed = apply_choice(first, chosen or {}, where=cells.name, do=do)
    known = {*needed, *optional}
    missing = [column for column in needed if column not in columns and not fixed.get(column)]
    twice = sorted(column for column in known if columns.count(column) > 1)
    unknown = [cell for cell, column in zip(first, columns, strict=True)
               if column and column not in known]
    if missing and chosen:
        raise InputError(
            f"no column was chosen for {', '.join(missing)}", where=cells.name, code="bad_header",
            expected=f"a column, or the same in every row, for each of {header}", do="Choose one.")
    _check_header(((missing, "missing"), (twice, "there twice"),
                   ([] if others else unknown, "unknown")),
                  where=f"{cells.name}, row {head_row}", do=do, needed=header, optional=optional)
    if not below:
        raise NothingToDoError("there is a header but no row below it", where=cells.name,
                               expected=f"one row {row_of}".strip(), do="Fill in the table.")
    return Table(
        cells.name, tuple(column for column in (*columns, *fixed) if column in known),
        tuple(unknown),
        tuple(_row(number, row, columns, cells, fixed) for number, row in below),
    )


def _check_header(
    found: Sequence[tuple[list[str], str]], *, where: str, do: str, needed: str,
    optional: Sequence[str],
) -> None:
    """Raise InputError of the first kind of wrong columns that there are any of."""
    for wrong, what in found:
        if wrong:
            many = f"columns {', '.join(wrong)} are" if wrong[1:] else f"column {wrong[0]} is"
            raise InputError(f"{many} {what}", where=where, do=do, code="bad_header",
                             expected=f"a header {needed}{' and perhaps ' if optional else ''}"
                             f"{','.join(optional)}")


def _row(
    number: int, row: list[str], columns: list[str], cells: Cells, fixed: Mapping[str, str]
) -> Row:
    where, trouble = f"{cells.name}, row {number}", None
    if any(row[len(columns):]):
        trouble = InputError(
            f"it has {len(row)} cells", where=where, code="bad_row",
            expected=f"{len(columns)}, as in the header",
            do="Correct the row; a number with a decimal comma stands in quotes where commas part "
            "the cells." if cells.mark == "," else "Correct the row.",
        )
    padded = row + [""] * (len(columns) - len(row))
    return Row(number, where, {**dict(zip(columns, padded, strict=False)), **fixed}, trouble)


def first_wrong(wrong: Sequence[BudvisionError]) -> BudvisionError:
    """Return the first of several rows' errors, saying which further rows are wrong."""
    error = wrong[0]
    if wrong[1:]:
        rows = ", ".join(other.where.rsplit(" ", maxsplit=1)[-1] for other in wrong[1:11])
        more = " ..." if len(wrong) > 11 else ""
        many = "rows are" if wrong[2:] else "row is"
        return type(error)(
            error.what, expected=error.expected, where=error.where, code=error.code,
            do=f"{error.do} {len(wrong) - 1} further {many} wrong: {rows}{more}.".strip())
    return error
