"""A station's record: separators, units, zones, hours below, and what is refused."""

from __future__ import annotations

import datetime as dt
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from budvision.errors import InputError, NothingToDoError
from budvision.vineyard.cold import (
    cold_event,
    hours_below,
    hours_words,
    read_cold_record,
    time_zone,
)

TEXT = "Time,Temp\n2024-01-12 00:00,-10\n2024-01-12 01:00,-20\n2024-01-12 02:00,-10\n"


def read(text=TEXT, unit="C", zone="UTC", **more):
    return read_cold_record(text, unit=unit, zone=zone, name="station.csv", **more)


def test_hours_and_minimum():
    record = read()
    assert hours_below(record, [-15, -25, -5, -20]) == pytest.approx(
        {-15: 1.0, -25: 0.0, -5: 2.0, -20: 0.0}
    )
    event = cold_event(record)
    assert (event.minimum_c, event.at.hour, event.n_readings, event.gap_h) == (-20, 1, 3, 0)
    half = dt.datetime(2024, 1, 12, 1)
    assert hours_below(record, [-15], start=half)[-15] == pytest.approx(0.5)
    assert cold_event(record, end=dt.datetime(2024, 1, 12, 0)).minimum_c == -10


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
def test_separators(mark):
    assert np.array_equal(read(TEXT.replace(",", mark)).temp_c, [-10, -20, -10])


def test_decimal_comma_comments_gaps_and_order():
    record = read(
        "# station 4\nDate;x;Temperature\n12.01.2024 02:00;a;-10,5\n12.01.2024 00:00;b;-12,5\n"
        "12.01.2024 01:00;b;\n12.01.2024 12:00;b;-1\n"
    )
    assert record.temp_c.tolist() == [-12.5, -10.5, -1]
    assert record.n_skipped == 1
    assert cold_event(record).gap_h == 10
    assert hours_below(record, [0])[0] == 2


def test_fahrenheit_and_zones():
    record = read(TEXT.replace("-20", "-4"), unit="F", zone="America/Vancouver")
    assert record.temp_c[1] == pytest.approx(-20)
    assert record.times[0] == np.datetime64("2024-01-12T08:00:00")
    assert cold_event(record).at.utcoffset() == dt.timedelta(hours=-8)
    assert read(zone="-08:00").times[0] == np.datetime64("2024-01-12T08:00:00")
    own = read("time,temp\n2024-01-12T00:00:00-07:00,-3\n")
    assert own.times[0] == np.datetime64("2024-01-12T07:00:00")


def test_the_hour_that_comes_twice():
    rows = "".join(f"2023-11-05 0{hour}:{minute},1\n" for hour, minute in
                   ((0, "30"), (1, "00"), (1, "30"), (1, "00"), (1, "30"), (2, "00")))
    record = read("time,temp\n" + rows, zone="America/Vancouver")
    assert len(record.times) == 6
    assert np.all(np.diff(record.times) == np.timedelta64(1800, "s"))


@pytest.mark.parametrize(
    ("text", "options", "match"),
    [
        ("", {}, "the file is empty"),
        (TEXT.replace(",", " "), {}, "one column; expected columns parted by"),
        (TEXT, {"unit": "K"}, 'the unit is "K"; expected C or F'),
        (TEXT, {"zone": "Okanagan"}, 'time zone is "Okanagan"'),
        (TEXT, {"zone": ""}, "time zone"),
        (TEXT.replace("-20", "cold"), {}, 'row 3: the temperature is "cold"'),
        (TEXT.replace("-20", "-200"), {}, "row 3: the temperature is -200 C"),
        (TEXT.replace("2024-01-12 01:00", "noon"), {}, 'row 3: the time is "noon"'),
        (TEXT + "2024-01-12 02:00,-11\n", {}, "two readings of .* differ"),
        (TEXT.replace("Temp", "x"), {}, "no column could hold the temperature"),
        (TEXT.replace("Temp", "Date"), {}, "2 columns could hold the time"),
        (TEXT, {"time_column": "when"}, 'no column "when"'),
        (TEXT + "2024-01-12 03:00\n", {}, "row 5: it has 1 cells"),
    ],
)
def test_refusals(text, options, match):
    with pytest.raises(InputError, match=match):
        read(text, **options)


def test_nothing_to_do():
    with pytest.raises(NothingToDoError, match="no row holds a temperature"):
        read("time,temp\n2024-01-12 00:00,\n")
    with pytest.raises(NothingToDoError, match="nothing between"):
        cold_event(read(), start=dt.datetime(2025, 1, 1))
    with pytest.raises(InputError, match="threshold is nan"):
        hours_below(read(), [float("nan")])
    assert time_zone("UTC+05:30").utcoffset(None) == dt.timedelta(hours=5.5)


@given(st.lists(st.floats(-40, 20), min_size=2, max_size=30), st.floats(-40, 20))
def test_hours_below_and_above_add_up(temps, threshold):
    start = dt.datetime(2024, 1, 1)
    rows = "".join(f"{start + dt.timedelta(hours=at)},{temp}\n" for at, temp in enumerate(temps))
    turned = "".join(f"{start + dt.timedelta(hours=at)},{-temp}\n" for at, temp in enumerate(temps))
    below = hours_below(read("time,temp\n" + rows), [threshold])[threshold]
    above = hours_below(read("time,temp\n" + turned), [-threshold])[-threshold]
    level = sum(a == b == threshold for a, b in pairwise(temps))
    assert below + above + level == pytest.approx(len(temps) - 1)


@pytest.mark.parametrize("step_h", [6, 24])
def test_sparse_readings_cannot_tell_hours(step_h):
    # Before: "below -20: 0.0 h" beside a coldest reading of -29.
    rows = "\n".join(f"2026-01-{1 + at * step_h // 24:02d} {at * step_h % 24:02d}:00,{temp}"
                     for at, temp in enumerate([-5, -15, -29, -24, -10]))
    record = read_cold_record("time,temp\n" + rows, unit="C", zone="UTC")
    assert cold_event(record).minimum_c == -29
    assert hours_below(record, [-20, -35]) == {-20.0: None, -35.0: None}
    assert hours_words(None) == "hours that cannot be told"


def test_a_cold_reading_between_gaps_is_not_no_hours():
    hourly = "\n".join(f"2026-01-01 {hour:02d}:00,-5" for hour in range(20))
    record = read_cold_record(f"time,temp\n{hourly}\n2026-01-02 02:00,-29\n", unit="C", zone="UTC")
    assert hours_below(record, [-20, -2]) == {-20.0: None, -2.0: 19.0}
    assert hours_words(19.0) == "19.0 h"
