"""Crop estimates and harvests of many blocks, from a table that a person keeps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from budvision.errors import InputError
from budvision.tables import Row, decimal, read_table
from budvision.vineyard.crop import compare_with_harvest
from budvision.vineyard.units import parse_quantity
from budvision.vocabulary import Interval
from budvision.workflow.after.crop import estimate_answer, growth_factor, parse_measured

__all__ = ["compare_table", "estimate_table"]

YIELD_COLUMNS = ("block", "row", "vine", "clusters", "cluster_weight")


def _rows(source: Path | bytes | str, name: str, needed: Sequence[str]) -> list[Row]:
    table = read_table(source, name=name, needed=needed, row_of="a block", do="Add them.",
                       optional=("missing_share", "final_share", "at_lag", "low", "high"))
    for row in table.rows:
        if row.trouble is not None:
            raise row.trouble
    return list(table.rows)


def _in_row(where: str, error: InputError) -> InputError:
    return InputError(error.what, expected=error.expected, do="Correct the row and try again.",
                      where=where, code=error.code)


def estimate_table(source: Path | bytes | str, *, name: str = "") -> dict[str, Any]:
    """Return yield estimates of many blocks from a table.

    Parameters
    ----------
    source : Path, bytes or str
        Table with block, row, vine, clusters, cluster_weight (with units; several counts parted by
        spaces) and optionally missing_share, final_share and at_lag (yes or empty).
    name : str
        Named in errors; a path's own name when left out.

    Raises
    ------
    InputError
        For the first wrong row, by number.
    NothingToDoError
        When there is no row.
    """
    blocks = []
    for line in _rows(source, name, YIELD_COLUMNS):
        where, cells = line.where, line.cells
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
            )
        except InputError as error:
            raise _in_row(where, error) from error
        blocks.append({"block": cells.get("block", ""), **answer})
    return {"blocks": blocks}


def _share(text: str, name: str) -> float:
    value = decimal(text)
    if value is None:
        raise InputError(f'{name} is "{text}"', expected="a share from 0 to 1")
    return value


def compare_table(source: Path | bytes | str, *, name: str = "") -> dict[str, Any]:
    """Return predicted against harvested crops from a table.

    Parameters
    ----------
    source : Path, bytes or str
        Table with block, predicted, harvested (any one unit) and optionally low and high.
    name : str
        Named in errors; a path's own name when left out.

    Raises
    ------
    InputError
        For the first wrong row, by number.
    NothingToDoError
        When there is no row.
    """
    rows = _rows(source, name, ("block", "predicted", "harvested"))
    numbers: list[Mapping[str, float]] = []
    for row in rows:
        where, cells = row.where, row.cells
        given: dict[str, float] = {}
        for column in ("predicted", "harvested", "low", "high"):
            if cells.get(column, ""):
                value = decimal(cells[column])
                if value is None:
                    raise InputError(f'{column} is "{cells[column]}"', expected="a number",
                                     where=where, do="Correct the row.")
                given[column] = value
        lacking = [column for column in ("predicted", "harvested") if not given.get(column, 0) > 0]
        if lacking:
            raise InputError(f"{lacking[0]} is {cells.get(lacking[0], '') or 'empty'}",
                             expected="more than 0", where=where, do="Correct the row.")
        numbers.append(given)
    with_ends = all("low" in one and "high" in one for one in numbers)
    got = compare_with_harvest(
        [one["predicted"] for one in numbers], [one["harvested"] for one in numbers],
        intervals=[Interval(one["low"], one["high"], 0.95, "given") for one in numbers]
        if with_ends else None,
    )
    return {
        "blocks": [{"block": row.cells["block"], **one, "error": error}
                   for row, one, error in zip(rows, numbers, got.errors, strict=True)],
        "mean_error": got.mean_error, "mean_absolute_error": got.mean_absolute_error,
        "n_within": got.within,
    }
