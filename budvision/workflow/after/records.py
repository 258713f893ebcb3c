"""Entry of the season after: counts, weights and harvest, by page, command and CSV."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from sqlalchemy import Connection

from budvision.errors import BudvisionError, InputError
from budvision.store.queries.blocks import get_block
from budvision.store.queries.crop import CropRecord, add_crop_record, crop_records
from budvision.store.session import Season
from budvision.tables import day_order, decimal, read_day, read_table
from budvision.vineyard.crop import Measured, measured
from budvision.vineyard.units import ACRE_HA, FOOT_M, POUND_KG, SHORT_TON_KG

__all__ = ["CSV_COLUMNS", "KINDS", "Kind", "add_record", "import_records", "newest", "of_record",
           "records"]

CSV_COLUMNS = ("block", "kind", "values", "unit", "measured_on", "counted", "note")
_NEEDED = CSV_COLUMNS[:-2]
_MOST_COUNTED = 1_000_000
_TON_ACRE = SHORT_TON_KG / 1000 / ACRE_HA
_WEIGHTS = {"g": 1.0, "kg": 1000.0, "lb": 1000 * POUND_KG, "oz": 1000 * POUND_KG / 16}


@dataclass(frozen=True, slots=True)
class Kind:
    """One thing to measure.

    Attributes
    ----------
    words : str
        What it is, for people.
    units : mapping of str to float
        Units taken, each with its factor to the first, which is the unit kept.
    hint : str
        How to measure it.
    most : float
        Largest value that is not a slip, in the unit kept.
    """

    name: str
    words: str
    units: Mapping[str, float]
    hint: str
    most: float


KINDS: Mapping[str, Kind] = MappingProxyType({kind.name: kind for kind in (
    Kind("retained_nodes", "nodes left at pruning, a vine", {"per vine": 1.0},
         "Count a few vines after pruning.", 1000),
    Kind("shoots_per_m", "shoots along the canopy",
         {"per m": 1.0, "per ft": 1 / FOOT_M}, "Count along a metre or a foot at thinning.", 200),
    Kind("clusters_per_shoot", "clusters a shoot", {"per shoot": 1.0},
         "Count whole shoots, fruitless ones too.", 10),
    Kind("clusters_per_vine", "clusters a vine", {"per vine": 1.0},
         "Count whole vines, picked without looking at the crop.", 2000),
    Kind("cluster_weight_lag", "weight of a cluster at lag phase", _WEIGHTS,
         "Weigh clusters of several vines 50 to 60 days after bloom.", 5000),
    Kind("cluster_weight_harvest", "weight of a cluster at harvest", _WEIGHTS,
         "Weigh clusters of several vines, this year's or the usual weight.", 5000),
    Kind("growth_factor", "harvest over lag-phase cluster weight", {"times": 1.0},
         "From your own records, or 1 over the share of final weight; 2 is taken without it.", 20),
    Kind("vines", "bearing vines on the area",
         {"per ha": 1.0, "per acre": 1 / ACRE_HA}, "Missing vines taken off.", 40_000),
    Kind("prunings", "weight of cane prunings, a vine",
         {"kg": 1.0, "g": 0.001, "lb": POUND_KG, "oz": POUND_KG / 16},
         "Weigh one-year wood of a few vines.", 30),
    Kind("target", "wanted yield", {"t/ha": 1.0, "tons/acre": _TON_ACRE}, "", 200),
    Kind("harvest", "harvested yield", {"t/ha": 1.0, "tons/acre": _TON_ACRE},
         "As weighed at the winery or packing house.", 200),
)})
"""What can be recorded, by name."""

WHOLE = frozenset({"growth_factor", "vines", "target", "harvest"})
"""Kinds whose single number is the whole, and no count or weighing of some of many."""


def records(season: Season, block: str | None = None) -> list[CropRecord]:
    """Return what was recorded of a block, or of every block, oldest first.

    Raises
    ------
    NotFoundError
        When there is no such block.
    """
    with season.read() as conn:
        return crop_records(conn, get_block(conn, block).id if block is not None else None)


def newest(rows: Sequence[CropRecord]) -> dict[str, CropRecord]:
    """Return the record of each kind that counts: the last measured, then the last entered."""
    return {row.kind: row for row in sorted(rows, key=lambda row: (row.measured_on, row.id))}


def of_record(row: CropRecord) -> Measured:
    """Return a record with its error, and the counts that its range goes by.

    Notes
    -----
    A record that was kept before counts were asked for goes by the fewest there can have been: two
    where it has an error, else one. A mean without an error goes as one count does.
    """
    if row.kind in WHOLE and row.spread is None:
        return Measured(row.value)
    if row.spread is None:
        return Measured(row.value, n=1)
    return Measured(row.value, row.spread, n=2 if row.n_counted is None else row.n_counted)


def _numbers(text: str, where: str) -> list[float]:
    parts = [part for part in re.split(r"[;\s]+|,\s+|,(?=\D|$)", text.strip()) if part]
    if not parts:
        raise InputError("there is no value", where=where, expected="one number a vine or sample",
                         do="Write for instance 32 41 38.")
    values = []
    for part in parts:
        value = decimal(part)
        if value is None:
            raise InputError(f"a value is {part!r}", where=where, expected="numbers",
                             do="Write for instance 32 41 38.")
        values.append(value)
    return values


def _day(text: str, where: str, order: str) -> str:
    day = read_day(text, order)
    if day is None or len(day) != len("2026-06-12"):
        raise InputError(f"the day is {text!r}", where=where, expected="year-month-day",
                         do="Write for instance 2026-06-12.")
    return day


def _mean(values: str, counted: str, name: str, where: str) -> tuple[float, float | None, int]:
    """Return the mean of what was typed, its standard error where known, and the counts behind."""
    listed, error, given = values.replace("±", "+-").partition("+-")
    numbers = _numbers(listed, where)
    mean, n = measured(numbers, name=f"{name}, values"), len(numbers)
    if counted.strip():
        told = decimal(counted.strip())
        if told is None or not 1 <= told <= _MOST_COUNTED or told % 1:
            raise InputError(f"counted is {counted!r}", where=where,
                             expected=f"a whole number from 1 to {_MOST_COUNTED}",
                             do="Say how many vines or samples the mean is of.")
        if n > 1 and told != n:
            raise InputError(f"counted is {counted.strip()}, and the values are {n}", where=where,
                             expected="one value for each, or the mean alone",
                             do="Correct one of them, or leave counted empty.")
        n = int(told)
    if not error:
        return mean.value, mean.se if len(numbers) > 1 else None, n
    told_error = _numbers(given, where)
    if len(numbers) > 1 or len(told_error) > 1 or n < 2 or told_error[0] < 0:
        raise InputError(f"the values are {values.strip()!r}", where=where,
                         expected="one mean with its standard error, and how many were counted",
                         do="Write for instance 37 +- 2, and counted 12.")
    return mean.value, told_error[0], n


def _checked(
    cells: Mapping[str, str], where: str, order: str = ""
) -> tuple[Kind, float, float | None, int, str]:
    kind, unit, day = cells["kind"], cells["unit"], cells["measured_on"]
    known = KINDS.get(kind.strip())
    if known is None:
        raise InputError(f"kind is {kind!r}", where=where, expected=f"one of {', '.join(KINDS)}",
                         do="Choose a kind from the list.")
    unit = unit.strip() or (next(iter(known.units)) if len(known.units) == 1 else "")
    if unit not in known.units:
        raise InputError(f"the unit of {known.name} is {unit!r}", where=where,
                         expected=" or ".join(known.units), do="State the unit.")
    factor = known.units[unit]
    mean, error, n = _mean(cells["values"], cells.get("counted", ""), known.name, where)
    if mean * factor > known.most:
        raise InputError(
            f"{known.name} is {mean:g} {unit}", where=where,
            expected=f"at most {known.most / factor:g} {unit}", do="Check the number and the unit.",
        )
    return (known, mean * factor, None if error is None else error * factor, n,
            _day(day, where, order))


def add_record(
    season: Season, block: str, kind: str, values: str, *, unit: str, measured_on: str,
    person_id: int | None, counted: str = "", note: str = "", where: str = "record",
) -> int:
    """Keep one measurement of a block.

    Parameters
    ----------
    block : str
        Name of the block.
    kind : str
        A name of `KINDS`.
    values : str
        One number a vine or sample; several give the mean and its standard error. Or the mean
        alone, or with its error as ``37 +- 2``.
    unit : str
        One of the kind's units; may be empty where there is only one.
    measured_on : str
        Day, year-month-day.
    person_id : int or None
        Who measured.
    counted : str
        Of how many vines or samples a single value is the mean; empty for as many as values.
    note : str
        Anything to add.
    where : str
        Named in errors.

    Returns
    -------
    int
        Id of the record. A correction is a new record of the same day; nothing is overwritten.

    Raises
    ------
    InputError
        When the kind, a number, the unit, the day or the number counted cannot be used.
    NotFoundError
        When there is no such block.
    """
    cells = {"block": block, "kind": kind, "values": values, "unit": unit,
             "measured_on": measured_on, "counted": counted, "note": note}
    with season.write() as conn:
        return _keep(conn, cells, where, person_id)


def import_records(
    season: Season, source: Path | bytes | str, *, person_id: int | None, name: str = ""
) -> int:
    """Keep every line of a table, or none.

    Parameters
    ----------
    source : Path, bytes or str
        Table with the columns of `CSV_COLUMNS`; `counted` and `note` may be left out.
    person_id : int or None
        Who measured.
    name : str
        File name for errors; a path's own when left out.

    Returns
    -------
    int
        Records kept.

    Raises
    ------
    InputError
        When a column is missing or a line cannot be used; nothing was imported then.
    NothingToDoError
        When there is no line.
    """
    table = read_table(source, name=name, needed=_NEEDED, optional=CSV_COLUMNS[-2:],
                       row_of="a measurement", do="Correct the header; nothing was imported.")
    order = day_order(row.cells["measured_on"] for row in table.rows)
    with season.write() as conn:
        for row in table.rows:
            try:
                if row.trouble is not None:
                    raise row.trouble
                _keep(conn, row.cells, row.where, person_id, order)
            except BudvisionError as error:
                raise type(error)(
                    error.what, expected=error.expected, code=error.code, where=row.where,
                    do=f"{error.do} Nothing was imported.".strip()) from error
    return len(table.rows)


def _keep(
    conn: Connection, cells: Mapping[str, str], where: str, person_id: int | None, order: str = ""
) -> int:
    known, value, error, n, day = _checked(cells, where, order)
    return add_crop_record(
        conn, get_block(conn, cells["block"]).id, kind=known.name, value=value, spread=error,
        n_counted=n, unit=next(iter(known.units)), measured_on=day, person_id=person_id,
        note=cells.get("note", "").strip()[:500],
    )
