"""Make a tuned verdict model out of lessons: correction, limits, novelty, and how well it does."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from budvision.learning.adapt import Adaptation, adapt
from budvision.learning.lessons import Lesson, Lessons
from budvision.learning.limits import fit_limits
from budvision.learning.strays import Doubted, doubt_regions
from budvision.verdict.conformal import ConformalSets
from budvision.verdict.model import VerdictModel, fit_novelty
from budvision.vocabulary import TISSUES, CallValue

__all__ = [
    "Score", "StrayScore", "Tuned", "leave_one_lab_out", "score_verdicts", "suspicious", "tune",
]

Floats = NDArray[np.float64]
_ENOUGH, _MANY = 30, 150
_LEAST_EACH = 6


@dataclass(frozen=True, slots=True)
class Score:
    """How verdicts stand against calls.

    Attributes
    ----------
    n : int
        Tissues called live or dead by a person.
    called : float
        Share of them that the model calls rather than leaves unsure.
    accuracy : float or None
        Share right among those it calls; None where it calls none.
    dead_called_live, live_called_dead : int
    """

    n: int
    called: float
    accuracy: float | None
    dead_called_live: int
    live_called_dead: int

    def as_dict(self) -> dict[str, object]:
        """Return the score for JSON."""
        return {
            "n": self.n, "called": round(self.called, 4),
            "accuracy": None if self.accuracy is None else round(self.accuracy, 4),
            "dead_called_live": self.dead_called_live, "live_called_dead": self.live_called_dead}


@dataclass(frozen=True, slots=True, kw_only=True)
class Tuned:
    """A tuned model with what is known of it.

    Attributes
    ----------
    model : VerdictModel
    adaptation : Adaptation
    before, after : Score
        On the calls learnt from, the base as it is and the tuned model with each cane left out
        in turn (its limits rest on the same left-out values).
    by_tissue : dict of str to Score
        The tuned model's, likewise.
    strays : StrayScore
        What it says of regions that are no such tissue.
    """

    model: VerdictModel
    adaptation: Adaptation
    before: Score
    after: Score
    by_tissue: dict[str, Score]
    strays: StrayScore


@dataclass(frozen=True, slots=True)
class StrayScore:
    """Regions called *not exposed* or moved away by a person that a model calls all the same.

    Attributes
    ----------
    n, before, after : int
        How many there are, and how many the base and the tuned model call live or dead, canes
        left out.
    why : str
        Whether a doubt about regions was learnt, in a sentence; empty without strays.
    """

    n: int
    before: int
    after: int
    why: str

    def as_dict(self) -> dict[str, object]:
        """Return the score for JSON."""
        return {"n": self.n, "called_before": self.before, "called_after": self.after,
                "why": self.why}


def score_verdicts(
    p_dead: Floats, dead: Floats, sets: ConformalSets,
    strange: NDArray[np.bool_] | None = None,
) -> Score:
    """Count verdicts against certain calls.

    Parameters
    ----------
    p_dead : ndarray, shape (n,)
    dead : ndarray, shape (n,)
        1 dead, 0 live; 0.5 is left out.
    strange : ndarray of bool, shape (n,), optional
        Where the model does not trust itself.
    """
    sure = dead != 0.5
    in_live, in_dead = sets.contains(p_dead[sure])
    called = in_live != in_dead
    if strange is not None:
        called = called & ~strange[sure]
    truth = dead[sure] > 0.5
    n, n_called = int(sure.sum()), int(called.sum())
    as_live, as_dead = int((called & in_live & truth).sum()), int((called & in_dead & ~truth).sum())
    return Score(
        n, n_called / n if n else 0.0,
        1 - (as_live + as_dead) / n_called if n_called else None, as_live, as_dead)


def tune(
    base: VerdictModel, lessons: Lessons, *, rng: np.random.Generator,
    progress: Callable[[int, int], None] | None = None,
) -> Tuned:
    """Learn from lessons, starting from a base model.

    Parameters
    ----------
    base : VerdictModel
        Without a correction of its own.
    progress : callable, optional
        Called with (fits done, fits in all).

    Notes
    -----
    With fewer than 30 certain calls (150 where the model stays unchanged), or 6 of either class,
    the base's limits are kept: there is too little to move them by. The guard against the unknown
    is fitted anew with the season's rows beside the base's reserve, so that a laboratory's own
    lamp is no longer strange to it.
    """
    examples = lessons.examples
    adaptation = adapt(examples, rng=rng, progress=progress)
    doubted = doubt_regions(lessons, adaptation)
    certain = examples.certain
    n_dead = int((examples.dead[certain] == 1).sum())
    n_live = int(certain.sum()) - n_dead
    sets = base.sets
    correction = doubted.correction
    learnt = correction is not None
    if int(certain.sum()) >= (_ENOUGH if learnt else _MANY) and min(n_dead, n_live) >= _LEAST_EACH:
        sets = fit_limits(
            doubted.cross_logit, examples.dead, examples.weight, base=base.sets,
            doubted=correction is not None and correction.doubt is not None)
    novelty = base.novelty
    if int(certain.sum()) >= _ENOUGH and len(base.reserve_dead):
        n_reserve = len(base.reserve_dead)
        times = max(1, round(0.5 * n_reserve / len(examples)))
        novelty = fit_novelty(np.vstack([
            base.reserve_rows.astype(np.float64), np.repeat(examples.features, times, axis=0)]))
    model = replace(base, correction=correction, sets=sets, novelty=novelty)
    before_strange = base.novelty.distance(examples.features) > base.novelty.limit
    strange = novelty.distance(examples.features) > novelty.limit
    crossed = np.asarray(expit(doubted.cross_logit))
    tissue = np.array([lesson.tissue.value for lesson in lessons.kept])
    return Tuned(
        model=model, adaptation=adaptation,
        before=score_verdicts(
            base.p_dead(examples.features), examples.dead, base.sets, before_strange),
        after=score_verdicts(crossed, examples.dead, sets, strange),
        by_tissue={t.value: score_verdicts(
            crossed[tissue == t.value], examples.dead[tissue == t.value], sets,
            strange[tissue == t.value]) for t in TISSUES},
        strays=_strays_called(lessons, doubted, base=base, model=model))


def _strays_called(
    lessons: Lessons, doubted: Doubted, *, base: VerdictModel, model: VerdictModel
) -> StrayScore:
    """Count the strays that are called before and after."""
    if not lessons.strays:
        return StrayScore(0, 0, 0, "")
    rows = np.array([one.row for one in lessons.strays], np.float64)
    counts = []
    for one, odds in ((base, base.odds(rows)), (model, doubted.stray_logit)):
        live, dead = one.sets.contains(expit(odds))
        counts.append(int(((live != dead) & ~one.is_strange(rows)).sum()))
    return StrayScore(len(rows), counts[0], counts[1], doubted.why)


def leave_one_lab_out(
    base: VerdictModel, lessons: Lessons, *, rng: np.random.Generator
) -> dict[str, tuple[Score, Score]]:
    """Learn from all laboratories but one and judge that one, for each in turn.

    Parameters
    ----------
    lessons : Lessons
        Of two or more laboratories.

    Returns
    -------
    dict of str to tuple of Score
        For each laboratory left out: the base's score and that of the model tuned on the others.
        Empty where there is only one.
    """
    labs = sorted({lesson.lab for lesson in lessons.kept})
    if len(labs) < 2:
        return {}
    which = np.array([lesson.lab for lesson in lessons.kept])
    out: dict[str, tuple[Score, Score]] = {}
    for lab in labs:
        others, here = which != lab, which == lab
        kept = tuple(one for one in lessons.kept if one.lab != lab)
        part = Lessons(lessons.examples.take(others), kept, {},
                       tuple(one for one in lessons.strays if one.lab != lab))
        model = tune(base, part, rng=rng).model
        rows, dead = lessons.examples.features[here], lessons.examples.dead[here]
        scores = []
        for one in (base, model):
            strange = one.novelty.distance(rows) > one.novelty.limit
            scores.append(score_verdicts(one.p_dead(rows), dead, one.sets, strange))
        out[lab] = (scores[0], scores[1])
    return out


def suspicious(lessons: Lessons, cross_logit: Floats) -> list[tuple[Lesson, float, str]]:
    """List calls that look like slips of the hand, likeliest first; nothing is changed.

    A call is listed when the model that did not see its cane gives it less than 3 %, and of the
    ten most alike called tissues at least eight say otherwise. Alike is by the features that go
    with the calls: each is weighed by its correlation with them.

    Returns
    -------
    list of tuple
        (lesson, probability the model gives the call, sentence).
    """
    examples = lessons.examples
    if int(examples.certain.sum()) < 12:
        return []
    spread = np.maximum(examples.features.std(axis=0), 1e-9)
    sure = examples.certain
    part = examples.features[sure] - examples.features[sure].mean(axis=0)
    calls = examples.dead[sure] - examples.dead[sure].mean()
    together = np.abs(part.T @ calls) / np.maximum(
        np.sqrt((part**2).sum(axis=0) * (calls**2).sum()), 1e-9)
    scaled = examples.features / spread * together
    p_dead = expit(cross_logit)
    out = []
    for i, lesson in enumerate(lessons.kept):
        if lesson.value not in (CallValue.LIVE, CallValue.DEAD) or examples.dead[i] == 0.5:
            continue
        p_call = float(p_dead[i] if lesson.value is CallValue.DEAD else 1 - p_dead[i])
        if p_call >= 0.03:
            continue
        distance = ((scaled - scaled[i]) ** 2).sum(axis=1)
        distance[i] = np.inf
        near = np.argsort(distance)[:10]
        against = int((np.abs(examples.dead[near] - examples.dead[i]) > 0.5).sum())
        if against >= 8:
            other = "live" if lesson.value is CallValue.DEAD else "dead"
            out.append((lesson, p_call, f"called {lesson.value.value}, but {against} of the 10 "
                        f"most alike tissues are called {other}"))
    return sorted(out, key=lambda row: row[1])
