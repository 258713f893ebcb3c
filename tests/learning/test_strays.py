"""Regions that people called not exposed or moved teach which regions are no such tissue."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.special import expit, logit

from budvision.errors import InputError
from budvision.learning.lessons import Lesson, Lessons, make_lessons
from budvision.learning.train import fit_verdict
from budvision.learning.tune import tune
from budvision.photo.features import FEATURE_NAMES
from budvision.verdict.correction import SHOWN_BESIDE, Correction, RegionDoubt
from budvision.verdict.model import VerdictModel
from budvision.verdict.persist import load_verdict, save_verdict
from budvision.vocabulary import CallValue, Tissue

GREEN, SURE, AREA = (FEATURE_NAMES.index(name) for name in (
    "green_red_inner", "confidence", "area_share"))


def _rows(rng: np.random.Generator, dead: np.ndarray, stray: np.ndarray) -> np.ndarray:
    values = rng.normal(0.3, 0.05, (len(dead), len(FEATURE_NAMES)))
    values[:, GREEN] = rng.normal(np.where(dead, -0.35, 0.35), 0.11)
    values[:, SURE] = rng.normal(np.where(stray, 0.7, 0.9), 0.05)
    values[:, AREA] = rng.normal(np.where(stray, 0.04, 0.08), 0.012)
    return values


@pytest.fixture(scope="module")
def base() -> VerdictModel:
    rng = np.random.default_rng(3)
    dead = rng.random(600) < 0.5
    return fit_verdict(_rows(rng, dead, np.zeros(600, bool)), dead, np.arange(600) // 3, rng=rng,
                       kinds=("logistic",)).model


def _season(
    base: VerdictModel, n: int, *, seed: int, moved: bool = False, told: bool = True
) -> Lessons:
    """Regions of a season: one in eight is a stray of plain colour, which `told` makes small."""
    rng = np.random.default_rng(seed)
    dead, stray = rng.random(n) < 0.45, np.arange(n) % 8 == 3
    rows = _rows(rng, dead, stray & told)
    odds = base.odds(rows)
    return make_lessons([
        Lesson(bud=str(i), cane=str(i // 8), tissue=Tissue.PRIMARY, second=(), row=rows[i],
               base_logit=float(odds[i]), moved=bool(moved and stray[i]),
               value=CallValue.NOT_EXPOSED if stray[i] and not moved
               else CallValue.DEAD if dead[i] else CallValue.LIVE)
        for i in range(n)])


@pytest.mark.parametrize("moved", [False, True])
def test_strays_are_called_less_and_tissue_as_before(base: VerdictModel, moved: bool) -> None:
    taught = _season(base, 160, seed=1, moved=moved)
    assert len(taught.strays) == 20
    learned = tune(base, taught, rng=np.random.default_rng(1))
    alone = tune(base, replace(taught, strays=()), rng=np.random.default_rng(1))
    assert learned.strays.after < learned.strays.before / 2
    rng = np.random.default_rng(9)
    dead = rng.random(400) < 0.5
    called = {}
    for stray in (False, True):
        rows = _rows(rng, dead, np.full(400, stray))
        called[stray] = [float(np.mean([v.value != "unsure" for v in one.model.verdicts(rows)]))
                         for one in (learned, alone)]
    assert called[True][0] < called[True][1] / 2
    assert called[False][0] > called[False][1] - 0.05


def test_strays_that_look_like_tissue_change_nothing(base: VerdictModel) -> None:
    learned = tune(base, _season(base, 160, seed=2, told=False), rng=np.random.default_rng(1))
    assert learned.model.correction is None or learned.model.correction.doubt is None
    assert "could not be told" in learned.strays.why


def test_two_strays_show_nothing(base: VerdictModel) -> None:
    learned = tune(base, _season(base, 19, seed=3), rng=np.random.default_rng(1))
    assert learned.strays.n == 2
    assert learned.strays.why == ""


def test_softened_odds_are_those_of_bayes() -> None:
    """Sound 0.8, dead 0.9 if sound: of the tissues that show 0.8 + 0.2 * share, half of the rest
    dead."""
    doubt = RegionDoubt(float(logit(0.8)), np.zeros(2))
    off = 0.2 * SHOWN_BESIDE
    found = expit(doubt.soften(np.array([logit(0.9)]), np.zeros((1, 2))))
    assert found[0] == pytest.approx((0.8 * 0.9 + off / 2) / (0.8 + off))


def test_doubt_goes_through_a_file(base: VerdictModel, tmp_path: Path) -> None:
    learned = tune(base, _season(base, 160, seed=1), rng=np.random.default_rng(1)).model
    assert learned.correction is not None
    assert learned.correction.doubt is not None
    save_verdict(learned, tmp_path / "verdict.skops")
    again = load_verdict(tmp_path / "verdict.skops")
    rng = np.random.default_rng(4)
    rows = _rows(rng, rng.random(20) < 0.5, rng.random(20) < 0.5)
    assert np.array_equal(learned.odds(rows), again.odds(rows))
    arrays = learned.correction.as_arrays()
    with pytest.raises(InputError, match="incomplete"):
        Correction.from_arrays(arrays | {"doubt_weights": np.zeros(3)})
