"""Published lethal temperatures of dormant buds: background to a cold record, never a verdict.

A value ranks cultivars on one date at one place; it does not say what a given block endures. The
sources warn of reading it so. The values stand in `lethal_temperatures.toml`.
"""

from __future__ import annotations

import functools
import tomllib
from dataclasses import dataclass
from pathlib import Path

from budvision.vineyard.units import to_celsius

__all__ = ["HARDINESS_CAUTION", "LethalTemperature", "known_cultivars", "lethal_temperatures"]

HARDINESS_CAUTION = (
    "Background only: such values rank cultivars on one date at one place, and one cultivar "
    "differed by 12.6 C between places on the same days. Long cold kills at warmer temperatures. "
    "They do not tell how many buds of this block are alive; only cutting does."
)
"""Cabernet Franc, 15 to 17 Apr 2013 (Cornell); hours of cold: Chang, Estergaard & Marsh, ASEV."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LethalTemperature:
    """Temperatures that killed a tenth, half and nine tenths of dormant buds, degrees Celsius.

    Attributes
    ----------
    lt10_c, lt90_c : float or None
        Not given by every source.
    when : str
        Date, place and how hardened the buds were.
    """

    cultivar: str
    lt10_c: float | None
    lt50_c: float
    lt90_c: float | None
    when: str
    source: str


@functools.cache
def _published() -> dict[str, tuple[LethalTemperature, ...]]:
    """Read the values that ship, by cultivar in casefolded letters."""
    text = Path(__file__).with_name("lethal_temperatures.toml").read_text(encoding="utf-8")
    found: dict[str, tuple[LethalTemperature, ...]] = {}
    for group in tomllib.loads(text)["set"]:
        when = f"{group['when']}, {group['place']}, {group['state']}"
        for cultivar, values in group["f"].items():
            celsius = [to_celsius(value) for value in values]
            row = LethalTemperature(
                cultivar=cultivar, lt10_c=celsius[0], lt50_c=celsius[1],
                lt90_c=celsius[2] if len(celsius) > 2 else None, when=when,
                source=group["source"])
            key = cultivar.casefold()
            found[key] = (*found.get(key, ()), row)
    return found


def known_cultivars() -> tuple[str, ...]:
    """Return the cultivars of which values are known here, in order."""
    return tuple(sorted(rows[0].cultivar for rows in _published().values()))


def lethal_temperatures(cultivar: str) -> tuple[LethalTemperature, ...]:
    """Return published values of a cultivar, case aside; empty where none is known here."""
    return _published().get(cultivar.strip().casefold(), ())
