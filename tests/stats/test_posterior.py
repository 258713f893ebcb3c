"""The headline rule: against exact intervals and brute integration, and what must always hold."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats
from statsmodels.stats.proportion import proportion_confint

from budvision.errors import InputError
from budvision.stats.kept import Kept
from budvision.stats.likelihood import (
    STEP,
    WHOLE_LIKENESS,
    WHOLE_UNITS,
    likeness_grid,
    log_likelihood,
    middles,
)
from budvision.stats.posterior import share_posterior, totals_posterior
from budvision.stats.units import Units, alike_units, expected_units
from budvision.stats.weighted import weighted_posterior

unit = st.integers(1, 15).flatmap(lambda m: st.tuples(st.integers(0, m), st.just(m)))
samples = st.lists(unit, min_size=1, max_size=12)
SMOOTH = 2e-4
"""What the grid itself may do to an end of an interval."""


def units(rows, groups=None):
    x, m = np.array(rows, dtype=float).T
    group = np.zeros(len(rows), np.int64) if groups is None else np.asarray(groups)
    return Units.of(x, m, group, int(group.max()) + 1)


def ends(rows, *, prior_icc=0.25, times=1):
    found = share_posterior(alike_units(units(rows), times), prior_icc=prior_icc)
    low, high = found.limits(0.95)
    return float(low[0]), float(high[0])


def test_likelihood_is_that_of_scipy():
    rows = [(3, 10), (0, 4), (7, 7), (2, 12)]
    icc = 0.3
    logs = log_likelihood(units(rows), np.array([icc]))[0, 0]
    share = np.sin(middles(0.0, STEP)) ** 2
    wanted = sum(
        stats.betabinom.logpmf(x, m, share * (1 - icc) / icc, (1 - share) * (1 - icc) / icc)
        for x, m in rows
    )
    assert logs - logs.max() == pytest.approx(wanted - wanted.max(), abs=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("rows", [[(3, 10), (0, 10), (7, 10), (2, 9), (4, 10)], [(1, 10)] * 6])
def test_ends_agree_with_brute_integration(rows):
    # scipy's beta-binomial over scipy's quadrature, the likeness in 300 steps.
    prior_icc, power = 0.25, 0.25 / 0.75
    at = (np.arange(300) + 0.5) / 300
    likeness = np.append(1 - (1 - at) ** power, WHOLE_LIKENESS)
    weight = np.append(np.full(300, (1 - WHOLE_UNITS) / 300), WHOLE_UNITS)
    share = (np.arange(1000) + 0.5) / 1000
    size = ((1 - likeness) / likeness)[:, None]
    density = np.exp(sum(
        stats.betabinom.logpmf(x, m, share * size, (1 - share) * size) for x, m in rows))
    mass = weight @ density
    below = {}
    for name, lean in (("low", 1 / share), ("high", 1 / (1 - share))):
        below[name] = integrate.cumulative_trapezoid(mass * lean, share, initial=0)
        below[name] /= below[name][-1]
    low, high = ends(rows, prior_icc=prior_icc)
    assert low == pytest.approx(np.interp(0.025, below["low"], share), abs=2e-3)
    assert high == pytest.approx(np.interp(0.975, below["high"], share), abs=2e-3)


@given(st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_one_bud_a_unit_is_the_exact_interval(count):
    x, n = count
    low, high = proportion_confint(x, n, method="beta")
    got = ends([(1, 1)] * x + [(0, 1)] * (n - x))
    assert got == pytest.approx((float(low), float(high)), abs=SMOOTH)


@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_no_likeness_is_the_exact_interval(count):
    x, n = count
    low, high = proportion_confint(x, n, method="beta")
    assert ends([(x, n)], prior_icc=0) == pytest.approx((float(low), float(high)), abs=SMOOTH)
    found = totals_posterior(x, n, prior_icc=0.25).limits(0.95)
    assert (found[0][0], found[1][0]) == pytest.approx((float(low), float(high)), abs=SMOOTH)


@pytest.mark.slow
def test_many_buds_use_a_finer_grid():
    low, high = proportion_confint(30_000, 100_000, method="beta")
    assert ends([(30_000, 100_000)], prior_icc=0) == pytest.approx((low, high), abs=1e-5)


@settings(max_examples=30)
@given(samples, st.integers(1, 6))
def test_more_units_of_the_same_never_widen(rows, times):
    few, many = (ends(rows, times=n) for n in (times, times + 1))
    assert many[1] - many[0] <= few[1] - few[0] + SMOOTH


@given(unit, st.integers(1, 25))
def test_one_more_unit_like_all_others_never_widens(one, n):
    few, many = ends([one] * n), ends([one] * (n + 1))
    assert many[1] - many[0] <= few[1] - few[0] + SMOOTH


def test_groups_of_the_same_units_are_worked_out_once():
    rows = [(3, 10), (0, 4), (7, 7), (2, 12)]
    many = units([*rows, (1, 5), *rows[::-1]], [0] * 4 + [1] + [2] * 4)
    layouts = many.layouts()
    assert layouts[0] == layouts[2] != layouts[1]
    assert many.of_groups([2, 1]).layouts() == [layouts[2], layouts[1]]
    asked: list[list[int]] = []

    def squares(places):
        asked.append(places)
        return [(place, ("a", "b", "a", "c")[place]) for place in places]

    kept = Kept(2)
    assert kept.each(["a", "b", "a"], squares) == [(0, "a"), (1, "b"), (0, "a")]
    assert kept.each(["a", "b"], squares) == [(0, "a"), (1, "b")]
    assert kept.each(["a", "b", "a", "c"], squares)[3] == (3, "c")   # "a" is forgotten
    kept.each(["a"], squares)
    assert asked == [[0, 1], [3], [0]]


@given(st.lists(samples, min_size=1, max_size=6))
@settings(max_examples=20, deadline=None)
def test_blocks_together_are_as_each_by_itself(blocks):
    rows = [row for block in blocks for row in block]
    group = [number for number, block in enumerate(blocks) for _ in block]
    low, high = share_posterior(units(rows, group), prior_icc=0.25).limits(0.95)
    for number, block in enumerate(blocks):
        assert (low[number], high[number]) == pytest.approx(ends(block), abs=1e-12)


def test_nine_and_ten_alike_canes():
    # By the rule before: 15 to 49 % from nine, 20 to 42 % from ten.
    nine, ten = ends([(3, 10)] * 9), ends([(3, 10)] * 10)
    assert nine[0] < ten[0] < 0.3 < ten[1] < nine[1]
    assert (nine[1] - nine[0]) / (ten[1] - ten[0]) < 1.08


def test_nothing_dead_gives_a_bound_that_falls_with_every_cane():
    # By the rule before: 0 to 64 % on one cane of ten, 0 to 99.9 % on two.
    highs = [ends([(0, 10)] * canes)[1] for canes in range(1, 40)]
    assert all(ends([(0, 10)] * canes)[0] == 0 for canes in (1, 2, 10))
    assert np.all(np.diff(highs) < 0)
    assert highs[0] < 0.98
    assert highs[1] < 0.80
    chances = share_posterior(units([(0, 10)] * 2), prior_icc=0.25).band_chances((0.14, 0.35, 0.5))
    assert chances[0, -1] < 0.04    # 28 % before
    assert chances.sum() == pytest.approx(1)


@settings(max_examples=40)
@given(st.lists(st.integers(1, 120), min_size=1, max_size=25), st.data())
def test_no_dead_bud_never_bounds_higher_than_one(sizes, data):
    """0 of 100 on ten canes gave up to 26 %, 1 of 100 up to 17 %."""
    at = data.draw(st.integers(0, len(sizes) - 1))
    none = ends([(0, size) for size in sizes])[1]
    one = ends([(int(number == at), size) for number, size in enumerate(sizes)])[1]
    assert none <= one + SMOOTH


def one_more_dead(small, long, canes):
    """How far the upper end rises when beside a whole dead cane one bud of another dies too."""
    rows = [(small, small), *[(0, long)] * canes]
    return ends([*rows[:-1], (1, long)])[1] - ends(rows)[1]


@pytest.mark.parametrize("canes", [1, 3, 5, 8, 12])
@pytest.mark.parametrize("long", [2, 8, 15, 60])
def test_a_dead_cane_of_one_bud_says_nothing_of_whole_canes(long, canes):
    """It lowered the end by up to 14 points: 1 of 1 beside four canes alive, then 1 of 12 too."""
    assert one_more_dead(1, long, canes) > 0


@pytest.mark.parametrize(("small", "long", "canes", "most"), [
    (6, 6, 8, 0.031), (8, 8, 7, 0.028), (10, 10, 6, 0.024), (15, 15, 5, 0.015),
    (2, 15, 5, 0.093), (3, 15, 5, 0.071), (5, 15, 5, 0.049),
])
def test_one_more_dead_bud_lowers_the_bound_by_no_more_than_is_told(small, long, canes, most):
    """Not never: a bud that makes units more alike also tells that buds are less so.

    The worst found for whole dead canes of these buds beside 1 to 12 longer or equal ones.
    """
    assert -most <= one_more_dead(small, long, canes) < 0


def test_scattered_dead_buds_raise_the_bound_one_by_one():
    highs = [ends([(int(at < dead), 10) for at in range(10)])[1] for dead in range(9)]
    assert np.all(np.diff(highs) > -SMOOTH)
    assert highs[0] < 0.125
    assert highs[1] < 0.16
    found = share_posterior(units([(0, 10)] * 10), prior_icc=0.25)
    exact = proportion_confint(0, 10, method="beta")[1]
    assert found.if_units_whole(0.95)[0] == pytest.approx(exact, abs=1e-9)
    all_dead = share_posterior(units([(10, 10)] * 10), prior_icc=0.25)
    assert all_dead.if_units_whole(0.95)[0] == pytest.approx(1 - exact, abs=1e-9)
    assert np.isnan(share_posterior(units([(1, 10)] * 10), prior_icc=0.25).if_units_whole(0.95)[0])


@given(samples)
def test_dead_and_live_mirror_each_other_and_the_share_lies_within(rows):
    low, high = ends(rows)
    other = ends([(m - x, m) for x, m in rows])
    assert (low, high) == pytest.approx((1 - other[1], 1 - other[0]), abs=1e-7)
    share = sum(x for x, _ in rows) / sum(m for _, m in rows)
    assert 0 <= low <= share + 1e-12
    assert share - 1e-12 <= high <= 1


@pytest.mark.slow
@given(st.lists(samples, min_size=1, max_size=5))
def test_many_groups_at_once_equal_one_at_a_time(groups):
    rows = [row for some in groups for row in some]
    number = np.repeat(np.arange(len(groups)), [len(some) for some in groups])
    found = share_posterior(units(rows, number), prior_icc=0.25)
    low, high = found.limits(0.95)
    for at, some in enumerate(groups):
        assert (low[at], high[at]) == pytest.approx(ends(some), abs=1e-9)
    assert np.all(found.n_effective <= found.n + 1e-9)


def test_whole_canes_dead_count_as_canes():
    low, high = ends([(10, 10)] * 3 + [(0, 10)] * 7)
    exact = proportion_confint(3, 10, method="beta")
    assert (low, high) == pytest.approx(exact, abs=0.02)


def test_expected_sample_stands_for_the_samples_it_is_expected_of():
    rng = np.random.default_rng(4)
    dead = rng.binomial(10, rng.beta(0.3 * 4, 0.7 * 4, (600, 12)))
    found = share_posterior(Units.of(dead.ravel(), np.full(7200, 10), np.repeat(
        np.arange(600), 12), 600), prior_icc=0.25)
    low, high = found.limits(0.95)
    near, far = share_posterior(expected_units(0.3, 0.2, 12, 10), prior_icc=0.25).limits(0.95)
    assert far[0] - near[0] == pytest.approx((high - low).mean(), rel=0.05)


def test_totals_alone_keep_the_likeness_unsure():
    one = share_posterior(Units.of([3], [10], [0], 1), prior_icc=0.25).limits(0.95)
    alone = totals_posterior(3, 10, n_units=1, prior_icc=0.25).limits(0.95)
    np.testing.assert_allclose(alone, one, atol=1e-12)  # `advise` and `tally` of one cane differed
    plain = totals_posterior(30, 100, prior_icc=0.25).limits(0.95)
    canes = totals_posterior(30, 100, n_units=10, prior_icc=0.25).limits(0.95)
    assert canes[0][0] < plain[0][0] < plain[1][0] < canes[1][0]
    with pytest.raises(InputError, match="count is 5 of 4"):
        totals_posterior(5, 4, prior_icc=0.25)


def test_one_stratum_is_the_plain_rule():
    rows = [(2, 10), (4, 10), (1, 10), (3, 10), (5, 10), (0, 10), (3, 10), (6, 10)]
    plain = ends(rows)
    found = weighted_posterior(units(rows), np.zeros(8, np.int64), np.ones((1, 1)), prior_icc=0.25)
    low, high = found.limits(0.95)
    assert (low[0], high[0]) == pytest.approx(plain, abs=0.012)


def test_two_strata_agree_with_drawing_from_each():
    # Monte Carlo: with independent buds each stratum's end prior is a beta distribution.
    found = weighted_posterior(
        units([(5, 30), (18, 40)]), np.array([0, 1]), np.array([[0.7, 0.3]]), prior_icc=0)
    rng = np.random.default_rng(8)
    low, high = found.limits(0.95)
    for end, extra, tail in ((low, 0, 0.025), (high, 1, 0.975)):
        drawn = (0.7 * rng.beta(5 + extra, 25 + 1 - extra, 400_000)
                 + 0.3 * rng.beta(18 + extra, 22 + 1 - extra, 400_000))
        # A tenth of its standard deviation: the sum is taken as a beta distribution.
        assert end[0] == pytest.approx(np.quantile(drawn, tail), abs=6e-3)
    assert found.share[0] == pytest.approx(0.7 * 5 / 30 + 0.3 * 18 / 40)


def test_strata_without_buds_or_weight_count_nowhere():
    rows = [(2, 10), (4, 10), (9, 10)]
    weights = np.array([[0.5, 0.0, 0.5]])
    found = weighted_posterior(units(rows), np.array([0, 0, 1]), weights, prior_icc=0.25)
    assert found.n[0] == 20
    assert found.share[0] == pytest.approx(0.3)
    none = weighted_posterior(units(rows), np.array([1, 1, 1]), weights, prior_icc=0.25)
    assert np.isnan(none.share[0])
    assert np.isnan(none.limits(0.95)[0][0])
    with pytest.raises(InputError, match="negative"):
        weighted_posterior(units(rows), np.array([0, 0, 1]), -weights, prior_icc=0.25)


def test_bad_input():
    with pytest.raises(InputError, match="unit 2 has 4 hits of 3"):
        Units.of([1, 4], [3, 3], [0, 0], 1)
    with pytest.raises(InputError, match="one length"):
        Units.of([1], [3, 3], [0, 0], 1)
    with pytest.raises(InputError, match="prior likeness is 1"):
        likeness_grid(1)
