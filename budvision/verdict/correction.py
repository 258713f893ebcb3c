"""A correction of a verdict model's log-odds, learnt from calls: plain numbers in a model file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from budvision.errors import InputError

__all__ = ["LIMIT", "Correction", "bumps_at"]

Floats = NDArray[np.float64]
LIMIT = 12.0
"""Log-odds are held within plus and minus this."""


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
    """

    slope: float
    shift: float
    middle: Floats
    spread: Floats
    weights: Floats
    bumps: Floats
    heights: Floats
    width: float

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
        return np.asarray(np.clip(out, -LIMIT, LIMIT))

    def as_arrays(self) -> dict[str, Floats]:
        """Return the numbers as arrays, for a model file."""
        return {
            "slope": np.array([self.slope]), "shift": np.array([self.shift]),
            "middle": self.middle, "spread": self.spread, "weights": self.weights,
            "bumps": self.bumps, "heights": self.heights, "width": np.array([self.width])}

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, Floats]) -> Correction:
        """Build a correction from `as_arrays`' form.

        Raises
        ------
        InputError
            When a part is missing or of the wrong shape.
        """
        try:
            d = arrays["middle"].shape
            parts = {k: np.asarray(arrays[k], np.float64) for k in (
                "middle", "spread", "weights", "bumps", "heights")}
            good = parts["spread"].shape == d == parts["weights"].shape and (
                parts["bumps"].shape == (len(parts["heights"]), *d))
            if not good:
                raise ValueError("shapes")
            return cls(slope=float(arrays["slope"][0]), shift=float(arrays["shift"][0]),
                       width=float(arrays["width"][0]), **parts)
        except (KeyError, ValueError, IndexError, TypeError) as error:
            raise InputError("the correction in the model file is incomplete",
                             expected="the arrays that training writes", where="model",
                             do="Train again or use another model.") from error


def bumps_at(scaled: Floats, centres: Floats, width: float) -> Floats:
    """Return the height at each scaled row (n, d) of unit bumps round centres (m, d): (n, m)."""
    square = (scaled**2).sum(1)[:, None] + (centres**2).sum(1) - 2 * scaled @ centres.T
    return np.asarray(np.exp(-np.maximum(square, 0) / (2 * width**2)))
