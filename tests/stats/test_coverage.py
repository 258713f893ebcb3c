"""The simulation that the interval's rule was chosen on."""

from __future__ import annotations

import numpy as np
import pytest

from budvision.stats import coverage as c

BY_NAME = {design.name: design for design in c.DESIGNS}


@pytest.mark.parametrize("name", ["3 vines of 10", "4 canes of 10"])
@pytest.mark.parametrize("likeness", [0.0, 0.1, 0.2, 0.4, 1.0])
def test_small_samples_cover_in_every_cell_exactly(name, likeness):
    cell = c.coverage(BY_NAME[name], likeness, rng=np.random.default_rng(1),
                      shares=(0.02, 0.05, 0.1, 0.14, 0.2, 0.25, 0.35, 0.5, 0.6))
    assert min(cell.coverage) >= c.BAR


@pytest.mark.slow
@pytest.mark.parametrize("name", [
    "3 vines of 50, 10 canes each", "10 canes, one of 30, the rest of 3",
    "vine sizes: 2, 16, 2 canes, weights .6, .3, .1", "zones: 10, 10 canes, weights .2, .8",
])
@pytest.mark.parametrize("likeness", [0.0, 0.4])
def test_other_designs_cover(name, likeness):
    cell = c.coverage(BY_NAME[name], likeness, shares=(0.05, 0.35), n_samples=250,
                      rng=np.random.default_rng(2))
    assert min(cell.coverage) >= c.BAR


@pytest.mark.slow
@pytest.mark.parametrize(("name", "likeness", "share"), [
    ("8 canes of 10", 0.4, 0.6), ("10 canes of 10", 0.4, 0.35), ("60 canes of 8", 0.4, 0.05),
    ("12 vines of 40, 4 canes each", 0.4, 0.35), ("20 canes of 2 to 12", 0.4, 0.35),
])
def test_the_lowest_cells_of_the_table_hold_with_many_samples(name, likeness, share):
    cell = c.coverage(BY_NAME[name], likeness, shares=(share,), n_samples=2000,
                      rng=np.random.default_rng(4))
    assert cell.coverage[0] >= c.BAR + 0.005


def test_what_comes_out_near_the_bar_is_counted_over_others(monkeypatch):
    counts: list[int] = []

    def held(design, likeness, share, truth, count, *_):
        counts.append(count)
        return (0.93 if count == 100 and share == 0.1 else 0.97), 1.0

    monkeypatch.setattr(c, "_held", held)
    cell = c.coverage(BY_NAME["8 canes of 10"], 0.2, shares=(0.1, 0.6), n_samples=100,
                      rng=np.random.default_rng(1))
    assert counts == [100, 400, 100, 400]      # 97 % of 100 is near the bar too
    assert cell.coverage == (0.97, 0.97)


def test_width_is_near_that_of_a_known_likeness():
    ratios = [
        np.mean(c.coverage(BY_NAME["8 canes of 10"], likeness, shares=(0.1, 0.35), n_samples=200,
                           rng=np.random.default_rng(3)).width_ratio)
        for likeness in c.LIKENESS
    ]
    assert np.mean(ratios) <= c.WIDTH_BAR


def test_simulated_units_are_as_alike_as_asked_for():
    rng = np.random.default_rng(7)
    sizes, shares = np.full(4000, 10), np.full(4000, 0.3)
    dead = c.simulate_units(shares, sizes, 0.25, 1, rng=rng)[0]
    effect = dead.var() / (10 * 0.3 * 0.7)
    assert (effect - 1) / 9 == pytest.approx(0.25, abs=0.02)
    assert dead.mean() == pytest.approx(3, abs=0.1)
    whole = c.simulate_units(shares, sizes, 1.0, 1, rng=rng)[0]
    assert set(whole.tolist()) == {0, 10}
    nested = c.simulate_units(np.full(2000, 0.3), np.full(2000, 20), 0.2, 1, rng=rng, canes=4)[0]
    assert nested.mean() == pytest.approx(6, abs=0.3)


@pytest.mark.parametrize(("canes", "weights"), [((10, 10), (0.5, 0.5)), ((2, 16, 2), (6, 3, 1))])
def test_strata_of_whole_canes_hold_with_the_end_that_is_said_for_them(canes, weights):
    """Two zones of ten canes, a cane in ten dead and whole: 82 % were held by the interval alone.

    The share dead is the same in each zone; 200 samples, four times as many near the bar.
    """
    design = c.Design(name="zones", sizes=(10,) * sum(canes), weights=weights,
                      strata=tuple(np.repeat(np.arange(len(canes)), canes).tolist()),
                      spread=(1.0,) * len(canes))
    found = c.coverage(design, c.WHOLE, shares=(0.05, 0.1), n_samples=800,
                       rng=np.random.default_rng(1))
    assert min(found.coverage) >= c.BAR


def test_strata_keep_the_blocks_share():
    design = BY_NAME["vine sizes: 2, 16, 2 canes, weights .6, .3, .1"]
    assert design.truth(0.2) == pytest.approx(0.2)
    assert design.shares(0.2)[0] == pytest.approx(4 * design.shares(0.2)[-1])


def test_command_prints_the_table(capsys, monkeypatch):
    small = tuple(BY_NAME[name] for name in ("3 vines of 10", "8 canes of 10"))
    monkeypatch.setattr(c, "DESIGNS", small)
    assert c.main(["--samples", "60"]) in (0, 1)
    out = capsys.readouterr().out
    assert out.count("\n| ") == 2 + 2 * 5
    assert "Smallest:" in out
