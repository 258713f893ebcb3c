"""What stands in a cell: words, numbers, days, and names in two spellings."""

from __future__ import annotations

import datetime as dt
import math
import re
import unicodedata
from collections.abc import Hashable, Iterable
from functools import lru_cache

from budvision.errors import InputError

__all__ = ["Spellings", "alike", "day_order", "decimal", "read_day", "whole", "word"]


@lru_cache(maxsize=1024)
def word(text: str) -> str:
    """Return a column's name or a keyword in its plain form: ``Primary-dead`` is primary_dead."""
    return re.sub(r"[\s\-]+", "_", text.strip().lower())


def whole(text: str) -> int | None:
    """Return a whole number as spreadsheets write it, ``7`` or ``7.0``; None for all else."""
    match = re.fullmatch(r"([0-9]{1,12})(?:[.,]0+)?", text.strip())
    return int(match[1]) if match else None


_NUMBER = r"[+-]?([0-9]{1,40}([.,][0-9]*)?|[.,][0-9]+)([eE][+-]?[0-9]{1,3})?"


def decimal(text: str) -> float | None:
    """Return a number with a decimal point or comma; None for all else.

    ``1,250`` could be a thousand and more, or one and a quarter: it is None as well.
    """
    plain = text.strip().replace("\N{MINUS SIGN}", "-")
    if re.fullmatch(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}", plain):
        return None
    if not re.fullmatch(_NUMBER, plain):
        return None
    value = float(plain.replace(",", "."))
    return value if math.isfinite(value) else None


_SLASHED = re.compile(r"([0-9]{1,2})/([0-9]{1,2})/([0-9]{4})\b")


def day_order(texts: Iterable[str]) -> str:
    """Tell from a column of days such as 2/14/2026 which number is the month.

    Returns
    -------
    str
        ``mdy`` or ``dmy``; empty where no day of the column is past the 12th, or they disagree.
    """
    found = set()
    for match in (_SLASHED.match(text.strip()) for text in texts):
        if match and max(int(match[1]), int(match[2])) > 12:
            found.add("dmy" if int(match[1]) > 12 else "mdy")
    return found.pop() if len(found) == 1 else ""


def read_day(text: str, order: str = "") -> str | None:
    """Return a day, perhaps with a time after it, in ISO form; None where it cannot be told.

    Parameters
    ----------
    text : str
        ``2026-02-14``, ``2026/02/14``, ``14.2.2026`` or, where `order` says which is the month,
        ``2/14/2026``.
    order : str
        What `day_order` said of the column.
    """
    plain = text.strip()
    slashed = _SLASHED.match(plain)
    dotted = re.match(r"([0-9]{1,2})\.([0-9]{1,2})\.([0-9]{4})\b", plain)
    match = slashed or dotted or re.match(r"([0-9]{4})[-/]([0-9]{1,2})[-/]([0-9]{1,2})\b", plain)
    if match is None:
        return None
    if match is slashed:
        order = day_order([plain]) or order
        if not order:
            return None
    parts = [int(part) for part in match.groups()]
    year, month, day = {
        "mdy": (parts[2], parts[0], parts[1]), "dmy": (parts[2], parts[1], parts[0]),
    }.get("dmy" if match is dotted else order if match is slashed else "", tuple(parts))
    try:
        return dt.date(year, month, day).isoformat() + plain[match.end():]
    except ValueError:
        return None


def alike(text: str) -> str:
    """Return what two spellings of one name share: ``Cane 01`` and ``cane 1`` are one."""
    plain = " ".join(unicodedata.normalize("NFC", text).casefold().split())
    return re.sub(r"(?<![0-9])0+(?=[0-9])", "", plain)


class Spellings:
    """Notice one thing that a table writes in two ways, before it becomes two things."""

    def __init__(self) -> None:
        self._seen: dict[Hashable, tuple[str, str]] = {}

    def check(self, kind: str, text: str, where: str, *, within: Hashable = ()) -> None:
        """Remember a name, or refuse its second spelling.

        Parameters
        ----------
        kind : str
            What is named: ``block``, ``cane``.
        text, where : str
            The name, and the place in the table.
        within : hashable
            What it belongs to: canes of two blocks may be written as they like.

        Raises
        ------
        InputError
            When the same name was written in another way before.
        """
        before, seen_where = self._seen.setdefault((kind, within, alike(text)), (text, where))
        if before != text:
            raise InputError(
                f'{kind} is "{text}"', where=where, code="two_spellings",
                expected=f'one spelling; {seen_where} writes "{before}"',
                do=f"Write one {kind} in one way, and two in ways that differ by more than case or "
                "zeros in front.",
            )
