"""Errors in the languages: every message of one is whole, matched by its shape and filled again."""

from __future__ import annotations

import ast
import re
from functools import cache

import pytest
from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po

from budvision.errors import InputError, StorageError
from budvision.language import LANGUAGES, Shapes, say, speaking, told, told_parts, told_text
from budvision.web import gather, raised
from tests.language.test_catalogues import FOLDER, forms

OTHERS = [code for code in LANGUAGES if code != "en"]
messages = cache(raised.error_messages)
_PLACES = re.compile(r"\{(\w+)\}")
UNTRANSLATED = 0
"""Messages of errors that pages can show and that a language has not."""


@cache
def reachable() -> frozenset[str]:
    """Return the files that those of the pages take in, themselves with them."""
    house = FOLDER.parents[1]
    files = {".".join(path.relative_to(house.parent).with_suffix("").parts).removesuffix(
        ".__init__"): path for path in house.rglob("*.py")}
    seen: set[str] = set()
    todo = [name for name in files if f"{name}.".startswith("budvision.web.")]
    while todo:
        name = todo.pop()
        if name in files and name not in seen:
            seen.add(name)
            for node in ast.walk(ast.parse(files[name].read_text(encoding="utf-8"))):
                if isinstance(node, ast.ImportFrom) and node.module:
                    todo += [node.module, *(f"{node.module}.{one.name}" for one in node.names)]
    return frozenset(f"{name.replace('.', '/')}.py" for name in seen)


@cache
def catalogue(language: str) -> Catalog:
    with (FOLDER / "errors" / f"{language}.po").open("rb") as file:
        return read_po(file, locale=language, abort_invalid=True)


@pytest.mark.slow
@pytest.mark.parametrize("language", OTHERS)
def test_every_error_that_a_page_can_show_is_translated(language: str) -> None:
    near, said = reachable(), catalogue(language)
    lacking = [message for message, where in messages().items() if where in near
               and not ((found := said.get(message)) and all(forms(found)))]
    assert len(lacking) <= UNTRANSLATED, lacking[:20]


@pytest.mark.parametrize("language", OTHERS)
def test_places_are_those_of_the_english(language: str) -> None:
    wrong = [(one.id, form) for one in catalogue(language) if one.id for form in forms(one)
             if form and set(_PLACES.findall(form)) != set(_PLACES.findall(
                 one.id if isinstance(one.id, str) else one.id[0]))]
    assert not wrong


@pytest.mark.slow
def test_every_message_is_known_again_with_the_same_in_its_places() -> None:
    """Filled with names and numbers, a text gives its own message and those back."""
    texts = [message for message in messages() if isinstance(message, str)]
    shapes = Shapes(dict.fromkeys(texts, "x"), {})
    for message in texts:
        names = list(dict.fromkeys(_PLACES.findall(message)))
        values = {name: f"Ŵ{number}.5" for number, name in enumerate(names)}
        filled = message.format(**values)
        found = shapes.match(filled)
        assert found is not None, message
        assert found[0].format(**found[1]) == filled, message
        assert sorted(found[1].values()) == sorted(values.values()), (message, found)


@pytest.mark.parametrize(("language", "text"), [
    ("de", "hills.csv, Zeile 3: das Gewebe ist 'bark'; erwartet: primary, secondary oder "
           "tertiary. Wählen Sie eines davon."),
    ("fr", "hills.csv, ligne 3 : le tissu est 'bark' ; attendu : primary, secondary ou "
           "tertiary. Choisissez-en un."),
    ("es", "hills.csv, fila 3: el tejido es 'bark'; se esperaba: primary, secondary o "
           "tertiary. Elija uno de ellos."),
])
def test_an_error_is_said_in_the_language_and_names_stay(language: str, text: str) -> None:
    error = InputError("the tissue is 'bark'", where="hills.csv, row 3",
                       expected="primary, secondary or tertiary", do="Choose one of them.")
    with speaking(language):
        said = told(error)
        assert said.replace("\u00a0", " ") == text
        assert told_text(str(error)) == said, "kept in English and shown later"
        assert told_parts(error)["code"] == "bad_input"
    assert told(error) == str(error)


def test_what_has_no_translation_stays_english() -> None:
    error = StorageError("the moon is full of Zähler 7", do="Wait for a night.")
    with speaking("fr"):
        assert told(error) == str(error)
        assert told_text("Nobody wrote this sentence.") == "Nobody wrote this sentence."


@pytest.mark.parametrize(("where", "german"), [
    ("bench", "Schneideplatz"), ("block bench", "Anlage bench"),
    ("cane 3 node 5", "Rute 3 Knoten 5"),
    ("calls.csv, row 17", "calls.csv, Zeile 17"), ("c3_n5.jpg", "c3_n5.jpg"),
])
def test_where_an_error_is_about_is_said_in_the_language(where: str, german: str) -> None:
    with speaking("de"):
        assert told(InputError("node is 'x'", where=where)).startswith(f"{german}: ")


@pytest.mark.parametrize("language", OTHERS)
def test_what_came_of_long_work_is_not_taken_for_an_error_of_few_letters(language: str) -> None:
    """"{n} of {total}" was found in a sentence of it: "was taken out de 0 photographs"."""
    text = ("/srv/arch holds 18 photographs (18 new); calls: 7. Private metadata was taken out of "
            "0 photographs, and people stand under pseudonyms.")
    outcomes = [message for message, where in gather.messages().items()
                if isinstance(message, str) and where.endswith(("jobs/deeds.py", "archive.py"))]
    assert len(outcomes) > 5
    with speaking(language):
        assert told_text(text) == text
        for message in outcomes:
            names = dict.fromkeys(_PLACES.findall(message), "7")
            filled = message.format(**names)
            assert told_text(filled) in (filled, say(message).format(**names)), message
