"""Crop estimates and harvests of many blocks, from a table that a person keeps."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from typing import Any

from budvision.errors import InputError, NothingToDoError
from budvision.vineyard.crop import compare_with_harvest
from budvision.vineyard.units import parse_quantity
from budvision.vocabulary import Interval
from budvision.workflow.after.crop import estimate_answer, growth_factor, parse_measured

__all__ = ["compare_table", "estimate_table"]

YIELD_COLUMNS = ("block", "row", "vine", "clusters", "cluster_weight")


def _table(text: str, name: str, needed: Sequence[str]) -> list[tuple[str, dict[str, str]]]:
    first = next((line for line in text.splitlines() if line.strip()), "")
    mark = max(",;\t", key=first.count)
    rows = [row for row in csv.reader(io.StringIO(text.removeprefix("\ufeff")), delimiter=mark)
            if any(cell.strip() for cell in row)]
    head = [cell.strip().lower() for cell in rows[0]] if rows else []
    missing = [column for column in needed if column not in head]
    if missing:
        raise InputError(f"columns {', '.join(missing)} are missing", where=f"{name}, row 1",
                         expected=f"a header with {','.join(needed)}", do="Add them.")
    if len(rows) < 2:
        raise NothingToDoError("there is a header but no row below it", where=name,
                               expected="one row a block")
    told = []
    for number, row in enumerate(rows[1:], start=2):
        if len(row) > len(head):
            raise InputError(f"it has {len(row)} cells", where=f"{name}, row {number}",
                             expected=f"{len(head)}, as in the header", do="Correct the row.")
        cells = dict(zip(head, [cell.strip() for cell in row], strict=False))
        told.append((f"{name}, row {number}", cells))
    return told


def _in_row(where: str, error: InputError) -> InputError:
    return InputError(error.what, expected=error.expected, do="Correct the row and try again.",
                      where=where, code=error.code)


def estimate_table(text: str, *, name: str, confidence: float = 0.95) -> dict[str, Any]:
    """Return yield estimates of many blocks from a table.

    Parameters
    ----------
    text : str
        CSV with block, row, vine, clusters, cluster_weight (with units; several counts parted by
        spaces) and optionally missing_share, final_share and at_lag (yes or empty).
    name : str
        Named in errors.
    confidence : float
        Nominal coverage in (0, 1).

    Raises
    ------
    InputError
        For the first wrong row, by number.
    NothingToDoError
        When there is no row.
    """
    blocks = []
    for where, cells in _table(text, name, YIELD_COLUMNS):
        try:
            share = cells.get("final_share", "")
            answer = estimate_answer(
                row=parse_quantity(cells.get("row", ""), "length", name="row"),
                vine=parse_quantity(cells.get("vine", ""), "length", name="vine"),
                clusters=parse_measured(cells.get("clusters", ""), name="clusters"),
                cluster_weight=parse_measured(cells.get("cluster_weight", ""),
                                              name="cluster_weight", unit_kind="weight"),
                growth=growth_factor(
                    at_lag=cells.get("at_lag", "").lower() in ("yes", "true", "1"),
                    final_share=_share(share, "final_share") if share else None),
                missing_share=_share(cells.get("missing_share", "") or "0", "missing_share"),
                confidence=confidence,
            )
        except InputError as error:
            raise _in_row(where, error) from error
        blocks.append({"block": cells.get("block", ""), **answer})
    return {"blocks": blocks}


def _share(text: str, name: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError as error:
        raise InputError(f'{name} is "{text}"', expected="a share from 0 to 1") from error


def compare_table(text: str, *, name: str) -> dict[str, Any]:
    """Return predicted against harvested crops from a table.

    Parameters
    ----------
    text : str
        CSV with block, predicted, harvested (any one unit) and optionally low and high.
    name : str
        Named in errors.

    Raises
    ------
    InputError
        For the first wrong row, by number.
    NothingToDoError
        When there is no row.
    """
    rows = _table(text, name, ("block", "predicted", "harvested"))
    numbers: list[Mapping[str, float]] = []
    for where, cells in rows:
        given: dict[str, float] = {}
        for column in ("predicted", "harvested", "low", "high"):
            if cells.get(column, ""):
                try:
                    given[column] = float(cells[column].replace(",", "."))
                except ValueError as error:
                    raise InputError(f'{column} is "{cells[column]}"', expected="a number",
                                     where=where, do="Correct the row.") from error
        lacking = [column for column in ("predicted", "harvested") if not given.get(column, 0) > 0]
        if lacking:
            raise InputError(f"{lacking[0]} is {cells.get(lacking[0], '') or 'empty'}",
                             expected="more than 0", where=where, do="Correct the row.")
        numbers.append(given)
    with_ends = all("low" in row and "high" in row for row in numbers)
    got = compare_with_harvest(
        [row["predicted"] for row in numbers], [row["harvested"] for row in numbers],
        intervals=[Interval(row["low"], row["high"], 0.95, "given") for row in numbers]
        if with_ends else None,
    )
    return {
        "blocks": [{"block": cells["block"], **row, "error": error}
                   for (_, cells), row, error in zip(rows, numbers, got.errors, strict=True)],
        "mean_error": got.mean_error, "mean_absolute_error": got.mean_absolute_error,
        "n_within": got.within,
    }
