"""Class-conditional conformal sets against crepes and against published figures."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator

import numpy as np
import pytest

from budvision.errors import InputError
from budvision.verdict.conformal import calibrate, conformal_quantile


def example(rng: np.random.Generator, n: int, mortality: float) -> tuple[np.ndarray, np.ndarray]:
    """Probabilities of a fair but imperfect model at a given mortality."""
    dead = rng.random(n) < mortality
    odds = rng.normal(np.where(dead, 1.6, -2.2), 1.4)
    return 1.0 / (1.0 + np.exp(-odds)), dead


def test_quantile_is_the_published_rank() -> None:
    """ceil((n + 1)(1 - alpha)): 91 of 100 at 10 %, 901 of 1000, 476 of 500 at 5 %.

    Source: conformalprediction.net demo 01 for the formula; the ranks computed.
    """
    assert conformal_quantile(np.arange(1, 101), 0.10) == 91
    assert conformal_quantile(np.arange(1, 1001), 0.10) == 901
    assert conformal_quantile(np.arange(1, 501), 0.05) == 476


def test_fewest_examples_for_a_finite_quantile() -> None:
    """n >= 1/alpha - 1: 19 for 5 %, 9 for 10 % (computed)."""
    assert math.isinf(conformal_quantile(np.zeros(18), 0.05))
    assert conformal_quantile(np.zeros(19), 0.05) == 0.0
    assert math.isinf(conformal_quantile(np.zeros(8), 0.10))
    assert conformal_quantile(np.zeros(9), 0.10) == 0.0


@pytest.fixture
def _generators_put_back() -> Iterator[None]:
    """crepes draws from the global generators; leave them as they were."""
    plain, legacy = random.getstate(), np.random.get_state()  # noqa: NPY002
    yield
    random.setstate(plain)
    np.random.set_state(legacy)  # noqa: NPY002


@pytest.mark.usefixtures("_generators_put_back")
def test_sets_are_those_of_crepes() -> None:
    """crepes keeps a label whose p-value equals alpha, so alphas are such that none does."""
    crepes = pytest.importorskip("crepes")
    rng = np.random.default_rng(20)
    share, dead = example(rng, 700, 0.2)
    new, _ = example(rng, 400, 0.2)
    for alpha in (0.0513, 0.1037, 0.2011):
        sets = calibrate(share, dead, alpha=alpha)
        live_in, dead_in = sets.contains(new)
        scores = np.where(dead, 1.0 - share, share)
        reference = crepes.ConformalClassifier().fit(scores, bins=dead.astype(int))
        both = np.column_stack([new, 1.0 - new])
        wanted = np.column_stack([
            reference.predict_set(
                both[:, [label, label]], bins=np.full(new.size, label), confidence=1.0 - alpha,
                smoothing=False,
            )[:, 0]
            for label in (0, 1)
        ]).astype(bool)
        np.testing.assert_array_equal(np.column_stack([live_in, dead_in]), wanted)


def test_the_dead_are_covered_where_they_are_few() -> None:
    """Coverage of the dead at 10 % mortality; a plain split set would leave them out."""
    rng = np.random.default_rng(7)
    kept = []
    for _ in range(60):
        share, dead = example(rng, 1500, 0.10)
        sets = calibrate(share, dead, alpha=0.05)
        new, truth = example(rng, 3000, 0.10)
        kept.append(sets.contains(new)[1][truth].mean())
    assert 0.945 < np.mean(kept) < 0.962


@pytest.mark.parametrize("alpha", [0.0, 1.0, -0.1, 2.0])
def test_alpha_must_be_a_share(alpha: float) -> None:
    with pytest.raises(InputError, match="alpha is"):
        conformal_quantile([0.1, 0.2], alpha)
