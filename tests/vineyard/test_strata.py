"""Zones and vine sizes as strata: estimates, intervals, and what the weights cannot reach."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from budvision.errors import InputError
from budvision.vineyard.buds import BudTable, Factor
from budvision.vineyard.mortality import summarise_table
from budvision.vineyard.strata import block_strata, weighed
from budvision.vineyard.tissues import tissue_units
from budvision.vocabulary import BudCalls, CallValue, Tissue

LIVE, DEAD = CallValue.LIVE, CallValue.DEAD


def summarise(told, *, strata_shares=None, **options):
    """The answer for buds of one block."""
    shares = None if strata_shares is None else {told[0].block: strata_shares}
    return summarise_table(BudTable.from_calls(told), strata_shares=shares, **options)[0]


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


def shares_of(table, given):
    strata = block_strata(table, sizes=given)
    units, keep = tissue_units(table, Tissue.PRIMARY)
    return weighed(units, strata.judged(keep) if strata else None, prior_icc=0.25)


@pytest.mark.slow
def test_post_stratified_interval_holds():
    table = blocks(500, np.random.default_rng(9))
    given = {name: {"small": 0.8, "large": 0.2} for name in table.block.names}
    truth = 0.8 * 0.1 + 0.2 * 0.5
    found = shares_of(table, given)
    low, high = found.limits(0.95)
    held = ((low <= truth) & (truth <= high)).mean()
    assert held >= 0.935 - 0.022  # two standard errors of 500 samples
    assert found.share.mean() == pytest.approx(truth, abs=0.01)
    # Without the weights the sample, half of it large vines, says something else.
    assert shares_of(table, None).share.mean() == pytest.approx(0.3, abs=0.015)


def test_weights_by_hand():
    table = blocks(4, np.random.default_rng(9))
    found, plain = shares_of(table, {"1": {"small": 3, "large": 1}}), shares_of(table, None)
    others = [0, 2, 3]
    assert found.share[others] == pytest.approx(plain.share[others])
    assert found.variance[others] == pytest.approx(plain.variance[others])
    rows = table.block.codes == 1
    dead, classes = table.calls[rows, 0], table.vigor.codes[rows]
    by_class = [dead[classes == at].mean() for at in (0, 1)]
    assert found.share[1] == pytest.approx(0.75 * by_class[0] + 0.25 * by_class[1])
    assert found.n_units[1] == 12


def test_classes_nobody_named_are_left_unweighted_and_said():
    buds = [BudCalls(block="A", cane=str(cane), node=1, primary=DEAD if cane < 3 else LIVE,
                     vigor="medium")
            for cane in range(9)]
    row = summarise(buds, strata_shares={"small": 1.0})
    assert row.tissues[Tissue.PRIMARY].mortality == pytest.approx(3 / 9)
    assert not row.weighting.applied
    assert any("nothing is weighted" in text for text in row.warnings)


def sampled(dead, *, cane, vigor="", zone="", secondary=LIVE):
    return [BudCalls(block="A", cane=cane, node=node, primary=DEAD if node <= dead else LIVE,
                     secondary=secondary, vigor=vigor,
                     zone=zone) for node in range(1, 11)]


def test_crop_and_nodes_are_weighted_where_mortality_is():
    told = [bud for cane in range(10)
            for bud in sampled(5, cane=f"s{cane}", vigor="small", secondary=DEAD)
            + sampled(1, cane=f"l{cane}", vigor="large", secondary=DEAD)]
    row = summarise(told, strata_shares={"small": 0.9, "large": 0.1}, normal_nodes=40)
    primary = row.tissues[Tissue.PRIMARY]
    assert primary.mortality == pytest.approx(0.9 * 0.5 + 0.1 * 0.1)
    assert primary.method == "beta_binomial_strata"
    assert row.crop_potential.share == pytest.approx(1 - primary.mortality)
    assert row.crop_potential.low < row.crop_potential.share < row.crop_potential.high
    assert row.nodes["exact"].unrounded == pytest.approx(40 / (1 - 0.46))
    assert row.nodes["crop_potential"].unrounded == pytest.approx(40 / (1 - 0.46))


def test_what_has_no_class_and_what_was_not_sampled_is_said():
    told = [bud for cane in range(8) for bud in sampled(2, cane=str(cane), vigor="small")]
    told += sampled(9, cane="x")
    row = summarise(told, strata_shares={"small": 0.4, "large": 0.6})
    facts = row.weighting
    assert (facts.n_without, facts.unsampled, facts.unsampled_weight) == (1, {"large": 0.6}, 0.6)
    assert row.tissues[Tissue.PRIMARY].mortality == pytest.approx(0.2)
    assert any("Nothing was judged in large, 60 %" in text for text in row.warnings)
    assert any("1 cane without a vine-size class" in text for text in row.warnings)


def test_zones_are_weighted_by_their_rows():
    # A fifth of the rows 80 % dead, the rest 10 %: 24 %, not the 45 % of equal samples.
    told = [bud for cane in range(10) for bud in sampled(8, cane=f"a{cane}", zone="low")
            + sampled(1, cane=f"b{cane}", zone="slope")]
    table = BudTable.from_calls(told)
    (plain,), (row,) = (summarise_table(table, zone_shares=shares) for shares in (
        None, {"A": {"low": 0.2, "slope": 0.8}}))
    assert plain.tissues[Tissue.PRIMARY].mortality == pytest.approx(0.45)
    assert row.tissues[Tissue.PRIMARY].mortality == pytest.approx(0.24)
    assert row.weighting.by == "zone"
    assert row.band.name == "retain_more"
    assert row.tissues[Tissue.PRIMARY].high - row.tissues[Tissue.PRIMARY].low < 0.25


def test_bad_shares():
    table = BudTable.from_calls(sampled(1, cane="1", vigor="small"))
    with pytest.raises(InputError, match="zone shares"):
        summarise_table(table, zone_shares={"A": {"low": -1, "slope": 2}})


def test_each_block_is_weighted_by_what_it_names():
    told = [bud for cane in range(4)
            for bud in sampled(8, cane=f"a{cane}", zone="low", vigor="small")
            + sampled(1, cane=f"b{cane}", zone="slope", vigor="large")]
    both = told + [dataclasses.replace(bud, block=name) for bud in told for name in "BC"]
    a, b, c = summarise_table(
        BudTable.from_calls(both), zone_shares={"A": {"low": 0.2, "slope": 0.8}},
        strata_shares={"A": {"small": 1.0}, "B": {"small": 0.9, "large": 0.1}})
    shares = [row.tissues[Tissue.PRIMARY].mortality for row in (a, b, c)]
    assert shares == pytest.approx([0.24, 0.73, 0.45])
    assert (a.weighting.by, b.weighting.by, c.weighting) == ("zone", "vigor", None)


def test_weights_do_not_hide_that_whole_canes_may_be_dead():
    """No bud dead in two zones of ten canes: the interval ends at 9 %, whole canes leave 17 %.

    Where a cane in ten of each zone is dead, and whole, 12 samples in 100 show no dead bud.
    """
    buds = [BudCalls(block="A", cane=str(cane), node=node, zone="top" if cane < 10 else "low",
                     primary=LIVE) for cane in range(20) for node in range(1, 11)]
    equal, unequal = {"A": {"top": 1, "low": 1}}, {"A": {"top": 1, "low": 4}}
    even, most_low = (summarise_table(BudTable.from_calls(buds), zone_shares=shares)[0]
                      for shares in (equal, unequal))
    whole = even.tissues[Tissue.PRIMARY].if_units_whole
    assert whole == pytest.approx(1 - 0.025 ** (1 / 20))
    assert even.tissues[Tissue.PRIMARY].high < 0.1 < whole
    # The worst that ten canes each leave open lies in the zone that is four fifths of the block.
    found = most_low.tissues[Tissue.PRIMARY].if_units_whole
    shares = np.linspace(0, 1, 100_001)
    other = 1 - (0.025 / (1 - shares[:-1]) ** 10) ** 0.1
    both = 0.8 * shares[:-1] + 0.2 * other
    assert found == pytest.approx(both[other >= 0].max(), abs=1e-5)
    dead = [dataclasses.replace(bud, primary=DEAD) for bud in buds]
    result = summarise_table(BudTable.from_calls(dead), zone_shares=equal)[0]
    assert result.tissues[Tissue.PRIMARY].if_units_whole == pytest.approx(1 - whole)


def test_bounds_of_a_weighted_block_are_said_to_be_before_weighting():
    buds = [BudCalls(block="A", cane=str(cane), node=node, zone="top" if cane < 4 else "low",
                     primary=CallValue.UNSURE if node < 5 else DEAD if cane < 4 else LIVE)
            for cane in range(8) for node in range(1, 9)]
    result = summarise_table(BudTable.from_calls(buds), zone_shares={"A": {"top": 1, "low": 4}})[0]
    assert result.tissues[Tissue.PRIMARY].mortality == pytest.approx(0.2)
    assert ("32 of 64 primaries are unsure: with all that nobody could judge live, 25 % are dead; "
            "with all of them dead, 75 %. That is before weighting.") in result.warnings
