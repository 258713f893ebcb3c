"""Intervals for shares: against statsmodels and scipy, and properties that must hold."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from budvision.errors import InputError
from budvision.stats import proportions as p
from budvision.stats.misreading import rogan_gladen

counts = st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
METHODS = {"wilson": "wilson", "clopper_pearson": "beta", "jeffreys": "jeffreys"}


@given(counts, st.sampled_from([0.8, 0.9, 0.95, 0.99]))
def test_agrees_with_statsmodels(count, confidence):
    x, n = count
    for ours, theirs in METHODS.items():
        got = getattr(p, ours)(x, n, confidence=confidence)
        low, high = proportion_confint(x, n, alpha=1 - confidence, method=theirs)
        assert got.low == pytest.approx(float(low), abs=1e-9)
        assert got.high == pytest.approx(float(high), abs=1e-9)


@given(counts)
def test_agrees_with_scipy(count):
    x, n = count
    wanted = stats.binomtest(x, n).proportion_ci(method="exact")
    got = p.clopper_pearson(x, n)
    assert (got.low, got.high) == pytest.approx((wanted.low, wanted.high), abs=1e-9)


@given(counts, st.floats(1, 20), st.integers(2, 60))
def test_interval_holds_the_share_and_widens(count, effect, canes):
    x, n = count
    plain = p.mortality_interval(x, n)
    wide = p.mortality_interval(x, n, design_effect=effect)
    wider = p.mortality_interval(x, n, design_effect=effect, n_clusters=canes)
    assert 0 <= wider.low <= wide.low <= plain.low + 1e-12
    assert plain.low <= x / n <= plain.high
    assert plain.high <= wide.high + 1e-12
    assert wide.high <= wider.high + 1e-12 <= 1 + 1e-11


@given(counts)
def test_dead_and_live_mirror_each_other(count):
    x, n = count
    one = p.mortality_interval(x, n, design_effect=1.7, n_clusters=12)
    other = p.mortality_interval(n - x, n, design_effect=1.7, n_clusters=12)
    assert one.low == pytest.approx(1 - other.high, abs=1e-9)
    assert one.high == pytest.approx(1 - other.low, abs=1e-9)


@pytest.mark.parametrize("n", [1, 5, 20, 100])
def test_nothing_dead_and_everything_dead_give_a_bound(n):
    none, every = p.mortality_interval(0, n), p.mortality_interval(n, n)
    assert none.low == 0
    assert none.high == pytest.approx(1 - 0.025 ** (1 / n))
    assert every.high == 1
    assert every.low == pytest.approx(0.025 ** (1 / n))


def test_effective_size_of_korn_and_graubard():
    # n / deff times (t(n - 1) / t(df)) squared, by hand with scipy's quantiles.
    size = 100 / 2.5 * (stats.t.ppf(0.975, 99) / stats.t.ppf(0.975, 9)) ** 2
    got = p.mortality_interval(30, 100, design_effect=2.5, n_clusters=10)
    wanted = p.clopper_pearson(0.3 * size, size)
    assert (got.low, got.high) == pytest.approx((wanted.low, wanted.high))
    assert got.method == "korn_graubard"


@pytest.mark.parametrize(
    ("x", "n", "match"),
    [(5, 4, "count is 5 of 4"), (-1, 4, "count is -1"), (0, 0, "judged is 0"),
     (1, float("nan"), "judged is nan")],
)
def test_impossible_counts(x, n, match):
    for method in (p.wilson, p.clopper_pearson, p.agresti_coull, p.jeffreys, p.mortality_interval):
        with pytest.raises(InputError, match=match):
            method(x, n)


def test_impossible_options():
    with pytest.raises(InputError, match="design effect is 0.5"):
        p.mortality_interval(1, 2, design_effect=0.5)
    with pytest.raises(InputError, match="confidence is 95"):
        p.wilson(1, 2, confidence=95)
    with pytest.raises(InputError, match="side is 'left'"):
        p.one_sided_bound(1, 2, side="left")
    with pytest.raises(InputError, match="specificity 0.3"):
        rogan_gladen(1, 10, sensitivity=0.5, specificity=0.3)


def test_arrays_are_not_changed():
    x, n = np.array([0.0, 3.0, 5.0]), np.array([5.0, 5.0, 5.0])
    before = x.copy(), n.copy()
    p.effective_limits(x, n, 0.95)
    p.wilson_limits(x, n, 0.95)
    assert np.array_equal(x, before[0])
    assert np.array_equal(n, before[1])
