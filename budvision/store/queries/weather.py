"""A station's temperatures: kept once, never overwritten."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from sqlalchemy import Connection, func, insert, select

from budvision.errors import ConflictError, NotFoundError
from budvision.store.tables import temperature

__all__ = ["Station", "add_temperatures", "list_stations", "temperatures"]

_FORM = "%Y-%m-%dT%H:%M:%SZ"
_CHUNK = 5000


@dataclass(frozen=True, slots=True)
class Station:
    """A station with what is kept of it; times are UTC, ISO 8601."""

    name: str
    n_readings: int
    first: str
    last: str


def add_temperatures(
    conn: Connection, station: str, times: npt.NDArray[np.datetime64],
    celsius: npt.NDArray[np.float64],
) -> int:
    """Keep readings of a station; those kept already are passed over.

    Parameters
    ----------
    station : str
        Name of the station.
    times : ndarray of datetime64[s], shape (n,)
        UTC, each once.
    celsius : ndarray of float64, shape (n,)

    Returns
    -------
    int
        Readings that are new.

    Raises
    ------
    ConflictError
        When another temperature is kept for one of the times.
    """
    texts = [stamp.astype(dt.datetime).strftime(_FORM) for stamp in times]
    held: dict[str, float] = {}
    if texts:
        rows = conn.execute(
            select(temperature.c.measured_at, temperature.c.celsius).where(
                temperature.c.station == station, temperature.c.measured_at >= min(texts),
                temperature.c.measured_at <= max(texts))
        )
        held = {row.measured_at: row.celsius for row in rows}
    new: list[dict[str, object]] = []
    for text, value in zip(texts, celsius.tolist(), strict=True):
        if text not in held:
            new.append({"station": station, "measured_at": text, "celsius": value})
        elif abs(held[text] - value) > 0.005:
            raise ConflictError(
                f"{text} has {held[text]:.2f} C already, the file says {value:.2f} C",
                where=f"station {station}", expected="the same reading, or a time not kept yet",
                do="Check unit, time zone and station; nothing was imported.",
            )
    for start in range(0, len(new), _CHUNK):
        conn.execute(insert(temperature), new[start:start + _CHUNK])
    return len(new)


def list_stations(conn: Connection) -> list[Station]:
    """Return the stations by name, with what is kept of each."""
    rows = conn.execute(
        select(temperature.c.station, func.count(), func.min(temperature.c.measured_at),
               func.max(temperature.c.measured_at))
        .group_by(temperature.c.station).order_by(temperature.c.station)
    )
    return [Station(*row) for row in rows]


def temperatures(
    conn: Connection, station: str
) -> tuple[npt.NDArray[np.datetime64], npt.NDArray[np.float64]]:
    """Return times (UTC) and degrees Celsius of a station, in order of time.

    Raises
    ------
    NotFoundError
        When nothing is kept of that station.
    """
    rows: Sequence[tuple[str, float]] = [
        (row.measured_at, row.celsius) for row in conn.execute(
            select(temperature.c.measured_at, temperature.c.celsius)
            .where(temperature.c.station == station).order_by(temperature.c.measured_at))
    ]
    if not rows:
        names = [one.name for one in list_stations(conn)]
        raise NotFoundError(
            f"there is no record of a station {station!r}", where="cold record",
            expected=f"one of {', '.join(names)}" if names else "a station that was imported",
            do="Import its temperatures first.",
        )
    times = np.array([text.removesuffix("Z") for text, _ in rows], dtype="datetime64[s]")
    return times, np.array([value for _, value in rows], dtype=np.float64)
