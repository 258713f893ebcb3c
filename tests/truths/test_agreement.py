"""Agreement between readers, and the quick look, against published values."""

from __future__ import annotations

import numpy as np
import pytest

from budvision.stats.agreement import cohen_kappa, kappa_words
from budvision.stats.quick_look import QuickLook


def half_digit(printed):
    return 0.51 * 10.0 ** -len(printed.partition(".")[2])


def matrix(text):
    return np.array([[float(cell) for cell in row.split()] for row in text.split("/")])


def test_cohen_kappa(truth):
    names = {"kappa": "kappa", "ase": "se", "low": "low", "high": "high"}
    for row in truth("kappa.csv"):
        got = cohen_kappa(matrix(row["table"]))
        for column, name in names.items():
            if row[column]:
                wanted = pytest.approx(float(row[column]), abs=half_digit(row[column]))
                assert getattr(got, name) == wanted, (row, name)


def test_words():
    # Landis & Koch (1977), Biometrics 33:159-174.
    told = [kappa_words(value) for value in (-0.1, 0, 0.2, 0.21, 0.41, 0.61, 0.8, 0.81, 1)]
    assert told == ["poor", "slight", "slight", "fair", "moderate", "substantial", "substantial",
                    "almost perfect", "almost perfect"]


def test_quick_look(truth):
    for row in truth("quick_look.csv"):
        got = QuickLook(int(row["n"]), int(row["threshold"])).chance(float(row["share"]))
        assert got == pytest.approx(float(row["chance"]), abs=half_digit(row["chance"]))
