"""Vine balance and canopy density against published bands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from budvision.errors import InputError
from budvision.vineyard.units import FOOT_M, check_positive
from budvision.vocabulary import Interval

__all__ = [
    "BALANCE_BANDS",
    "BalanceBand",
    "Placed",
    "place",
    "pruning_weight_per_m",
    "ravaz",
    "shoots_to_remove",
]

_KD = "Kliewer & Dokoozlian (2005), Am. J. Enol. Vitic. 56:170-181"


@dataclass(frozen=True, slots=True, kw_only=True)
class BalanceBand:
    """A published range of a balance measure."""

    measure: str
    canopy: str
    low: float
    high: float
    unit: str
    source: str


BALANCE_BANDS: Mapping[str, tuple[BalanceBand, ...]] = MappingProxyType({
    "ravaz": (
        BalanceBand(measure="yield / pruning weight", canopy="single", low=4, high=10, unit="",
                    source=_KD),
        BalanceBand(measure="yield / pruning weight", canopy="divided", low=5, high=10, unit="",
                    source=_KD),
    ),
    "leaf_area": (
        BalanceBand(measure="leaf area / fruit", canopy="single", low=0.8, high=1.2, unit="m2/kg",
                    source=_KD),
        BalanceBand(measure="leaf area / fruit", canopy="divided", low=0.5, high=0.8, unit="m2/kg",
                    source=_KD),
    ),
    "pruning_weight": (
        BalanceBand(measure="pruning weight a metre", canopy="single", low=0.5, high=1.0,
                    unit="kg/m", source=_KD),
        BalanceBand(measure="pruning weight a metre", canopy="divided", low=0.4, high=0.8,
                    unit="kg/m", source=_KD),
    ),
    "shoots": (
        BalanceBand(measure="shoots a metre", canopy="single", low=3 / FOOT_M, high=5 / FOOT_M,
                    unit="/m",
                    source="University of Maryland Extension 2017 (3 to 5 a foot, VSP and high "
                    "cordon)"),
    ),
})
"""Published bands by measure; where a canopy form is missing, none was found for it."""


@dataclass(frozen=True, slots=True)
class Placed:
    """A value against a published band: "below", "within" or "above" it.

    `interval` is the value's own range, None where nothing shows one.
    """

    value: float
    band: BalanceBand
    where: str
    interval: Interval | None = None

    @property
    def sure(self) -> bool:
        """Whether the whole range lies where the value does."""
        return self.interval is None or len({
            _where(end, self.band) for end in (self.interval.low, self.value, self.interval.high)
        }) == 1


def ravaz(yield_kg: float, prunings_kg: float) -> float:
    """Return yield over pruning weight of the same vine, both in kg.

    Parameters
    ----------
    yield_kg, prunings_kg : float
        Above 0.

    Raises
    ------
    InputError
        When a weight is not positive.

    References
    ----------
    Kliewer & Dokoozlian (2005), Am. J. Enol. Vitic. 56:170-181, for its bands.
    """
    check_positive(yield_kg=yield_kg, prunings_kg=prunings_kg)
    return yield_kg / prunings_kg


def pruning_weight_per_m(prunings_kg: float, canopy_m: float) -> float:
    """Return pruning weight a metre of canopy, kg/m.

    Parameters
    ----------
    prunings_kg : float
        Above 0.
    canopy_m : float
        Length of canopy, metres, above 0.

    Raises
    ------
    InputError
        When a value is not positive.
    """
    check_positive(prunings_kg=prunings_kg, canopy_m=canopy_m)
    return prunings_kg / canopy_m


def place(
    value: float, measure: str, *, canopy: str = "single", interval: Interval | None = None
) -> Placed:
    """Place a value against the published band of its measure; edges count as within.

    Parameters
    ----------
    value : float
        In the band's unit.
    measure : {"ravaz", "leaf_area", "pruning_weight", "shoots"}
    canopy : {"single", "divided"}
    interval : Interval, optional
        The value's own range.

    Raises
    ------
    InputError
        When there is no band of that measure and canopy, or the value is not positive.
    """
    check_positive(value=value)
    bands = [band for band in BALANCE_BANDS.get(measure, ()) if band.canopy == canopy]
    if not bands:
        raise InputError(
            f"there is no band for {measure!r} of a {canopy!r} canopy",
            expected=f"one of {', '.join(BALANCE_BANDS)}; single or divided",
        )
    return Placed(value, bands[0], _where(value, bands[0]), interval)


def _where(value: float, band: BalanceBand) -> str:
    slack = 1e-6 * band.high    # a value converted from feet lies on the edge it was given as
    return ("below" if value < band.low - slack else
            "above" if value > band.high + slack else "within")


def shoots_to_remove(shoots_per_m: float, target_per_m: float) -> float:
    """Return shoots to take off a metre of canopy, 0 where the count is at or below the target.

    Parameters
    ----------
    shoots_per_m, target_per_m : float
        Shoots a metre of canopy, above 0.

    Raises
    ------
    InputError
        When a value is not positive.

    Notes
    -----
    After cold damage keep secondary shoots, for some crop and for next year's spurs (University
    of Maryland Extension 2017).
    """
    check_positive(shoots_per_m=shoots_per_m, target_per_m=target_per_m)
    return max(0.0, shoots_per_m - target_per_m)
