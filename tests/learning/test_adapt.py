"""Learning from calls: few help, slips do not hurt, nothing to learn leaves the model alone.

The worlds here are drawn with known log-odds, so that what should be learnt is known. scikit-learn
is the reference for the likelihood without slips.
"""

from __future__ import annotations

import time

import numpy as np
import pytest
from scipy.special import expit

from budvision.errors import InputError
from budvision.learning.adapt import CANDIDATES, Candidate, Examples, adapt, fit_correction
from budvision.learning.lessons import Lesson, make_lessons
from budvision.learning.limits import fit_limits
from budvision.learning.tune import score_verdicts, suspicious
from budvision.stats.compare import cane_interval
from budvision.verdict.correction import Correction
from budvision.vocabulary import CallValue, Tissue

D = 12


def world(
    n_canes: int, *, start: int, per_cane: int = 16, base_is_right: bool = False, slips: float = 0.0
) -> tuple[Examples, np.ndarray]:
    """A world whose truth turns on feature 1 while the base looks at feature 0 (shifted)."""
    rng = np.random.default_rng([start, n_canes])
    n = n_canes * per_cane
    cane = np.repeat(np.arange(n_canes), per_cane)
    features = rng.standard_normal((n, D)) + 0.3 * rng.standard_normal((n_canes, D))[cane]
    truth = features[:, 1] + 0.5 * features[:, 0]
    dead = (expit(9 * truth) > rng.random(n)).astype(float)
    base = 9 * truth if base_is_right else 4 * features[:, 0] + 1.5 * features[:, 1] + 2.5
    called = np.where(rng.random(n) < slips, 1 - dead, dead)
    return Examples(features, base, called, np.ones(n), cane), dead


def accuracy(logit: np.ndarray, dead: np.ndarray) -> float:
    return float(((logit > 0) == (dead > 0.5)).mean())


def test_without_slips_it_is_ridge_regression_round_the_base() -> None:
    """With slope and shift fixed and the prior's spread s, the optimum is scikit-learn's with
    C = s^2 and the base as an offset; the gradient of that objective must vanish."""
    examples, _ = world(8, start=1)
    spread = 0.7
    found = fit_correction(examples, Candidate(name="adjusted", weights=spread),
                           rng=np.random.default_rng(0), slip=0.0)
    scaled = found.scaled(examples.features)
    score = found.apply(examples.base_logit, examples.features)
    gradient = scaled.T @ (expit(score) - examples.dead) + found.weights / spread**2
    assert np.abs(gradient).max() < 0.05 * np.abs(scaled.T @ (
        expit(examples.base_logit) - examples.dead)).max()
    assert found.slope == 1.0
    assert found.shift == 0.0


def test_few_calls_help() -> None:
    examples, _ = world(6, start=2)
    new, dead = world(40, start=102)
    learnt = adapt(examples, rng=np.random.default_rng(0))
    assert learnt.correction is not None
    before = accuracy(new.base_logit, dead)
    after = accuracy(learnt.correction.apply(new.base_logit, new.features), dead)
    assert after > before + 0.03


def test_right_model_stays_as_good_as_it_was() -> None:
    """Over many small seasons, learning never costs more than chance."""
    new, dead = world(40, start=300, base_is_right=True)
    before = accuracy(new.base_logit, dead)
    losses = []
    for start in range(12):
        examples, _ = world(3, start=start, base_is_right=True)
        learnt = adapt(examples, rng=np.random.default_rng(0))
        after = new.base_logit if learnt.correction is None else learnt.correction.apply(
            new.base_logit, new.features)
        losses.append(before - accuracy(after, dead))
    assert np.mean(losses) < 0.004
    assert max(losses) < 0.02


@pytest.mark.slow
def test_slips_cost_less_than_half_a_point() -> None:
    """Accuracy among called, the figure that counts."""
    costs = []
    for start in range(4):
        new, dead = world(40, start=500 + start)
        right = []
        for slips in (0.0, 0.03):
            examples, _ = world(12, start=start, slips=slips)
            learnt = adapt(examples, rng=np.random.default_rng(0), candidates=CANDIDATES[:6])
            assert learnt.correction is not None
            sets = fit_limits(learnt.cross_logit, examples.dead, examples.weight)
            score = score_verdicts(
                expit(learnt.correction.apply(new.base_logit, new.features)), dead, sets)
            assert score.accuracy is not None
            right.append(score.accuracy)
        costs.append(right[0] - right[1])
    assert np.mean(costs) < 0.005


@pytest.mark.parametrize("case", ["all live", "ten calls", "one cane"])
def test_too_little_to_check_leaves_the_model_alone(case: str) -> None:
    examples, _ = world(1 if case == "one cane" else 6, start=3)
    if case == "all live":
        examples = Examples(examples.features, examples.base_logit, np.zeros(len(examples)),
                            examples.weight, examples.cane)
    if case == "ten calls":
        examples = examples.take(np.arange(10))
    learnt = adapt(examples, rng=np.random.default_rng(0))
    assert learnt.correction is None
    assert learnt.chosen is CANDIDATES[0]
    assert "unchanged" in learnt.why


def test_left_out_values_do_not_know_their_cane() -> None:
    """Calls that are pure chance cannot be foretold on canes left out."""
    rng = np.random.default_rng(0)
    examples, _ = world(20, start=4)
    chance = Examples(examples.features, examples.base_logit,
                      rng.integers(0, 2, len(examples)).astype(float), examples.weight,
                      examples.cane)
    learnt = adapt(chance, rng=np.random.default_rng(0), candidates=CANDIDATES[:6])
    assert 0.42 < accuracy(learnt.cross_logit, chance.dead) < 0.58


@pytest.mark.slow
def test_three_thousand_tissues_in_under_thirty_seconds() -> None:
    rng = np.random.default_rng(0)
    n, d = 3000, 40
    features = rng.standard_normal((n, d))
    examples = Examples(features, 3 * features[:, 0], (features[:, 1] > 0).astype(float),
                        np.ones(n), np.repeat(np.arange(150), 20))
    start = time.process_time()  # others use the machine too
    adapt(examples, rng=np.random.default_rng(0))
    assert time.process_time() - start < 30


def test_correction_goes_through_arrays_unchanged() -> None:
    examples, _ = world(12, start=5)
    found = fit_correction(examples, CANDIDATES[-1], rng=np.random.default_rng(0))
    again = Correction.from_arrays(found.as_arrays())
    assert np.array_equal(found.apply(examples.base_logit, examples.features),
                          again.apply(examples.base_logit, examples.features))
    with pytest.raises(InputError, match="incomplete"):
        Correction.from_arrays({k: v for k, v in found.as_arrays().items() if k != "bumps"})
    for name, part in found.as_arrays().items():
        if part.size:
            with pytest.raises(InputError, match="incomplete"):  # no verdict could be told
                Correction.from_arrays(found.as_arrays() | {name: part * np.nan})


def test_examples_must_agree_in_length() -> None:
    with pytest.raises(InputError, match="one entry a tissue"):
        Examples(np.zeros((3, 2)), np.zeros(3), np.zeros(2), np.ones(3), np.zeros(3, np.int64))


def test_limits_keep_their_promise_on_new_canes() -> None:
    """Of the truly dead at most about alpha are called live, likewise the live."""
    wrong = []
    for start in range(30):
        rng = np.random.default_rng(start)
        dead = (rng.random(400) < 0.4).astype(float)
        logit = rng.normal(np.where(dead == 1, 3.0, -3.0), 2.0)
        logit = logit * 1.5  # as log-odds of two normals: 2 * mean / variance
        sets = fit_limits(logit[:120], dead[:120], np.ones(120), alpha=0.02)
        score = score_verdicts(expit(logit[120:]), dead[120:], sets)
        wrong.append([score.dead_called_live / (dead[120:] == 1).sum(),
                      score.live_called_dead / (dead[120:] == 0).sum()])
        assert score.called > 0.6
    assert np.mean(wrong, axis=0).max() < 0.02 + 0.01


def test_limits_refuse_a_share_out_of_range() -> None:
    with pytest.raises(InputError, match="alpha is 0.7"):
        fit_limits(np.zeros(3), np.zeros(3), np.ones(3), alpha=0.7)


def _lesson(bud: int, tissue: Tissue, value: CallValue, logit: float, **more: object) -> Lesson:
    return Lesson(bud=str(bud), cane=f"c{bud}", tissue=tissue, value=value, row=np.zeros(3),
                  base_logit=logit,
                  **({"second": ()} | more))  # type: ignore[arg-type]


def test_calls_are_weighed_for_what_they_are() -> None:
    t, live, dead = Tissue.PRIMARY, CallValue.LIVE, CallValue.DEAD
    made = make_lessons([
        _lesson(1, t, live, 0), _lesson(2, t, live, 0, blind=True),
        _lesson(3, t, live, 0, second=(live,)), _lesson(4, t, live, 0, second=(dead,)),
        _lesson(5, t, CallValue.UNSURE, 0), _lesson(6, t, CallValue.NOT_EXPOSED, 0),
        _lesson(7, t, dead, 0, second=(live,), settled=True),
    ])
    assert made.examples.dead.tolist() == [0, 0, 0, 0.5, 0.5, 1]
    plain, blind, agreed, doubted, unsure, settled = made.examples.weight
    assert doubted == unsure < plain < blind < agreed == settled
    assert made.left_out == {"called not exposed": 1}


def test_exchanged_regions_teach_nothing() -> None:
    """Secondary called dead where the model sees clear life, tertiary the other way round."""
    made = make_lessons([
        _lesson(1, Tissue.SECONDARY, CallValue.DEAD, -6), _lesson(1, Tissue.TERTIARY,
                                                                 CallValue.LIVE, 6),
        _lesson(2, Tissue.SECONDARY, CallValue.DEAD, 6), _lesson(2, Tissue.TERTIARY,
                                                                CallValue.LIVE, -6)])
    assert [lesson.bud for lesson in made.kept] == ["2", "2"]
    assert made.left_out == {"secondary and tertiary look exchanged": 2}


def test_slips_are_listed_and_nothing_else() -> None:
    examples, _ = world(20, start=6, base_is_right=True)
    clear = np.flatnonzero(np.abs(examples.base_logit) > 8)[:5]
    lessons = []
    for i in range(len(examples)):
        value = (examples.base_logit[i] > 0) ^ (i in clear)
        lessons.append(Lesson(
            bud=str(i), cane=str(examples.cane[i]), tissue=Tissue.PRIMARY,
            value=CallValue.DEAD if value else CallValue.LIVE, second=(),
            row=examples.features[i, :2] * [1, 3],
            base_logit=float(examples.base_logit[i])))
    made = make_lessons(lessons)
    found = suspicious(made, made.examples.base_logit)
    listed = {int(lesson.bud) for lesson, _, _ in found}
    assert listed <= set(clear.tolist())
    assert len(listed) >= 3
    assert all("most alike" in why for _, _, why in found)


def test_cane_interval_matches_a_t_interval_of_cane_means() -> None:
    """Equal canes: close to the textbook interval of the means of canes."""
    from scipy import stats

    rng = np.random.default_rng(1)
    effect = rng.normal(0.1, 0.2, 60)
    gain = np.repeat(effect, 10)
    mean, low, high = cane_interval(gain, np.repeat(np.arange(60), 10),
                                    rng=np.random.default_rng(2))
    half = stats.t.ppf(0.975, 59) * effect.std(ddof=1) / np.sqrt(60)
    assert mean == pytest.approx(effect.mean())
    assert high - low == pytest.approx(2 * half, rel=0.12)
