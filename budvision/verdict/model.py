"""The verdict model: feature rows to a calibrated probability, a verdict and its reason."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from budvision.errors import VerificationError
from budvision.photo.features import FEATURE_NAMES, FEATURE_VERSION, FEATURES
from budvision.verdict.conformal import ConformalSets
from budvision.verdict.correction import Correction
from budvision.vocabulary import Tissue, Verdict

__all__ = [
    "ALONE_DOUBT",
    "SWAP_DOUBT",
    "JudgedTissue",
    "Novelty",
    "ScaledLogistic",
    "VerdictModel",
    "fit_novelty",
    "logit",
    "names_to_ask",
]

Float64 = npt.NDArray[np.float64]
Float32 = npt.NDArray[np.float32]
Bool = npt.NDArray[np.bool_]

_GROUPS: Final = {
    group: [at for at, feature in enumerate(FEATURES) if feature.group == group]
    for group in dict.fromkeys(feature.group for feature in FEATURES)
}

_NAMES: Final = [FEATURE_NAMES.index("is_secondary"), FEATURE_NAMES.index("is_tertiary")]


def logit(share: npt.ArrayLike) -> Float64:
    """Return ln(p / (1 - p)), p kept within 1e-6 of 0 and 1."""
    values = np.clip(np.asarray(share, np.float64), 1e-6, 1.0 - 1e-6)
    return np.asarray(np.log(values / (1.0 - values)))


SWAP_DOUBT: Final = 0.02
"""Doubt about the sides above which the names of flankers with different verdicts are asked for."""
ALONE_DOUBT: Final = 0.1
"""Doubt about which of the two it is above which the name of a flanker alone is asked for."""


def names_to_ask(
    verdicts: Mapping[Tissue, Verdict], *, swap_doubt: float
) -> frozenset[Tissue]:
    """Return the flankers of which a person is to say which of the two they are.

    Parameters
    ----------
    verdicts : mapping of Tissue to Verdict
        Of the exposed tissues.
    swap_doubt : float
        Probability that secondary and tertiary should change places, in [0, 0.5].

    Returns
    -------
    frozenset of Tissue
        Both flankers where their verdicts differ and the doubt is above `SWAP_DOUBT` (where they
        agree, changing places would change nothing); one that shows alone where the doubt is
        above `ALONE_DOUBT`.
    """
    flankers = verdicts.keys() & {Tissue.SECONDARY, Tissue.TERTIARY}
    if len(flankers) == 2:
        differ = verdicts[Tissue.SECONDARY] != verdicts[Tissue.TERTIARY]
        return frozenset(flankers if differ and swap_doubt > SWAP_DOUBT else ())
    return frozenset(flankers if swap_doubt > ALONE_DOUBT else ())


@dataclass(frozen=True, slots=True)
class JudgedTissue:
    """What the verdict model says of one feature row.

    Attributes
    ----------
    p_dead : float
        Calibrated probability of dead, whichever flanker it is, in [0.001, 0.999].
    verdict : Verdict
    strange : bool
        Whether the row lies far from everything trained on.
    moved_by : mapping of str to float
        How far each group of `FEATURES` moved the log-odds of dead: log-odds with the row, less
        log-odds with the group put at the training mean. Positive speaks for dead.
    """

    p_dead: float
    verdict: Verdict
    strange: bool
    moved_by: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Novelty:
    """How far a feature row lies from those trained on.

    Attributes
    ----------
    middle : ndarray of float64, shape (f,)
    whitener : ndarray of float64, shape (f, f)
        Inverse square root of the shrunk covariance.
    limit : float
        Distance beyond which a row is unlike anything trained on.
    """

    middle: Float64
    whitener: Float64
    limit: float

    def distance(self, rows: npt.ArrayLike) -> Float64:
        """Return the Mahalanobis distance of rows (n, f), divided by the root of f."""
        apart = (np.atleast_2d(np.asarray(rows, np.float64)) - self.middle) @ self.whitener
        return np.asarray(np.sqrt(np.mean(apart**2, axis=1)))


def fit_novelty(rows: npt.ArrayLike) -> Novelty:
    """Fit the guard: the distance that 99.5 % of the training rows keep within.

    Parameters
    ----------
    rows : array_like of float, shape (n, f)
        Training rows.

    References
    ----------
    Ledoit & Wolf (2004), J. Multivariate Anal. 88:365-411, doi 10.1016/S0047-259X(03)00096-4.
    """
    from sklearn.covariance import LedoitWolf

    values = np.asarray(rows, np.float64)
    scale = np.maximum(values.std(axis=0), 1e-3)
    fitted = LedoitWolf().fit((values - values.mean(axis=0)) / scale)
    strength, axes = np.linalg.eigh(fitted.covariance_)
    whitener = (axes / np.sqrt(np.maximum(strength, 0.05))) @ axes.T / scale[:, None]
    plain = Novelty(values.mean(axis=0), whitener, float("inf"))
    limit = float(np.quantile(plain.distance(values), 0.995))
    return Novelty(plain.middle, plain.whitener, limit)


@dataclass(frozen=True, slots=True)
class ScaledLogistic:
    """A logistic regression of scaled rows, by its numbers alone.

    Attributes
    ----------
    mean, scale : ndarray of float64, shape (f,)
        What is taken from each row, and what it is divided by.
    weights : ndarray of float64, shape (f,)
    intercept : float
    """

    mean: Float64
    scale: Float64
    weights: Float64
    intercept: float

    def predict_proba(self, rows: Float64) -> Float64:
        """Return the probabilities of live and dead of rows (n, f), of shape (n, 2).

        Raises
        ------
        ValueError
            When a row holds what is no number.
        """
        if not np.isfinite(rows).all():
            raise ValueError("a feature is no number")
        odds = ((rows - self.mean) / self.scale) @ self.weights + self.intercept
        dead = np.exp(-np.logaddexp(0.0, -odds))
        return np.stack([1.0 - dead, dead], axis=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictModel:
    """A trained verdict model.

    Attributes
    ----------
    estimators : tuple
        Classifiers, scikit-learn's or `ScaledLogistic`, whose probabilities of dead are averaged
        in log-odds.
    slope, offset : float
        Calibration of those log-odds (Platt 1999).
    feature_names : tuple of str
    feature_version : str
        Must be the version of `budvision.photo.features`.
    sets : ConformalSets
        Makes live, dead or unsure.
    novelty : Novelty
        Rows beyond its limit are unsure whatever the probability.
    reserve_rows, reserve_dead : ndarray
        A sample of the training rows (m, f) and their truth, so that a laboratory's own calls
        are added to them and do not replace them.
    correction : Correction or None
        What was learnt from a season's calls on top of the calibrated log-odds.
    """

    estimators: tuple[Any, ...]
    slope: float
    offset: float
    feature_names: tuple[str, ...]
    feature_version: str
    sets: ConformalSets
    novelty: Novelty
    reserve_rows: Float32
    reserve_dead: Bool
    correction: Correction | None = None

    def check(self, *, where: str) -> None:
        """Raise VerificationError unless the model fits the features as measured today."""
        if self.feature_version != FEATURE_VERSION or self.feature_names != FEATURE_NAMES:
            raise VerificationError(
                f"the model was trained on features {self.feature_version}",
                expected=FEATURE_VERSION, where=where,
                do="Train it again with this version of budvision.",
            )

    def raw_logit(self, rows: npt.ArrayLike) -> Float64:
        """Return the uncalibrated log-odds of dead of rows (n, f)."""
        values = np.atleast_2d(np.asarray(rows, np.float64))
        return np.asarray(
            np.mean([logit(one.predict_proba(values)[:, 1]) for one in self.estimators], axis=0)
        )

    def p_dead(self, rows: npt.ArrayLike) -> Float64:
        """Return the calibrated probability of dead of rows (n, f), in [0.001, 0.999]."""
        return np.clip(1.0 / (1.0 + np.exp(-self.odds(rows))), 0.001, 0.999)

    def odds(self, rows: npt.ArrayLike) -> Float64:
        """Return the calibrated and corrected log-odds of dead of rows (n, f)."""
        values = np.atleast_2d(np.asarray(rows, np.float64))
        odds = self.slope * self.raw_logit(values) + self.offset
        return odds if self.correction is None else self.correction.apply(odds, values)

    def verdicts(self, rows: npt.ArrayLike) -> list[Verdict]:
        """Return live, dead or unsure for rows (n, f)."""
        return self._settled(self.p_dead(rows), self.is_strange(rows))

    def is_strange(self, rows: npt.ArrayLike) -> Bool:
        """Say which rows (n, f) lie far from everything trained on."""
        return np.asarray(self.novelty.distance(rows) > self.novelty.limit)

    def _settled(self, p_dead: Float64, strange: Bool) -> list[Verdict]:
        live, dead = self.sets.contains(p_dead)
        return [
            Verdict.UNSURE if far or a == b else (Verdict.LIVE if a else Verdict.DEAD)
            for a, b, far in zip(live, dead, strange, strict=True)
        ]

    def judge(self, rows: Float64, *, swap_doubt: float = 0.0) -> list[JudgedTissue]:
        """Judge the tissues of one face, in one pass through the estimators.

        Parameters
        ----------
        rows : ndarray of float64, shape (n, f)
            In the order of `FEATURES`.
        swap_doubt : float
            Probability that a flanker is the other one. Its `p_dead` is the mean of what holds
            under either name, weighted by it: doubt about the name is no doubt about life.
        """
        renamed = rows.copy()
        renamed[:, _NAMES] = rows[:, _NAMES[::-1]]
        grouped = np.repeat(rows[:, None], len(_GROUPS), axis=1)
        for index, columns in enumerate(_GROUPS.values()):
            grouped[:, index, columns] = self.novelty.middle[columns]
        n, n_groups = len(rows), len(_GROUPS)
        odds = self.odds(np.concatenate([rows, renamed, grouped.reshape(n * n_groups, -1)]))
        own, other = (np.clip(1.0 / (1.0 + np.exp(-part)), 0.001, 0.999)
                      for part in (odds[:n], odds[n:2 * n]))
        p_dead = (1.0 - swap_doubt) * own + swap_doubt * other
        moved = odds[:n, None] - odds[2 * n:].reshape(n, n_groups)
        strange = self.is_strange(rows)
        return [
            JudgedTissue(float(share), verdict, bool(far),
                         dict(zip(_GROUPS, map(float, by), strict=True)))
            for share, verdict, far, by in zip(
                p_dead, self._settled(p_dead, strange), strange, moved, strict=True)
        ]
