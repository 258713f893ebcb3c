"""Numbers in plain words: shares, ranges, lists and days, the same on pages and paper."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence

from budvision.errors import UsageError
from budvision.language import form_of, grouped, locale_day, percent_text, say, say_n

__all__ = [
    "UNITS", "and_list", "band_name", "chance_words", "check_units", "count", "day_words",
    "days_words", "ends", "number", "percent", "percent_range", "plain", "points", "points_range",
    "printed_words", "short",
]

UNITS = ("metric", "us")


def check_units(
    units: str, *, where: str = "units", do: str = "Choose one with --units.",
) -> None:
    """Refuse units that are neither metric nor US.

    Parameters
    ----------
    where, do : str
        Where they were given and the next step, as the caller knows them.

    Raises
    ------
    UsageError
        When the units are others.
    """
    if units not in UNITS:
        raise UsageError(f"the units are {units!r}", expected=" or ".join(UNITS), where=where,
                         do=do)


def percent(share: float | None) -> str:
    """Return a share in [0, 1] as whole percent; "under 1 %" and "over 99 %" near the ends.

    Examples
    --------
    >>> percent(0.35), percent(0.004), percent(0.0), percent(None)
    ('35 %', 'under 1 %', '0 %', 'not known')
    """
    if share is None:
        return say("not known")
    if 0.0 < share < 0.005:
        return say("under 1 %")
    if 0.995 <= share < 1.0:
        return say("over 99 %")
    return percent_text(_half_up(share * 100))


def chance_words(chance: float | None) -> str:
    """Return a probability as whole percent; never as none or certain, which no sample shows.

    Examples
    --------
    >>> chance_words(0.974), chance_words(1.0), chance_words(0.0)
    ('97 %', 'over 99 %', 'under 1 %')
    """
    return percent(chance if chance is None else min(max(chance, 1e-9), 1 - 1e-9))


def percent_range(low: float, high: float) -> str:
    """Return two shares as one range in percent; ends that would read alike are rounded outwards.

    Examples
    --------
    >>> percent_range(0.264, 0.4475), percent_range(0, 0.004), percent_range(0.331, 0.334)
    ('26 to 45 %', '0 to 1 %', '33 to 34 %')
    """
    first, last = _half_up(low * 100), _half_up(high * 100)
    if first == last and low < high:
        first, last = math.floor(low * 100), math.ceil(high * 100)
    return say("{low} to {high}", low=first, high=percent_text(last))


def _half_up(value: float) -> int:
    return int(value + 0.5)


def number(value: float | None, digits: int = 0) -> str:
    """Return a number with a fixed count of digits and a thin group mark from 10 000 on.

    Examples
    --------
    >>> number(61.54), number(12345.6), number(2.345, 1), number(None)
    ('62', '12 346', '2.3', 'not known')
    """
    return say("not known") if value is None else grouped(value, digits)


def ends(low: float | None, high: float | None) -> str:
    """Return two ends of a range of nodes; an end without a number leaves the range open.

    Examples
    --------
    >>> ends(54, 80), ends(54, 54), ends(40, None), ends(None, 55), ends(None, None)
    ('54 to 80', '54', '40 or more', 'up to 55', '')
    """
    if low is None:
        return "" if high is None else say("up to {high}", high=number(high))
    if high is None:
        return say("{low} or more", low=number(low))
    if number(low) == number(high):
        return number(low)
    return say("{low} to {high}", low=number(low), high=number(high))


def count(n: int, one: str, many: str = "") -> str:
    """Return a count with its noun.

    Examples
    --------
    >>> count(1, "bud"), count(3, "bud"), count(2, "entry", "entries")
    ('1 bud', '3 buds', '2 entries')
    """
    return say_n(f"{{n}} {one}", f"{{n}} {many or one + 's'}", n)


def points(difference: float) -> str:
    """Return a difference of two shares in points of per cent.

    Examples
    --------
    >>> points(0.12), points(-0.01), points(-0.002)
    ('+12 points', '-1 point', '0 points')
    """
    signed = _signed(difference)
    return form_of("{signed} point", "{signed} points", abs(int(signed))).format(signed=signed)


def points_range(low: float, high: float) -> str:
    """Return the ends of a difference of two shares, in points of per cent.

    Examples
    --------
    >>> points_range(-0.002, 0.37)
    '0 to +37'
    """
    return say("{low} to {high}", low=_signed(low), high=_signed(high))


def _signed(difference: float) -> str:
    whole = round(100 * difference)
    return f"{whole:+d}" if whole else "0"


def and_list(items: Sequence[str], *, most: int = 0) -> str:
    """Return items as "a, b and c"; with `most`, name that many and count the rest.

    Examples
    --------
    >>> and_list(["a", "b", "c"]), and_list(["a", "b", "c", "d"], most=2)
    ('a, b and c', 'a, b and 2 more')
    """
    if most and len(items) > most:
        return say("{items} and {n} more", items=", ".join(items[:most]), n=len(items) - most)
    if len(items) < 2:
        return "".join(items)
    return say("{items} and {last}", items=", ".join(items[:-1]), last=items[-1])


def day_words(day: dt.date | None, *, units: str = "metric") -> str:
    """Return a day with its month in letters, so that nobody can take it for another.

    Examples
    --------
    >>> day_words(dt.date(2026, 2, 3)), day_words(dt.date(2026, 2, 3), units="us")
    ('3 February 2026', 'February 3, 2026')
    """
    if day is None:
        return say("day not recorded")
    return locale_day(day, us=units == "us")


def printed_words(day: dt.date | None, *, units: str) -> str:
    """Return the foot of paper: the day of printing, or nothing."""
    return "" if day is None else say("Printed {day}", day=day_words(day, units=units))


def days_words(first: dt.date, last: dt.date, *, units: str = "metric") -> str:
    """Return one day, or the first and the last.

    Examples
    --------
    >>> days_words(dt.date(2026, 2, 3), dt.date(2026, 2, 5))
    '3 February 2026 to 5 February 2026'
    """
    if first == last:
        return day_words(first, units=units)
    return say("{first} to {last}", first=day_words(first, units=units),
               last=day_words(last, units=units))


def short(text: str, length: int) -> str:
    """Return text on one line without control characters, cut with an ellipsis.

    Examples
    --------
    >>> short("one\\ntwo three", 9)
    'one two…'
    """
    text = " ".join("".join(m if m.isprintable() else " " for m in text).split())
    return text if len(text) <= length else text[: length - 1].rstrip() + "…"


def plain(name: str) -> str:
    """Return a name made for a file as words.

    Examples
    --------
    >>> plain("retain_more")
    'retain more'
    """
    return name.replace("_", " ").replace("-", " ")


def band_name(name: str) -> str:
    """Return a band's name as words of the spoken language.

    Examples
    --------
    >>> band_name("retain_more")
    'retain more'
    """
    return say(plain(name))
