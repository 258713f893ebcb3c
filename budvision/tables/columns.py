"""Which column of a table is what, where its header has names of its own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from budvision.errors import InputError
from budvision.tables.words import word

__all__ = ["FIXED", "apply_choice", "guess_columns"]

FIXED: Final = "="
"""Begins a choice that is no column: the value that every row gets."""

_ALSO: Final[Mapping[str, tuple[str, ...]]] = {
    "file": ("filename", "file_name", "photo", "photograph", "picture", "image", "fichier",
             "photographie", "datei", "dateiname", "bild", "foto", "archivo", "fichero", "imagen"),
    "block": ("field", "vineyard", "parcel", "parcelle", "anlage", "parzelle", "schlag", "parcela"),
    "cane": ("cane_no", "cane_id", "sarment", "rute", "sarmiento", "vara"),
    "node": ("node_no", "position", "bud", "noeud", "nœud", "knoten", "knospe", "nudo", "yema"),
    "cut": ("slice", "coupe", "schnitt", "corte"),
    "vine": ("plant", "cep", "stock", "rebe", "cepa"),
    "vigor": ("vigour", "size", "vigueur", "wuchs", "vigor_de_la_cepa"),
    "zone": ("area", "zona"),
    "cultivar": ("variety", "grape", "cépage", "cepage", "sorte", "variedad"),
    "normal_nodes": ("nodes", "yeux", "augen", "nudos"),
    "training_system": ("training", "conduite", "erziehung", "conducción"),
    "row_spacing_m": ("row_spacing", "rows_m"), "vine_spacing_m": ("vine_spacing", "vines_m"),
}


def guess_columns(header: Sequence[str], wanted: Sequence[str]) -> dict[str, str]:
    """Offer a cell of a header for each wanted column, for a person to look over.

    Parameters
    ----------
    header : sequence of str
        The cells of the first row.
    wanted : sequence of str
        Names of columns.

    Returns
    -------
    dict
        The header's cell by column; columns that nothing resembles are left out.

    Examples
    --------
    >>> guess_columns(["Foto", "Parcela", "cane"], ["file", "block", "cane", "node"])
    {'file': 'Foto', 'block': 'Parcela', 'cane': 'cane'}
    """
    cells = {word(cell): cell for cell in reversed(header) if cell}
    found: dict[str, str] = {}
    for column in wanted:
        names = (column, *_ALSO.get(column, ()))
        if cell := next((cells[name] for name in names if name in cells), ""):
            found[column] = cell
    return found


def apply_choice(
    header: Sequence[str], chosen: Mapping[str, str], *, where: str, do: str
) -> tuple[list[str], dict[str, str]]:
    """Return the names of a table's columns as a person chose them, and what every row gets.

    Parameters
    ----------
    header : sequence of str
        The cells of the first row.
    chosen : mapping of str to str
        The header's cell by column, or `FIXED` and a value. Empty: columns have their own names.

    Returns
    -------
    columns : list of str
        One for each cell of the header; empty where nobody chose it.
    fixed : dict
        Values by column.

    Raises
    ------
    InputError
        When a cell is not in the header, or stands for two columns.
    """
    if not chosen:
        return [word(cell) for cell in header], {}
    fixed = {column: cell.removeprefix(FIXED).strip() for column, cell in chosen.items()
             if cell.startswith(FIXED)}
    by_cell: dict[str, str] = {}
    for column, cell in chosen.items():
        if column in fixed or not cell:
            continue
        if cell not in header:
            raise InputError(f"there is no column {cell!r} for {column}", where=where, do=do,
                             expected=f"one of {', '.join(filter(None, header))}")
        if cell in by_cell:
            raise InputError(f"column {cell!r} stands for {by_cell[cell]} and for {column}",
                             where=where, expected="a column of its own for each", do=do)
        by_cell[cell] = column
    columns = [by_cell.pop(cell, "") for cell in header]
    return columns, fixed
