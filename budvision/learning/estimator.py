"""Try any classifier of scikit-learn on called tissues, and make a verdict model of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from budvision.errors import InputError, NothingToDoError
from budvision.language import plain_count
from budvision.learning.adapt import Examples
from budvision.learning.limits import fit_limits
from budvision.learning.tune import Score, score_verdicts
from budvision.verdict.model import VerdictModel, fit_novelty, logit

__all__ = ["OwnModel", "fit_estimator"]

LEAST_EACH = 6
"""Tissues of either class, and canes, below which nothing is fitted."""


@dataclass(frozen=True, slots=True)
class OwnModel:
    """A verdict model with somebody's own estimator in it.

    Attributes
    ----------
    model : VerdictModel
        The estimator fitted on all certain calls; limits from the canes left out.
    before, after : Score
        The base model as it is, and the estimator with each cane left out, on the same tissues.
    n_tissues, n_canes : int
        Certain calls, and the canes that they stand on.
    """

    model: VerdictModel
    before: Score
    after: Score
    n_tissues: int
    n_canes: int


def fit_estimator(
    estimator: Any, examples: Examples, *, base: VerdictModel
) -> OwnModel:
    """Fit a classifier on certain calls, whole canes left out in turn to see how it does.

    Parameters
    ----------
    estimator : scikit-learn classifier
        With `predict_proba`; it is cloned, never changed.
    examples : Examples
        Called tissues; those that readers doubt are left out.
    base : VerdictModel
        Judges the same tissues for comparison; its reserve widens the guard against the unknown.

    Raises
    ------
    NothingToDoError
        When there are fewer than 6 live, 6 dead tissues or 2 canes.
    InputError
        When the estimator gives no probabilities.

    Notes
    -----
    The log-odds of the left-out canes are calibrated by a logistic curve (Platt 1999) and bounded
    as `budvision.learning.limits` does; calibration and limits rest on the same left-out values,
    so the shares are a little flattering, the more so the fewer canes there are.
    """
    from sklearn.base import clone
    from sklearn.linear_model import LogisticRegression
    from sklearn.model_selection import GroupKFold, cross_val_predict

    certain = examples.take(examples.certain)
    dead = certain.dead == 1
    n_canes = len(np.unique(certain.cane))
    if min(int(dead.sum()), int((~dead).sum())) < LEAST_EACH or n_canes < 2:
        raise NothingToDoError(
            f"{int(dead.sum())} dead and {plain_count(int((~dead).sum()), 'live tissue')} on "
            f"{plain_count(n_canes, 'cane')}",
            where="estimator", expected=f"at least {LEAST_EACH} of either, on 2 canes or more",
            do="Confirm more buds first.")
    if not hasattr(estimator, "predict_proba"):
        raise InputError(
            f"{type(estimator).__name__} gives no probabilities", where="estimator",
            expected="a classifier with predict_proba",
            do="Wrap it in sklearn.calibration.CalibratedClassifierCV.")
    crossed = logit(cross_val_predict(
        clone(estimator), certain.features, dead, groups=certain.cane, method="predict_proba",
        cv=GroupKFold(min(5, n_canes)))[:, 1])
    curve = LogisticRegression(C=10.0).fit(crossed[:, None], dead)
    slope, offset = max(float(curve.coef_[0, 0]), 0.0), float(curve.intercept_[0])
    odds = slope * crossed + offset
    sets = fit_limits(odds, certain.dead, np.ones(len(certain)))
    rows = certain.features
    if len(base.reserve_dead):
        times = max(1, round(0.5 * len(base.reserve_dead) / len(certain)))
        rows = np.vstack([base.reserve_rows.astype(np.float64), np.repeat(rows, times, axis=0)])
    novelty = fit_novelty(rows)
    model = VerdictModel(
        estimators=(clone(estimator).fit(certain.features, dead),), slope=slope, offset=offset,
        feature_names=base.feature_names, feature_version=base.feature_version, sets=sets,
        novelty=novelty, reserve_rows=base.reserve_rows, reserve_dead=base.reserve_dead)
    return OwnModel(
        model,
        score_verdicts(base.p_dead(certain.features), certain.dead, base.sets,
                       _strange(base, certain.features)),
        score_verdicts(_share(odds), certain.dead, sets, _strange(model, certain.features)),
        len(certain), n_canes)


def _share(odds: NDArray[np.float64]) -> NDArray[np.float64]:
    from scipy.special import expit

    return np.asarray(expit(odds))


def _strange(model: VerdictModel, rows: NDArray[np.float64]) -> NDArray[np.bool_]:
    return np.asarray(model.novelty.distance(rows) > model.novelty.limit)
