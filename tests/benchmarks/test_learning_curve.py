"""The learning curve's arithmetic, on drawn rows; the measured curve is made by command.

``python -m budvision.learning.learning_curve --out DIR`` renders stand-in laboratories and takes
minutes.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest

from budvision.learning import learning_curve as curve
from budvision.learning.train import fit_verdict
from budvision.photo.features import FEATURE_NAMES
from budvision.vocabulary import CallValue, Tissue

GREEN = FEATURE_NAMES.index("green_red_inner")


def _rows(rng: np.random.Generator, dead: np.ndarray, lamp: float) -> np.ndarray:
    values = rng.normal(0.3, 0.05, (len(dead), len(FEATURE_NAMES)))
    values[:, GREEN] = rng.normal(np.where(dead, -0.35, 0.35), 0.11) + lamp
    return values


@pytest.fixture(scope="module")
def points() -> list[curve.Point]:
    rng = np.random.default_rng(1)
    dead = rng.random(900) < 0.5
    base = fit_verdict(_rows(rng, dead, 0.0), dead, np.arange(900) // 3, rng=rng,
                       kinds=("logistic",)).model
    labs = []
    for lamp in (-0.3, 0.3):
        n = 380
        dead = rng.random(n) < 0.45
        labs.append(curve.LabRows(
            features=_rows(rng, dead, lamp), bud=np.arange(n), cane=np.arange(n) // 8,
            tissue=(Tissue.PRIMARY,) * n,
            truth=tuple(CallValue.DEAD if d else CallValue.LIVE for d in dead),
            missed=((3, 0), (379, 47))))
    return curve.curve_points(labs, base, repeats=1)


def test_more_calls_do_better_and_few_do_no_harm(points: list[curve.Point]) -> None:
    at = {(p.n_buds, p.slips): p for p in points if p.per_cane == 8}
    right = {key: p.accuracy * p.called for key, p in at.items()}
    assert right[300, 0.0] > right[0, 0.0] + 0.03
    assert right[20, 0.0] > right[0, 0.0] - 0.03
    for n_buds in (50, 100, 300):
        assert at[n_buds, 0.03].accuracy > at[n_buds, 0.0].accuracy - 0.01


def test_missed_tissues_count_as_not_called(points: list[curve.Point]) -> None:
    before = next(p for p in points if p.n_buds == 0)
    assert before.n == 2 * (380 + 2)


def test_table_and_figure(points: list[curve.Point], tmp_path: Path) -> None:
    table = curve.table_of(points)
    assert table.count("\n") == 1 + len(points)
    assert "97.0% / 85%" in table
    curve.draw(points, tmp_path / "curve.svg")
    assert ET.parse(tmp_path / "curve.svg").getroot().tag.endswith("svg")


def test_rows_go_through_a_file(tmp_path: Path) -> None:
    rows = curve.LabRows(features=np.ones((2, 3)), bud=np.array([0, 1]), cane=np.array([1, 1]),
                         tissue=(Tissue.PRIMARY, Tissue.TERTIARY),
                         truth=(CallValue.LIVE, CallValue.NOT_EXPOSED), missed=((1, 1),))
    rows.save(tmp_path / "lab.npz")
    again = curve.LabRows.load(tmp_path / "lab.npz")
    assert np.array_equal(again.features, rows.features)
    assert (again.tissue, again.truth, again.missed) == (rows.tissue, rows.truth, rows.missed)
