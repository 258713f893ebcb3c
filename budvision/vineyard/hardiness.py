"""Published lethal temperatures of dormant buds: background to a cold record, never a verdict.

A value ranks cultivars on one date at one place; it does not say what a given block endures. The
sources warn of reading it so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from budvision.vineyard.units import to_celsius

__all__ = ["HARDINESS", "HARDINESS_CAUTION", "LethalTemperature", "lethal_temperatures"]

HARDINESS_CAUTION = (
    "Background only: such values rank cultivars on one date at one place. They do not tell how "
    "many buds of this block are alive; only cutting does."
)

_JANUARY = ("Geneva, New York, 30 Jan 2023, near the hardiest of winter",
            "Finger Lakes Grape Program, 15 Feb 2023 (blogs.cornell.edu/flxgrapes/2023/02/15)")
_APRIL = ("Geneva, New York, mid-April 2013, after losing hardiness",
          "Cornell bud hardiness page 2012-13")


@dataclass(frozen=True, slots=True)
class LethalTemperature:
    """Temperatures that killed a tenth and a half of dormant buds, degrees Celsius.

    Attributes
    ----------
    lt10_c : float or None
        Not given by every source.
    """

    cultivar: str
    lt10_c: float | None
    lt50_c: float
    when: str
    source: str


def _row(
    name: str, lt10_f: float | None, lt50_f: float, told: tuple[str, str]
) -> LethalTemperature:
    return LethalTemperature(
        name, None if lt10_f is None else to_celsius(lt10_f), to_celsius(lt50_f), *told
    )


HARDINESS: Mapping[str, tuple[LethalTemperature, ...]] = MappingProxyType({
    "Cabernet Franc": (_row("Cabernet Franc", -6.0, -8.9, _JANUARY),
                       _row("Cabernet Franc", None, 8.1, _APRIL)),
    "Cayuga White": (_row("Cayuga White", -3.6, -7.4, _JANUARY),),
    "Chardonnay": (_row("Chardonnay", -4.1, -9.0, _JANUARY),),
    "Concord": (_row("Concord", -10.3, -14.4, _JANUARY), _row("Concord", None, 11.1, _APRIL)),
    "Gewuerztraminer": (_row("Gewuerztraminer", -1.5, -4.5, _JANUARY),),
    "Lemberger": (_row("Lemberger", -2.6, -8.1, _JANUARY),),
    "Merlot": (_row("Merlot", -5.1, -8.7, _JANUARY),),
    "Noiret": (_row("Noiret", None, 11.2, _APRIL),),
    "Riesling": (_row("Riesling", -6.5, -9.8, _JANUARY), _row("Riesling", None, 6.7, _APRIL)),
    "Sauvignon blanc": (_row("Sauvignon blanc", -4.7, -7.8, _JANUARY),),
})
"""By cultivar, as published in degrees Fahrenheit and converted."""


def lethal_temperatures(cultivar: str) -> tuple[LethalTemperature, ...]:
    """Return published values of a cultivar, case aside; empty where none is known here.

    Parameters
    ----------
    cultivar : str
    """
    by_name = {name.casefold(): rows for name, rows in HARDINESS.items()}
    return by_name.get(cultivar.strip().casefold(), ())
