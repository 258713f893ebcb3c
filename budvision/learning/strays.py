"""Learn which regions are no such tissue, from what people called *not exposed* or moved.

A season's calls say more than live or dead. A region under a tissue that a person calls *not
exposed*, or away from which a person moved the outline or the name, is a stray; and a call that
contradicts a clear colour is likelier a stray than a marvel. How sure the network is inside an
outline and how large it is tell strays from tissue; how much so differs from bench to bench. Kept
only where regions of canes left out are told better than by the share of strays alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit, logit

from budvision.language import plain_count
from budvision.learning.adapt import SLIP_SHARE, Adaptation
from budvision.learning.lessons import Lessons
from budvision.photo.features import FEATURE_NAMES
from budvision.verdict.correction import SHOWN_BESIDE, Correction, RegionDoubt, spread_of

__all__ = ["Doubted", "doubt_regions"]

Floats = NDArray[np.float64]
LEAST_STRAYS: Final = 3
TOLD_BY: Final = ("confidence", "area_share")
_PRIOR: Final = np.array([3.4, 0.85, 0.85])
_SPREAD: Final = np.array([0.7, 0.3, 0.4])
"""Log-odds of a middling region being its tissue, and what a spread of each of `TOLD_BY` adds;
between logistic regressions on 3,817 regions of `staged-1.0` (4.0, 0.91, 1.33) and 3,752 of
`bench-1.0` (2.8, 0.86, 0.44) on photographs from seed 5,200,000,000 staged and 5,300,000,000
tidy, and half as far again."""
_BEYOND: Final = 0.5
"""Standard errors, over canes, by which it must beat the share of strays alone."""
_FOLDS: Final = 6


@dataclass(frozen=True, slots=True)
class Doubted:
    """What strays taught.

    Attributes
    ----------
    correction : Correction or None
        With the doubt about regions where it is kept; else the adaptation's.
    cross_logit : ndarray, shape (n,)
        Log-odds of dead of each example, both corrections fitted without its cane.
    stray_logit : ndarray, shape (m,)
        The same of each stray.
    why : str
        What was found, in a sentence; empty without strays.
    """

    correction: Correction | None
    cross_logit: Floats
    stray_logit: Floats
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Regions:
    """Regions: called ones first, then strays.

    `told` (n, 2) is scaled; `agrees` the probability that the model gives the call were the region
    its tissue (nan where the call is unsure); `stray` and `cane` (n,).
    """

    told: Floats
    agrees: Floats
    stray: NDArray[np.bool_]
    cane: NDArray[np.int64]

    def losses(self, theta: Floats) -> Floats:
        """Return the negative log likelihood of each region under shift and two weights."""
        sound = expit(theta[0] + self.told @ theta[1:])
        off = 1.0 - sound
        call = np.where(np.isnan(self.agrees), 1.0, self.agrees)
        chance = np.where(np.isnan(self.agrees), 1.0, 0.5)
        as_tissue = sound * call + SHOWN_BESIDE * off * chance
        return np.asarray(-np.log(np.where(self.stray, (1.0 - SHOWN_BESIDE) * off, as_tissue)
                                  + 1e-9))

    def fitted(self, keep: NDArray[np.bool_]) -> Floats:
        """Return the most probable shift and weights of some of the regions."""
        part = _Regions(told=self.told[keep], agrees=self.agrees[keep], stray=self.stray[keep],
                        cane=self.cane[keep])
        return np.asarray(minimize(
            lambda theta: float(part.losses(theta).sum()
                                + 0.5 * (((theta - _PRIOR) / _SPREAD) ** 2).sum()),
            _PRIOR, method="L-BFGS-B").x)


def doubt_regions(lessons: Lessons, adaptation: Adaptation) -> Doubted:
    """Add a doubt about regions to what was learnt about life, where it helps.

    Parameters
    ----------
    lessons : Lessons
    adaptation : Adaptation
        From the same lessons.

    Notes
    -----
    Fewer than 3 strays, or fewer than 3 canes, cannot show whether it helps.
    """
    examples, strays = lessons.examples, lessons.strays
    rows = np.array([one.row for one in strays], np.float64).reshape(
        len(strays), examples.features.shape[1])
    base = np.array([one.base_logit for one in strays], np.float64)
    plain = adaptation.correction or _unchanged(examples.features)
    stray_logit = plain.apply(base, rows)
    names = [one.cane for one in (*lessons.kept, *strays)]
    cane = np.unique(names, return_inverse=True)[1].astype(np.int64)
    if len(strays) < LEAST_STRAYS or len(set(names)) < LEAST_STRAYS or not len(examples):
        return Doubted(adaptation.correction, adaptation.cross_logit, stray_logit, "")
    scaled = plain.scaled(np.vstack([examples.features, rows]))
    columns = [FEATURE_NAMES.index(name) for name in TOLD_BY]
    says = np.where(examples.dead == 0.5, np.nan, np.where(
        examples.dead == 1, expit(adaptation.cross_logit), expit(-adaptation.cross_logit)))
    stray = np.arange(len(names)) >= len(examples)
    regions = _Regions(
        told=scaled[:, columns], stray=stray, cane=cane,
        agrees=np.r_[SLIP_SHARE + (1 - 2 * SLIP_SHARE) * says, np.full(len(strays), np.nan)])
    crossed = np.r_[adaptation.cross_logit, stray_logit]
    loss, alone = np.empty(len(names)), np.empty(len(names))
    for k in range(min(_FOLDS, len(set(names)))):
        out = cane % _FOLDS == k
        theta = regions.fitted(~out)
        loss[out] = regions.losses(theta)[out]
        alone[out] = regions.losses(_share_alone(regions, ~out))[out]
        crossed[out] = _doubt(theta, columns, scaled.shape[1]).soften(crossed[out], scaled[out])
    sums = np.bincount(cane, alone - loss)
    gain = float(sums.sum()) / len(names)
    error = float(np.sqrt(len(sums) * sums.var(ddof=1))) / len(names)
    found = f"{plain_count(len(strays), 'region')} called not exposed or moved"
    if gain <= _BEYOND * error:
        return Doubted(adaptation.correction, adaptation.cross_logit, stray_logit,
                       f"What is no tissue could not be told from {found} "
                       f"(gain {gain:.4f} +/- {error:.4f} in log loss).")
    theta = regions.fitted(np.ones(len(names), np.bool_))
    kept = replace(plain, doubt=_doubt(theta, columns, scaled.shape[1]))
    return Doubted(kept, crossed[~stray], crossed[stray],
                   f"What is no tissue is told from {found} "
                   f"(gain {gain:.3f} +/- {error:.3f} in log loss, canes left out).")


def _share_alone(regions: _Regions, keep: NDArray[np.bool_]) -> Floats:
    """Return the shift, and no weights, that the share of strays says."""
    share = (regions.stray[keep].sum() + 0.5) / (keep.sum() + 1.0) / (1.0 - SHOWN_BESIDE)
    return np.array([float(logit(1.0 - min(share, 0.9))), 0.0, 0.0])


def _doubt(theta: Floats, columns: list[int], n_features: int) -> RegionDoubt:
    weights = np.zeros(n_features)
    weights[columns] = theta[1:]
    return RegionDoubt(float(theta[0]), weights)


def _unchanged(features: Floats) -> Correction:
    """Return the correction that changes nothing, scaled to these rows."""
    d = features.shape[1]
    middle, spread = spread_of(features) if len(features) else (np.zeros(d), np.ones(d))
    return Correction(slope=1.0, shift=0.0, middle=middle, spread=spread, weights=np.zeros(d),
                      bumps=np.zeros((0, d)), heights=np.zeros(0), width=1.0)
