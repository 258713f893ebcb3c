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
from budvision.stats.misreading import ReadersRight, corrected_share

counts = st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
METHODS = {"wilson": "wilson", "clopper_pearson": "beta"}


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


@given(counts)
def test_dead_and_live_mirror_each_other(count):
    x, n = count
    one, other = p.clopper_pearson(x, n), p.clopper_pearson(n - x, n)
    assert one.low == pytest.approx(1 - other.high, abs=1e-9)
    assert one.high == pytest.approx(1 - other.low, abs=1e-9)


@pytest.mark.parametrize("n", [1, 5, 20, 100])
def test_nothing_dead_and_everything_dead_give_a_bound(n):
    none, every = p.clopper_pearson(0, n), p.clopper_pearson(n, n)
    assert none.low == 0
    assert none.high == pytest.approx(1 - 0.025 ** (1 / n))
    assert every.high == 1
    assert every.low == pytest.approx(0.025 ** (1 / n))


@given(st.integers(2, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_size_of_a_width_is_the_size_that_made_it(count):
    x, n = count
    exact = p.clopper_pearson(x, n)
    size = p.size_of_width([x / n], [exact.low], [exact.high], 0.95)
    low, high = p.effective_limits(x / n * size, size, 0.95)
    assert high[0] - low[0] == pytest.approx(exact.high - exact.low, rel=0.02)


@pytest.mark.parametrize(
    ("x", "n", "match"),
    [(5, 4, "count is 5 of 4"), (-1, 4, "count is -1"), (0, 0, "judged is 0"),
     (1, float("nan"), "judged is nan")],
)
def test_impossible_counts(x, n, match):
    for method in (p.wilson, p.clopper_pearson):
        with pytest.raises(InputError, match=match):
            method(x, n)


def test_impossible_options():
    with pytest.raises(InputError, match="confidence is 95"):
        p.wilson(1, 2, confidence=95)
    with pytest.raises(InputError, match="specificity 0.3"):
        corrected_share(0.1, 10, ReadersRight(5, 10, 3, 10))


def test_arrays_are_not_changed():
    x, n = np.array([0.0, 3.0, 5.0]), np.array([5.0, 5.0, 5.0])
    before = x.copy(), n.copy()
    p.effective_limits(x, n, 0.95)
    p.wilson_limits(x, n, 0.95)
    assert np.array_equal(x, before[0])
    assert np.array_equal(n, before[1])
