"""The stopping rule for any number of bands: against Wald's bound, and its errors."""

from __future__ import annotations

import numpy as np
import pytest

from budvision.errors import InputError
from budvision.stats import stopping as s
from budvision.stats.units import Units


def test_a_band_is_decided_by_whole_units_only_when_sure():
    samples = [[0] * 4, [0] * 10, [2, 3] * 5, [8, 9] * 5, [3, 4] * 5]   # few, sure, ..., on an edge
    units = Units.of(
        np.concatenate(samples), np.full(44, 10), np.repeat(np.arange(5), [4, 10, 10, 10, 10]), 5)
    assert list(s.bands_decided(units, s.EDGES, prior_icc=0.25)) == [-1, 0, 1, 3, -1]
    with pytest.raises(InputError, match=r"sure is 0\.4"):
        s.bands_decided(units, s.EDGES, sure=0.4, prior_icc=0.25)


def test_nearly_as_often_right_as_the_whole_sample_with_a_quarter_fewer_buds():
    # Wald's two shares said low in 30 % and high in 39 % at a true 25 %, likeness 0.2.
    rng = np.random.default_rng(3)
    rows = [s.simulate_stopping(truth, rng=rng, n_samples=60)
            for truth in (0.05, 0.2, 0.25, 0.42, 0.6, 0.75)]
    lost = np.mean([row.right_whole - row.right for row in rows])
    # Both are counted on the same samples, so that their difference is surer than either.
    assert lost <= 0.03
    assert np.mean([row.mean_share for row in rows]) <= 0.75
    assert rows[2].right >= 0.8


def test_command_prints_errors_and_expected_sample(capsys, monkeypatch):
    monkeypatch.setattr(s, "TRUTHS", (0.05, 0.75))
    assert s.main(["--samples", "20"]) == 0
    out = capsys.readouterr().out
    assert out.count("\n| ") == 4
    assert "fewer buds (bar 25 %)" in out
    assert "Wald's two shares, 15 and 35 % at .10: at a true 15 % it says high in" in out
