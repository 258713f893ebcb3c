"""Figures of shares: intervals to scale, and shares by node or class.

Tissues and classes differ by marker and line, never by colour alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from budvision.errors import InputError
from budvision.language import say
from budvision.report.canvas import (
    ACCENT,
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
from budvision.report.words import percent, percent_range

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["BandEdges", "Drawing", "ShareRow", "draw_intervals", "draw_positions"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareRow:
    """One line of an interval figure.

    Attributes
    ----------
    label : str
        Block, class, zone or node.
    share, low, high : float or None
        Share of dead buds and its interval, in [0, 1]; None where nothing is judged yet.
    n_judged : int
        Buds called live or dead.
    n_waiting : int
        Buds that wait for a person.
    """

    label: str
    share: float | None
    low: float | None
    high: float | None
    n_judged: int
    n_waiting: int = 0

    def words(self) -> str:
        """Return the row as a sentence part."""
        if self.share is None or self.low is None or self.high is None:
            text = say("{label}: nothing judged yet", label=self.label)
        else:
            text = say("{label}: {share} dead ({span}) of {n}", label=self.label,
                       share=percent(self.share), span=percent_range(self.low, self.high),
                       n=self.n_judged)
        return say("{text}, {n} waiting", text=text, n=self.n_waiting) if self.n_waiting else text


def _whisker(
    axes: Axes, where: float, row: ShareRow, *, upright: bool, tissue: str, filled: bool = True,
    cap: float = 0.2,
) -> None:
    if row.share is None or row.low is None or row.high is None:
        return
    style = LINES.get(tissue, "-")
    span = [row.low, row.high]
    ends = ([where, where], span) if upright else (span, [where, where])
    axes.plot(*ends, color=ACCENT, linewidth=2.0, linestyle=style, solid_capstyle="butt", zorder=3,
              clip_on=False)
    for end in (row.low, row.high):
        across = [where - cap, where + cap]
        place = (across, [end, end]) if upright else ([end, end], across)
        axes.plot(*place, color=ACCENT, linewidth=1.2, zorder=3, clip_on=False)
    point = (where, row.share) if upright else (row.share, where)
    axes.plot(
        [point[0]], [point[1]], marker=MARKERS.get(tissue, "o"), markersize=6.0, linestyle="none",
        markerfacecolor=ACCENT if filled else "#ffffff", markeredgecolor=ACCENT, zorder=4,
        clip_on=False,
    )


def draw_intervals(
    rows: Sequence[ShareRow], *, title: str, bands: BandEdges | None = None, width_mm: float = 165.0
) -> Drawing:
    """Draw one horizontal interval a row, to scale, with the bands behind them.

    Parameters
    ----------
    rows : sequence of ShareRow
        At least one; drawn from top to bottom. A row with nothing judged stays, in words.
    title : str
        Title of the document, read by screen readers; not drawn.
    bands : BandEdges, optional
        Bands of the pruning policy, drawn as grey tints with their names above.
    width_mm : float
        Width of the figure in millimetres; the height follows the rows.

    Returns
    -------
    Drawing
        The axis always runs from 0 to 100 %, so that two figures can be laid side by side.

    Raises
    ------
    InputError
        When there is no row.
    """
    need(rows, title)
    alt = f"{title}. " + "; ".join(row.words() for row in rows) + "."
    if bands is not None:
        alt += " " + say("Bands: {each}.", each=", ".join(
            f"{name} {percent_range(low, high)}" for name, low, high in bands.spans()))
    with drawing():
        figure = new_figure(width_mm, 15.0 + 7.0 * len(rows))
        axes = figure.add_subplot()
        bare(axes)
        axes.set_xlim(0.0, 1.0)
        axes.set_ylim(len(rows) - 0.4, -0.6)
        bands_behind(axes, bands, upright=False, names=True)
        for i, row in enumerate(rows):
            _whisker(axes, float(i), row, upright=False, tissue="primary")
            if row.share is None:
                note = (say("nothing judged yet, {n} waiting", n=row.n_waiting)
                        if row.n_waiting else say("no result"))
                axes.text(0.01, i, note, va="center", fontsize=7.5, color=QUIET, style="italic")
        axes.set_yticks(range(len(rows)), [clip(row.label, 34) for row in rows])
        axes.tick_params(axis="y", length=0, pad=9)
        percent_axis(axes.xaxis)
        axes.set_xlabel(say("share of buds dead, with interval"))
        return finish(figure, title, alt)


def draw_positions(
    series: Sequence[tuple[str, Sequence[ShareRow]]], *, title: str, bands: BandEdges | None = None,
    axis: str = "node, from the cane base",
) -> Drawing:
    """Draw shares side by side over nodes or classes, one marker a tissue.

    Parameters
    ----------
    series : sequence of (tissue name, sequence of ShareRow)
        Rows of all series carry the same labels in the same order.
    title, bands
        As in `draw_intervals`.
    axis : str
        Text below the horizontal axis.

    Returns
    -------
    Drawing
        Vertical axis from 0 to 100 %.

    Raises
    ------
    InputError
        When there is no row, or the labels of two series differ.
    """
    need([row for _, rows in series for row in rows], title)
    labels = [row.label for row in series[0][1]]
    if any([row.label for row in rows] != labels for _, rows in series):
        raise InputError(
            "the series have different labels", expected="the same labels in each", where=title,
            do="Fill the gaps with rows that have nothing judged.",
        )
    alt = f"{title}. " + " ".join(
        f"{say(name)}: " + "; ".join(row.words() for row in rows) + "." for name, rows in series)
    with drawing():
        figure = new_figure(165.0, 70.0)
        axes = figure.add_subplot()
        bare(axes, keep=("bottom", "left"))
        axes.set_ylim(0.0, 1.0)
        axes.set_xlim(-0.6, len(labels) - 0.4)
        bands_behind(axes, bands, upright=True, names=False)
        cap = 0.005 * (len(labels) + 1)
        shift = 0.26 if len(series) > 1 else 0.0
        for k, (tissue, rows) in enumerate(series):
            for i, row in enumerate(rows):
                place = i + shift * (k - (len(series) - 1) / 2)
                _whisker(axes, place, row, upright=True, tissue=tissue, filled=k == 0,
                         cap=cap)
            if len(series) > 1:
                axes.plot([], [], marker=MARKERS.get(tissue, "o"), linestyle=LINES.get(tissue, "-"),
                          color=ACCENT, markerfacecolor=ACCENT if k == 0 else "#ffffff",
                          label=say(tissue))
        if len(series) > 1:
            figure.legend(loc="outside upper left", ncols=len(series), frameon=False, fontsize=8)
        axes.set_xticks(range(len(labels)), [clip(label, 14) for label in labels])
        axes.set_xlabel(axis)
        axes.set_ylabel(say("share dead"))
        percent_axis(axes.yaxis)
        return finish(figure, title, alt)
