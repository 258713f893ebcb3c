"""Kappa against statsmodels and scikit-learn."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats import inter_rater

from budvision.errors import InputError
from budvision.stats.agreement import agreement_table, cohen_kappa, kappa_words

tables = st.lists(st.lists(st.integers(0, 30), min_size=3, max_size=3), min_size=3, max_size=3)


def used(table):
    counts = np.array(table)
    return np.sum((counts.sum(axis=0) > 0) & (counts.sum(axis=1) > 0)) >= 2


@given(tables)
def test_kappa_agrees_with_statsmodels(table):
    assume(used(table))
    got = cohen_kappa(table)
    wanted = inter_rater.cohens_kappa(np.array(table))
    assert got.kappa == pytest.approx(float(wanted.kappa), abs=1e-9)
    assert got.se == pytest.approx(float(np.sqrt(max(wanted.var_kappa, 0))), abs=1e-6)
    first, second = (np.repeat(side, np.ravel(table)) for side in np.indices((3, 3)).reshape(2, 9))
    assert got.kappa == pytest.approx(cohen_kappa_score(first, second), abs=1e-9)
    words = [0, 1, 2]
    assert agreement_table(first, second, words).tolist() == table


def test_bad_input():
    for table in ([[1, 2]], [[0, 0], [0, 0]], [[1, -1], [0, 1]], [[3]]):
        with pytest.raises(InputError, match="table"):
            cohen_kappa(table)
    with pytest.raises(InputError, match="one word only"):
        cohen_kappa([[9, 0], [0, 0]])


def test_few_buds_tell_nothing_and_no_interval_is_without_width():
    # Before: kappa 1.00 (1.00 to 1.00) of five buds.
    five = cohen_kappa([[3, 0], [0, 2]])
    assert five.kappa == 1
    assert np.isnan([five.low, five.high]).all()
    assert kappa_words(five.kappa, n=five.n) == "too few to tell"
    alike = cohen_kappa([[30, 0], [0, 20]])
    assert np.isnan(alike.low)
    assert kappa_words(alike.kappa, n=alike.n) == "almost perfect"
    some = cohen_kappa([[8, 1], [2, 9]])    # 20 buds: 0.70, Wald 0.3886 to 1.0114, cut at 1
    assert (some.low, some.high) == (pytest.approx(0.3886, abs=5e-5), 1)
