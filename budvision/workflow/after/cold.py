"""A station's record around a cold night: minimum, hours below, and published background."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from budvision.vineyard.cold import cold_event, hours_below, read_cold_record
from budvision.vineyard.hardiness import (
    HARDINESS_CAUTION,
    known_cultivars,
    lethal_temperatures,
)
from budvision.vineyard.units import to_celsius, to_fahrenheit

__all__ = ["cold_answer"]

DEFAULT_THRESHOLDS_C = (-15.0, -18.0, -20.0, -22.0, -24.0, -26.0)


def cold_answer(
    path: Path,
    *,
    unit: str,
    zone: str,
    thresholds: Sequence[float] = (),
    start: dt.datetime | None = None,
    end: dt.datetime | None = None,
    time_column: str = "",
    temperature_column: str = "",
    cultivar: str = "",
) -> dict[str, Any]:
    """Return the minimum and hours below thresholds of a station's record.

    Parameters
    ----------
    path : Path
        A table of times and temperatures.
    unit : {"C", "F"}
        Of the file and of the thresholds; never guessed.
    zone : str
        Time zone that the station writes.
    thresholds : sequence of float
        In the file's unit; six from -15 to -26 C when left out.
    start, end : datetime, optional
        Stretch of the record, in its zone.
    time_column, temperature_column : str
        Names, where they cannot be told.
    cultivar : str
        For published background values.

    Raises
    ------
    NotFoundError
        When there is no such file.
    InputError, NothingToDoError
        As in `budvision.vineyard.cold.read_cold_record`.
    """
    record = read_cold_record(path, unit=unit, zone=zone, time_column=time_column,
                              temperature_column=temperature_column)
    below_c = [to_celsius(value) if record.unit == "F" else float(value)
               for value in thresholds] or list(DEFAULT_THRESHOLDS_C)
    event = cold_event(record, start=start, end=end)
    hours = hours_below(record, below_c, start=start, end=end)
    return {
        "file": path.name, "unit": record.unit, "zone": record.zone,
        "n_readings": event.n_readings, "n_skipped": record.n_skipped, "gap_h": event.gap_h,
        "minimum_c": event.minimum_c, "minimum_f": to_fahrenheit(event.minimum_c),
        "at": event.at.isoformat(),
        "hours_below": [{"c": value, "f": to_fahrenheit(value), "hours": hours[value]}
                        for value in below_c],
        "background": [
            {"cultivar": row.cultivar, "lt10_c": row.lt10_c, "lt50_c": row.lt50_c,
             "lt90_c": row.lt90_c, "when": row.when, "source": row.source}
            for row in lethal_temperatures(cultivar)
        ],
        "known_cultivars": list(known_cultivars()),
        "caution": HARDINESS_CAUTION,
    }
