"""Two shares against each other: Holm, and comparisons that allow for canes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.multitest import multipletests

from budvision.errors import InputError
from budvision.stats.compare import compare_groups, holm, share_difference
from budvision.stats.coverage import simulate_canes
from budvision.stats.groups import group_shares


@settings(max_examples=8)  # the reference takes over 0.1 s a call
@given(st.lists(st.floats(0, 1), min_size=1, max_size=12))
def test_holm_agrees_with_statsmodels(p_values):
    wanted = multipletests(p_values, method="holm")[1]
    assert holm(p_values) == pytest.approx(wanted)


def two(dead, sizes=10):
    x = np.concatenate([np.asarray(row) for row in dead])
    group = np.repeat([0, 1], [len(row) for row in dead])
    return group_shares(x, np.full(len(x), sizes), group, 2)


def test_single_stage_equals_newcombe():
    rows = [np.repeat([1, 0], [56, 14]), np.repeat([1, 0], [48, 32])]
    got = compare_groups(two(rows, 1), [(0, 1)], prior_icc=0.2)[0]
    wanted = share_difference((56, 70), (48, 80))
    assert (got.low, got.high) == pytest.approx((wanted.low, wanted.high))


def test_order_only_turns_the_sign():
    groups = two([[1, 2, 3, 1, 2, 3, 4, 0, 2, 1], [4, 5, 3, 6, 2, 7, 4, 5, 6, 3]])
    one, other = compare_groups(groups, [(0, 1), (1, 0)], prior_icc=0.2)
    assert (one.low, one.high) == pytest.approx((-other.high, -other.low))
    assert one.p_value == pytest.approx(other.p_value)
    assert one.p_adjusted == pytest.approx(min(1, 2 * one.p_value))
    assert one.high < 0


def test_nothing_judged_gives_no_answer():
    groups = group_shares([3, 0], [10, 0], np.array([0, 1]), 2)
    got = compare_groups(groups, [(0, 1), (0, 0)], prior_icc=0.2)
    assert np.isnan(got[0].difference)
    assert np.isnan(got[0].p_adjusted)
    assert got[1].p_adjusted == 1


@pytest.mark.parametrize("icc", [0.0, 0.2])
def test_equal_blocks_rarely_differ(icc):
    dead = simulate_canes(0.3, icc, 12, 10, 1000, rng=np.random.default_rng(3))
    groups = group_shares(dead.ravel(), np.full(12000, 10), np.repeat(np.arange(1000), 12), 1000)
    pairs = [(at, at + 1) for at in range(0, 1000, 2)]
    got = compare_groups(groups, pairs, prior_icc=0.2)
    # 500 comparisons at 5 %: at most 7 % by chance (two standard errors).
    assert np.mean([row.p_value < 0.05 for row in got]) <= 0.07
    assert np.mean([row.low <= 0 <= row.high for row in got]) >= 0.93
    assert sum(row.p_adjusted < 0.05 for row in got) <= 2


def test_bad_input():
    with pytest.raises(InputError, match="p-value"):
        holm([0.2, 1.3])
    with pytest.raises(InputError, match="count is 5 of 4"):
        share_difference((5, 4), (1, 2))
