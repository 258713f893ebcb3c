"""The block's answer: counting, missing tissues, bands, nodes, notes; arrays against one block."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from budvision.errors import InputError
from budvision.language import speaking
from budvision.settings import Settings
from budvision.stats.posterior import share_posterior
from budvision.stats.units import Units
from budvision.vineyard.buds import CALL_CODES, BudTable
from budvision.vineyard.mortality import summarise_table
from budvision.vineyard.policies import shipped_policies
from budvision.vocabulary import TISSUES, BudCalls, CallValue, Cause, Tissue

LIVE, DEAD, UNSURE = CallValue.LIVE, CallValue.DEAD, CallValue.UNSURE
any_call = st.sampled_from([None, *CallValue])


def summarise(told, **options):
    """The answer for buds of one block."""
    return summarise_table(BudTable.from_calls(told), **options)[0]


def buds(dead_of_canes, *, block="A", size=10, secondary=LIVE, **more):
    return [
        BudCalls(block=block, cane=str(cane), node=node, primary=DEAD if node <= dead else LIVE,
                 secondary=secondary, tertiary=None, **more)
        for cane, dead in enumerate(dead_of_canes, 1) for node in range(1, size + 1)
    ]


def test_counts_and_interval():
    result = summarise(buds([3, 4, 3, 4, 3, 4, 3, 4, 3, 4]))
    primary = result.tissues[Tissue.PRIMARY]
    assert (primary.n_dead, primary.n_live, result.n_buds, result.n_canes) == (35, 65, 100, 10)
    assert primary.mortality == 0.35
    assert primary.design_effect >= 1  # canes more alike than chance never narrow the interval
    assert (primary.unit, primary.n_units, primary.method) == ("cane", 10, "beta_binomial")
    wanted = share_posterior(Units.of([3, 4] * 5, [10] * 10, [0] * 10, 1), prior_icc=0.25)
    ends = [float(end[0]) for end in wanted.limits(0.95)]
    assert [primary.low, primary.high] == pytest.approx(ends)
    assert result.band.name == "double"  # the edge of 35 % belongs to the upper band
    nodes = result.nodes
    assert (nodes["band"].retain, nodes["exact"].retain) == (80, 62)
    assert nodes["exact"].unrounded == pytest.approx(40 / 0.65)
    # 65 live primaries and 35 live secondaries at a third.
    assert result.crop_potential.share == pytest.approx((65 + 35 / 3) / 100)
    assert nodes["crop_potential"].unrounded == pytest.approx(40 / (65 + 35 / 3) * 100)
    assert sum(result.band_probabilities.values()) == pytest.approx(1)
    assert result.tissues[Tissue.TERTIARY].mortality is None
    assert "no tertiary" in result.tissues[Tissue.TERTIARY].reason


def test_unsure_and_unexposed_count_nowhere():
    told = buds([3, 5, 2, 4, 3, 6, 1, 4, 5, 2])
    doubtful = [
        dataclasses.replace(bud, node=bud.node + 50, primary=value)
        for bud, value in zip(told, [UNSURE, CallValue.NOT_EXPOSED, None] * 40, strict=False)
    ]
    one, two = summarise(told), summarise([*told, *doubtful])
    first, second = (result.tissues[Tissue.PRIMARY] for result in (one, two))
    assert (first.low, first.high) == (second.low, second.high)
    assert second.n_unsure + second.n_not_exposed + second.n_not_called == 100
    assert two.crop_potential == one.crop_potential


def test_missing_tissues_are_bounded_and_warned_of_where_they_are_many():
    sample = buds([2] * 10)
    assert summarise(sample).tissues[Tissue.PRIMARY].if_missing_dead is None
    few, many = (
        summarise([dataclasses.replace(bud, primary=UNSURE) if number < n else bud
                   for number, bud in enumerate(sample)]) for n in (1, 70))
    assert not any("unsure" in text for text in few.warnings)
    row = few.tissues[Tissue.PRIMARY]
    assert (row.if_missing_live, row.if_missing_dead) == (0.19, 0.20)
    row = many.tissues[Tissue.PRIMARY]
    assert (row.if_missing_live, row.if_missing_dead) == (0.06, 0.76)
    assert any("70 of 100 primaries are unsure: with all that nobody could judge live, 6 % are "
               "dead; with all of them dead, 76 %." in text for text in many.warnings)


def test_causes_other_than_cold_can_be_left_out():
    told = buds([2] * 10)
    told[0] = dataclasses.replace(told[0], causes={Tissue.PRIMARY: Cause.MITES})
    assert summarise(told).tissues[Tissue.PRIMARY].n_dead == 20
    result = summarise(told, settings=Settings(cold_only=True))
    row = result.tissues[Tissue.PRIMARY]
    assert (row.n_dead, row.n_live, row.n_other_cause) == (19, 80, 1)
    assert any("another cause" in note for note in result.notes)
    assert result.crop_potential.share == pytest.approx((80 + 20 / 3) / 100)


def test_one_cane_falls_back_and_says_so():
    result = summarise(buds([2]))
    assert any("one cane" in text for text in result.warnings)
    row = result.tissues[Tissue.PRIMARY]
    assert row.design_effect_from_prior
    assert row.low < 0.03
    assert row.high > 0.7
    assert any("assumed likeness" in note for note in result.notes)


def test_all_unsure_gives_no_mortality():
    result = summarise([BudCalls(block="A", cane="1", node=node,
                                 primary=UNSURE) for node in range(1, 9)])
    assert result.tissues[Tissue.PRIMARY].mortality is None
    assert result.band is None
    assert result.band_probabilities == {}
    assert result.more_buds is None
    assert result.nodes["band"].retain is None
    assert any("no mortality" in text for text in result.warnings)


@pytest.mark.parametrize(("dead", "low", "high"), [(0, 0.0, None), (10, None, 1.0)])
def test_nothing_or_everything_dead(dead, low, high):
    row = summarise(buds([dead] * 12)).tissues[Tissue.PRIMARY]
    assert row.design_effect_from_prior
    assert 0 <= row.low < row.high <= 1
    assert low is None or row.low == low
    assert high is None or row.high == high


def test_over_the_last_band_there_is_no_count():
    result = summarise(buds([7] * 12))
    assert result.band.name == "minimal"
    assert result.nodes["band"].retain is None
    assert result.nodes["exact"].retain == 100  # 40 / 0.3 is 133, capped at 2.5 times normal
    assert result.nodes["exact"].capped


def test_dead_primary_with_unjudged_secondary():
    told = buds([5] * 10)
    some = [dataclasses.replace(bud, secondary=None) if bud.node == 1 else
            dataclasses.replace(bud, secondary=DEAD) if bud.node == 2 else bud for bud in told]
    result = summarise(some)
    # Under dead primaries 30 of 40 judged secondaries live; the ten unjudged are taken alike.
    assert result.crop_potential.share == pytest.approx(0.5 + 0.5 * 0.75 / 3)
    assert any("taken to be like the others" in note for note in result.notes)
    none = summarise([dataclasses.replace(bud, secondary=None) for bud in told])
    assert none.crop_potential.share == pytest.approx(0.5)
    assert none.crop_potential.high > result.crop_potential.high
    assert any("No secondary under a dead primary" in note for note in none.notes)


def test_more_buds_settle_the_band():
    result = summarise(buds([2, 4, 1, 3, 2, 3, 4, 1, 2, 3]))
    assert result.more_buds > 0
    assert result.more_buds % 10 == 0   # whole canes of as many buds
    before, after = (
        result.outlook.limits(np.array([float(more)]))
        for more in (result.more_buds - 10, result.more_buds)
    )
    assert 0.14 <= after[0][0] < after[1][0] < 0.35
    assert before[0][0] < 0.14 or before[1][0] >= 0.35
    assert summarise(buds([0] * 40)).more_buds == 0
    assert summarise(buds([3, 4] * 10)).more_buds is None  # 35 %, exactly on an edge


@pytest.mark.parametrize("dead", [[0], [0, 0], [2, 2, 2], [2, 3] * 5])
def test_the_buds_asked_for_are_enough_when_they_are_like_the_rest(dead):
    # Before: after the 19 buds it asked for it asked for 19 more.
    asked = summarise(buds(dead)).more_buds
    assert asked > 0
    further = -(-asked // 10 // len(set(dead))) * len(set(dead))    # canes alike those there
    again = (dead * (further + 1))[: len(dead) + further]
    assert summarise(buds(again)).more_buds == 0


def test_more_buds_than_within_reach_are_not_asked_for():
    # 34 of 100: 3,589 more buds were asked for.
    result = summarise(buds([3, 4, 3, 4, 3, 4, 3, 4, 3, 3]))
    assert result.more_buds is None
    assert result.reach.buds == 300
    assert result.reach.bands == ("retain_more", "double")
    low, high = result.outlook.limits([300.0])
    assert (result.reach.low, result.reach.high) == pytest.approx((low[0], high[0]))
    assert any("Even 300 more buds" in text for text in result.notes)
    assert summarise(buds([7] * 40)).reach is None


def test_vines_are_the_units_where_they_are_named():
    # Three vines of ten canes of five buds. By canes: 31 % (20 to 45 %).
    told = []
    for vine, share in enumerate((1, 4, 8), 1):
        rows = buds([share % 5 + (share > 4)] * 10, size=5)
        told += [dataclasses.replace(bud, vine=str(vine), cane=f"{vine}-{bud.cane}")
                 for bud in rows]
    by_vine = summarise(told)
    by_cane = summarise([dataclasses.replace(bud, vine="") for bud in told])
    vine, cane = (result.tissues[Tissue.PRIMARY] for result in (by_vine, by_cane))
    assert (vine.unit, vine.n_units, vine.few_units) == ("vine", 3, True)
    assert (cane.unit, cane.n_units, cane.few_units) == ("cane", 30, False)
    assert vine.mortality == cane.mortality
    assert vine.high - vine.low > 2 * (cane.high - cane.low)
    assert any("3 vines only" in text for text in by_vine.warnings)
    mixed = [dataclasses.replace(bud, vine=bud.vine if bud.vine == "1" else "") for bud in told]
    assert summarise(mixed).tissues[Tissue.PRIMARY].n_units == 21


def test_one_bud_from_an_edge_is_said():
    result = summarise(buds([3, 4, 3, 4, 3, 4, 3, 4, 3, 3]))
    edge = result.edge
    assert (edge.share, edge.buds_to_cross) == (0.35, 1)
    assert (edge.below.name, edge.above.name) == ("retain_more", "double")
    above = sum(result.band_probabilities[name] for name in ("double", "minimal"))
    assert edge.chance_above == pytest.approx(above)
    assert 0.2 < edge.chance_above < 0.6
    assert not result.rules_apart   # 54 to 61 nodes by every policy
    other = summarise(buds([3, 4] * 5))
    assert (other.edge.share, other.edge.buds_to_cross) == (0.35, 1)   # 35 % itself doubles
    assert other.rules_apart        # 54 nodes beside 80: more than the interval makes
    assert summarise(buds([0] * 40)).edges == ()


def test_many_unsure_are_warned_of_with_both_bounds():
    told = buds([1] * 10)
    doubtful = [bud if bud.node <= 3 else dataclasses.replace(bud, primary=UNSURE) for bud in told]
    result = summarise(doubtful)
    row = result.tissues[Tissue.PRIMARY]
    assert row.unsure_share == pytest.approx(0.7)
    assert (row.if_missing_live, row.if_missing_dead) == (0.1, 0.8)
    assert any("70 of 100 primaries are unsure" in text and "10 %" in text and "80 %" in text
               for text in result.warnings)


def test_all_dead_gives_no_number():
    result = summarise(buds([10] * 12, secondary=DEAD))
    for rule in ("exact", "crop_potential"):
        assert result.nodes[rule].retain is None
        assert not result.nodes[rule].retain_capped


def test_outlook_starts_from_the_interval_shown():
    for told in ([3, 5, 2], [0] * 6, [10] * 12, [1, 0, 4, 9, 2, 0, 3, 1, 5, 7, 2, 2]):
        result = summarise(buds(told))
        low, high = result.outlook.limits(np.zeros(1))
        row = result.tissues[Tissue.PRIMARY]
        assert (low[0], high[0]) == pytest.approx((row.low, row.high))
        chances = result.outlook.band_chances(shipped_policies()["common"], [0.0])[0]
        assert chances == pytest.approx(list(result.band_probabilities.values()))


def test_strata_are_weighted_by_the_block():
    told = buds([1] * 5, vigor="small") + buds([3] * 5, vigor="large")
    told = [dataclasses.replace(bud, cane=f"{bud.vigor}{bud.cane}") for bud in told]
    even = summarise(told).tissues[Tissue.PRIMARY]
    shares = {"A": {"small": 0.25, "large": 0.75}}
    row = summarise(told, strata_shares=shares).tissues[Tissue.PRIMARY]
    assert even.mortality == pytest.approx(0.2)
    assert row.mortality == pytest.approx(0.25 * 0.1 + 0.75 * 0.3)
    same = summarise(told, strata_shares={"A": {"small": 1, "medium": 3, "large": 1}})
    assert same.tissues[Tissue.PRIMARY].mortality == pytest.approx(0.2)
    with pytest.raises(InputError, match="vine-size shares"):
        summarise(told, strata_shares={"A": {"small": -1, "large": 2}})


def test_policies_that_disagree_are_shown():
    result = summarise(buds([4] * 12), settings=Settings(policy="add-share-20-to-80"))
    assert result.nodes["band"].retain == 56
    told = {other.policy: other.nodes.retain for other in result.other_policies}
    assert told == {"common": 80, "steps-15-35-50": 60, "exact-20-to-50": 67,
                    "add-share-20-to-50": 56}


def test_bad_input():
    with pytest.raises(InputError, match="normal node count is 0"):
        summarise(buds([1]), normal_nodes=0)
    with pytest.raises(InputError, match="stands twice"):
        summarise(buds([1]) + buds([1]))
    with pytest.raises(InputError, match=r"secondary's crop is 1\.5"):
        summarise(buds([1]), secondary_crop=1.5)
    with pytest.raises(InputError, match="no policy 'x'"):
        summarise(buds([1]), settings=Settings(policy="x"))


rows = st.lists(
    st.tuples(st.sampled_from("AB"), st.integers(1, 4), any_call, any_call, any_call),
    min_size=1, max_size=60,
)


def as_buds(told):
    return [BudCalls(block=block, cane=str(cane), node=node, primary=calls[0],
                     secondary=calls[1], tertiary=calls[2])
            for node, (block, cane, *calls) in enumerate(told, 1)]


@pytest.mark.slow
@given(rows)
def test_columns_and_calls_give_the_same_answer(told):
    listed = as_buds(told)
    columns = BudTable.from_columns(
        block=[bud.block for bud in listed],
        cane=np.array([ord(bud.block) * 10 + int(bud.cane) for bud in listed]),
        node=[bud.node for bud in listed],
        calls=[[CALL_CODES[bud.call(tissue)] for tissue in TISSUES] for bud in listed],
    )
    one, two = (summarise_table(table) for table in (BudTable.from_calls(listed), columns))
    for a, b in zip(one, two, strict=True):
        same = ("block", "n_buds", "n_canes", "band", "nodes", "more_buds", "notes", "warnings")
        assert [getattr(a, name) for name in same] == [getattr(b, name) for name in same]
        for tissue in TISSUES:
            for name, value in dataclasses.asdict(a.tissues[tissue]).items():
                other = getattr(b.tissues[tissue], name)
                assert value == (pytest.approx(other) if isinstance(other, float) else other)


@pytest.mark.slow
@given(rows)
def test_blocks_do_not_touch_each_other(told):
    listed = as_buds(told)
    for result in summarise_table(BudTable.from_calls(listed)):
        alone = summarise([bud for bud in listed if bud.block == result.block])
        for tissue in TISSUES:
            a, b = result.tissues[tissue], alone.tissues[tissue]
            assert (a.low, a.high, a.mortality) == pytest.approx((b.low, b.high, b.mortality))
        assert result.more_buds == alone.more_buds
        crop = result.crop_potential
        if crop.share is not None:
            assert 0 <= crop.low <= crop.share + 1e-9 <= crop.high + 2e-9 <= 1 + 3e-9
            assert crop.share == pytest.approx(alone.crop_potential.share)


@pytest.mark.parametrize(("language", "one"), [
    ("en", "1 dead primary has no judged secondary; it is taken to be like the others."),
    ("de", "1 tote Hauptknospe hat keine beurteilte Nebenknospe"),
    ("fr", "1 primaire mort n’a pas de secondaire jugé"),
    ("es", "1 primaria muerta no tiene secundaria juzgada")])
def test_one_is_one_in_every_language(language, one):
    sample = buds([2] * 10)
    sample[0] = dataclasses.replace(sample[0], secondary=None)
    with speaking(language):
        notes = summarise(sample).notes
    assert any(text.startswith(one) for text in notes)
