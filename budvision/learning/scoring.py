"""Scores of verdicts: right among those called, confusion, coverage against error, calibration."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from budvision.verdict.conformal import ConformalSets, calibrate

__all__ = [
    "calibration_error",
    "confusion",
    "coverage_curve",
    "verdict_scores",
]

Float64 = npt.NDArray[np.float64]


def calibration_error(p_dead: npt.ArrayLike, dead: npt.ArrayLike) -> float:
    """Return the expected calibration error of the probability of the likelier class.

    Parameters
    ----------
    p_dead : array_like of float, shape (n,)
    dead : array_like of bool, shape (n,)

    Returns
    -------
    float
        Sum over 15 equal bins (only a convention) of their share times |accuracy - mean
        confidence|, in [0, 1].

    Notes
    -----
    Biased upwards in small samples, even for a perfectly calibrated model: with a few hundred
    examples a value of 0.02 to 0.04 says nothing against the model.

    References
    ----------
    Guo, Pleiss, Sun & Weinberger (2017), ICML, PMLR 70:1321-1330.
    """
    share, truth = np.asarray(p_dead, np.float64), np.asarray(dead, np.bool_)
    if share.size == 0:
        return 0.0
    confidence = np.maximum(share, 1.0 - share)
    right = (share > 0.5) == truth
    return binned_gap(confidence, right, n_bins=15)


def binned_gap(confidence: npt.ArrayLike, right: npt.ArrayLike, *, n_bins: int) -> float:
    """Return sum over bins of (share of examples) times |share right - mean confidence|."""
    sure, hit = np.asarray(confidence, np.float64), np.asarray(right, np.float64)
    which = np.clip(np.ceil(sure * n_bins - 1e-12).astype(int) - 1, 0, n_bins - 1)
    n_in = np.bincount(which, minlength=n_bins)
    gap = np.abs(
        np.bincount(which, weights=hit, minlength=n_bins)
        - np.bincount(which, weights=sure, minlength=n_bins)
    )
    return float(gap.sum() / max(int(n_in.sum()), 1))


def confusion(verdicts: npt.ArrayLike, dead: npt.ArrayLike) -> dict[str, dict[str, int]]:
    """Count verdicts by truth: ``{"live": {"live": n, "dead": n, "unsure": n}, "dead": ...}``."""
    verdict, truth = np.asarray(verdicts).astype(str), np.asarray(dead, np.bool_)
    return {
        name: {word: int(np.sum((verdict == word) & (truth == is_dead)))
               for word in ("live", "dead", "unsure")}
        for name, is_dead in (("live", False), ("dead", True))
    }


def verdict_scores(
    verdicts: npt.ArrayLike, p_dead: npt.ArrayLike, dead: npt.ArrayLike
) -> dict[str, Any]:
    """Summarise verdicts against the truth.

    Returns
    -------
    dict
        ``n``; ``called`` (share that is not unsure); ``right`` (share right among those called);
        ``dead_called_live`` (share of all dead) and ``live_called_dead`` (share of all live);
        ``calibration_error``; ``confusion`` with counts. Shares are None where nothing stands
        below the line.
    """
    table = confusion(verdicts, dead)
    live, gone = table["live"], table["dead"]
    n_live, n_dead = sum(live.values()), sum(gone.values())
    n_called = n_live + n_dead - live["unsure"] - gone["unsure"]

    def share(part: int, whole: int) -> float | None:
        return round(part / whole, 5) if whole else None

    return {
        "n": n_live + n_dead,
        "called": share(n_called, n_live + n_dead),
        "right": share(live["live"] + gone["dead"], n_called),
        "dead_called_live": share(gone["live"], n_dead),
        "live_called_dead": share(live["dead"], n_live),
        "calibration_error": round(calibration_error(p_dead, dead), 4),
        "confusion": table,
    }


def coverage_curve(p_dead: npt.ArrayLike, dead: npt.ArrayLike) -> list[dict[str, float]]:
    """Trace how much would be called, and how much of it wrong, as alpha is widened.

    Parameters
    ----------
    p_dead : array_like of float, shape (n,)
        Of photographs never trained on; every second one sets the thresholds, the others are
        scored.
    dead : array_like of bool, shape (n,)

    Returns
    -------
    list of dict
        ``alpha``, ``called`` and ``wrong`` (share wrong among those called).
    """
    share, truth = np.asarray(p_dead, np.float64), np.asarray(dead, np.bool_)
    curve = []
    for alpha in (0.002, 0.004, 0.01, 0.02, 0.05, 0.1):
        sets: ConformalSets = calibrate(share[::2], truth[::2], alpha=alpha)
        live_in, dead_in = sets.contains(share[1::2])
        called = live_in != dead_in
        wrong = called & (dead_in != truth[1::2])
        curve.append({
            "alpha": alpha, "called": round(float(called.mean()), 4),
            "wrong": round(float(wrong.sum() / max(int(called.sum()), 1)), 4),
        })
    return curve
