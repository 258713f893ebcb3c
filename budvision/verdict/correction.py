"""A correction of a verdict model's log-odds, learnt from calls: plain numbers in a model file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from budvision.errors import InputError

__all__ = ["LIMIT", "SHOWN_BESIDE", "Correction", "RegionDoubt", "bumps_at", "spread_of"]

Floats = NDArray[np.float64]
LIMIT = 12.0
"""Log-odds are held within plus and minus this."""
SHOWN_BESIDE: Final = 0.6
"""Share of regions off their tissue whose tissue shows all the same, elsewhere in the face: 455 of
732 for bench-1.0 and staged-1.0 on rendered photographs (`python -m budvision.learning.observe`,
1,500 staged from seed 5,200,000,000 and 1,000 tidy from 5,300,000,000), rounded."""


def spread_of(features: Floats) -> tuple[Floats, Floats]:
    """Return the middle and the robust spread of feature rows (n, d), for `Correction.scaled`."""
    middle = np.median(features, axis=0)
    spread = np.maximum(1.4826 * np.median(np.abs(features - middle), axis=0),
                        0.5 * features.std(axis=0))
    return middle, np.where(spread > 1e-9, spread, 1.0)


@dataclass(frozen=True, slots=True)
class RegionDoubt:
    """How likely a region is the tissue it is named for, by its scaled features.

    Attributes
    ----------
    shift : float
        Log-odds of a middling region.
    weights : ndarray, shape (d,)
    """

    shift: float
    weights: Floats

    def is_tissue(self, scaled: Floats) -> Floats:
        """Return the probability that each region is what it is named for, shape (n,)."""
        return np.asarray(expit(self.shift + scaled @ self.weights))

    def soften(self, odds: Floats, scaled: Floats) -> Floats:
        """Return log-odds of dead that allow for regions that are something else, shape (n,).

        A tissue whose region lies elsewhere is as likely live as dead. The call is asked only of
        tissue that shows, so of the regions off their tissue `SHOWN_BESIDE` counts.
        """
        sound = self.is_tissue(scaled)
        off = SHOWN_BESIDE * (1.0 - sound)
        return np.asarray(logit((sound * expit(odds) + 0.5 * off) / (sound + off)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """A correction of the model's log-odds, plain numbers only.

    Attributes
    ----------
    slope, shift : float
    middle, spread : ndarray, shape (d,)
        Features are centred and scaled by these and held to plus or minus 4.
    weights : ndarray, shape (d,)
    bumps : ndarray, shape (m, d)
        Scaled feature rows round which `heights` are added; m may be 0.
    heights : ndarray, shape (m,)
    width : float
        Width of a bump, in scaled units.
    doubt : RegionDoubt, optional
        What calls taught of regions that are no such tissue.
    """

    slope: float
    shift: float
    middle: Floats
    spread: Floats
    weights: Floats
    bumps: Floats
    heights: Floats
    width: float
    doubt: RegionDoubt | None = None

    def scaled(self, features: Floats) -> Floats:
        """Centre and scale feature rows."""
        return np.asarray(np.clip((features - self.middle) / self.spread, -4, 4))

    def apply(self, base_logit: Floats, features: Floats) -> Floats:
        """Return corrected log-odds, shape (n,)."""
        scaled = self.scaled(features)
        out = self.slope * np.clip(base_logit, -LIMIT, LIMIT) + self.shift
        out = out + scaled @ self.weights
        if len(self.heights):
            out = out + bumps_at(scaled, self.bumps, self.width) @ self.heights
        if self.doubt is not None:
            out = self.doubt.soften(np.clip(out, -LIMIT, LIMIT), scaled)
        return np.asarray(np.clip(out, -LIMIT, LIMIT))

    def as_arrays(self) -> dict[str, Floats]:
        """Return the numbers as arrays, for a model file."""
        doubt = {} if self.doubt is None else {
            "doubt_shift": np.array([self.doubt.shift]), "doubt_weights": self.doubt.weights}
        return {
            "slope": np.array([self.slope]), "shift": np.array([self.shift]),
            "middle": self.middle, "spread": self.spread, "weights": self.weights,
            "bumps": self.bumps, "heights": self.heights, "width": np.array([self.width])} | doubt

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, Floats]) -> Correction:
        """Build a correction from `as_arrays`' form.

        Raises
        ------
        InputError
            When a part is missing, of the wrong shape or holds what is no number.
        """
        try:
            d = arrays["middle"].shape
            parts = {k: np.asarray(arrays[k], np.float64) for k in (
                "middle", "spread", "weights", "bumps", "heights")}
            good = parts["spread"].shape == d == parts["weights"].shape and (
                parts["bumps"].shape == (len(parts["heights"]), *d))
            doubt = None
            if "doubt_weights" in arrays:
                doubt = RegionDoubt(float(arrays["doubt_shift"][0]),
                                    np.asarray(arrays["doubt_weights"], np.float64))
                good = good and doubt.weights.shape == d
            if not good or not all(np.isfinite(one).all() for one in arrays.values()):
                raise ValueError("shapes, or what is no number")
            return cls(slope=float(arrays["slope"][0]), shift=float(arrays["shift"][0]),
                       width=float(arrays["width"][0]), doubt=doubt, **parts)
        except (KeyError, ValueError, IndexError, TypeError) as error:
            raise InputError("the correction in the model file is incomplete",
                             expected="the arrays that training writes", where="model",
                             do="Train again or use another model.") from error


def bumps_at(scaled: Floats, centres: Floats, width: float) -> Floats:
    """Return the height at each scaled row (n, d) of unit bumps round centres (m, d): (n, m)."""
    square = (scaled**2).sum(1)[:, None] + (centres**2).sum(1) - 2 * scaled @ centres.T
    return np.asarray(np.exp(-np.maximum(square, 0) / (2 * width**2)))
