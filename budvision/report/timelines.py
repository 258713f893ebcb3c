"""Figures over time: shares by sampling date, and a station's temperatures."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from budvision.language import plain_count, say
from budvision.report.canvas import (
    ACCENT,
    INK,
    LINES,
    MARKERS,
    QUIET,
    BandEdges,
    Drawing,
    bands_behind,
    bare,
    clip,
    drawing,
    finish,
    need,
    new_figure,
    percent_axis,
)
from budvision.report.figures import ShareRow

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Lethal", "Reading", "TimedShare", "draw_history", "draw_temperatures"]

_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


@dataclass(frozen=True, slots=True)
class TimedShare:
    """One point of a history: a tissue's share on a day."""

    day: dt.date
    row: ShareRow


@dataclass(frozen=True, slots=True)
class Reading:
    """One temperature of a station.

    Attributes
    ----------
    at : datetime.datetime
        Time in UTC.
    celsius : float
        Air temperature, degrees Celsius.
    """

    at: dt.datetime
    celsius: float


def draw_history(
    series: Sequence[tuple[str, Sequence[TimedShare]]], *, title: str,
    bands: BandEdges | None = None,
) -> Drawing:
    """Draw shares over sampling dates, one marker a series.

    Parameters
    ----------
    series : sequence of (tissue or block name, sequence of TimedShare)
        Points in any order; points with nothing judged are left out of the drawing and named in
        the alternative text.
    title, bands
        As in `budvision.report.figures.draw_intervals`.

    Returns
    -------
    Drawing
        Vertical axis from 0 to 100 %, horizontal axis in days.

    Raises
    ------
    InputError
        When there is no point.
    """
    need([point for _, points in series for point in points], title)
    alt = f"{title}. " + " ".join(
        f"{name}: " + "; ".join(f"{p.day.isoformat()} {p.row.words()}" for p in points) + "."
        for name, points in series)
    with drawing():
        figure = new_figure(165.0, 70.0)
        axes = figure.add_subplot()
        bare(axes, keep=("bottom", "left"))
        axes.set_ylim(0.0, 1.0)
        bands_behind(axes, bands, upright=True, names=False)
        every = [_moment(p.day) for _, points in series for p in points]
        apart = max(max(every) - min(every), 1.0) * 0.012
        days = [day for k, (name, points) in enumerate(series)
                for day in _one_series(axes, k, name, points, shift=apart * k)]
        if len(series) > 1:
            figure.legend(loc="outside upper left", ncols=len(series), frameon=False, fontsize=8)
        _day_axis(axes, days)
        axes.set_ylabel(say("share dead"))
        percent_axis(axes.yaxis)
        return finish(figure, title, alt)


def _one_series(
    axes: Axes, k: int, name: str, points: Sequence[TimedShare], *, shift: float
) -> list[dt.date]:
    """Draw the k-th series, moved by `shift` days; return the days that it has points on."""
    judged = sorted((p for p in points if p.row.share is not None), key=lambda p: p.day)
    shares = [p.row.share or 0.0 for p in judged]
    down = [share - (p.row.low or 0.0) for share, p in zip(shares, judged, strict=True)]
    up = [(p.row.high or 0.0) - share for share, p in zip(shares, judged, strict=True)]
    axes.errorbar(
        [_moment(p.day) + shift for p in judged], shares, yerr=[down, up],
        marker=MARKERS.get(name, list(MARKERS.values())[k % 3]), capsize=3,
        linestyle=LINES.get(name, "-"), color=ACCENT if k == 0 else QUIET,
        markerfacecolor=ACCENT if k == 0 else "#ffffff", linewidth=1.1, label=name,
    )
    return [p.day for p in judged]


def _moment(when: dt.date | dt.datetime) -> float:
    """Return a day or UTC time as matplotlib counts it: days since 1970."""
    if not isinstance(when, dt.datetime):
        return float(when.toordinal() - _EPOCH.toordinal())
    return (when - _EPOCH) / dt.timedelta(days=1)


def _day_axis(axes: Axes, days: Sequence[dt.date]) -> None:
    different = sorted(set(days))
    axes.xaxis_date()
    if len(different) <= 6:
        axes.set_xticks([_moment(day) for day in different], [day.isoformat() for day in different])
    else:
        _number_dates(axes)
    axes.margins(x=0.1)


def _number_dates(axes: Axes) -> None:
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    locator = AutoDateLocator(maxticks=8)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]


_MOST_LETHAL = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Lethal:
    """Temperatures that killed a tenth, half and nine tenths of buds, degrees Celsius."""

    name: str
    lt10_c: float | None
    lt50_c: float
    lt90_c: float | None


def draw_temperatures(
    readings: Sequence[Reading], *, title: str, samplings: Sequence[tuple[dt.date, str]] = (),
    thresholds_c: Sequence[float] = (), lethal: Sequence[Lethal] = (), units: str = "metric",
) -> Drawing:
    """Draw a station's temperature, the coldest moment and the sampling dates.

    Parameters
    ----------
    readings : sequence of Reading
        At least one, in any order, times in UTC.
    title : str
        Title of the document, not drawn.
    samplings : sequence of (date, label)
        Drawn as upright dashed lines with the label.
    thresholds_c : sequence of float
        Temperatures in degrees Celsius drawn as level dotted lines.
    lethal : sequence of Lethal
        Published lethal temperatures, drawn beside the record on its scale, the first ten:
        background, never a verdict.
    units : {"metric", "us"}
        Axis in degrees Celsius or Fahrenheit.

    Returns
    -------
    Drawing
        A record of more than 4000 readings is drawn by the lowest and highest of each thousandth
        of it, so that no minimum is lost.

    Raises
    ------
    InputError
        When there is no reading.
    """
    need(readings, title)
    ordered = sorted(readings, key=lambda r: r.at)
    coldest = min(ordered, key=lambda r: r.celsius)
    unit = "°F" if units == "us" else "°C"

    def shown(celsius: float) -> float:
        return celsius * 9 / 5 + 32 if units == "us" else celsius

    alt = (
        f"{title}. {plain_count(len(ordered), 'reading')} from {ordered[0].at:%Y-%m-%d} to "
        f"{ordered[-1].at:%Y-%m-%d}; coldest {shown(coldest.celsius):.1f} {unit} at "
        f"{coldest.at:%Y-%m-%d %H:%M} UTC."
    )
    if samplings:
        dates = ", ".join(f"{day.isoformat()} ({name})" for day, name in samplings)
        alt += f" Sampled {dates}."
    if lethal:
        alt += " Beside it, as background, published lethal temperatures (half dead): " + ", ".join(
            f"{one.name} {shown(one.lt50_c):.1f} {unit}" for one in lethal[:_MOST_LETHAL]) + "."
    with drawing():
        figure = new_figure(165.0, 95.0 if lethal else 75.0)
        axes, side = _room_for(figure, lethal)
        bare(axes, keep=("bottom", "left"))
        thin = _thin(ordered)
        axes.plot([_moment(r.at) for r in thin], [shown(r.celsius) for r in thin], color=ACCENT,
                  linewidth=0.9)
        axes.plot([_moment(coldest.at)], [shown(coldest.celsius)], marker="v", color=INK)
        axes.annotate(
            f"{shown(coldest.celsius):.1f} {unit}", (_moment(coldest.at), shown(coldest.celsius)),
            xytext=(6, -9), textcoords="offset points", fontsize=8,
        )
        for value in thresholds_c:
            axes.axhline(shown(value), color=QUIET, linestyle=":", linewidth=0.9)
            axes.text(1.005, shown(value), f"{shown(value):.0f} {unit}", va="center", fontsize=7.5,
                      color=QUIET, transform=axes.get_yaxis_transform())
        for i, (day, name) in enumerate(sorted(samplings)):
            noon = _moment(day) + 0.5
            axes.axvline(noon, color=INK, linestyle=(0, (4, 2)), linewidth=0.8)
            axes.annotate(clip(name, 26), (noon, 1.01 + 0.065 * (i % 3)), fontsize=7.5, va="bottom",
                          ha="center", xycoords=axes.get_xaxis_transform())
        axes.xaxis_date()
        _number_dates(axes)
        axes.set_ylabel(f"air temperature, {unit}")
        axes.margins(y=0.12)
        if side is not None:
            _draw_lethal(side, lethal[:_MOST_LETHAL], shown)
        return finish(figure, title, alt)


def _room_for(figure: Figure, lethal: Sequence[Lethal]) -> tuple[Axes, Axes | None]:
    """Return the axes of the record, and those beside it for lethal temperatures if there are."""
    if not lethal:
        return figure.add_subplot(), None
    n = min(len(lethal), _MOST_LETHAL)
    grid = figure.add_gridspec(1, 2, width_ratios=(10, 0.8 + 0.4 * n), wspace=0.24)
    axes = figure.add_subplot(grid[0, 0])
    return axes, figure.add_subplot(grid[0, 1], sharey=axes)


def _draw_lethal(
    axes: Axes, lethal: Sequence[Lethal], shown: Callable[[float], float]
) -> None:
    """Draw from 10 to 90 % dead as an upright line, half dead as a dot on it."""
    bare(axes, keep=("bottom",))
    axes.tick_params(axis="y", labelleft=False, length=0)
    for index, one in enumerate(lethal):
        ends = [t for t in (one.lt10_c, one.lt50_c, one.lt90_c) if t is not None]
        axes.vlines(index, shown(min(ends)), shown(max(ends)), color=QUIET, linewidth=2.2)
        axes.plot([index], [shown(one.lt50_c)], marker="o", markersize=4, color=INK)
    axes.set_xticks(range(len(lethal)), [clip(one.name, 26) for one in lethal], rotation=60,
                    ha="right", rotation_mode="anchor", fontsize=6.5)
    axes.set_xlim(-0.7, len(lethal) - 0.3)
    axes.set_title("published: 10, 50, 90 % dead", fontsize=7, color=QUIET)


def _thin(ordered: Sequence[Reading]) -> list[Reading]:
    """Keep the lowest and highest reading of each thousandth of a long record, in order."""
    if len(ordered) <= 4000:
        return list(ordered)
    size = -(-len(ordered) // 1000)
    kept: list[Reading] = []
    for start in range(0, len(ordered), size):
        part = ordered[start:start + size]
        ends = {id(r): r for r in (min(part, key=lambda r: r.celsius),
                                   max(part, key=lambda r: r.celsius))}
        kept += sorted(ends.values(), key=lambda r: r.at)
    return kept
