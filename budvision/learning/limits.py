"""Limits between live, unsure and dead from few calls: honest where calls are few or slip.

For each class a limit is put where at most a share `alpha` of the class would be called the
other. With a few dozen calls that share cannot be seen directly, so calls on canes left out are
pooled with what the model's own probabilities say of the class, as if with `prior_calls` calls.
A call that contradicts a confident model is held partly for a slip of the hand.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from budvision.errors import InputError
from budvision.verdict.conformal import ConformalSets

__all__ = ["ALPHA", "fit_limits"]

Floats = NDArray[np.float64]
ALPHA = 0.02
"""Share of each class that may be called the other one."""
_WORST, _WORST_FEW, _MANY = 0.1, 0.04, 200
"""Never call with a probability of being wrong above the first; with few calls above the second,
going over to the first at 200 calls (common practice, no source)."""
_DOUBTED_ALPHA, _DOUBTED_WORST, _DOUBTED_FEW = 0.03, 0.15, 0.08
"""The same where regions are doubted too: their probabilities are softened, so that as much is
called only with wider limits. After 50 buds 98.96 % of 74.5 % called was right, 99.08 % of 74.2 %
without the doubt (`tests/benchmarks/teach.py`, `staged-1.0`, on photographs that chose them)."""
_PRIOR_CALLS, _SLIP = 40.0, 0.05
"""Calls that the model's own probabilities count as; share of calls taken to be slips."""


def fit_limits(
    cross_logit: Floats, dead: Floats, weight: Floats, *, base: ConformalSets | None = None,
    alpha: float = ALPHA, doubted: bool = False,
) -> ConformalSets:
    """Set the limits from log-odds of tissues whose cane the model had not seen.

    Parameters
    ----------
    cross_logit : ndarray, shape (n,)
        Log-odds of dead.
    dead : ndarray, shape (n,)
        1 dead, 0 live, 0.5 where readers are unsure (counts in neither class).
    weight : ndarray, shape (n,)
    base : ConformalSets, optional
        Limits of the model learnt from; the new ones are never stricter, so that a few slips
        cannot make the model fall silent. Doubt about a new lamp shows in the log-odds instead.
    alpha : float
        Share of each class that may be called the other one, in (0, 0.5).
    doubted : bool
        Whether the log-odds allow for regions that are no such tissue; the limits are then wider,
        and `alpha` is that of such log-odds.

    Returns
    -------
    ConformalSets
        With `alpha`, and the numbers of certain calls it rests on.

    Notes
    -----
    This is the class-conditional limit of `budvision.verdict.conformal` with a prior; with many
    calls it tends to that. The prior is only as good as the calibration of the model.
    """
    if not 0 < alpha < 0.5:
        raise InputError(f"alpha is {alpha!r}", expected="a number between 0 and 0.5")
    few, many = _WORST_FEW, _WORST
    if doubted:
        alpha, few, many = _DOUBTED_ALPHA, _DOUBTED_FEW, _DOUBTED_WORST
    certain = dead != 0.5
    p_dead = expit(cross_logit)
    # among the dead the low end matters, among the live the high end: mirror the live
    low_of_dead = _limit(cross_logit, certain & (dead == 1), p_dead, weight, alpha)
    low_of_live = _limit(-cross_logit, certain & (dead == 0), 1 - p_dead, weight, alpha)
    worst = few + (many - few) * min(1.0, float(certain.sum()) / _MANY)
    live_below = float(np.clip(expit(low_of_dead), 0.0015, worst))
    dead_above = float(np.clip(expit(-low_of_live), 1 - worst, 0.9985))
    if base is not None and max(base.live_limit, base.dead_limit) < 1.0:
        live_below = max(live_below, 1.0 - base.dead_limit)
        dead_above = min(dead_above, base.live_limit)
    return ConformalSets(
        live_limit=dead_above, dead_limit=1.0 - live_below, alpha=alpha,
        n_live=int((certain & (dead == 0)).sum()), n_dead=int((certain & (dead == 1)).sum()))


def _limit(
    score: Floats, own: NDArray[np.bool_], p_class: Floats, weight: Floats, alpha: float
) -> float:
    """Return the highest score below which at most alpha of the class lies."""
    honest = p_class[own] * (1 - _SLIP) / (p_class[own] * (1 - _SLIP) + _SLIP)
    values = np.r_[score[own], score]
    total = float(p_class.sum())
    share = np.r_[weight[own] * honest, p_class * (_PRIOR_CALLS / max(total, 1e-9))]
    order = np.argsort(values)
    reached = np.cumsum(share[order]) / share.sum()
    below = int(np.searchsorted(reached, alpha, side="right"))
    if below >= len(values):
        return float(values.max())
    return float(values[order[below]])
