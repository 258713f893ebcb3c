"""Metric and US units: exact factors, quantities with their unit, vines on an area."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass

from budvision.errors import InputError, UsageError

__all__ = [
    "ACRE_HA",
    "FOOT_M",
    "POUND_KG",
    "SHORT_TON_KG",
    "Quantity",
    "check_positive",
    "one_system",
    "parse_quantity",
    "to_celsius",
    "to_fahrenheit",
    "tons_per_acre",
    "vines_on_area",
    "vines_per_hectare",
]

POUND_KG = 0.45359237
FOOT_M = 0.3048
ACRE_HA = 0.40468564224
SHORT_TON_KG = 2000 * POUND_KG

_UNITS: dict[str, dict[str, tuple[float, str]]] = {
    "length": {"m": (1.0, "metric"), "cm": (0.01, "metric"), "mm": (0.001, "metric"),
               "ft": (FOOT_M, "us"), "in": (FOOT_M / 12, "us")},
    "weight": {"kg": (1.0, "metric"), "g": (0.001, "metric"), "t": (1000.0, "metric"),
               "lb": (POUND_KG, "us"), "oz": (POUND_KG / 16, "us"), "ton": (SHORT_TON_KG, "us")},
    "area": {"ha": (1.0, "metric"), "m2": (1e-4, "metric"), "ac": (ACRE_HA, "us"),
             "acre": (ACRE_HA, "us")},
    "yield": {"t/ha": (1.0, "metric"), "kg/ha": (0.001, "metric"),
              "ton/ac": (SHORT_TON_KG / 1000 / ACRE_HA, "us"),
              "tons/acre": (SHORT_TON_KG / 1000 / ACRE_HA, "us")},
}


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with its unit, in the base unit of its kind (m, kg, ha, t/ha).

    Attributes
    ----------
    value : float
        In the base unit.
    system : {"metric", "us"}
    text : str
        As it was given.
    """

    value: float
    system: str
    text: str


def parse_quantity(text: str, kind: str, *, name: str = "value") -> Quantity:
    """Read a number with its unit, such as ``9 ft`` or ``1.2kg``.

    Parameters
    ----------
    text : str
        The number, a point or comma before decimals, then the unit.
    kind : {"length", "weight", "area", "yield"}
    name : str
        Named in errors.

    Raises
    ------
    InputError
        When there is no number, no unit, an unknown unit, or the value is not positive.
    """
    known = _UNITS[kind]
    match = re.fullmatch(r"\s*([0-9]+(?:[.,][0-9]+)?)\s*([a-zA-Z/0-9]*)\s*", text)
    word = match[2].lower() if match else ""
    if match is None or word not in known:
        raise InputError(
            f'{name} is "{text}"', expected=f"a number with its unit ({', '.join(known)})",
            do=f"Write for instance 2.5 {next(iter(known))}.",
        )
    factor, system = known[word]
    value = float(match[1].replace(",", ".")) * factor
    if not value > 0:
        raise InputError(f'{name} is "{text}"', expected="more than 0")
    return Quantity(value, system, text.strip())


def one_system(quantities: Iterable[tuple[str, Quantity]]) -> str:
    """Return the one system of units in use; refuse metric and US mixed.

    Parameters
    ----------
    quantities : iterable of (str, Quantity)
        Names and quantities.

    Raises
    ------
    UsageError
        When both systems stand in one calculation; the text names two of them.
    """
    first: dict[str, tuple[str, Quantity]] = {}
    for name, quantity in quantities:
        first.setdefault(quantity.system, (name, quantity))
    if len(first) > 1:
        named = " and ".join(f"{name} is {quantity.text}" for name, quantity in first.values())
        raise UsageError(f"units are mixed: {named}", expected="all metric or all US",
                         do="Give every quantity in one system.", code="mixed_units")
    return next(iter(first), "metric")


def check_positive(**values: float) -> None:
    """Refuse a value, by its name, that is not a number above 0."""
    for name, value in values.items():
        if not (math.isfinite(value) and value > 0):
            raise InputError(f"{name} is {value!r}", expected="a number above 0")


def vines_per_hectare(row_m: float, vine_m: float) -> float:
    """Return vines on a hectare from row and vine spacing in metres, unrounded.

    Parameters
    ----------
    row_m, vine_m : float
        Spacings in metres, above 0.

    Raises
    ------
    InputError
        When a spacing is not positive.
    """
    check_positive(row_m=row_m, vine_m=vine_m)
    return 10_000 / (row_m * vine_m)


def vines_on_area(per_area: float, *, missing_share: float = 0.0) -> float:
    """Return bearing vines on an area, missing ones taken off.

    Parameters
    ----------
    per_area : float
        Vines on the area when none is missing, above 0.
    missing_share : float
        In [0, 1).

    Raises
    ------
    InputError
        When the number is not positive or the share not in [0, 1).
    """
    check_positive(per_area=per_area)
    if not 0 <= missing_share < 1:
        raise InputError(f"the missing share is {missing_share!r}", expected="0 up to below 1")
    return per_area * (1 - missing_share)


def tons_per_acre(tonnes_hectare: float) -> float:
    """Convert tonnes per hectare into US tons (2000 lb) per acre."""
    return tonnes_hectare * 1000 / SHORT_TON_KG * ACRE_HA


def to_celsius(fahrenheit: float) -> float:
    """Convert degrees Fahrenheit into degrees Celsius."""
    return (fahrenheit - 32) / 1.8


def to_fahrenheit(celsius: float) -> float:
    """Convert degrees Celsius into degrees Fahrenheit."""
    return celsius * 1.8 + 32
