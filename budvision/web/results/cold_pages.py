"""The cold record: a station's chart over the sampling dates, as background."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from budvision.errors import InputError
from budvision.language import say_n
from budvision.report.canvas import Drawing
from budvision.store.queries.weather import Station
from budvision.vineyard.cold import hours_words, time_zone
from budvision.vineyard.hardiness import HARDINESS_CAUTION, LethalTemperature
from budvision.vineyard.units import to_celsius, to_fahrenheit
from budvision.web.asked import decimal
from budvision.web.current import current_season
from budvision.web.people import need_person
from budvision.web.results.door import blueprint, units_shown
from budvision.workflow.after.station import (
    DEFAULT_THRESHOLDS_C,
    import_cold,
    station_answer,
    stations,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LethalRow:
    """Published lethal temperatures of a cultivar, in words."""

    cultivar: str
    lt10: str
    lt50: str
    lt90: str
    when: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ColdPage:
    """What the cold page shows."""

    stations: tuple[Station, ...]
    station: str
    zone: str
    start: str
    end: str
    thresholds: str
    units: str
    coldest: str
    at: str
    gap_h: str
    hours: tuple[tuple[str, str], ...]
    drawing: Drawing | None
    lethal: tuple[LethalRow, ...]
    caution: str


@blueprint.get("/cold")
def cold() -> ResponseReturnValue:
    """Show a station's record, or ask for one."""
    season, units = current_season(), units_shown()
    known = tuple(stations(season))
    args = request.args
    station = args.get("station") or (known[0].name if known else "")
    zone, start, end = args.get("zone") or "UTC", args.get("start", ""), args.get("end", "")
    asked = args.get("below", "").strip()
    limits = _thresholds(asked, units) if asked else DEFAULT_THRESHOLDS_C
    shown = asked or " ".join(f"{_degrees(t, units):.0f}" for t in limits)
    if not station:
        return render_template("results/cold.html", page=ColdPage(
            stations=known, station="", zone=zone, start=start, end=end, thresholds=shown,
            units=units, coldest="", at="", gap_h="", hours=(), drawing=None, lethal=(),
            caution=HARDINESS_CAUTION))
    answer = station_answer(
        season, station, zone=zone, start=_moment(start, zone, "from"),
        end=_moment(end, zone, "to", late=True), thresholds_c=limits, units=units,
    )
    return render_template("results/cold.html", page=ColdPage(
        stations=known, station=station, zone=zone, start=start, end=end, thresholds=shown,
        units=units,
        coldest=_words(answer.event.minimum_c, units),
        at=f"{answer.event.at:%Y-%m-%d %H:%M} ({zone})",
        gap_h=f"{answer.event.gap_h:.1f}" if answer.event.gap_h else "",
        hours=tuple((_words(t, units), hours_words(h)) for t, h in answer.hours.items()),
        drawing=answer.drawing, lethal=tuple(_lethal(row, units) for row in answer.lethal),
        caution=HARDINESS_CAUTION,
    ))


@blueprint.post("/cold")
def cold_import() -> ResponseReturnValue:
    """Keep the temperatures of a file."""
    need_person()
    file, form = request.files.get("file"), request.form
    if file is None or not file.filename:
        raise InputError("no file was chosen", where="the form", expected="a CSV file",
                         do="Choose the file, then import it.")
    imported = import_cold(
        current_season(), file.read(),
        station=form.get("station", ""), unit=form.get("unit", ""), zone=form.get("zone", ""),
        name=file.filename, time_column=form.get("time_column", ""),
        temperature_column=form.get("temperature_column", ""),
    )
    flash(say_n(
        "{n} reading of {station} was kept; there already: {known}; without a temperature: "
        "{skipped}.", "{n} readings of {station} were kept; there already: {known}; without a "
        "temperature: {skipped}.", imported.n_new, station=imported.station,
        known=imported.n_known, skipped=imported.n_skipped))
    return redirect(url_for("results.cold", station=imported.station, zone=form.get("zone", "")))


def _degrees(celsius: float, units: str) -> float:
    return to_fahrenheit(celsius) if units == "us" else celsius


def _words(celsius: float, units: str) -> str:
    return f"{_degrees(celsius, units):.1f} {'°F' if units == 'us' else '°C'}"


def _thresholds(text: str, units: str) -> tuple[float, ...]:
    values = tuple(decimal(part, "a threshold", where="the page's address",
                           expected="temperatures parted by spaces, for instance -15 -20")
                   for part in text.replace(";", " ").split())
    if len(values) > 8:
        raise InputError(f"there are {len(values)} thresholds", expected="at most 8",
                         where="the page's address", do="Leave some out.")
    return tuple(to_celsius(v) if units == "us" else v for v in values)


def _moment(text: str, zone: str, name: str, *, late: bool = False) -> dt.datetime | None:
    if not text:
        return None
    try:
        day = dt.date.fromisoformat(text)
    except ValueError as error:
        raise InputError(f"{name} is {text!r}", where="the page's address",
                         expected="year-month-day", do="Write for instance 2026-01-12.") from error
    clock = dt.time(23, 59, 59) if late else dt.time()
    return dt.datetime.combine(day, clock, tzinfo=time_zone(zone))


def _lethal(row: LethalTemperature, units: str) -> LethalRow:
    lt10, lt50, lt90 = ("" if value is None else _words(value, units)
                        for value in (row.lt10_c, row.lt50_c, row.lt90_c))
    return LethalRow(cultivar=row.cultivar, lt10=lt10, lt50=lt50, lt90=lt90, when=row.when,
                     source=row.source)
