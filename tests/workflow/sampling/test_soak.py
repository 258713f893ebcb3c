"""The soaking clock. 24 to 48 hours at room temperature: published extension guides."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from budvision.errors import InputError
from budvision.settings import Settings
from budvision.store.queries.blocks import ensure_block, ensure_sampling, sampling_by_id
from budvision.store.session import Season
from budvision.workflow.sampling.soak import parse_time, record_times, soak_clock

NOW = datetime(2026, 1, 17, 12, tzinfo=UTC)


@pytest.fixture
def season(tmp_path: Path) -> Iterator[Season]:
    season = Season.create(tmp_path / "winter")
    with season.write() as conn:
        ensure_sampling(conn, ensure_block(conn, "Lark Terrace"), "2026-01-15")
    yield season
    season.close()


@pytest.mark.parametrize(
    ("in_water", "state", "early", "words"),
    [
        (None, "unknown", False, "Nobody has said"),
        ("2026-01-17T02:00:00Z", "soaking", True, "10 h in water. Too early: below 24"),
        ("2026-01-16T12:00:00Z", "usable", False, "24 h in water. It can be cut"),
        ("2026-01-15T12:00:00Z", "ready", False, "48 h in water. Ready to cut"),
    ],
)
def test_the_clock_says_when_to_cut(
    season: Season, in_water: str | None, state: str, early: bool, words: str
) -> None:
    if in_water:
        record_times(season, 1, in_water_at=in_water, at=NOW)
    with season.read() as conn:
        clock = soak_clock(sampling_by_id(conn, 1), Settings(), at=NOW)
    assert clock.state == state
    assert clock.early is early
    assert words in clock.words


def test_hours_are_kept_with_the_sampling_once_the_canes_are_out(season: Season) -> None:
    record_times(season, 1, collected_at="2026-01-15T09:00:00-08:00",
                 in_water_at="2026-01-15T20:00:00Z", out_of_water_at="2026-01-16T14:00:00Z",
                 room_temp_c=21.5, at=NOW)
    with season.read() as conn:
        kept = sampling_by_id(conn, 1)
    assert kept.collected_at is not None
    assert kept.collected_at.endswith("Z")
    assert parse_time(kept.collected_at) == datetime(2026, 1, 15, 17, tzinfo=UTC)
    assert kept.room_temp_c == 21.5
    clock = soak_clock(kept, Settings(), at=NOW)
    assert clock.hours == 18
    assert clock.early
    assert "may come out too low" in clock.words
    # Own settings count: 12 hours are enough for this season.
    assert not soak_clock(kept, Settings(soak_min_h=12.0), at=NOW).early
    # The empty text takes a time back, and None leaves it.
    again = record_times(season, 1, out_of_water_at="", at=NOW)
    assert again.out_of_water_at is None
    assert parse_time(again.in_water_at) == datetime(2026, 1, 15, 20, tzinfo=UTC)


def test_impossible_times_change_nothing(season: Season) -> None:
    record_times(season, 1, in_water_at="2026-01-16T12:00:00Z", at=NOW)
    with pytest.raises(InputError, match="out of water is 2026-01-16T11:00:00Z, before in water"):
        record_times(season, 1, out_of_water_at="2026-01-16T11:00:00Z", at=NOW)
    with pytest.raises(InputError, match="not in the future"):
        record_times(season, 1, out_of_water_at="2026-01-19T11:00:00Z", at=NOW)
    with pytest.raises(InputError, match="the room is 80 degrees"):
        record_times(season, 1, room_temp_c=80, at=NOW)
    with pytest.raises(InputError, match="the time is 'noon'"):
        record_times(season, 1, in_water_at="noon", at=NOW)
    with season.read() as conn:
        kept = sampling_by_id(conn, 1)
    assert parse_time(kept.in_water_at) == datetime(2026, 1, 16, 12, tzinfo=UTC)
    assert kept.out_of_water_at is None
    assert kept.room_temp_c is None


def test_no_time_is_none() -> None:
    assert parse_time("") is None
    assert parse_time(None) is None
