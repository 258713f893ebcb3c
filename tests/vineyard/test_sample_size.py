"""What a sample can tell before it is cut, against check values and against simulation."""

from __future__ import annotations

import numpy as np
import pytest

from budvision.errors import InputError
from budvision.stats.posterior import share_posterior
from budvision.stats.units import Units
from budvision.vineyard.policies import shipped_policies
from budvision.vineyard.sample_size import (
    canes_for_edge,
    canes_for_width,
    sample_outlook,
    trade_off,
)

COMMON = shipped_policies()["common"]


@pytest.mark.parametrize(
    ("nodes", "icc", "effect", "worth"),
    # Kish's design effect worked out by hand: 1 + (b - 1) rho, and 100 buds divided by it.
    [(10, 0.05, 1.45, 69.0), (10, 0.10, 1.90, 52.6), (10, 0.30, 3.70, 27.0), (8, 0.20, 2.40, 41.7)],
)
def test_design_effects(nodes: int, icc: float, effect: float, worth: float) -> None:
    found = sample_outlook(0.3, canes=10, nodes=nodes, icc=icc, policy=COMMON)
    assert found.design_effect == pytest.approx(effect)
    assert 100 / found.design_effect == pytest.approx(worth, abs=0.05)


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.1, 0.3, 0.55])
@pytest.mark.parametrize("icc", [0.05, 0.2])
@pytest.mark.parametrize(("canes", "nodes"), [(10, 10), (20, 5), (10, 2)])
def test_width_and_wrong_band_agree_with_simulation(
    share: float, icc: float, canes: int, nodes: int
) -> None:
    rng = np.random.default_rng(3)
    found = sample_outlook(share, canes=canes, nodes=nodes, icc=icc, policy=COMMON)
    strength = 1 / icc - 1
    shares = rng.beta(share * strength, (1 - share) * strength, (4000, canes))
    of_cane = rng.binomial(nodes, shares)
    dead = of_cane.sum(axis=1)
    n = canes * nodes
    units = Units.of(of_cane[:600].ravel(), np.full(600 * canes, nodes),
                     np.repeat(np.arange(600), canes), 600)
    low, high = share_posterior(units, prior_icc=0.25).limits(0.95)
    assert (high - low).mean() == pytest.approx(found.width, rel=0.05)
    assert ((low <= share) & (share <= high)).mean() >= 0.94    # nominal 0.95, s.e. 0.009
    wrong = (COMMON.band_index(dead / n) != COMMON.band_index(share)).mean()
    # A smooth curve in place of whole buds said 33 % of ten canes of two where it is 41 %.
    assert found.wrong_band == pytest.approx(wrong, abs=0.025)     # s.e. at most 0.008


def test_more_canes_beat_more_nodes_for_the_same_buds() -> None:
    rows = {(r.canes, r.nodes): r for r in trade_off(0.3, icc=0.1, policy=COMMON)}
    assert rows[(20, 5)].n_buds == rows[(10, 10)].n_buds
    assert rows[(20, 5)].width < rows[(10, 10)].width
    assert rows[(20, 5)].wrong_band < rows[(10, 10)].wrong_band


@pytest.mark.parametrize(("icc", "nodes", "edge", "sure"), [
    (0.1, 10, 0.35, 0.9), (0.25, 2, 0.5, 0.8), (0.25, 2, 0.14, 0.9)])
def test_canes_for_an_edge_do_what_they_promise_and_no_more(
    icc: float, nodes: int, edge: float, sure: float
) -> None:
    """With two nodes a cane a smooth curve in place of whole buds kept 86 of 90 % promised."""
    rng = np.random.default_rng(5)
    margin = 0.10
    canes = canes_for_edge(edge, margin=margin, sure=sure, nodes=nodes, icc=icc)

    def right(n_canes: int) -> float:
        worst = 1.0
        for truth in (edge - margin, edge + margin):
            strength = 1 / icc - 1
            p = rng.beta(truth * strength, (1 - truth) * strength, (20_000, n_canes))
            share = rng.binomial(nodes, p).mean(axis=1) / nodes
            side = (share > edge) if truth > edge else (share < edge)
            worst = min(worst, (side + 0.5 * (share == edge)).mean())
        return worst

    assert sure - 0.006 <= right(canes) <= sure + 0.05      # two standard errors of 20,000
    assert right(max(2, canes // 2)) < sure


def test_canes_for_a_width_are_the_fewest() -> None:
    canes = canes_for_width(0.3, width=0.2, nodes=10, icc=0.1)
    assert sample_outlook(0.3, canes=canes, nodes=10, icc=0.1, policy=COMMON).width <= 0.2
    assert sample_outlook(0.3, canes=canes - 1, nodes=10, icc=0.1, policy=COMMON).width > 0.2


def test_impossible_wishes_are_refused_with_the_way_out() -> None:
    with pytest.raises(InputError, match="the share expected dead is 0"):
        sample_outlook(0, canes=10, nodes=10, icc=0.1, policy=COMMON)
    with pytest.raises(InputError, match="One cane cannot show how canes differ"):
        sample_outlook(0.3, canes=1, nodes=10, icc=0.1, policy=COMMON)
    with pytest.raises(InputError, match="icc is 1"):
        sample_outlook(0.3, canes=10, nodes=10, icc=1, policy=COMMON)
    with pytest.raises(InputError, match="needs more than 500 canes"):
        canes_for_edge(0.35, margin=0.002, sure=0.99)
    with pytest.raises(InputError, match="expected an edge with both"):
        canes_for_edge(0.05, margin=0.1, sure=0.9)
    with pytest.raises(InputError, match=r"a width of 1% needs more than 500 canes"):
        canes_for_width(0.3, width=0.01)
    with pytest.raises(InputError, match="sure is 0.4"):
        canes_for_edge(0.35, margin=0.1, sure=0.4)
