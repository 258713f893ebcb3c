"""Kappa against statsmodels and scikit-learn, and the paired difference over canes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats import inter_rater

from budvision.errors import InputError
from budvision.stats.agreement import (
    agreement_table,
    cohen_kappa,
    fleiss_kappa,
    paired_difference,
    share_agreed,
)

tables = st.lists(st.lists(st.integers(0, 30), min_size=3, max_size=3), min_size=3, max_size=3)


def used(table):
    counts = np.array(table)
    return np.sum((counts.sum(axis=0) > 0) & (counts.sum(axis=1) > 0)) >= 2


@given(tables, st.sampled_from([None, "linear", "quadratic"]))
def test_kappa_agrees_with_statsmodels(table, weights):
    assume(used(table))
    got = cohen_kappa(table, weights=weights)
    wanted = inter_rater.cohens_kappa(
        np.array(table), wt={None: None, "linear": "linear", "quadratic": "fc"}[weights]
    )
    assert got.kappa == pytest.approx(float(wanted.kappa), abs=1e-9)
    assert got.se == pytest.approx(float(np.sqrt(max(wanted.var_kappa, 0))), abs=1e-6)
    first, second = (np.repeat(side, np.ravel(table)) for side in np.indices((3, 3)).reshape(2, 9))
    assert got.kappa == pytest.approx(cohen_kappa_score(first, second, weights=weights), abs=1e-9)
    words = [0, 1, 2]
    assert agreement_table(first, second, words).tolist() == table


@given(st.lists(st.lists(st.integers(0, 2), min_size=4, max_size=4), min_size=3, max_size=30))
def test_fleiss_agrees_with_statsmodels(readings):
    assume(len(np.unique(readings)) > 1)
    counts = np.stack([(np.array(readings) == word).sum(axis=1) for word in range(3)], axis=1)
    assert fleiss_kappa(counts).kappa == pytest.approx(
        float(inter_rater.fleiss_kappa(counts)), abs=1e-9
    )


def test_share_agreed():
    got = share_agreed([[18, 1], [1, 0]])
    assert (got.n, got.n_agreed, got.share) == (20, 18, 0.9)
    # R package binom, 18 of 20 by Wilson: 0.698966 to 0.972134.
    assert (got.interval.low, got.interval.high) == pytest.approx((0.698966, 0.972134), abs=1e-6)


def test_paired_difference_of_equal_canes_is_a_t_interval():
    rng = np.random.default_rng(2)
    first, second = rng.integers(0, 2, (2, 60))
    cane = np.repeat(np.arange(12), 5)
    got, interval = paired_difference(first, second, cane)
    from scipy import stats

    means = (first - second).reshape(12, 5).mean(axis=1)
    wanted = stats.t.interval(0.95, 11, means.mean(), stats.sem(means))
    assert got == pytest.approx(means.mean())
    assert (interval.low, interval.high) == pytest.approx(wanted)


def test_bad_input():
    for table in ([[1, 2]], [[0, 0], [0, 0]], [[1, -1], [0, 1]], [[3]]):
        with pytest.raises(InputError, match="table"):
            cohen_kappa(table)
    with pytest.raises(InputError, match="one word only"):
        cohen_kappa([[9, 0], [0, 0]])
    with pytest.raises(InputError, match="weights are 'cubic'"):
        cohen_kappa([[1, 2], [3, 4]], weights="cubic")
    with pytest.raises(InputError, match="weights have shape"):
        cohen_kappa([[1, 2], [3, 4]], weights=[[0]])
    with pytest.raises(InputError, match="2 to 3 readers"):
        fleiss_kappa([[1, 1], [1, 2]])
    with pytest.raises(InputError, match="one word only"):
        fleiss_kappa([[2, 0], [2, 0]])
    with pytest.raises(InputError, match="at least two canes"):
        paired_difference([1, 0], [0, 0], ["a", "a"])
