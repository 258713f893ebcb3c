"""Likeness within canes: properties, and one call for many blocks against one block at a time."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from budvision.errors import InputError
from budvision.stats.clusters import (
    anova_icc,
    beta_binomial_fit,
    clusters_needed,
    design_effect,
    summarise_clusters,
)
from budvision.stats.groups import group_limits, group_shares, working_effect

cane = st.integers(1, 15).flatmap(lambda m: st.tuples(st.integers(0, m), st.just(m)))
canes = st.lists(cane, min_size=2, max_size=25)


def table(rows):
    x, m = np.array(rows).T
    return x, m, group_shares(x, m, np.zeros(len(x), dtype=np.int64), 1)


@given(canes)
def test_variance_is_that_of_a_ratio(rows):
    x, m, groups = table(rows)
    k, n, share = len(m), m.sum(), x.sum() / m.sum()
    by_hand = k / (k - 1) * sum((a - share * b) ** 2 for a, b in rows) / n**2
    assert groups.variance[0] == pytest.approx(by_hand)
    icc = anova_icc(x, m)
    assert groups.icc[0] == pytest.approx(icc, nan_ok=True, abs=1e-9)
    assert np.isnan(icc) or icc <= 1 + 1e-9


@given(canes, st.integers(0, 2**32 - 1))
def test_order_of_canes_does_not_matter(rows, number):
    rng = np.random.default_rng(number)
    shuffled = [rows[at] for at in rng.permutation(len(rows))]
    one, other = (summarise_clusters(*np.array(some).T) for some in (rows, shuffled))
    assert one.se == pytest.approx(other.se)
    assert one.icc == pytest.approx(other.icc, nan_ok=True, abs=1e-9)


@given(st.lists(canes, min_size=1, max_size=6))
def test_many_blocks_at_once_equal_one_at_a_time(blocks):
    x, m = np.array([row for rows in blocks for row in rows]).T
    group = np.repeat(np.arange(len(blocks)), [len(rows) for rows in blocks])
    low, high, effect = group_limits(group_shares(x, m, group, len(blocks)), prior_icc=0.2)
    for at, rows in enumerate(blocks):
        one_low, one_high, one = group_limits(table(rows)[2], prior_icc=0.2)
        assert (low[at], high[at]) == pytest.approx((one_low[0], one_high[0]))
        assert effect.from_prior[at] == one.from_prior[0]


@given(canes, st.floats(0, 0.8), st.floats(0, 0.1))
def test_a_stronger_prior_never_narrows(rows, icc, step):
    groups = table(rows)[2]
    low, high, _ = group_limits(groups, prior_icc=icc)
    low_2, high_2, _ = group_limits(groups, prior_icc=icc + step)
    assert low_2[0] <= low[0] + 1e-9
    assert high_2[0] >= high[0] - 1e-9


def test_thin_samples_rest_on_the_prior():
    few = table([(0, 10)] * 5)[2]
    effect = working_effect(few, prior_icc=0.2)
    assert effect.from_prior[0]
    assert effect.design_effect[0] == pytest.approx(1 + 9 * 0.2)
    assert effect.n_effective[0] == pytest.approx(50 / 2.8)
    many = table([(3, 10), (4, 10), (2, 10), (5, 10)] * 4)[2]
    assert not working_effect(many, prior_icc=0.2).from_prior[0]


def test_one_bud_a_cane_is_single_stage():
    low, high, effect = group_limits(table([(1, 1)] * 10 + [(0, 1)] * 10)[2], prior_icc=0.2)
    assert effect.single[0]
    # Wilson, 10 of 20: 0.2993 to 0.7007 (statsmodels, proportion_confint(10, 20, method="wilson")).
    assert (low[0], high[0]) == pytest.approx((0.2993, 0.7007), abs=5e-5)


def test_clusters_all_alike_have_icc_one():
    assert anova_icc([0, 5, 0, 5], [5, 5, 5, 5]) == pytest.approx(1)
    assert beta_binomial_fit([1, 1, 1, 1], [2, 2, 2, 2]).icc == 0


def test_beta_binomial_finds_what_made_the_data():
    rng = np.random.default_rng(3)
    shares = rng.beta(0.3 * 4, 0.7 * 4, size=4000)  # icc 1 / (4 + 1)
    fit = beta_binomial_fit(rng.binomial(10, shares), np.full(4000, 10))
    assert fit.share == pytest.approx(0.3, abs=0.02)
    assert fit.icc == pytest.approx(0.2, abs=0.02)


def test_bad_input():
    with pytest.raises(InputError, match="cluster 2 has 4 hits of 3"):
        summarise_clusters([1, 4], [3, 3])
    with pytest.raises(InputError, match="no cluster has anything judged"):
        anova_icc([0], [0])
    with pytest.raises(InputError, match="one value a cluster"):
        anova_icc([0, 1], [2])
    with pytest.raises(InputError, match="0 of 6 are hits"):
        beta_binomial_fit([0, 0], [3, 3])
    with pytest.raises(InputError, match="size is 0"):
        design_effect(0, 0.1)
    with pytest.raises(InputError, match="share is 0"):
        clusters_needed(0, size=5, icc=0.1, relative_error=0.1)
