"""Agreement between readers, and sequential plans, against published values."""

from __future__ import annotations

import numpy as np
import pytest

from budvision.stats.agreement import cohen_kappa, kappa_words
from budvision.stats.sequential import quick_look, sequential_plan


def half_digit(printed):
    return 0.51 * 10.0 ** -len(printed.partition(".")[2])


def matrix(text):
    return np.array([[float(cell) for cell in row.split()] for row in text.split("/")])


def test_cohen_kappa(truth):
    names = {"kappa": "kappa", "ase": "se", "low": "low", "high": "high",
             "ase_if_none": "se_if_none", "z": "z"}
    for row in truth("kappa.csv"):
        weights = row["weights"] or None
        if weights and "/" in weights:
            weights = matrix(weights)
        got = cohen_kappa(matrix(row["table"]), weights=weights)
        for column, name in names.items():
            if row[column]:
                wanted = pytest.approx(float(row[column]), abs=half_digit(row[column]))
                assert getattr(got, name) == wanted, (row, name)


def test_words():
    # Landis & Koch (1977), Biometrics 33:159-174.
    told = [kappa_words(value) for value in (-0.1, 0, 0.2, 0.21, 0.41, 0.61, 0.8, 0.81, 1)]
    assert told == ["poor", "slight", "slight", "fair", "moderate", "substantial", "substantial",
                    "almost perfect", "almost perfect"]


def test_sequential_lines(truth):
    for row in truth("sequential.csv"):
        plan = sequential_plan(float(row["low"]), float(row["high"]), alpha=float(row["alpha"]),
                               beta=float(row["beta"]))
        for name in ("h1", "h2", "slope"):
            assert getattr(plan, name) == pytest.approx(
                float(row[name]), abs=half_digit(row[name])
            )


def test_handbook_plan():
    # NIST/SEMATECH e-Handbook 6.2.6: acceptance first at n = 24 with none; rejection number there
    # 3; earliest rejection 2 of 2. From memory of the page, and computed from the lines.
    plan = sequential_plan(0.01, 0.10, alpha=0.05, beta=0.10)
    assert (plan.first_low(), plan.low_at(23), plan.low_at(24)) == (24, None, 0)
    assert plan.high_at(24) == 3
    assert (plan.first_high(), plan.high_at(1), plan.high_at(2)) == (2, None, 2)


def test_quick_look(truth):
    for row in truth("quick_look.csv"):
        got = quick_look(int(row["n"]), int(row["threshold"])).chance(float(row["share"]))
        assert got == pytest.approx(float(row["chance"]), abs=half_digit(row["chance"]))
