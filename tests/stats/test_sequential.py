"""Sequential plans: decisions, simulated error rates, and canes."""

from __future__ import annotations

import numpy as np
import pytest

from budvision.errors import InputError
from budvision.stats.clusters import design_effect
from budvision.stats.sequential import quick_look, sequential_plan, simulate_plan

PLAN = sequential_plan(0.15, 0.50)


def test_decisions():
    assert PLAN.decide(0, 5) == "go_on"
    assert PLAN.decide(0, PLAN.first_low()) == "low"
    assert PLAN.decide(PLAN.first_high(), PLAN.first_high()) == "high"
    assert PLAN.decide(PLAN.low_at(40), 40) == "low"
    assert PLAN.decide(PLAN.low_at(40) + 1, 40) == "go_on"
    assert PLAN.decide(PLAN.high_at(40), 40) == "high"
    assert PLAN.decide(PLAN.high_at(40) - 1, 40) == "go_on"


def test_simulated_error_rates_are_within_the_stated_ones():
    rng = np.random.default_rng(11)
    at_low = simulate_plan(PLAN, 0.15, rng=rng, by_cane=False)
    at_high = simulate_plan(PLAN, 0.50, rng=rng, by_cane=False)
    # 5000 samples: the standard error of 5 % is 0.3 points.
    assert at_low.high <= 0.055
    assert at_high.low <= 0.055
    # Wald's mean sample sizes ignore overshoot; 0.15 needs about 9, 0.5 about 8 buds.
    assert at_low.mean_buds < 20
    assert at_high.mean_buds < 20


def test_canes_need_wider_lines():
    rng = np.random.default_rng(11)
    wide = PLAN.for_canes(design_effect(10, 0.2))
    for share, wrong in ((0.15, "high"), (0.50, "low")):
        plain = simulate_plan(PLAN, share, rng=rng, icc=0.2)
        held = simulate_plan(wide, share, rng=rng, icc=0.2)
        assert getattr(plain, wrong) > 0.055
        assert getattr(held, wrong) <= 0.055
        assert held.mean_buds > plain.mean_buds
        assert held.high + held.low + held.undecided == pytest.approx(1)


def test_quick_look_of_one_cane_tells_less():
    look = quick_look()
    assert look.chance(0.15, icc=0.3) > look.chance(0.15)
    assert look.chance(0.50, icc=0.3) < look.chance(0.50)
    assert look.chance(0.0, icc=0.3) == 0
    assert look.chance(1.0) == 1


def test_bad_input():
    with pytest.raises(InputError, match=r"shares are 0\.5 and 0\.15"):
        sequential_plan(0.5, 0.15)
    with pytest.raises(InputError, match=r"alpha is 0\.6"):
        sequential_plan(0.15, 0.5, alpha=0.6)
    with pytest.raises(InputError, match="count is 5 of 4"):
        PLAN.decide(5, 4)
    with pytest.raises(InputError, match=r"design effect is 0\.9"):
        PLAN.for_canes(0.9)
    with pytest.raises(InputError, match="threshold is 11 of 10"):
        quick_look(10, 11)
    with pytest.raises(InputError, match="the share is 0"):
        simulate_plan(PLAN, 0, rng=np.random.default_rng(1))
    with pytest.raises(InputError, match="icc 1"):
        quick_look().chance(0.2, icc=1)
