"""Vine-size classes as strata: estimates, intervals, and classes of one cane."""

from __future__ import annotations

import numpy as np
import pytest

from budvision.stats.groups import group_limits
from budvision.vineyard.buds import BudTable, Factor
from budvision.vineyard.mortality import tissue_shares
from budvision.vineyard.strata import cane_strata
from budvision.vocabulary import BudCalls, CallValue, Tissue


def blocks(n_samples, rng, *, canes=(6, 6), shares=(0.1, 0.5), icc=0.2, nodes=10):
    """Blocks with small and large vines that died to different shares."""
    size = (1 - icc) / icc
    per_block = sum(canes)
    n = n_samples * per_block * nodes
    at = np.arange(n)
    cane = at // nodes
    large = (np.arange(n_samples * per_block) % per_block) >= canes[0]
    share = np.where(large, shares[1], shares[0])
    chance = rng.beta(share * size, (1 - share) * size)
    calls = np.full((n, 3), -1)
    calls[:, 0] = rng.random(n) < chance[cane]
    names = tuple(map(str, range(n_samples)))
    return BudTable.from_columns(
        block=Factor(names, at // (per_block * nodes)), cane=cane, node=at % nodes + 1,
        calls=calls, vigor=Factor(("small", "large"), large[cane].astype(np.int64)),
    )


def test_post_stratified_interval_holds():
    table = blocks(1000, np.random.default_rng(9))
    given = {name: {"small": 0.8, "large": 0.2} for name in table.block.names}
    truth = 0.8 * 0.1 + 0.2 * 0.5
    groups = tissue_shares(table, Tissue.PRIMARY, strata_shares=given)
    low, high, _ = group_limits(groups, prior_icc=0.2)
    held = ((low <= truth) & (truth <= high)).mean()
    assert held >= 0.935 - 0.016  # two standard errors of 1000 samples
    assert groups.share.mean() == pytest.approx(truth, abs=0.01)
    # Without the weights the sample, half of it large vines, says something else.
    plain = tissue_shares(table, Tissue.PRIMARY)
    assert plain.share.mean() == pytest.approx(0.3, abs=0.01)


def test_weights_by_hand():
    table = blocks(4, np.random.default_rng(9))
    given = {"1": {"small": 3, "large": 1}}
    groups = tissue_shares(table, Tissue.PRIMARY, strata_shares=given)
    plain = tissue_shares(table, Tissue.PRIMARY)
    assert groups.share[[0, 2, 3]] == pytest.approx(plain.share[[0, 2, 3]])
    assert groups.variance[[0, 2, 3]] == pytest.approx(plain.variance[[0, 2, 3]])
    rows = table.block.codes == 1
    dead, classes = table.calls[rows, 0], table.vigor.codes[rows]
    by_class = [dead[classes == at].mean() for at in (0, 1)]
    assert groups.share[1] == pytest.approx(0.75 * by_class[0] + 0.25 * by_class[1])
    canes = dead.reshape(12, 10).mean(axis=1)
    spread = [canes[:6].var(ddof=1) / 6, canes[6:].var(ddof=1) / 6]
    assert groups.variance[1] == pytest.approx(0.75**2 * spread[0] + 0.25**2 * spread[1])
    assert groups.n_strata.tolist() == [1, 2, 1, 1]


def test_a_class_of_one_cane_borrows():
    table = blocks(1, np.random.default_rng(9), canes=(8, 1))
    given = {"0": {"small": 0.5, "large": 0.5}}
    groups = tissue_shares(table, Tissue.PRIMARY, strata_shares=given)
    canes = table.calls[:80, 0].reshape(8, 10).mean(axis=1)
    one = canes.var(ddof=1)
    assert groups.variance[0] == pytest.approx(0.25 * one / 8 + 0.25 * one)


def test_classes_nobody_named_are_left_unweighted():
    buds = [BudCalls("A", str(cane), 1, CallValue.DEAD if cane < 3 else CallValue.LIVE,
                     vigor="medium") for cane in range(9)]
    table = BudTable.from_calls(buds)
    assert set(cane_strata(table)) == {0}
    groups = tissue_shares(table, Tissue.PRIMARY, strata_shares={"A": {"small": 1.0}})
    assert groups.share[0] == pytest.approx(3 / 9)
