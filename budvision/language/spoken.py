"""What language is spoken, and a message in it.

Messages are whole English sentences with named places, ``say("{n} of {total}", n=3, total=5)``.
English is the source and needs no catalogue. The others are `catalogues/*.po`, read when first
spoken; what they lack is said in English. What is spoken belongs to a request or a command: each
thread of the server says its own.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from gettext import GNUTranslations
from importlib import resources
from types import MappingProxyType

from budvision.errors import UsageError

__all__ = [
    "LANGUAGES", "choose", "form_of", "mark", "say", "say_n", "speak", "speaking", "spoken",
    "words_in",
]

LANGUAGES: Mapping[str, str] = MappingProxyType({
    "en": "English", "fr": "Français", "de": "Deutsch", "es": "Español",
})
"""Languages by their code (ISO 639-1), each in its own name."""

_now: ContextVar[str] = ContextVar("language", default="en")


def spoken() -> str:
    """Return the code of the language that is spoken now."""
    return _now.get()


def speak(language: str) -> None:
    """Speak a language from now on, in this request or command.

    Raises
    ------
    UsageError
        When the language is none of `LANGUAGES`.
    """
    if language not in LANGUAGES:
        raise UsageError(f"the language is {language!r}", where="language",
                         expected=f"one of {', '.join(LANGUAGES)}", do="Choose one of them.")
    _now.set(language)


@contextmanager
def speaking(language: str) -> Iterator[None]:
    """Speak a language inside a block; raises as `speak`."""
    before = spoken()
    speak(language)
    try:
        yield
    finally:
        _now.set(before)


def mark(message: str) -> str:
    """Return a message as it is, found for the catalogues; `say` says it where it is used."""
    return message


def say(message: str, /, **values: object) -> str:
    """Return a message in the spoken language with its places filled.

    Parameters
    ----------
    message : str
        A whole English sentence, its places named in braces.
    **values : object
        What stands in each place. Without any, the message is returned as it is.

    Examples
    --------
    >>> say("{n} of {total}", n=3, total=5)
    '3 of 5'
    """
    text = message if spoken() == "en" or not message else _catalogue(spoken()).gettext(message)
    return text.format(**values) if values else text


def say_n(one: str, many: str, n: int, /, **values: object) -> str:
    """Return the form of a message that fits a count, which fills the place `n`.

    Examples
    --------
    >>> say_n("{n} bud", "{n} buds", 1), say_n("{n} bud", "{n} buds", 3)
    ('1 bud', '3 buds')
    """
    return form_of(one, many, n).format(n=n, **values)


def form_of(one: str, many: str, n: int) -> str:
    """Return the form of a message that fits a count, its places still empty."""
    if spoken() == "en":
        return one if n == 1 else many
    return _catalogue(spoken()).ngettext(one, many, n)


def choose(wanted: str) -> str:
    """Return the language that a browser's Accept-Language asks for most, else English.

    Examples
    --------
    >>> choose("fr-CH, fr;q=0.9, en;q=0.8"), choose("nl, de;q=0.5"), choose("")
    ('fr', 'de', 'en')
    """
    found: list[tuple[float, str]] = []
    for part in wanted[:500].split(","):
        name, _, rest = part.partition(";")
        code = name.strip().lower().split("-")[0]
        try:
            weight = float(rest.strip().removeprefix("q=") or 1.0)
        except ValueError:
            continue
        if code in LANGUAGES and weight > 0:
            found.append((-weight, code))
    return min(found, key=lambda pair: pair[0])[1] if found else "en"


def words_in(language: str, messages: frozenset[str]) -> dict[str, str]:
    """Return those of some messages that a language has, by their English; none in English."""
    if language == "en":
        return {}
    translated = {message: _catalogue(language).gettext(message) for message in messages}
    return {message: words for message, words in translated.items() if words != message}


@cache
def _catalogue(language: str) -> GNUTranslations:
    """Read a language's catalogue; fuzzy and empty messages are left out."""
    from babel.messages.mofile import write_mo
    from babel.messages.pofile import read_po

    file = resources.files("budvision.language") / "catalogues" / f"{language}.po"
    made = io.BytesIO()
    write_mo(made, read_po(io.BytesIO(file.read_bytes()), locale=language))
    made.seek(0)
    return GNUTranslations(made)
