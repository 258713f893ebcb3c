"""Class-conditional conformal sets: an *unsure* that is honest for the dead as much as the live.

A plain conformal set keeps its promise on average only; where few buds are dead it can break it for
most of the dead ones. Here each class has a threshold of its own, so that of the truly dead tissues
at most a share `alpha` loses the label dead from its set, and of the live ones likewise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from budvision.errors import InputError

__all__ = ["ConformalSets", "calibrate", "conformal_quantile"]

Float64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]


def conformal_quantile(scores: npt.ArrayLike, alpha: float) -> float:
    """Return the ceil((n + 1)(1 - alpha))-th smallest score, infinity where there are too few.

    Parameters
    ----------
    scores : array_like of float, shape (n,)
        Calibration scores, higher is stranger.
    alpha : float
        Share of new examples that may score higher, in (0, 1).

    Returns
    -------
    float
        At least 1/alpha - 1 scores are needed for a finite value.

    Notes
    -----
    Holds for exchangeable examples; photographs of one cane or one laboratory are alike, so split
    and calibrate by groups where there are some.

    References
    ----------
    Vovk, Gammerman & Shafer (2005), Algorithmic Learning in a Random World; Lei et al. (2018),
    J. Am. Stat. Assoc. 113:1094-1111, doi 10.1080/01621459.2017.1307116.
    """
    if not 0.0 < alpha < 1.0:
        raise InputError(f"alpha is {alpha!r}", expected="a number between 0 and 1")
    values = np.sort(np.asarray(scores, np.float64))
    rank = math.ceil((values.size + 1) * (1.0 - alpha) - 1e-9)
    return float(values[rank - 1]) if 1 <= rank <= values.size else math.inf


@dataclass(frozen=True, slots=True)
class ConformalSets:
    """Thresholds of the two classes.

    Attributes
    ----------
    live_limit, dead_limit : float
        The largest score (1 less the probability of the class) at which the class is still in
        the set; infinity keeps it in always.
    alpha : float
        Share of each class that may lose its own label.
    n_live, n_dead : int
        Calibration examples of each class.
    """

    live_limit: float
    dead_limit: float
    alpha: float
    n_live: int
    n_dead: int

    def contains(self, p_dead: npt.ArrayLike) -> tuple[Bool, Bool]:
        """Say which labels are in the set of each tissue.

        Parameters
        ----------
        p_dead : array_like of float, shape (n,)
            Probability of dead.

        Returns
        -------
        live, dead : ndarray of bool, shape (n,)
            Exactly one of the two makes a verdict; both or neither is unsure.
        """
        dead = np.asarray(p_dead, np.float64)
        return dead <= self.live_limit, 1.0 - dead <= self.dead_limit


def calibrate(p_dead: npt.ArrayLike, dead: npt.ArrayLike, *, alpha: float) -> ConformalSets:
    """Set the thresholds from examples that the model was not trained on.

    Parameters
    ----------
    p_dead : array_like of float, shape (n,)
        Probability of dead from a model that has not seen the example.
    dead : array_like of bool, shape (n,)
        What is true.
    alpha : float
        Share of each class that may lose its own label, in (0, 1).
    """
    share, truth = np.asarray(p_dead, np.float64), np.asarray(dead, np.bool_)
    return ConformalSets(
        live_limit=conformal_quantile(share[~truth], alpha),
        dead_limit=conformal_quantile(1.0 - share[truth], alpha),
        alpha=alpha, n_live=int((~truth).sum()), n_dead=int(truth.sum()),
    )
