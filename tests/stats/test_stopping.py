"""The stopping rule for any number of bands: its counts and its errors."""

from __future__ import annotations

import numpy as np
import pytest

from budvision.errors import InputError
from budvision.stats import stopping as s

PRIOR = 0.25


def test_a_band_is_decided_only_when_sure_and_from_five_units():
    told = [s.band_decided(dead, 10 * units, units, s.EDGES, prior_icc=PRIOR)[0]
            for dead, units in ((0, 4), (0, 10), (48, 19), (85, 10), (35, 10))]
    assert told == [-1, 0, 1, 3, -1]
    band, chance = s.band_decided(0, 100, 10, s.EDGES, prior_icc=PRIOR)
    assert band == 0
    assert 0.85 <= chance < 1
    with pytest.raises(InputError, match=r"sure is 0\.4"):
        s.band_decided(0, 100, 10, s.EDGES, sure=0.4, prior_icc=PRIOR)


def test_the_looks_hold_exactly_the_counts_that_decide():
    look = s.stopping_looks(s.EDGES, n_units=9, size=5, prior_icc=PRIOR)[-1]
    assert look.units == 8
    for dead in range(41):
        band = s.band_decided(dead, 40, 8, s.EDGES, prior_icc=PRIOR)[0]
        inside = [i for i, ends in enumerate(look.dead) if ends and ends[0] <= dead <= ends[1]]
        assert inside == ([band] if band >= 0 else [])
    assert s.stopping_looks(s.EDGES, n_units=5, size=10, prior_icc=PRIOR) == ()
    assert [one.units for one in s.stopping_looks((0.3,), n_units=8, size=4, prior_icc=PRIOR)] == [
        5, 6, 7]


def test_nearly_as_often_right_as_the_whole_sample_with_a_quarter_fewer_buds():
    # Wald's two shares said low in 30 % and high in 39 % at a true 25 %, likeness 0.2.
    rng = np.random.default_rng(3)
    looks = s.stopping_looks(s.EDGES, n_units=20, size=10, prior_icc=PRIOR)
    for icc in (0.0, 0.2, 0.4):
        rows = [s.simulate_stopping(truth, rng=rng, icc=icc, looks=looks) for truth in s.TRUTHS]
        # Both are counted on the same samples, so that their difference is surer than either.
        assert np.mean([row.right_whole - row.right for row in rows]) <= 0.03
        assert np.mean([row.mean_share for row in rows]) <= 0.75
        at_a_quarter = rows[5]
        assert at_a_quarter.right >= 0.84
        if icc <= 0.2:      # at 0.4 the middle band is left a little too early: 85 against 89 %
            assert at_a_quarter.right >= at_a_quarter.right_whole - 0.03


def test_command_prints_errors_and_expected_sample(capsys, monkeypatch):
    monkeypatch.setattr(s, "TRUTHS", (0.05, 0.75))
    assert s.main(["--samples", "200"]) == 0
    out = capsys.readouterr().out
    assert out.count("\n| ") == 4
    assert "fewer buds (bar 25 %)" in out
