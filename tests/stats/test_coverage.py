"""The interval holds the truth as often as it says; the full table is printed by the command."""

from __future__ import annotations

import numpy as np
import pytest

from budvision.stats.coverage import SHARES, coverage, coverage_table, main, simulate_canes
from budvision.stats.groups import group_shares
from budvision.stats.proportions import effective_limits


@pytest.mark.parametrize("n_canes", [10, 20])
@pytest.mark.parametrize("icc", [0.0, 0.1, 0.3])
def test_nominal_95_holds(n_canes, icc):
    row = coverage(n_canes=n_canes, icc=icc, n_samples=3000, rng=np.random.default_rng(7))
    # 93.5 % is the bar; 3000 samples have a standard error of 0.45 points.
    assert min(row.coverage) >= 0.935
    assert len(row.coverage) == len(SHARES)


def test_the_prior_is_what_holds_it_with_five_canes():
    with_prior, without = (
        coverage(n_canes=5, icc=0.5, shares=(0.20,), n_samples=3000, prior_icc=prior,
                 rng=np.random.default_rng(7))
        for prior in (0.2, 0.0)
    )
    assert with_prior.coverage[0] >= 0.935 > 0.90 > without.coverage[0]
    assert with_prior.from_prior[0] > 0.1


def test_ignoring_canes_would_not_hold():
    # What the design effect is for: the exact interval on the buds alone misses one time in four.
    dead = simulate_canes(0.3, 0.3, 10, 10, 3000, rng=np.random.default_rng(7)).ravel()
    groups = group_shares(dead, np.full(30000, 10), np.repeat(np.arange(3000), 10), 3000)
    low, high = effective_limits(groups.hits, groups.n, 0.95)
    assert ((low <= 0.3) & (high >= 0.3)).mean() < 0.80


def test_simulated_canes_have_the_icc_asked_for():
    dead = simulate_canes(0.3, 0.25, 5000, 10, 1, rng=np.random.default_rng(7))[0]
    groups = group_shares(dead, np.full(5000, 10), np.zeros(5000, dtype=np.int64), 1)
    assert groups.icc[0] == pytest.approx(0.25, abs=0.02)
    assert groups.share[0] == pytest.approx(0.30, abs=0.02)


def test_command_prints_the_table(capsys):
    assert main(["--samples", "300"]) in (0, 1)
    out = capsys.readouterr().out
    assert out.count("\n| ") == 1 + 1 + 25
    assert "Smallest for 10 or more canes" in out
    row = coverage(n_canes=5, icc=0.1, n_samples=100, rng=np.random.default_rng(1))
    assert coverage_table([row]).count("|\n") == 2
