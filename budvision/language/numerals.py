"""Numbers and days as the spoken language writes them, and decimals read back.

English keeps the form of international standards: a point, and a space before the per cent sign.
"""

from __future__ import annotations

import datetime as dt
import re

from budvision.errors import InputError
from budvision.language.spoken import spoken

__all__ = ["grouped", "locale_day", "percent_text", "plain_count", "plain_percent",
           "read_decimal", "typed_number"]

_GROUPED_FROM = 10_000
_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)


def grouped(value: float, digits: int = 0) -> str:
    """Return a number with a fixed count of digits, in groups of three from 10 000 on.

    Examples
    --------
    >>> grouped(61.54), grouped(12345.6), grouped(2.345, 1)
    ('62', '12 346', '2.3')
    """
    text = f"{value:,.{digits}f}"
    if spoken() == "en":
        return text.replace(",", "" if abs(value) < _GROUPED_FROM else " ")
    from babel.numbers import get_decimal_symbol, get_group_symbol

    group = get_group_symbol(spoken()) if abs(value) >= _GROUPED_FROM else ""
    marks = {",": group, ".": get_decimal_symbol(spoken())}
    return "".join(marks.get(mark, mark) for mark in text)


def percent_text(whole: int) -> str:
    """Return whole percent with its sign.

    Examples
    --------
    >>> percent_text(35)
    '35 %'
    """
    return f"{whole} %" if spoken() == "en" else f"{whole}\u00a0%"


def plain_percent(share: float | None, digits: int = 1) -> str:
    """Return a share as percent the same in every language, for cards, reasons and terminals.

    Examples
    --------
    >>> plain_percent(0.1234), plain_percent(0.12, 0), plain_percent(None)
    ('12.3 %', '12 %', '–')
    """
    return "–" if share is None else f"{100 * share:.{digits}f} %"


def plain_count(n: float, one: str, many: str = "") -> str:
    """Return a count with its noun in English, for terminals, cards and errors.

    Examples
    --------
    >>> plain_count(1, "bud"), plain_count(3, "bud"), plain_count(2, "person", "people")
    ('1 bud', '3 buds', '2 people')
    """
    return f"{n} {one if n == 1 else many or one + 's'}"


def locale_day(day: dt.date | str, *, us: bool = False) -> str:
    """Return a day with its month in letters, so that nobody can take it for another.

    Parameters
    ----------
    day : date or str
        A text begins with the day as ISO 8601 writes it.
    us : bool
        Month first, in English alone.

    Examples
    --------
    >>> locale_day(dt.date(2026, 2, 3)), locale_day(dt.date(2026, 2, 3), us=True)
    ('3 February 2026', 'February 3, 2026')
    """
    day = dt.date.fromisoformat(day[:10]) if isinstance(day, str) else day
    if spoken() != "en":
        from babel.dates import format_date

        return format_date(day, format="long", locale=spoken())
    month = _MONTHS[day.month - 1]
    return f"{month} {day.day}, {day.year}" if us else f"{day.day} {month} {day.year}"


def typed_number(value: float) -> str:
    """Return a number as a person types it.

    Examples
    --------
    >>> typed_number(0.25), typed_number(48.0)
    ('0.25', '48')
    """
    text = f"{value:g}"
    if spoken() == "en":
        return text
    from babel.numbers import get_decimal_symbol

    return text.replace(".", get_decimal_symbol(spoken()))


def read_decimal(text: str, *, where: str) -> str:
    """Return a number that a person typed with a point for its decimals.

    Where the language writes a comma, a comma is read as one. A point stays a point, but one with
    three digits after it may be meant for thousands and is refused.

    Raises
    ------
    InputError
        When a point could mean either.

    Examples
    --------
    >>> read_decimal("0.95", where="confidence")
    '0.95'
    """
    text = text.strip()
    if spoken() == "en":
        return text
    if "," not in text and re.fullmatch(r"[+-]?[1-9]\d{0,2}\.\d{3}", text):
        raise InputError(f"{text} may be thousands or a decimal", where=where,
                         expected="a comma for decimals and nothing between thousands",
                         do="Type it again in that form.")
    return text.replace(",", ".", 1) if re.fullmatch(r"[+-]?\d+,\d+", text) else text
