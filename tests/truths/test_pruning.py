"""Compensation, bands and crop potential against published values."""

from __future__ import annotations

import pytest

from budvision.stats.proportions import clopper_pearson, wilson
from budvision.vineyard.buds import BudTable
from budvision.vineyard.mortality import summarise_table
from budvision.vineyard.policies import Band, Policy, shipped_policies
from budvision.vineyard.pruning import add_share_dead, round_nodes
from budvision.vocabulary import BudCalls, CallValue

EXACT = Policy("exact", "", "", (
    Band(name="all", low=0.0, high=1.0, low_included=True, high_included=True, action="",
         rule="divide_by_share_alive"),))
"""Exact compensation at every share, normal / (1 - m)."""


def test_compensation_table(truth):
    for row in truth("compensation.csv"):
        dead = float(row["share_dead"])
        assert float(EXACT.factor(dead)) == pytest.approx(float(row["exact"]), abs=5.1e-5)
        assert add_share_dead(1, dead) == pytest.approx(float(row["additive"]), abs=5e-3)
        alive = add_share_dead(1, dead) * (1 - dead)
        assert alive == pytest.approx(float(row["alive_after_additive"]), abs=5.1e-5)


def test_worked_examples_in_use():
    # Worked arithmetic of common practice: 50 live wanted, 40 % dead -> 83.3, leave 83.
    assert round_nodes(50 * float(EXACT.factor(0.40))) == 83
    # Northern New York grape update, 28 Feb 2014: 35 % injured, leave 35 % more.
    assert add_share_dead(100, 0.35) == pytest.approx(135)


def test_interval_carried_through():
    # 35 dead of 100, 40 normal. Wilson 54.3 to 72.4, point 61.5; exact 53.9 to 73.0 (computed).
    assert 40 * EXACT.factor(0.35) == pytest.approx(61.54, abs=5e-3)
    for interval, low, high in (
        (wilson(35, 100), 54.3, 72.4), (clopper_pearson(35, 100), 53.9, 73.0)
    ):
        assert 40 * EXACT.factor(interval.low) == pytest.approx(low, abs=0.05)
        assert 40 * EXACT.factor(interval.high) == pytest.approx(high, abs=0.05)


def test_bands_at_their_edges(truth):
    policies = shipped_policies()
    rows = truth("bands.csv")
    assert {row["policy"] for row in rows} == set(policies)
    for row in rows:
        policy, dead = policies[row["policy"]], float(row["share_dead"])
        assert policy.band(dead).name == row["band"], row
        factor = float(policy.factor(dead))
        if row["nodes"]:
            assert round_nodes(40 * factor) == int(row["nodes"]), row
        else:
            assert factor != factor, row


def test_crop_potential_with_published_weights():
    # G. S. Howell, grapes.extension.org, 'Estimating grapevine potential productivity after spring
    # frost or winter bud damage': secondary 35 %. 60 live, 30 secondaries, 10 blind -> 70.5 %.
    buds = [BudCalls(block="A", cane="1", node=node, tertiary=None,
                     primary=CallValue.LIVE if node <= 60 else CallValue.DEAD,
                     secondary=CallValue.LIVE if 60 < node <= 90 else CallValue.DEAD)
            for node in range(1, 101)]
    (block,) = summarise_table(BudTable.from_calls(buds), secondary_crop=0.35)
    assert block.crop_potential.share == pytest.approx(0.705)
    # 100 / (100 + 35) lies within the published 70-75 % (Wines & Vines, Oct 2015).
    assert 0.70 < 1 / (1 + 0.35) < 0.75
