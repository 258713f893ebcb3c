"""The sheet that figures are drawn on: size, style, bands behind, and the finished SVG.

Every figure carries its text as text, an alternative text in words, and comes out byte for byte
the same for the same input. The one accent colour keeps its contrast in grey print.
"""

from __future__ import annotations

import html
import io
import re
import textwrap
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from budvision.errors import InputError

if TYPE_CHECKING:  # matplotlib takes half a second to import; pages without a figure need it not
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure

__all__ = [
    "ACCENT", "INK", "LINES", "MARKERS", "QUIET", "BandEdges", "Drawing", "bands_behind", "bare",
    "clip", "drawing", "finish", "need", "new_figure", "percent_axis",
]

INK = "#1a1a1a"
ACCENT = "#1f4e79"
QUIET = "#595959"
TINTS = ("#ffffff", "#eeeeee", "#dddddd", "#cccccc", "#bbbbbb")
MARKERS = {"primary": "o", "secondary": "s", "tertiary": "^"}
LINES = {"primary": "-", "secondary": "--", "tertiary": ":"}
FONT = "DejaVu Sans"

# matplotlib reads these from one table of the whole process, so drawing takes turns.
_STYLE: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "budvision",
    "font.family": [FONT],
    "font.size": 9.0,
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.6,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.parse_math": False,
    "timezone": "UTC",
}
_turn = threading.Lock()


@contextmanager
def drawing() -> Iterator[None]:
    """Hold the style for one figure; one thread at a time."""
    import matplotlib as mpl

    with _turn, mpl.rc_context(_STYLE):
        yield


@dataclass(frozen=True, slots=True)
class Drawing:
    """A figure: the SVG document and its alternative text.

    Attributes
    ----------
    svg : str
        A whole SVG document, UTF-8, with `<title>` and `<desc>`.
    alt : str
        What the figure shows, in words with the numbers.
    """

    svg: str
    alt: str


@dataclass(frozen=True, slots=True)
class BandEdges:
    """The bands behind a figure, from no damage to all dead.

    Attributes
    ----------
    names : tuple of str
        One name a band, in order.
    edges : tuple of float
        Upper edge of each band but the last, rising, in (0, 1): one fewer than `names`.
    """

    names: tuple[str, ...]
    edges: tuple[float, ...]

    def __post_init__(self) -> None:
        rising = all(a < b for a, b in zip((0.0, *self.edges), (*self.edges, 1.0), strict=True))
        if len(self.names) != len(self.edges) + 1 or not rising:
            raise InputError(
                f"the bands have {len(self.names)} names and edges {self.edges}",
                expected="rising edges between 0 and 1, one fewer than names",
                where="bands", do="Correct the policy.",
            )

    def spans(self) -> list[tuple[str, float, float]]:
        """Return (name, low, high) of each band."""
        ends = (0.0, *self.edges, 1.0)
        return [(name, ends[i], ends[i + 1]) for i, name in enumerate(self.names)]


def _printable(text: str) -> str:
    return "".join(mark if mark.isprintable() else " " for mark in text)


def new_figure(width_mm: float, height_mm: float) -> Figure:
    """Return an empty figure of that size with a transparent ground."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_mm / 25.4, height_mm / 25.4), layout="constrained")
    FigureCanvasSVG(figure)
    figure.patch.set_alpha(0.0)
    return figure


def finish(figure: Figure, title: str, alt: str) -> Drawing:
    """Return the figure as SVG with its title and alternative text."""
    title, alt = _printable(title), _printable(alt)
    out = io.StringIO()
    figure.savefig(out, format="svg", metadata={"Date": None, "Creator": "budvision"})
    text = out.getvalue()
    head = (
        f'role="img" aria-label="{html.escape(alt)}">\n'
        f"<title>{html.escape(title)}</title>\n<desc>{html.escape(alt)}</desc>"
    )
    return Drawing(re.sub(r"(<svg [^>]*?)>", lambda m: f"{m[1]} {head}", text, count=1), alt)


def bare(axes: Axes, *, keep: Sequence[str] = ("bottom",)) -> None:
    """Take away every frame line but those named."""
    for side, spine in axes.spines.items():
        spine.set_visible(side in keep)
    axes.tick_params(length=2.5, width=0.6)


def percent_axis(axis: Axis) -> None:
    """Number an axis of shares in percent, every fifth."""
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    axis.set_major_locator(MultipleLocator(0.2))
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value * 100:.0f} %"))


def clip(text: str, length: int) -> str:
    """Return text without control characters, cut to a length with an ellipsis."""
    text = _printable(text)
    return text if len(text) <= length else text[: length - 1].rstrip() + "…"


def bands_behind(axes: Axes, bands: BandEdges | None, *, upright: bool, names: bool) -> None:
    """Lay the bands behind as grey tints with dashed edges; names stand above if asked."""
    if bands is None:
        return
    span = axes.axhspan if upright else axes.axvspan
    line = axes.axhline if upright else axes.axvline
    for i, (name, low, high) in enumerate(bands.spans()):
        span(low, high, facecolor=TINTS[min(i, len(TINTS) - 1)], edgecolor="none", zorder=0)
        if high < 1.0:
            line(high, color=QUIET, linewidth=0.7, linestyle=(0, (4, 2)), zorder=1)
        if names and not upright:
            lines = textwrap.wrap(clip(name, 60), max(int((high - low) * 70), 8)) or [""]
            axes.text(
                (low + high) / 2, 1.0, "\n".join(lines), ha="center", va="bottom",
                fontsize=7.5, color=QUIET, transform=axes.get_xaxis_transform(),
            )


def need(rows: Sequence[object], title: str) -> None:
    """Raise InputError when there is nothing to draw."""
    if not rows:
        raise InputError(
            "there is nothing to draw", expected="at least one row", where=title,
            do="Confirm some calls, or import some readings, first.",
        )
