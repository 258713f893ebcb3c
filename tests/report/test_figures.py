"""Figures: drawn to scale, readable in grey, the same twice, and in words for those who listen."""

from __future__ import annotations

import datetime as dt
import re
import subprocess
import sys
import xml.etree.ElementTree as ET

import pytest

from budvision.errors import InputError
from budvision.report.canvas import ACCENT, INK, QUIET, TINTS, BandEdges
from budvision.report.figures import ShareRow, draw_intervals, draw_positions
from budvision.report.timelines import Lethal, Reading, TimedShare, draw_history, draw_temperatures

BANDS = BandEdges(("normal", "more", "most"), (0.15, 0.5))
ROWS = [
    ShareRow(label="Kettle Bench", share=0.35, low=0.26, high=0.45, n_judged=100, n_waiting=4),
    ShareRow(label="Orchard Draw", share=0.8, low=0.7, high=0.9, n_judged=90),
    ShareRow(label="New planting", share=None, low=None, high=None, n_judged=0, n_waiting=50),
]
SVG = "{http://www.w3.org/2000/svg}"


def texts(svg: str) -> list[str]:
    return ["".join(node.itertext()).strip() for node in ET.fromstring(svg).iter(f"{SVG}text")]


def test_text_stays_text_and_alternative_text_has_the_numbers() -> None:
    drawing = draw_intervals(ROWS, title="Blocks", bands=BANDS)
    assert "Kettle Bench" in texts(drawing.svg)
    assert "35 % dead (26 to 45 %) of 100, 4 waiting" in drawing.alt
    assert "New planting: nothing judged yet, 50 waiting" in drawing.alt
    root = ET.fromstring(drawing.svg)
    assert root.get("role") == "img"
    assert root.get("aria-label") == drawing.alt
    assert root.find(f"{SVG}title").text == "Blocks"


def horizontal_lines(svg: str, colour: str) -> list[tuple[float, float]]:
    ends = []
    for path in ET.fromstring(svg).iter(f"{SVG}path"):
        numbers = [float(n) for n in re.findall(r"-?\d+\.?\d*", path.get("d", ""))]
        if colour in path.get("style", "") and len(numbers) == 4 and numbers[1] == numbers[3]:
            ends.append((numbers[0], numbers[2]))
    return ends


def test_intervals_are_drawn_to_scale() -> None:
    svg = draw_intervals(ROWS[:2], title="Blocks", bands=BANDS).svg
    (a0, a1), (b0, b1) = [e for e in horizontal_lines(svg, ACCENT) if abs(e[1] - e[0]) > 1]
    per_share = (b1 - a0) / (0.9 - 0.26)
    assert a1 - a0 == pytest.approx(per_share * 0.19, rel=1e-4)
    assert b0 - a0 == pytest.approx(per_share * 0.44, rel=1e-4)


def test_the_same_figure_twice_is_the_same_bytes() -> None:
    first = draw_positions([("primary", ROWS)], title="T", bands=BANDS)
    assert draw_positions([("primary", ROWS)], title="T", bands=BANDS) == first


def test_names_are_shown_as_typed() -> None:
    odd = ShareRow(label="Block $x_1$ <b> & \x07ring", share=0.5, low=0.4, high=0.6, n_judged=10)
    found = texts(draw_intervals([odd], title="A & B").svg)
    assert "Block $x_1$ <b> &  ring" in found


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.1, section "relative luminance"."""
    parts = [int(colour[i:i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


@pytest.mark.parametrize("colour", [INK, ACCENT])
@pytest.mark.parametrize("tint", TINTS)
def test_ink_on_every_band_keeps_its_contrast_in_grey(colour: str, tint: str) -> None:
    # WCAG 2.1 success criterion 1.4.3: text 4.5 to 1. A grey print keeps luminance only.
    assert (luminance(tint) + 0.05) / (luminance(colour) + 0.05) >= 4.5


def test_quiet_text_on_paper_keeps_its_contrast() -> None:
    assert 1.05 / (luminance(QUIET) + 0.05) >= 4.5


def test_series_differ_by_marker_not_by_colour_alone() -> None:
    series = [(name, ROWS) for name in ("primary", "secondary", "tertiary")]
    svg = draw_positions(series, title="T").svg
    assert svg.count("stroke-dasharray") >= 2
    assert {"primary", "secondary", "tertiary"} <= set(texts(svg))


def test_history_names_dates_and_every_series() -> None:
    points = [TimedShare(dt.date(2026, 1, 10), ROWS[0]), TimedShare(dt.date(2026, 2, 3), ROWS[1]),
              TimedShare(dt.date(2026, 2, 9), ROWS[2])]
    drawing = draw_history([("primary", points), ("secondary", points[:1])], title="Over time")
    assert {"2026-01-10", "2026-02-03", "primary", "secondary"} <= set(texts(drawing.svg))
    assert "2026-02-09 New planting: nothing judged yet" in drawing.alt


def test_history_of_nothing_judged_still_draws() -> None:
    points = [TimedShare(dt.date(2026, 2, 9), ROWS[2])]
    assert "nothing judged yet" in draw_history([("primary", points)], title="T").alt


def winter(n: int) -> list[Reading]:
    start = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
    return [Reading(start + dt.timedelta(minutes=10 * i), -24.0 if i == 777 else -5.0 - i % 3)
            for i in range(n)]


def test_the_coldest_reading_is_never_thinned_away() -> None:
    drawing = draw_temperatures(winter(20_000), title="Station", thresholds_c=[-20.0],
                                samplings=[(dt.date(2026, 1, 9), "first")])
    assert "-24.0 °C" in texts(drawing.svg)
    assert "coldest -24.0 °C at 2026-01-06 09:30 UTC" in drawing.alt
    assert "first" in texts(drawing.svg)
    assert len(drawing.svg) < 200_000


def test_us_units_use_the_defining_formula() -> None:
    # Fahrenheit by definition: F = 9/5 C + 32.
    assert "coldest -11.2 °F" in draw_temperatures(winter(900), title="S", units="us").alt


@pytest.mark.parametrize("draw", [draw_intervals, draw_positions, draw_history, draw_temperatures])
def test_nothing_to_draw_is_said(draw) -> None:
    with pytest.raises(InputError, match="nothing to draw"):
        draw([], title="T")


def test_series_with_different_labels_are_refused() -> None:
    with pytest.raises(InputError, match="different labels"):
        draw_positions([("primary", ROWS), ("secondary", ROWS[:1])], title="T")


@pytest.mark.parametrize("edges", [(0.5, 0.2), (0.0, 0.2), (0.2, 1.0), (0.2,)])
def test_bands_out_of_order_are_refused(edges: tuple[float, ...]) -> None:
    with pytest.raises(InputError, match="rising edges"):
        BandEdges(("a", "b", "c"), edges)


def test_no_global_figure_state_is_used() -> None:
    program = (
        "import sys, budvision.report.timelines as t, budvision.report.figures as f\n"
        "row = f.ShareRow(label='a', share=.5, low=.4, high=.6, n_judged=9)\n"
        "f.draw_intervals([row], title='T')\n"
        "sys.exit('matplotlib.pyplot' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0


def test_lethal_temperatures_stand_beside_the_minimum() -> None:
    """Riesling, Geneva, 30 Jan 2023, half dead at -23.2 C (tests/truths/hardiness.csv)."""
    drawing = draw_temperatures(winter(900), title="Station", lethal=[
        Lethal(name="Riesling, Jan 2023", lt10_c=-21.4, lt50_c=-23.2, lt90_c=None)])
    assert "as background, published lethal temperatures (half dead): Riesling, Jan 2023 -23.2" in (
        drawing.alt)
    assert "Riesling, Jan 2023" in drawing.svg
    assert "10, 50, 90 % dead" in drawing.svg
    assert "lethal" not in draw_temperatures(winter(900), title="Station").alt
