"""The season's cold record: stations' temperatures beside the sampling dates, as background."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path

from budvision.errors import InputError
from budvision.report.canvas import Drawing
from budvision.report.timelines import Lethal, Reading, draw_temperatures
from budvision.store.queries.blocks import list_blocks, list_samplings
from budvision.store.queries.weather import (
    Station,
    add_temperatures,
    list_stations,
    temperatures,
)
from budvision.store.session import Season
from budvision.vineyard.cold import (
    ColdEvent,
    ColdRecord,
    cold_event,
    hours_below,
    read_cold_record,
)
from budvision.vineyard.hardiness import LethalTemperature, lethal_temperatures

__all__ = [
    "DEFAULT_THRESHOLDS_C", "ColdImport", "StationAnswer", "import_cold", "station_answer",
    "stations",
]

DEFAULT_THRESHOLDS_C = (-15.0, -20.0, -25.0)
"""Thresholds shown when none is asked for: round numbers round the published values; our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ColdImport:
    """What became of a file of temperatures."""

    station: str
    n_new: int
    n_known: int
    n_skipped: int
    first: str
    last: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StationAnswer:
    """What a station recorded over a stretch of time.

    Attributes
    ----------
    hours : dict of float to float
        Hours below each threshold (degrees Celsius).
    samplings : tuple of (date, label)
        Sampling dates of the season, one entry a day.
    lethal : tuple of LethalTemperature
        Published values of the season's cultivars; background, never a verdict.
    """

    station: str
    event: ColdEvent
    hours: dict[float, float | None]
    samplings: tuple[tuple[dt.date, str], ...]
    lethal: tuple[LethalTemperature, ...]
    drawing: Drawing


def stations(season: Season) -> list[Station]:
    """Return the stations of which temperatures are kept."""
    with season.read() as conn:
        return list_stations(conn)


def import_cold(
    season: Season, source: Path | bytes | str, *, station: str, unit: str, zone: str,
    name: str = "", time_column: str = "", temperature_column: str = "",
) -> ColdImport:
    """Keep a station's temperatures in the season.

    Parameters
    ----------
    source : Path, bytes or str
        A table as `budvision.vineyard.cold.read_cold_record` takes it.
    station : str
        Name to keep it under.
    unit, zone, name, time_column, temperature_column : str
        As in `read_cold_record`; unit and zone are never guessed.

    Raises
    ------
    InputError
        When the station has no name, or the file cannot be read; nothing is imported then.
    ConflictError
        When another temperature is kept for one of the times; nothing is imported then.
    """
    station = " ".join(station.split())
    if not station or len(station) > 120:
        raise InputError(f"the station's name is {station!r}", where="station",
                         expected="1 to 120 characters", do="Name the station.")
    record = read_cold_record(
        source, unit=unit, zone=zone, name=name, time_column=time_column,
        temperature_column=temperature_column,
    )
    with season.write() as conn:
        n_new = add_temperatures(conn, station, record.times, record.temp_c)
    first, last = (f"{record.times[index]}Z" for index in (0, -1))
    return ColdImport(station=station, n_new=n_new, n_known=len(record.times) - n_new,
                      n_skipped=record.n_skipped, first=first, last=last)


def _utc(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)


def _sampling_days(season: Season) -> tuple[tuple[dt.date, str], ...]:
    days: dict[dt.date, list[str]] = {}
    with season.read() as conn:
        for row in list_samplings(conn):
            if row.collected_at:
                day = dt.date.fromisoformat(row.collected_at[:10])
                days.setdefault(day, []).append(row.label)
    return tuple((day, ", ".join(dict.fromkeys(days[day]))) for day in sorted(days))


def station_answer(
    season: Season, station: str, *, zone: str = "UTC", start: dt.datetime | None = None,
    end: dt.datetime | None = None, thresholds_c: Sequence[float] = DEFAULT_THRESHOLDS_C,
    units: str = "metric",
) -> StationAnswer:
    """Return the coldest moment, hours below thresholds, and a chart over the sampling dates.

    Parameters
    ----------
    zone : str
        Time zone in which the coldest moment is told.
    start, end : datetime, optional
        With their zone, both ends included; the whole record when left out.
    thresholds_c : sequence of float
        Degrees Celsius.
    units : {"metric", "us"}
        Of the chart.

    Raises
    ------
    NotFoundError
        When nothing is kept of that station.
    NothingToDoError
        When nothing is kept between the two times.
    InputError
        When the time zone is unknown.
    """
    with season.read() as conn:
        times, celsius = temperatures(conn, station)
        cultivars = sorted({block.cultivar for block in list_blocks(conn) if block.cultivar})
    record = ColdRecord(times, celsius, zone, "C", 0)
    event = cold_event(record, start=start, end=end)
    hours = hours_below(record, thresholds_c, start=start, end=end)
    readings = [
        Reading(moment, value)
        for moment, value in zip((_utc(str(t)) for t in times), celsius.tolist(), strict=True)
        if (start is None or moment >= start) and (end is None or moment <= end)
    ]
    month = dt.timedelta(days=30)
    first, last = readings[0].at.date() - month, readings[-1].at.date() + month
    samplings = tuple(one for one in _sampling_days(season) if first <= one[0] <= last)
    lethal = tuple(row for name in cultivars for row in lethal_temperatures(name))
    drawing = draw_temperatures(
        readings, title=f"Air temperature at {station}", samplings=samplings,
        thresholds_c=[t for t in thresholds_c if t > event.minimum_c - 10], units=units,
        lethal=_in_turn(lethal),
    )
    return StationAnswer(station=station, event=event, hours=hours, samplings=samplings,
                         lethal=lethal, drawing=drawing)


def _in_turn(rows: Sequence[LethalTemperature]) -> list[Lethal]:
    """Return what is drawn of published values: one of each cultivar, then the next of each."""
    of: dict[str, list[LethalTemperature]] = {}
    for row in rows:
        of.setdefault(row.cultivar, []).append(row)
    turns = [row for turn in zip_longest(*of.values()) for row in turn if row is not None]
    return [
        Lethal(name=f"{row.cultivar}, {' '.join(row.when.split(',')[0].split()[-2:])}",
               lt10_c=row.lt10_c, lt50_c=row.lt50_c, lt90_c=row.lt90_c) for row in turns]
