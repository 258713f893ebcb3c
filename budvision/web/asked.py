"""One reader of what requests send: each value checked, each error saying what was expected."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from flask import request

from budvision.errors import InputError
from budvision.language import read_decimal

__all__ = ["decimal", "integer", "integers", "json_object", "needed_integer", "text"]

MOST = 2**53  # the largest whole number that a browser's JSON keeps exact


def json_object() -> dict[str, Any]:
    """Return the request's JSON object, or raise InputError."""
    value = request.get_json(silent=True)
    if not isinstance(value, dict):
        raise InputError("the request holds no JSON object", where="page",
                         do="Load the page again.")
    return value


def integer(
    given: Mapping[str, Any], name: str, *, low: int = 0, high: int = MOST, where: str = "page"
) -> int | None:
    """Return a whole number from `low` to `high`, None where it is left out.

    A form's or address's text of digits is read as well as a number of JSON.

    Raises
    ------
    InputError
        When it is there and is no such number.
    """
    value = given.get(name)
    return None if value in (None, "") else _whole(value, name, where, low=low, high=high)


def needed_integer(given: Mapping[str, Any], name: str, *, where: str = "page") -> int:
    """Return a whole number from 0 up that must be there.

    Raises
    ------
    InputError
        When it is left out or is no such number.
    """
    return _whole(given.get(name), name, where)


def decimal(text: str, name: str, *, where: str = "page", expected: str = "a number") -> float:
    """Return a number that a person typed, with a point or a comma for its decimals.

    Raises
    ------
    InputError
        When it is no number, or a point could mean thousands.
    """
    try:
        value = float(read_decimal(text, where=where).replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(f"{name} is {text[:60]!r}", where=where, expected=expected,
                         do="Correct it.")
    return value


def integers(given: Mapping[str, Any], name: str) -> list[int] | None:
    """Return a list of whole numbers from 0 up, None where it is left out."""
    value = given.get(name)
    if value is None:
        return None
    if not isinstance(value, list) or len(value) > 1000:
        raise InputError(f"{name} is {str(value)[:60]!r}", where="page",
                         expected="a list of whole numbers", do="Load the page again.")
    return [_whole(one, name) for one in value]


def text(given: Mapping[str, Any], name: str) -> str | None:
    """Return a text, None where it is left out or empty."""
    value = given.get(name)
    if value is not None and not isinstance(value, str):
        raise InputError(f"{name} is {str(value)[:60]!r}", where="page", expected="text",
                         do="Load the page again.")
    return value or None


def _whole(
    value: object, name: str, where: str = "page", *, low: int = 0, high: int = MOST
) -> int:
    text = value.strip() if isinstance(value, str) else ""
    if text.isascii() and text.isdigit() and len(text) < 17:
        value = int(text)
    if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
        ends = f"from {low} up" if high == MOST else f"from {low} to {high}"
        raise InputError(f"{name} is {str(value)[:60]!r}", where=where,
                         expected=f"a whole number {ends}",
                         do="Correct it, or load the page again.")
    return value
