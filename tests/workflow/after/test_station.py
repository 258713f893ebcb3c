"""The cold record of a season: kept once, told in the zone asked for, background only."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from budvision.errors import ConflictError, InputError, NotFoundError, NothingToDoError
from budvision.store.queries import blocks
from budvision.store.session import Season
from budvision.workflow.after.station import import_cold, station_answer, stations

TABLE = """time;air temp
2026-01-12 02:00;-14,0
2026-01-12 03:00;-22,0
2026-01-12 04:00;-18,0
2026-01-12 05:00;-10,0
"""


@pytest.fixture
def season(tmp_path: Path) -> Season:
    season = Season.create(tmp_path / "winter")
    with season.write() as conn:
        block = blocks.ensure_block(conn, "Kettle Bench", cultivar="Riesling")
        blocks.ensure_sampling(conn, block, "after the cold", collected_at="2026-01-22T09:00:00Z")
    yield season
    season.close()


def put(season: Season, text: str = TABLE, **facts: str) -> object:
    return import_cold(season, text, **{
        "station": "Bench road", "unit": "C", "zone": "America/Vancouver", **facts})


def test_the_minimum_and_hours_below_are_told_in_the_zone_asked_for(season: Season) -> None:
    told = put(season)
    # Pacific standard time is UTC - 8.
    assert (told.n_new, told.first) == (4, "2026-01-12T10:00:00Z")
    answer = station_answer(season, "Bench road", zone="America/Vancouver",
                            thresholds_c=(-20.0, -10.0))
    assert answer.event.minimum_c == -22.0
    assert answer.event.at.strftime("%Y-%m-%d %H:%M") == "2026-01-12 03:00"
    # Straight between readings: below -20 for 0.25 h of -14 to -22 and 0.5 h of -22 to -18.
    assert answer.hours == pytest.approx({-20.0: 0.75, -10.0: 3.0})
    assert answer.samplings == ((dt.date(2026, 1, 22), "after the cold"),)
    assert "coldest -22.0 °C at 2026-01-12 11:00 UTC" in answer.drawing.alt


def test_background_values_are_the_published_ones(season: Season) -> None:
    """Riesling, Geneva, 30 Jan 2023: half died at -9.8 F = -23.2 C (Finger Lakes Grape Program)."""
    put(season)
    answer = station_answer(season, "Bench road")
    assert round(answer.lethal[0].lt50_c, 1) == -23.2


def test_the_same_file_twice_adds_nothing(season: Season) -> None:
    put(season)
    again = put(season)
    assert (again.n_new, again.n_known) == (0, 4)
    assert [(one.name, one.n_readings) for one in stations(season)] == [("Bench road", 4)]


def test_a_different_reading_for_the_same_time_is_refused_and_nothing_kept(
    season: Season,
) -> None:
    put(season)
    other = TABLE.replace("-22,0", "-12,0") + "2026-01-12 06:00;-9,0\n"
    with pytest.raises(ConflictError, match=r"-22.00 C already, the file says -12.00 C"):
        put(season, other)
    assert stations(season)[0].n_readings == 4


@pytest.mark.slow
def test_fahrenheit_is_converted(season: Season) -> None:
    # 32 F is 0 C, by definition.
    put(season, "time,temp\n2026-01-12 02:00,32\n2026-01-12 03:00,5\n", unit="F", station="Old one")
    assert station_answer(season, "Old one").event.minimum_c == pytest.approx(-15.0)


@pytest.mark.parametrize(("facts", "words"), [
    ({"unit": "K"}, 'the unit is "K"'), ({"zone": "Bench time"}, "the time zone"),
    ({"station": "  "}, "station's name"), ({"text": "time temp\n1 2\n"}, "one column"),
])
def test_what_is_not_stated_is_not_guessed(
    season: Season, facts: dict[str, str], words: str
) -> None:
    with pytest.raises(InputError, match=words):
        put(season, **facts)
    assert stations(season) == []


def test_a_stretch_without_record_and_an_unknown_station_are_said(season: Season) -> None:
    put(season)
    late = dt.datetime(2026, 3, 1, tzinfo=dt.UTC)
    with pytest.raises(NothingToDoError, match="nothing between"):
        station_answer(season, "Bench road", start=late)
    with pytest.raises(NotFoundError, match="expected one of Bench road"):
        station_answer(season, "Hill")
