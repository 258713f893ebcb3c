"""The catalogues are whole: every message of pages and paper, its places, its plural forms."""

from __future__ import annotations

import datetime as dt
import re
from functools import cache
from pathlib import Path

import pytest
from babel.messages.catalog import Catalog, Message
from babel.messages.pofile import read_po

import budvision.language
from budvision.errors import InputError, UsageError
from budvision.language import (
    LANGUAGES,
    choose,
    grouped,
    locale_day,
    percent_text,
    read_decimal,
    say,
    say_n,
    speak,
    speaking,
)
from budvision.report.words import percent, percent_range
from budvision.web import gather

FOLDER = Path(budvision.language.__file__).parent / "catalogues"
OTHERS = [code for code in LANGUAGES if code != "en"]
messages = cache(gather.messages)
_PLACES = re.compile(r"\{\w*\}|</?\d+>")


@cache
def catalogue(language: str) -> Catalog:
    with (FOLDER / f"{language}.po").open("rb") as file:
        return read_po(file, locale=language, abort_invalid=True)


def forms(message: Message) -> tuple[str, ...]:
    return (message.string,) if isinstance(message.string, str) else tuple(message.string)


@pytest.mark.slow
@pytest.mark.parametrize("language", OTHERS)
def test_every_message_of_pages_and_paper_is_translated(language: str) -> None:
    told = catalogue(language)
    missing = [message for message in messages()
               if (found := told.get(message)) is None or found.fuzzy or not all(forms(found))]
    assert not missing, "translate them (python -m budvision.web.gather puts them there)"


@pytest.mark.parametrize("language", OTHERS)
def test_no_translation_is_left_of_a_message_that_is_gone(language: str) -> None:
    wanted = {message if isinstance(message, str) else message[0] for message in messages()}
    assert not {str(m.id) for m in catalogue(language) if m.id and
                (m.id if isinstance(m.id, str) else m.id[0]) not in wanted}


@pytest.mark.parametrize("language", OTHERS)
def test_places_and_tags_are_those_of_the_english(language: str) -> None:
    wrong = []
    for message in catalogue(language):
        for english in () if not message.id else (
                (message.id,) if isinstance(message.id, str) else message.id):
            wrong += [(english, form) for form in forms(message)
                      if sorted(_PLACES.findall(form)) != sorted(_PLACES.findall(english))]
    assert not wrong


@pytest.mark.parametrize("language", OTHERS)
def test_plural_messages_have_the_forms_of_the_language(language: str) -> None:
    told = catalogue(language)
    assert told.num_plurals == 2
    assert not [m.id for m in told if isinstance(m.id, tuple) and len(forms(m)) != 2]
    with speaking(language):
        one, two = (say_n("{n} bud", "{n} buds", n) for n in (1, 2))
    assert one != two


@pytest.mark.parametrize("language", OTHERS)
@pytest.mark.parametrize("kind", ["", "errors"])
def test_gathering_keeps_the_plural_forms_that_are_written(language: str, kind: str) -> None:
    wanted = {("{n} bud", "{n} buds"): "budvision/report/answer.py"}
    assert gather.update(language, kind, wanted).num_plurals == 2


def test_nothing_counts_as_one_in_french_alone() -> None:
    for language, zero in (("fr", "0 bourgeon"), ("de", "0 Knospen"), ("es", "0 yemas")):
        with speaking(language):
            assert say_n("{n} bud", "{n} buds", 0) == zero


@pytest.mark.parametrize(("language", "number", "day"), [
    ("en", "12 346.5", "3 February 2026"), ("fr", "12\u202f346,5", "3 février 2026"),
    ("de", "12.346,5", "3. Februar 2026"), ("es", "12.346,5", "3 de febrero de 2026"),
])
def test_numbers_and_days_are_written_as_the_language_does(
    language: str, number: str, day: str
) -> None:
    """Separators and months from the Unicode CLDR, as Babel carries it."""
    with speaking(language):
        assert grouped(12345.6 + 0.9, 1) == number
        assert locale_day(dt.date(2026, 2, 3)) == day
        assert percent_text(35) == ("35 %" if language == "en" else "35\u00a0%")


@pytest.mark.parametrize("language", OTHERS)
def test_a_decimal_is_read_as_the_language_writes_it(language: str) -> None:
    with speaking(language):
        assert read_decimal(" 0,95 ", where="confidence") == "0.95"
        assert read_decimal("0.95", where="confidence") == "0.95"
        with pytest.raises(InputError, match=r"1\.234 may be thousands or a decimal"):
            read_decimal("1.234", where="confidence")
    assert read_decimal("1.234", where="confidence") == "1.234"


def test_a_browser_gets_what_it_asks_for_most() -> None:
    asked = {"de-AT,de;q=0.9,en;q=0.8": "de", "nl;q=0.9, es;q=0.4": "es", "en-US": "en",
             "ja": "en", "fr;q=0, de;q=0.1": "de", "fr;q=x": "en", ",;": "en"}
    assert {header: choose(header) for header in asked} == asked


def test_an_unknown_language_is_refused_and_a_message_without_translation_is_english() -> None:
    with pytest.raises(UsageError, match="the language is 'xx'; expected one of en, fr, de, es"):
        speak("xx")
    with speaking("de"):
        assert say("No catalogue has this of {n}.", n=3) == "No catalogue has this of 3."


@pytest.mark.parametrize("language", OTHERS)
def test_a_range_and_its_ends_are_said_in_the_language(language: str) -> None:
    between = {"fr": "à", "de": "bis", "es": "a"}[language]
    with speaking(language):
        assert percent_range(0.26, 0.45) == f"26 {between} 45\u00a0%"
        assert percent(0.001) != "under 1 %"


@pytest.mark.parametrize("language", OTHERS)
def test_cautions_are_as_strong_as_in_english(language: str) -> None:
    """The words that carry a caution stand in its translation."""
    carried = {
        "fr": ("Consultez", "avant de tailler", "blessent"),
        "de": ("Fragen Sie", "bevor Sie", "verletzen"),
        "es": ("Consulte", "antes de podar", "cortan a las personas"),
    }[language]
    with speaking(language):
        told = (say("Consult your local extension or licensed adviser before you prune by this "
                    "sheet.") +
                say("Razor blades cut people: cut away from your hand and cap the blade."))
    assert all(word in told for word in carried)


_SAID = re.compile(r"\bspokenN?\(\s*\"(?:[^\"\\]|\\.)*\"(?:,\s*\"(?:[^\"\\]|\\.)*\")?")
_COMMENT = re.compile(r"/\*.*?\*/|(?<!:)//[^\n]*", re.DOTALL)
_IMPORT = re.compile(r"^import .*$", re.M)
_TEXT = re.compile(r"\"((?:[^\"\\\n]|\\.)*)\"|`((?:[^`\\]|\\.)*)`")
_SENTENCE = re.compile(r"(?<![\w.#\[-])[A-Za-z]{2,}[,:]? [a-z]{2,}\b")
_PLACE_IN_TEXT = re.compile(r"\$\{[^{}]*(?:\{[^{}]*\})?[^{}]*\}")
_NOT_SAID = re.compile(  # names of what browsers keep, selectors, classes
    r"^(tissue in front|line line-.*|(unsaved|draft|trail of) .*|[#.\[(].*|"
    r"(input|a, summary).*|[a-z-]+ [a-z-]+(-[a-z]+)*)$", re.DOTALL)


def test_scripts_say_nothing_in_english_alone() -> None:
    """What a script shows goes through the page's catalogue."""
    told: list[str] = []
    for path in sorted((FOLDER.parents[1] / "web").rglob("*.js")):
        text = _IMPORT.sub("", _COMMENT.sub("", path.read_text(encoding="utf-8")))
        text = _SAID.sub("", text)
        told += [f"{path.name}: {line}" for found in _TEXT.finditer(text)
                 if _SENTENCE.search(
                     line := _PLACE_IN_TEXT.sub("?", found[1] or found[2] or ""))
                 and not _NOT_SAID.match(line)]
    assert not told, "say them by spoken()"
