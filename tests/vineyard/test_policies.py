"""Policies: what ships is sound, and a gap or overlap is refused by name."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from budvision.errors import InputError, NotFoundError, PolicyError
from budvision.stats.posterior import totals_posterior
from budvision.vineyard.policies import load_policies, policy_from_table, shipped_policies
from budvision.vineyard.pruning import (
    add_share_dead,
    node_range,
)


def band(low, high, *, name=None, nodes="usual", **more):
    """A band from keys like at_least=0.2 given as tuples ("at_least", 0.2)."""
    return {"name": name or f"b{low[1]}", "action": "x", "nodes": nodes, low[0]: low[1],
            high[0]: high[1], **more}


def build(*bands):
    return policy_from_table("mine", {"bands": list(bands)})


FIRST = band(("at_least", 0.0), ("up_to", 0.2))
LAST = band(("above", 0.2), ("up_to", 1.0))


def test_every_shipped_policy_names_its_source():
    policies = shipped_policies()
    assert "common" in policies
    assert policies["common"].source == "Common practice, no published source."
    assert all(policy.title and policy.source for policy in policies.values())


def test_bands_may_stand_in_any_order():
    assert [row.name for row in build(LAST, FIRST).bands] == ["b0.0", "b0.2"]


@pytest.mark.parametrize(
    ("bands", "match"),
    [
        ([FIRST], "nothing covers 20 % to 100 %"),
        ([LAST], "nothing covers 0 % to 20 %"),
        ([FIRST, band(("above", 0.25), ("up_to", 1.0))], "nothing covers 20 % to 25 %"),
        ([FIRST, band(("at_least", 0.2), ("up_to", 1.0))], "both cover exactly 20 %"),
        ([band(("at_least", 0.0), ("below", 0.2)), LAST], "nothing covers exactly 20 %"),
        ([FIRST, band(("above", 0.15), ("up_to", 1.0))], "both cover 15 % to 20 %"),
        ([FIRST, band(("above", 0.2), ("below", 1.0))], "nothing covers 100 % to 100 %"),
        ([FIRST, band(("above", 0.2), ("up_to", 1.0), nodes="more")], "nodes is 'more'"),
        ([FIRST, band(("above", 0.2), ("up_to", 1.0), nodes="times", factor=0)], "factor is 0"),
        ([FIRST, band(("above", 0.2), ("up_to", 1.0), name="b0.0")], "same name"),
        ([FIRST, band(("above", 20), ("up_to", 1.0))], "above is 20"),
        ([band(("at_least", 0.3), ("up_to", 0.1)), LAST], "runs from 30 % to 10 %"),
        ([{"name": "a", "action": "x", "nodes": "usual", "up_to": 1.0}], "no edge on one side"),
        ([{"nodes": "usual", "at_least": 0.0, "up_to": 1.0}], "name or action is missing"),
        ([], "no bands"),
        (["x"], "not a table"),
    ],
)
def test_unsound_policies(bands, match):
    with pytest.raises(PolicyError, match=match):
        build(*bands)


def test_files(tmp_path):
    path = tmp_path / "policies.toml"
    path.write_text("[a\n")
    with pytest.raises(PolicyError, match=r"policies\.toml: it is not TOML"):
        load_policies([path])
    with pytest.raises(NotFoundError, match="cannot be read"):
        load_policies([tmp_path / "none.toml"])
    path.write_text("[mine]\nbands = 3\n")
    with pytest.raises(PolicyError, match="policy mine: it has no bands"):
        load_policies([path])
    assert shipped_policies(tmp_path / "none.toml") == shipped_policies()


@given(st.floats(0, 1), st.sampled_from(sorted(shipped_policies())))
def test_every_share_has_one_band(share, name):
    policy = shipped_policies()[name]
    found = policy.band(share)
    assert found.low - 1e-9 <= share <= found.high + 1e-9
    factor = float(policy.factor(share))
    assert np.isnan(factor) == (found.rule in ("minimal", "open"))
    assert np.isnan(factor) or factor >= 1


@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_band_probabilities_sum_to_one(count):
    found = totals_posterior(*count, prior_icc=0.25)
    chances = found.band_chances(shipped_policies()["common"].edges)[0]
    assert chances.sum() == pytest.approx(1)
    assert (chances >= 0).all()


def test_band_probabilities_find_the_band():
    edges = shipped_policies()["common"].edges
    assert totals_posterior(2100, 5000, prior_icc=0.25).band_chances(edges)[0][2] > 0.999
    # Jeffreys' posterior of independent buds, by scipy.
    below = stats.beta.cdf(0.35, 35.5, 65.5)
    chances = totals_posterior(35, 100, prior_icc=0.25).band_chances(edges)[0]
    assert chances[:2].sum() == pytest.approx(below, abs=1e-4)


def test_nodes_are_capped_and_checked():
    count = node_range(40, 5.0, 2.0, float("nan"), max_factor=2.5)
    assert (count.retain, count.low, count.high, count.capped) == (100, 80, None, True)
    # Nothing alive: no number of nodes makes up for it; the range still ends at the maximum.
    none = node_range(40, float("inf"), 1, float("inf"), max_factor=2.5)
    assert (none.retain, none.high, none.retain_capped) == (None, 100, False)
    assert node_range(40, 5.0, 2.0, float("nan"), max_factor=2.5).retain_capped
    only_high = node_range(40, 2.0, 1.5, 5.0, max_factor=2.5)
    assert (only_high.capped, only_high.retain_capped) == (True, False)
    with pytest.raises(InputError, match="normal node count is 0"):
        add_share_dead(0, 0.1)
    with pytest.raises(InputError, match=r"share is 1\.2"):
        add_share_dead(40, 1.2)
    with pytest.raises(InputError, match="largest multiple"):
        node_range(40, 1, 1, 1, max_factor=0.5)
