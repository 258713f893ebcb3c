"""Train a verdict model from feature rows and their truth.

The estimators are chosen so that skops loads them without any reviewed type: logistic regression,
or small multilayer perceptrons fitted by L-BFGS. On 12,500 rendered tissues a strongly regularised
logistic regression was as accurate as perceptrons and boosted trees on seeds never seen, and kept
more of it elsewhere; it is the default.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from budvision.errors import InputError
from budvision.language import plain_count
from budvision.photo.features import FEATURE_NAMES, FEATURE_VERSION
from budvision.verdict.conformal import calibrate
from budvision.verdict.model import VerdictModel, fit_novelty, logit

__all__ = ["ALPHA", "KINDS", "Fitted", "fit_verdict", "grouped_folds"]

Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

ALPHA: Final = 0.0085
"""Share of each class that may be called the other one, before *unsure*."""
KINDS: Final = ("logistic", "perceptron")
LEAST_EACH: Final = 8
"""Fewest live and fewest dead examples that a model is trained on."""
_RESERVE: Final = 3000


@dataclass(frozen=True, slots=True)
class Fitted:
    """A trained model and what its training knew of itself.

    Attributes
    ----------
    model : VerdictModel
    held_out_p_dead : ndarray of float64, shape (n,)
        Calibrated probability of each training row from models that had not seen its group.
    """

    model: VerdictModel
    held_out_p_dead: Float64


def grouped_folds(
    groups: npt.ArrayLike, n_folds: int, *, rng: np.random.Generator
) -> npt.NDArray[np.intp]:
    """Deal whole groups into folds of about equal size.

    Parameters
    ----------
    groups : array_like, shape (n,)
        Cane, photograph or world of each row; rows of one group never part.
    n_folds : int
        At least 2; fewer are made where there are fewer groups.

    Returns
    -------
    ndarray of intp, shape (n,)
        Number of the fold of each row.
    """
    _, which, n_rows = np.unique(np.asarray(groups), return_inverse=True, return_counts=True)
    fold_of = np.zeros(n_rows.size, np.intp)
    load = np.zeros(min(n_folds, n_rows.size), np.intp)
    order = rng.permutation(n_rows.size)
    for group in order[np.argsort(-n_rows[order], kind="stable")]:
        fold_of[group] = np.argmin(load)
        load[fold_of[group]] += n_rows[group]
    return np.asarray(fold_of[which], np.intp)


def _estimator(kind: str, seed: int) -> Any:
    from sklearn.linear_model import LogisticRegression
    from sklearn.neural_network import MLPClassifier
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import StandardScaler

    if kind == "logistic":
        return make_pipeline(StandardScaler(), LogisticRegression(C=0.02, max_iter=2000))
    return make_pipeline(
        StandardScaler(),
        MLPClassifier((24,), solver="lbfgs", alpha=3.0, max_iter=250, random_state=seed),
    )


def _fit(
    rows: Float64, dead: Bool, weights: Float64, kinds: Sequence[str], seeds: Sequence[int]
) -> list[Any]:
    from sklearn.exceptions import ConvergenceWarning
    from threadpoolctl import threadpool_limits

    fitted = []
    for kind, seed in zip(kinds, seeds, strict=True):
        one = _estimator(kind, seed)
        last = one.steps[-1][0]
        # one thread: more only wait for each other in matrices this small
        with threadpool_limits(1), warnings.catch_warnings():
            warnings.simplefilter("ignore", ConvergenceWarning)
            one.fit(rows, dead, **{f"{last}__sample_weight": weights})
        fitted.append(one)
    return fitted


def _mean_logit(estimators: Sequence[Any], rows: Float64) -> Float64:
    return np.asarray(np.mean([logit(one.predict_proba(rows)[:, 1]) for one in estimators], axis=0))


def fit_verdict(
    rows: npt.ArrayLike, dead: npt.ArrayLike, groups: npt.ArrayLike, *,
    rng: np.random.Generator, kinds: Sequence[str] = ("logistic",),
    alpha: float = ALPHA, n_folds: int = 5, base: VerdictModel | None = None,
    unsure: npt.ArrayLike = (), unsure_groups: npt.ArrayLike = (),
) -> Fitted:
    """Train, calibrate and set the conformal thresholds.

    Parameters
    ----------
    rows : array_like of float, shape (n, f)
        Feature rows in the order of `budvision.photo.features.FEATURES`.
    dead : array_like of bool, shape (n,)
        Truth: dead or live. Rows called unsure or not exposed stay out.
    groups : array_like, shape (n,)
        Cane (or photograph) of each row: no group is ever on both sides of a split.
    kinds : sequence of str
        Estimators to average, each of `KINDS`.
    alpha : float
        Share of each class that may be called the other one.
    n_folds : int
        Folds of the grouped cross-validation that calibration rests on.
    base : VerdictModel, optional
        A model whose reserve of training rows is added to a laboratory's own calls. Together they
        weigh as much as the own calls, at least as much as 300 of them, so that a few dozen calls
        adjust the model and hundreds carry it.
    unsure : array_like of float, shape (m, f)
        Tissues whose life nobody could judge: learned as half live and half dead, so that what
        looks like them becomes unsure; calibration and thresholds do not ask them.
    unsure_groups : array_like, shape (m,)
        Their canes or photographs.

    Raises
    ------
    InputError
        When there are fewer than 8 live or 8 dead rows, or the shapes disagree.

    Notes
    -----
    Calibration is Platt's on the held-out log-odds, the conformal thresholds are set on the same
    held-out values. With fewer than 1/alpha - 1 examples of a class (here own rows, or the base's
    reserve where the own ones are too few) nothing of the other class can be called.

    References
    ----------
    Platt (1999), Advances in Large Margin Classifiers, 61-74.
    """
    values, truth = np.asarray(rows, np.float64), np.asarray(dead, np.bool_)
    names = np.asarray(groups).astype(str)
    if values.ndim != 2 or values.shape[1] != len(FEATURE_NAMES) or len(values) != truth.size:
        raise InputError(
            f"rows have shape {values.shape}, truth {truth.shape}", where="train",
            expected=f"({truth.size}, {len(FEATURE_NAMES)})", do="Measure the features again.",
        )
    counts = int((~truth).sum()), int(truth.sum())
    if min(counts) < LEAST_EACH:
        raise InputError(
            f"there are {counts[0]} live and {plain_count(counts[1], 'dead call')}", where="train",
            expected=f"at least {LEAST_EACH} of each", do="Confirm more buds, then train again.",
        )
    weights, own = np.ones(truth.size), np.ones(truth.size, np.bool_)
    if base is not None and base.reserve_dead.size:
        base.check(where="base model")
        n_base = base.reserve_dead.size
        values = np.vstack([values, base.reserve_rows.astype(np.float64)])
        truth = np.r_[truth, base.reserve_dead]
        names = np.r_[names, [f"reserve {index // 3}" for index in range(n_base)]]
        own = np.r_[own, np.zeros(n_base, np.bool_)]
        weights = np.r_[weights, np.full(n_base, max(300, weights.size) / n_base)]
    seeds = [int(seed) for seed in rng.integers(0, 2**31 - 1, len(kinds))]
    doubted = np.asarray(unsure, np.float64).reshape(-1, values.shape[1])
    theirs = np.asarray(unsure_groups).astype(str)
    all_folds = grouped_folds(np.r_[names, theirs], n_folds, rng=rng)
    folds, their_folds = all_folds[:truth.size], all_folds[truth.size:]
    held_out = np.empty(truth.size)
    for fold in np.unique(folds):
        without = folds != fold
        part = _fit(*_with_both(values[without], truth[without], weights[without],
                                doubted[their_folds != fold]), kinds, seeds)
        held_out[~without] = _mean_logit(part, values[~without])
    slope, offset = _platt(held_out, truth, weights)
    p_dead = np.clip(1.0 / (1.0 + np.exp(-(slope * held_out + offset))), 0.001, 0.999)
    enough = min(int((own & truth).sum()), int((own & ~truth).sum())) >= 1.0 / alpha - 1.0
    judged = own if enough else np.ones_like(own)
    kept = rng.permutation(truth.size)[:_RESERVE]
    model = VerdictModel(
        estimators=tuple(_fit(*_with_both(values, truth, weights, doubted), kinds, seeds)),
        slope=slope, offset=offset, feature_names=FEATURE_NAMES, feature_version=FEATURE_VERSION,
        sets=calibrate(p_dead[judged], truth[judged], alpha=alpha), novelty=fit_novelty(values),
        reserve_rows=values[kept].astype(np.float32), reserve_dead=truth[kept],
    )
    return Fitted(model, p_dead[own])


def _with_both(
    rows: Float64, dead: Bool, weights: Float64, doubted: Float64
) -> tuple[Float64, Bool, Float64]:
    """Add rows that nobody could judge, each once as live and once as dead, at half its weight."""
    n = len(doubted)
    return (np.vstack([rows, doubted, doubted]), np.r_[dead, np.zeros(n, np.bool_),
            np.ones(n, np.bool_)], np.r_[weights, np.full(2 * n, 0.5)])


def _platt(odds: Float64, dead: Bool, weights: Float64) -> tuple[float, float]:
    """Fit p = 1 / (1 + exp(-(slope x + offset))), with Platt's softened targets."""
    from scipy.optimize import minimize

    n_dead, n_live = float(weights[dead].sum()), float(weights[~dead].sum())
    target = np.where(dead, (n_dead + 1.0) / (n_dead + 2.0), 1.0 / (n_live + 2.0))

    def loss(pair: Float64) -> float:
        z = pair[0] * odds + pair[1]
        return float(np.sum(weights * (np.logaddexp(0.0, z) - target * z)) / weights.sum())

    found = minimize(loss, np.array([1.0, 0.0]), method="Nelder-Mead", options={"maxiter": 2000})
    return max(float(found.x[0]), 0.05), float(found.x[1])
