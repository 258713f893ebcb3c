"""A weather station's temperatures: event minimum and hours below thresholds.

Temperatures and their time zone are never guessed: the unit and the zone are stated by the caller.
Between two readings the temperature is taken to run straight; longer gaps count as no record.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
from numpy.typing import NDArray

from budvision.errors import InputError, NothingToDoError
from budvision.tables import day_order, decimal, read_cells, read_day
from budvision.vineyard.units import to_celsius

__all__ = [
    "ColdEvent", "ColdRecord", "cold_event", "hours_below", "hours_words", "read_cold_record",
    "time_zone",
]

MOST_GAP_H = 3.0
"""Readings further apart than this are a gap, hours."""

COLDEST_C, WARMEST_C = -60.0, 60.0
_FORMATS = ("", "%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M", "%Y-%m-%d %I:%M:%S %p", "%Y-%m-%d %I:%M %p")
"""Forms of a time once its day is in ISO form; the first is ISO itself."""


@dataclass(frozen=True, slots=True)
class ColdRecord:
    """Temperatures over time.

    Attributes
    ----------
    times : ndarray of datetime64[s], shape (n,)
        UTC, rising.
    temp_c : ndarray of float64, shape (n,)
    zone : str
        The time zone stated for the file.
    unit : {"C", "F"}
        The unit stated for the file.
    n_skipped : int
        Rows without a temperature.
    """

    times: NDArray[np.datetime64]
    temp_c: NDArray[np.float64]
    zone: str
    unit: str
    n_skipped: int


@dataclass(frozen=True, slots=True)
class ColdEvent:
    """The coldest of a stretch of time.

    Attributes
    ----------
    minimum_c : float
    at : datetime
        When, in the record's zone.
    n_readings : int
    gap_h : float
        Hours without record (readings further apart than three hours).
    """

    minimum_c: float
    at: dt.datetime
    n_readings: int
    gap_h: float


def time_zone(name: str) -> dt.tzinfo:
    """Return the time zone of a name such as ``America/Vancouver``, ``UTC`` or ``-08:00``.

    Parameters
    ----------
    name : str
        An IANA name, UTC, or an offset.

    Raises
    ------
    InputError
        When the name is empty or unknown.
    """
    match = re.fullmatch(r"(?:UTC)?([+-])(\d{1,2})(?::?(\d{2}))?", name.strip())
    if match:
        ahead = dt.timedelta(hours=int(match[2]), minutes=int(match[3] or 0))
        if ahead < dt.timedelta(hours=15):
            return dt.timezone(ahead if match[1] == "+" else -ahead)
    if name.strip().upper() in ("UTC", "Z"):
        return dt.UTC
    try:
        return ZoneInfo(name.strip())
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise InputError(
            f'the time zone is "{name}"',
            expected="a name such as America/Vancouver, UTC or -08:00",
            do="State the zone that the station writes; the tzdata package holds the names.",
            code="time_zone",
        ) from error


def _rows(source: Path | bytes | str, name: str) -> tuple[str, list[tuple[str, list[str]]]]:
    """Return the table's name, and place and cells of each row; no row is wider than the first."""
    cells = read_cells(source, name=name, marks="\t;|,", comment="#")
    head = cells.rows[0][1]
    if len(head) < 2:
        raise InputError(
            f'row 1 is "{head[0][:60]}", one column', where=cells.name, code="delimiter",
            expected="columns parted by commas, semicolons, tabs or bars",
            do="Export the record as CSV with a time and a temperature column.",
        )
    rows = []
    for number, row in cells.rows:
        where = f"{cells.name}, row {number}"
        if any(row[len(head):]):
            raise InputError(
                f"it has {len(row)} cells", where=where, code="bad_row",
                expected=f"{len(head)}, as in the header",
                do="Where commas part the cells, put numbers with a decimal comma in quotes, or "
                "export the record with semicolons.",
            )
        rows.append((where, row))
    return cells.name, rows


def _column(head: Sequence[str], wanted: str, words: Sequence[str], name: str, what: str) -> int:
    lower = [cell.lower() for cell in head]
    if wanted:
        if wanted.lower() not in lower:
            raise InputError(f'there is no column "{wanted}"', where=f"{name}, row 1",
                             expected=f"one of {', '.join(head)}", do="Name the column as it is.")
        return lower.index(wanted.lower())
    found = [column for column, cell in enumerate(lower) if any(word in cell for word in words)]
    if len(found) != 1:
        columns = "no column" if not found else f"{len(found)} columns"
        raise InputError(f"{columns} could hold the {what}", where=f"{name}, row 1",
                         expected=f"one of {', '.join(head)}", do=f"Name the {what} column.")
    return found[0]


def _time(text: str, where: str, order: str) -> dt.datetime:
    plain = read_day(text, order) or text
    for form in _FORMATS:
        try:
            return dt.datetime.fromisoformat(plain) if not form else dt.datetime.strptime(
                plain, form)
        except ValueError:
            continue
    raise InputError(f'the time is "{text}"', where=where, code="bad_row",
                     expected="year-month-day hour:minute", do="Export times in ISO form.")


def _utc(times: list[dt.datetime], zone: dt.tzinfo) -> list[dt.datetime]:
    """Return times in UTC; a local hour that comes twice is told apart by its order."""
    done: list[dt.datetime] = []
    for time in times:
        if time.tzinfo is None:
            time = time.replace(tzinfo=zone)
            again = time.replace(fold=1)
            if done and again.utcoffset() != time.utcoffset() and time.astimezone(
                dt.UTC
            ) <= done[-1]:
                time = again
        done.append(time.astimezone(dt.UTC))
    return done


def read_cold_record(
    source: Path | bytes | str,
    *,
    unit: str,
    zone: str,
    name: str = "",
    time_column: str = "",
    temperature_column: str = "",
) -> ColdRecord:
    """Read a station's temperatures.

    Parameters
    ----------
    source : Path, bytes or str
        A table with a header, as file, its bytes or text; commas, semicolons, tabs or bars, or a
        workbook; decimal point or comma; lines starting with # are left out.
    unit : {"C", "F"}
        Unit of the temperatures. It is never guessed.
    zone : str
        Time zone of times that do not carry their own.
    name : str
        File name for errors; a path's own when left out.
    time_column, temperature_column : str
        Names of the columns; found by their names when left out.

    Raises
    ------
    InputError
        When the unit or zone is unknown, the file has one column only, a column is not found, a
        time or temperature cannot be read, a temperature is impossible, or two readings of one
        time differ.
    NothingToDoError
        When no row holds a temperature.
    """
    if unit.upper() not in ("C", "F"):
        raise InputError(f'the unit is "{unit}"', expected="C or F", code="unit",
                         do="State the unit that the station writes.")
    where_zone = time_zone(zone)
    name, rows = _rows(source, name)
    head = rows[0][1]
    at_time = _column(head, time_column, ("time", "date"), name, "time")
    at_temp = _column(head, temperature_column, ("temp", "°c", "°f"), name, "temperature")
    times: list[dt.datetime] = []
    values: list[float] = []
    skipped = 0
    days = day_order(row[at_time] for _, row in rows if len(row) > at_time)
    for where, row in rows[1:]:
        if len(row) <= max(at_time, at_temp):
            raise InputError(f"it has {len(row)} cells", where=where, code="bad_row",
                             expected=f"at least {max(at_time, at_temp) + 1}",
                             do="Check the separator and the row.")
        if row[at_temp].lower() in ("", "na", "nan", "-", "--", "null"):
            skipped += 1
            continue
        value = decimal(row[at_temp])
        if value is None:
            raise InputError(f'the temperature is "{row[at_temp]}"', where=where, code="bad_row",
                             expected="a number", do="Correct the row.")
        celsius = value if unit.upper() == "C" else to_celsius(value)
        if not COLDEST_C <= celsius <= WARMEST_C:
            raise InputError(
                f"the temperature is {value:g} {unit.upper()}", where=where, code="bad_row",
                expected=f"{COLDEST_C:g} to {WARMEST_C:g} C", do="Check the unit stated.",
            )
        times.append(_time(row[at_time], where, days))
        values.append(celsius)
    if not values:
        raise NothingToDoError("no row holds a temperature", where=name, expected="readings")
    utc = _utc(times, where_zone)
    stamps = np.array([time.replace(tzinfo=None) for time in utc], dtype="datetime64[s]")
    order = np.argsort(stamps, kind="stable")
    stamps, temps = stamps[order], np.array(values)[order]
    same = np.flatnonzero(np.diff(stamps) == np.timedelta64(0, "s"))
    if np.any(temps[same] != temps[same + 1]):
        twin = same[temps[same] != temps[same + 1]][0]
        raise InputError(f"two readings of {stamps[twin]} UTC differ", where=name, code="duplicate",
                         expected="one reading for each time", do="Remove the wrong one.")
    keep = np.append(True, np.diff(stamps) > np.timedelta64(0, "s"))
    return ColdRecord(stamps[keep], temps[keep], zone, unit.upper(), skipped)


def _stretch(
    record: ColdRecord, start: dt.datetime | None, end: dt.datetime | None
) -> NDArray[np.bool_]:
    zone = time_zone(record.zone)

    def stamp(time: dt.datetime) -> np.datetime64:
        local = time if time.tzinfo else time.replace(tzinfo=zone)
        return np.datetime64(local.astimezone(dt.UTC).replace(tzinfo=None), "s")

    keep = np.ones(len(record.times), dtype=bool)
    if start is not None:
        keep &= record.times >= stamp(start)
    if end is not None:
        keep &= record.times <= stamp(end)
    if not keep.any():
        raise NothingToDoError("the record holds nothing between the two times",
                               expected="a stretch that the record covers")
    return keep


def cold_event(
    record: ColdRecord, *, start: dt.datetime | None = None, end: dt.datetime | None = None
) -> ColdEvent:
    """Return the coldest reading of a stretch of time.

    Parameters
    ----------
    start, end : datetime, optional
        Both ends included; without a zone of their own they are in the record's.

    Raises
    ------
    NothingToDoError
        When the record holds nothing there.
    """
    keep = _stretch(record, start, end)
    times, temps = record.times[keep], record.temp_c[keep]
    hours = np.diff(times) / np.timedelta64(1, "h")
    low = int(temps.argmin())
    when = times[low].astype(dt.datetime).replace(tzinfo=dt.UTC).astimezone(time_zone(record.zone))
    return ColdEvent(float(temps[low]), when, len(temps), float(hours[hours > MOST_GAP_H].sum()))


def hours_below(
    record: ColdRecord,
    thresholds_c: Sequence[float],
    *,
    start: dt.datetime | None = None,
    end: dt.datetime | None = None,
) -> dict[float, float | None]:
    """Return the hours below each threshold, running straight between readings.

    Parameters
    ----------
    thresholds_c : sequence of float
        Degrees Celsius.
    start, end : datetime, optional
        As in `cold_event`.

    Returns
    -------
    dict of float to float or None
        Hours by threshold; gaps count as nothing. None where it cannot be told: where all
        readings are gaps apart, or some lie below the threshold with gaps on all sides of them.

    Raises
    ------
    InputError
        When a threshold is not a number.
    NothingToDoError
        When the record holds nothing there.
    """
    keep = _stretch(record, start, end)
    temps = record.temp_c[keep]
    hours = np.diff(record.times[keep]) / np.timedelta64(1, "h")
    sparse = not (hours <= MOST_GAP_H).any()
    hours = np.where(hours > MOST_GAP_H, 0.0, hours)
    before, after = temps[:-1], temps[1:]
    below: dict[float, float | None] = {}
    for threshold in thresholds_c:
        if not math.isfinite(threshold):
            raise InputError(f"a threshold is {threshold!r}", expected="degrees Celsius")
        lowest, highest = np.minimum(before, after), np.maximum(before, after)
        span = np.where(highest > lowest, highest - lowest, 1.0)
        with np.errstate(over="ignore"):
            part = np.clip((threshold - lowest) / span, 0, 1)
        part = np.where(highest > lowest, part, (lowest < threshold).astype(float))
        known = float((part * hours).sum())
        unmeasured = known == 0 and bool((temps < threshold).any())
        below[float(threshold)] = None if sparse or unmeasured else known
    return below


def hours_words(hours: float | None) -> str:
    """Return hours as words, or that they cannot be told.

    Parameters
    ----------
    hours : float or None
        As `hours_below` gives them.
    """
    return "hours that cannot be told" if hours is None else f"{hours:.1f} h"
