"""Two shares against each other: Holm, and comparisons that allow for canes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint

from budvision.errors import InputError
from budvision.stats.compare import compare_groups, holm
from budvision.stats.coverage import simulate_units
from budvision.stats.posterior import share_posterior
from budvision.stats.units import Units


@pytest.mark.slow
@settings(max_examples=8)  # the reference takes over 0.1 s a call
@given(st.lists(st.floats(0, 1), min_size=1, max_size=12))
def test_holm_agrees_with_statsmodels(p_values):
    wanted = multipletests(p_values, method="holm")[1]
    assert holm(p_values) == pytest.approx(wanted)


def two(dead, sizes=10):
    x = np.concatenate([np.asarray(row) for row in dead])
    group = np.repeat([0, 1], [len(row) for row in dead])
    return share_posterior(Units.of(x, np.full(len(x), sizes), group, 2), prior_icc=0.25)


def test_single_stage_joins_the_exact_intervals():
    # Newcombe's way of joining two intervals (1998, Stat. Med. 17:873-890), on exact ones; the
    # likeness of one bud a unit cannot matter.
    rows = [np.repeat([1, 0], [56, 14]), np.repeat([1, 0], [48, 32])]
    got = compare_groups(two(rows, 1), [(0, 1)])[0]
    (low, high), (other_low, other_high) = (
        proportion_confint(x, n, method="beta") for x, n in ((56, 70), (48, 80)))
    assert got.difference == pytest.approx(0.2)
    assert got.low == pytest.approx(0.2 - np.hypot(0.8 - low, other_high - 0.6), abs=1e-3)
    assert got.high == pytest.approx(0.2 + np.hypot(high - 0.8, 0.6 - other_low), abs=1e-3)
    # Printed for the score intervals: 0.0524 to 0.3339; exact ones are a little wider.
    assert 0.02 < got.low < 0.0524
    assert 0.3339 < got.high < 0.37


def test_order_only_turns_the_sign():
    groups = two([[1, 2, 3, 1, 2, 3, 4, 0, 2, 1], [4, 5, 3, 6, 2, 7, 4, 5, 6, 3]])
    one, other = compare_groups(groups, [(0, 1), (1, 0)])
    assert (one.low, one.high) == pytest.approx((-other.high, -other.low))
    assert one.p_value == pytest.approx(other.p_value)
    assert one.p_adjusted == pytest.approx(min(1, 2 * one.p_value))
    assert one.high < 0


def test_nothing_is_shown_to_differ_where_the_range_holds_no_difference():
    """Five canes each, 37 of 50 dead against 23: p was 0.048 beside a range of -6 to +51 points."""
    got = compare_groups(two([[9, 9, 9, 5, 5], [5, 5, 5, 5, 3]]), [(0, 1)])[0]
    assert got.low < 0 < got.difference
    assert got.p_value > 0.05


@pytest.mark.parametrize(("dead", "shown"), [(3, False), (4, True)])
def test_whole_canes_show_what_as_many_buds_would(dead, shown):
    """All dead against all live on three canes each: Fisher's exact p is 0.1; on four, 0.029."""
    got = compare_groups(two([[10] * dead, [0] * dead]), [(0, 1)])[0]
    assert (got.p_value < 0.05) == shown == (got.low > 0)


@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.99])
def test_the_test_and_the_range_say_the_same(confidence):
    dead = simulate_units(np.full(8, 0.4), np.full(8, 10), 0.4, 100, rng=np.random.default_rng(8))
    groups = share_posterior(
        Units.of(dead.ravel(), np.full(800, 10), np.repeat(np.arange(100), 8), 100),
        prior_icc=0.25)
    got = compare_groups(groups, [(at, at + 1) for at in range(0, 100, 2)], confidence=confidence)
    assert [row.p_value < 1 - confidence for row in got] == [
        not row.low <= 0 <= row.high for row in got]


def test_nothing_judged_gives_no_answer():
    groups = share_posterior(Units.of([3, 0], [10, 0], np.array([0, 1]), 2), prior_icc=0.25)
    got = compare_groups(groups, [(0, 1), (0, 0)])
    assert np.isnan(got[0].difference)
    assert np.isnan(got[0].p_adjusted)
    assert got[1].p_adjusted == 1


@pytest.mark.parametrize("icc", [0.0, 0.2, 0.6])
def test_equal_blocks_rarely_differ(icc):
    dead = simulate_units(np.full(12, 0.3), np.full(12, 10), icc, 1000,
                          rng=np.random.default_rng(3))
    groups = share_posterior(
        Units.of(dead.ravel(), np.full(12000, 10), np.repeat(np.arange(1000), 12), 1000),
        prior_icc=0.25)
    pairs = [(at, at + 1) for at in range(0, 1000, 2)]
    got = compare_groups(groups, pairs)
    # 500 comparisons at 5 %: at most 7 % by chance (two standard errors).
    assert np.mean([row.p_value < 0.05 for row in got]) <= 0.07
    assert np.mean([row.low <= 0 <= row.high for row in got]) >= 0.93
    assert sum(row.p_adjusted < 0.05 for row in got) <= 2


def test_bad_input():
    with pytest.raises(InputError, match="p-value"):
        holm([0.2, 1.3])
