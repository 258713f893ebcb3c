"""A number before a noun goes through the plural door: "1 buds" stands nowhere."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import budvision
from budvision.language import plain_count

HOUSE = Path(budvision.__file__).parent
NOUNS = (
    "archives|bands|blocks|buds|calls|canes|changes|clusters|comparisons|cuts|days|digits|"
    "events|examples|faces|files|harvests|hours|likes|lines|marks|messages|minutes|models|months|"
    "nodes|papers|people|persons|photographs|pictures|points|primaries|predictions|proposals|readers|readings|"
    "records|regions|rows|samplings|sheets|shoots|slips|spurs|stations|steps|tags|tissues|units|"
    "vines|weeks|winters|years|zones")
AFTER = re.compile(rf"^ (?:[a-z]+ ){{0,2}}(?:{NOUNS})\b(?! of each)")
NOT_COUNTS = re.compile(r"^(?:of|to|and|or|from|in|on|at|is|are|by|for|with|than|has|was|were|not|"
                        r"that|over|calls|holds)$")
DOORS = {"say_n", "spokenN", "rich_n", "form_of"}
TEXTS = re.compile(  # a message of a template or a script, and the door that says it
    r"\b(say|rich|spoken|say_n|rich_n|spokenN)\(\s*(\"(?:[^\"\\]|\\.)*\")")


def _follows_as_count(text: str, *, before: str = "") -> bool:
    found = AFTER.match(text)
    return bool(found) and not any(map(NOT_COUNTS.match, found[0].split()[:-1]))


def _exact(value: ast.FormattedValue) -> bool:
    """Say whether a number may be 1: not a float with decimals, nor a constant of the house."""
    spec = ast.unparse(value.format_spec) if value.format_spec else ""
    name = getattr(value.value, "attr", getattr(value.value, "id", ""))
    return not re.search(r"\.[1-9]\d*[f%]|strftime|%[a-zA-Z]|\.\d%|,", spec) and not (
        name.lstrip("_").isupper())


def _of_code(path: Path) -> Iterator[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            for one, two in zip(node.values, node.values[1:], strict=False):
                if (isinstance(one, ast.FormattedValue) and isinstance(two, ast.Constant)
                        and _follows_as_count(str(two.value)) and _exact(one)):
                    yield (f"{path.relative_to(HOUSE)}:{one.lineno} {ast.unparse(one)[:40]}"
                           f"{two.value[:40]!r}")
        elif (isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant)
                and getattr(node.func, "id", getattr(node.func, "attr", "")) in {"say", "mark"}
                and isinstance(node.args[0].value, str) and _says(node.args[0].value)):
            yield f"{path.relative_to(HOUSE)}:{node.lineno} {node.args[0].value[:70]!r}"


def _says(message: str) -> bool:
    return any(_follows_as_count(message[found.end():])
               for found in re.finditer(r"(?<!to )\{\w+\}(?:</\d>)?", message))


def _of_page(path: Path) -> Iterator[str]:
    for found in TEXTS.finditer(path.read_text(encoding="utf-8")):
        if found[1] not in DOORS and _says(found[2]):
            yield f"{path.relative_to(HOUSE)} {found[2][:70]}"


def test_a_number_before_a_noun_goes_through_the_plural_door() -> None:
    wrong = [one for path in sorted(HOUSE.rglob("*.py")) for one in _of_code(path)]
    wrong += [one for path in sorted(HOUSE.rglob("*.html")) for one in _of_page(path)]
    wrong += [one for path in sorted(HOUSE.rglob("*.js")) for one in _of_page(path)]
    assert not wrong, "use count, say_n or plain_count\n" + "\n".join(wrong)


@pytest.mark.parametrize(("n", "words"), [(0, "0 buds"), (1, "1 bud"), (2, "2 buds")])
def test_one_is_said_as_one(n: int, words: str) -> None:
    assert plain_count(n, "bud") == words
    assert plain_count(n, "person", "people") == ("1 person" if n == 1 else f"{n} people")
