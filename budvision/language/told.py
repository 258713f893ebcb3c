"""Errors in the spoken language: their English is known by its shape, and what stands in it kept.

Errors are raised in English, their parts apart (`budvision.errors`). `catalogues/errors/*.po` hold
each part with its places named, ``the language is {language}``; a text that has a message's shape
is said with its translation. Names, numbers and what people typed stay as they are; a place called
`said` holds another text of the house, `either` choices of it, `n_...` a count with its noun.
What has no translation stays English.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache, cached_property
from gettext import GNUTranslations
from importlib import resources
from string import Formatter

from budvision.errors import BudvisionError
from budvision.language.spoken import mark, say, spoken

__all__ = ["PLACES", "Shapes", "told", "told_parts", "told_text"]

PLACES = (
    "assignment", "backup", "bench", "block", "blocks", "bud", "calls", "cane", "compare",
    "cold record", "confidence", "folder", "intake", "jobs", "mark", "outlines", "page", "paper",
    "password", "people", "person", "photo", "photographs", "picture", "plan", "policy", "region",
    "report", "results", "review", "sampling", "settings", "sizes", "soaking", "station", "tally",
    "the form", "the page's address", "time", "trial", "zones",
)
"""Where errors are about, as they say it before the colon."""
_NAMED = (
    mark("block {name}"), mark("sampling {name}"), mark("station {name}"),
    mark("photograph {name}"), mark("cane {cane} node {node}"), mark("cane {name}"),
    mark("plan of {name}"),
)
_ROWS = {"row": mark("row {number}"), "line": mark("line {number}")}
_ROW = re.compile(r"\b(row|line) (\d+)")
_COUNT = re.compile(r"([\d., ]*\d) (.+)", re.DOTALL)
_FEW = 6
"""A message with so few letters of its own, "{name} is {value}", is known only by data in it."""
_DATUM = r"'.*?'|\".*?\"|\S+|\S*\d(?:(?!\. ).)*?"
"""Names, words without a space, numbers with what follows, never past the end of a sentence."""
_DEEP = 3
_LONGEST = 4000


def told(error: BudvisionError) -> str:
    """Return an error's text in the spoken language."""
    if spoken() == "en":
        return str(error)
    return _together(told_parts(error))


def told_parts(error: BudvisionError) -> dict[str, object]:
    """Return an error as `BudvisionError.as_dict` does, what people read of it in the language."""
    parts = error.as_dict()
    if spoken() != "en":
        parts |= {"where": _place(error.where)}
        parts |= {name: _part(str(parts[name])) for name in ("what", "expected", "do")}
    return parts


def told_text(text: str) -> str:
    """Return the text of an error that was kept in English, or a message, in the language.

    What is neither stays as it is.
    """
    if spoken() == "en" or not text or len(text) > _LONGEST:
        return text
    whole = _known(text)
    if whole is not None:
        return whole
    for where, head, expected, do in _partings(text):
        parts = [_known(head), _known(expected) if expected else "", _known(do) if do else ""]
        if parts[0] is not None and parts[1] is not None and parts[2] is not None:
            return _together({"where": _place(where), "what": parts[0], "expected": parts[1],
                              "do": parts[2]})
    return text


def _together(parts: dict[str, object]) -> str:
    """Return the parts of an error as one text, in the form of `budvision.errors`."""
    text = str(parts["what"])
    if parts["expected"]:
        text = say("{what}; expected {expected}", what=text, expected=parts["expected"])
    text = text.rstrip(".") + "."
    if parts["where"]:
        text = say("{where}: {text}", where=parts["where"], text=text)
    return f"{text} {parts['do']}" if parts["do"] else text


def _place(where: str) -> str:
    if where in PLACES:
        return say(where)
    for shape in _NAMED:
        if found := _pattern(shape).fullmatch(where):
            return say(shape, **found.groupdict())
    return _ROW.sub(lambda found: say(_ROWS[found[1]], number=found[2]), where)


def _partings(text: str) -> Iterator[tuple[str, str, str, str]]:
    """Yield each way to part a text into where, what, expected and do."""
    starts = [0, *(found.end() for found in re.finditer(r": ", text))]
    ends = [*(found.start() for found in re.finditer(r"\.(?= )", text)), len(text.rstrip("."))]
    for start in starts:
        for end in ends:
            if end <= start:
                continue
            what, _, expected = text[start:end].partition("; expected ")
            what = what if start else what[:1].lower() + what[1:]
            yield text[:max(start - 2, 0)], what, expected, text[end + 1:].strip()


def _part(text: str) -> str:
    return (_known(text) or text) if text else ""


def _known(text: str, deep: int = 0) -> str | None:
    """Return a text of the house in the spoken language, None where it has no translation."""
    plain = say(text)
    if plain != text:
        return plain
    shapes = _shapes(spoken())
    found = shapes.match(text) if len(text) <= _LONGEST else None
    if found is None:
        return None
    message, values = found
    return shapes.said[message].format(
        **{name: _value(name, value, deep) for name, value in values.items()})


def _value(name: str, value: str, deep: int) -> str:
    if name.startswith("said"):
        return (_known(value, deep + 1) if deep < _DEEP else None) or value
    if name.startswith("either"):
        return value.replace(" or ", f" {say('or')} ")
    if name.startswith("n_"):
        return _shapes(spoken()).count(value)
    return value


@dataclass(frozen=True)
class Shapes:
    """The messages of errors, by the shape of their English.

    Parameters
    ----------
    said : dict of str to str
        Each message with its translation, the places in braces.
    pairs : dict of str to tuple of str
        English forms of a count without its number, "buds", each with the message and its plural.
    forms : gettext.GNUTranslations, optional
        The forms of the counts.
    """

    said: dict[str, str]
    pairs: dict[str, tuple[str, str]]
    forms: GNUTranslations | None = None

    @cached_property
    def _ordered(self) -> list[tuple[tuple[str, ...], str]]:
        """Return the messages with places and their fixed texts, those that fix most first."""
        made = [(tuple(text for text, _ in _pieces(message) if text), message)
                for message in self.said if "{" in message]
        return sorted(made, key=lambda one: (-sum(map(len, one[0])), one[1]))

    def match(self, text: str) -> tuple[str, dict[str, str]] | None:
        """Return the message that a text is made of and what stands in its places, else None."""
        if text in self.said and "{" not in text:
            return text, {}
        for fixed, message in self._ordered:
            if all(one in text for one in fixed):
                found = _pattern(message).fullmatch(text)
                if found:
                    return message, found.groupdict()
        return None

    def count(self, text: str) -> str:
        """Return a count with its noun in the language, as it is where the noun is unknown."""
        found = _COUNT.fullmatch(text)
        pair = self.pairs.get(found[2]) if found else None
        if found is None or pair is None or self.forms is None:
            return text
        number = float(re.sub(r"[, ]", "", found[1]))
        whole = int(number) if number == int(number) else 2
        return self.forms.ngettext(*pair, whole).format(n=found[1])


def _pieces(message: str) -> Iterable[tuple[str, str | None]]:
    return ((text, name) for text, name, _, _ in Formatter().parse(message))


@cache
def _pattern(message: str) -> re.Pattern[str]:
    made, seen = "", set[str]()
    letters = sum(one.isalpha() for text, _ in _pieces(message) for one in text)
    inside = _DATUM if letters <= _FEW else ".*?"
    for text, name in _pieces(message):
        made += re.escape(text)
        if name in seen:
            made += f"(?P={name})"
        elif name is not None:
            made += f"(?P<{name}>{inside})"
            seen.add(name)
    return re.compile(made, re.DOTALL)


@cache
def _shapes(language: str) -> Shapes:
    from babel.messages.mofile import write_mo
    from babel.messages.pofile import read_po

    file = resources.files("budvision.language") / "catalogues" / "errors" / f"{language}.po"
    kept = read_po(io.BytesIO(file.read_bytes()), locale=language)
    made = io.BytesIO()
    write_mo(made, kept)
    made.seek(0)
    pairs = {form.removeprefix("{n} "): (str(one.id[0]), str(one.id[1]))
             for one in kept if isinstance(one.id, tuple) for form in one.id}
    said = {str(one.id): str(one.string) for one in kept
            if one.id and one.string and not isinstance(one.id, tuple)}
    return Shapes(said, pairs, GNUTranslations(made))
