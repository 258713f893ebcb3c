"""How sure an answer is said to be: never surer than the sample, the further buds or the words."""

from __future__ import annotations

import numpy as np
import pytest

from budvision.report.answer import AnswerWords, answer_words
from budvision.report.facts import result_facts
from budvision.settings import Settings
from budvision.stats.coverage import simulate_units
from budvision.stats.posterior import share_posterior
from budvision.stats.units import Units
from budvision.vineyard.buds import BudTable
from budvision.vineyard.more_buds import buds_to_settle
from budvision.vineyard.mortality import summarise_table
from budvision.vineyard.policies import shipped_policies
from budvision.vocabulary import BudCalls, CallValue

POLICY = shipped_policies()["common"]


def words_of(
    dead: list[int], nodes: int | list[int] = 10, secondary: CallValue | None = None
) -> AnswerWords:
    """The words of a block with so many primaries dead on each cane."""
    sizes = [nodes] * len(dead) if isinstance(nodes, int) else nodes
    buds = [BudCalls(block="A", cane=str(cane), node=node, secondary=secondary,
                     primary=CallValue.DEAD if node <= n else CallValue.LIVE)
            for cane, (n, size) in enumerate(zip(dead, sizes, strict=True))
            for node in range(1, size + 1)]
    result = summarise_table(BudTable.from_calls(buds), settings=Settings())[0]
    return answer_words(result_facts(result, POLICY))


def test_no_sample_makes_a_band_certain_or_a_range_without_width() -> None:
    """3,000 live buds on 300 canes: "0 to 0 %", "100 % likely" and three bands "0 %" stood there.
    """
    words = words_of([0] * 300)
    assert words.headline == "About 0 % of the primary buds are dead (likely 0 to 1 %)."
    assert [band.chance for band in words.bands] == ["over 99 %", *["under 1 %"] * 3]
    assert "The block lies in the band “normal” (over 99 % likely)." in words.sure


def test_a_share_next_to_none_or_all_is_not_about_it() -> None:
    """"About under 1 %" stood there."""
    assert words_of([1] + [0] * 29).headline.startswith("Under 1 % of the primary buds are dead (")
    assert words_of([9] + [10] * 29).headline.startswith("Over 99 % of the primary buds are dead (")


def test_a_range_is_said_to_hold_if_the_calls_are_right() -> None:
    """With readers who miss a fifth of the dead and a tenth of the live, raw ranges of blocks 5 %
    dead held the truth in 51 of 100 simulated samples, corrected ones in 97."""
    assert "95 times in 100 if the calls are right;" in words_of([4] * 10).sure[0]


def test_a_handful_of_canes_only_makes_a_band_likely() -> None:
    """Of simulated samples of three canes of likeness 0.4 that said 97 %, 92 % were right."""
    assert any(text.startswith("The block most likely lies in the band “minimal” (9")
               for text in words_of([9, 10, 9]).sure)
    assert any(text.startswith("The block lies in the band “minimal” (")
               for text in words_of([9, 10, 9] * 4).sure)


def test_a_band_that_another_is_likelier_than_is_not_told_alone() -> None:
    """Three short canes dead and one of forty alive: "retain more" stood above "minimal 85 %"."""
    words = words_of([1, 2, 3, 4], [1, 2, 3, 40])
    assert words.action.startswith("Retain 35 % more")
    assert words.first[0].startswith(
        "The share found lies in the band “retain more” (4 % likely), but the block more likely "
        "lies in “minimal” (85 %): the share counts every bud alike")
    assert not any("more likely" in text for text in words_of([4] * 10).first)


def test_a_crop_is_not_said_to_count_secondaries_that_nobody_judged() -> None:
    """"With the live secondary buds counted ... about 60 % (48 to 80 %)" stood above "counts them
    as bearing nothing"."""
    untold = " ".join(words_of([4] * 10).found)
    assert "With the live secondary buds counted" not in untold
    assert ("No secondary bud under a dead primary was judged. Were they all dead, the buds left "
            "could carry about 60 % of a full crop if you pruned as usual (48 to 80 %, the upper "
            "end with all of them live).") in untold
    told = " ".join(words_of([4] * 10, secondary=CallValue.LIVE).found)
    assert "With the live secondary buds counted for their smaller crop" in told


def test_a_sample_is_not_large_enough_whatever_whole_canes_do() -> None:
    """"Up to 31 % dead possible" stood beside "the sample is large enough"."""
    assert words_of([0] * 10).sure[-1] == (
        "The whole range lies in one band: the sample is large enough unless whole canes or vines "
        "live or die together.")
    assert words_of([0] * 300).sure[-1] == (
        "The whole range lies in one band: the sample is large enough.")


def test_further_buds_are_not_promised_to_settle_a_band() -> None:
    words = words_of([4] * 10)
    assert words.next_step == "Cut about 290 more: they may settle the band."
    assert words.sure[-1] == ("About 290 more buds like these would settle the band; the next "
                              "ones will differ, and so many are enough in about four of ten "
                              "blocks.")


@pytest.mark.parametrize("likeness", [0.0, 0.2, 0.4])
def test_so_many_settle_about_four_blocks_of_ten(likeness: float) -> None:
    """Ten canes of ten, then as many more of the same block as were said to settle it."""
    rng, n, size = np.random.default_rng(21), 400, 10
    shares = rng.uniform(0.01, 0.99, n)
    dead = np.stack([simulate_units(np.full(10, share), np.full(10, size), likeness, 1, rng=rng)[0]
                     for share in shares])
    units = Units.of(dead.ravel(), np.full(n * 10, size), np.repeat(np.arange(n), 10), n)
    more = buds_to_settle(units, share_posterior(units, prior_icc=0.25), POLICY, confidence=0.95,
                          prior_icc=0.25)
    settled = []
    for row in np.flatnonzero(more > 0):
        canes = int(more[row]) // size
        new = simulate_units(np.full(canes, shares[row]), np.full(canes, size), likeness, 1,
                             rng=rng)[0]
        both = np.concatenate([dead[row], new])
        low, high = share_posterior(
            Units.of(both, np.full(len(both), size), np.zeros(len(both), np.int64), 1),
            prior_icc=0.25).limits(0.95)
        settled.append(POLICY.band_index(low) == POLICY.band_index(high))
    assert 0.3 <= np.mean(settled) <= 0.55
