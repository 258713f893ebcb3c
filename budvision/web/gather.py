"""Gather the messages of code, templates, scripts, paper and policies into the catalogues.

``python -m budvision.web.gather`` brings `budvision/language/catalogues/*.po` up to date: new
messages stand there empty, gone ones are taken out, translations stay. Those of errors have their
own, `catalogues/errors/*.po`.
"""

from __future__ import annotations

import ast
import io
import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po, write_po

from budvision.files import write_whole
from budvision.language import LANGUAGES
from budvision.language.told import PLACES
from budvision.photo.feature_table import FEATURES
from budvision.photo.gate import DOUBTS, UNLIKE
from budvision.photo.quality import REASONS
from budvision.photo.refusals import NOT_EXPOSED, REFUSALS
from budvision.report.choices import CHOICES
from budvision.report.paper import paper_messages
from budvision.report.words import plain
from budvision.settings import SETTINGS
from budvision.store.queries.people import ROLES
from budvision.verdict.registry import list_models
from budvision.vineyard.plan import SIZES
from budvision.vineyard.training import BASAL_FRUIT
from budvision.vocabulary import CallValue, Cause, Tissue
from budvision.web.raised import error_messages
from budvision.web.sentences import script_messages, sentences_of
from budvision.workflow.after.records import KINDS
from budvision.workflow.review.queue import SHOWS

_PACKAGE = Path(__file__).resolve().parent.parent
_IN_PAGES = re.compile(r"\bsay\(\s*(\"(?:[^\"\\]|\\.)*\"|'(?:[^'\\]|\\.)*')")
_PLURAL = re.compile(
    r"\b(?:say_n|rich_n)\(\s*\"((?:[^\"\\]|\\.)*)\",\s*\"((?:[^\"\\]|\\.)*)\"")
_FIELD = re.compile(r"\bfield\(\"\w+\", \"([^\"]+)\"(?:, \"([^\"]+)\")?")
_BAND_KEYS = ("title", "source")

Message = str | tuple[str, str]


def messages() -> dict[Message, str]:
    """Return every message, a pair where it has a plural, with the file that it was first found in.
    """
    found: dict[Message, str] = {}
    for path in sorted(_PACKAGE.rglob("*")):
        kind = _KINDS.get(path.suffix)
        if kind is None:
            continue
        for message in kind(path.read_text(encoding="utf-8")):
            found.setdefault(message, path.relative_to(_PACKAGE.parent).as_posix())
    _of_tables(found)
    paired = {message[0] for message in found if isinstance(message, tuple)}
    return {message: where for message, where in found.items() if message not in paired}


def _of_tables(found: dict[Message, str]) -> None:
    """Add what stands in tables of data, said where it is shown."""
    for message in _policies():
        found.setdefault(message, "budvision/vineyard/policies.toml")
    for choice in CHOICES.values():
        for message in (choice.when, choice.deed, choice.more):
            found.setdefault(message, "budvision/report/choices.py")
    for word in (*Tissue, *CallValue, *Cause, *ROLES, *SHOWS):
        found.setdefault(plain(str(word)), "budvision/vocabulary.py")
    for kind in KINDS.values():
        for message in filter(None, (kind.words, kind.hint, *kind.units)):
            found.setdefault(message, "budvision/workflow/after/records.py")
    for known in BASAL_FRUIT.values():
        found.setdefault(known.words, "budvision/vineyard/training.py")
    for row in SETTINGS:
        found.setdefault(row.help, "budvision/settings.py")
        for word in (row.title, *row.choices):
            found.setdefault(word, "budvision/settings.py")
    for reason in (*REFUSALS.values(), *NOT_EXPOSED.values(), *DOUBTS.values(), *REASONS.values(),
                   UNLIKE):
        found.setdefault(reason, "budvision/photo/refusals.py")
    for one in FEATURES:
        found.setdefault(one.group, "budvision/photo/feature_table.py")
    for model in list_models():
        found.setdefault(model.note, "models/registry.toml")
    for word in PLACES:
        found.setdefault(word, "budvision/language/told.py")
    for word in SIZES:
        found.setdefault(word, "budvision/vineyard/plan.py")
    for word in ("yes", "no"):
        found.setdefault(word, "budvision/settings.py")


def update(language: str, kind: str, wanted: Mapping[Message, str]) -> Catalog:
    """Return a language's catalogue brought up to date.

    Parameters
    ----------
    language : str
    kind : str
        Folder below the catalogues, empty for those of pages and paper.
    wanted : mapping of str or tuple of str to str
        Each message with the place where it was found.
    """
    path = _path(language, kind)
    old = Catalog(locale=language)
    if path.exists():
        with path.open("rb") as file:
            old = read_po(file, locale=language)
    new = Catalog(locale=language, project="budvision", fuzzy=False)
    new.mime_headers = [("Plural-Forms", old.plural_forms)]  # Babel's own change with its version
    for message, where in wanted.items():
        before = old.get(message[0] if isinstance(message, tuple) else message)
        new.add(message, before.string if before is not None else "", locations=[(where, 0)])
    return new


def write(new: Catalog, language: str, kind: str) -> None:
    """Write a catalogue where it is kept; its messages without their lines."""
    made = io.BytesIO()
    write_po(made, new, width=0, include_lineno=False, omit_header=True)
    head = (f'msgid ""\nmsgstr ""\n"Language: {language}\\n"\n"MIME-Version: 1.0\\n"\n'
            f'"Content-Type: text/plain; charset=utf-8\\n"\n'
            f'"Content-Transfer-Encoding: 8bit\\n"\n"Plural-Forms: {new.plural_forms}\\n"\n\n')
    write_whole(_path(language, kind), head.encode() + made.getvalue())


def _path(language: str, kind: str) -> Path:
    return _PACKAGE / "language" / "catalogues" / kind / f"{language}.po"


def _python(text: str) -> Iterator[Message]:
    tree = ast.parse(text)
    ours = _doors(tree)
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        name = getattr(node.func, "id", getattr(node.func, "attr", ""))
        messages = [arg.value for arg in node.args
                    if isinstance(arg, ast.Constant) and isinstance(arg.value, str)]
        if name not in ours or not messages:
            continue
        if name in ("say", "mark"):
            yield messages[0]
        elif name in ("say_n", "form_of") and len(messages) == 2:
            yield messages[0], messages[1]
        elif isinstance(node.func, ast.Name) and name == "count":
            many = messages[1] if len(messages) > 1 else f"{messages[0]}s"
            yield f"{{n}} {messages[0]}", f"{{n}} {many}"


def _doors(tree: ast.Module) -> set[str]:
    """Return the names of the doors of language that a module takes in."""
    return {one.name for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)
            and str(node.module).startswith(("budvision.language", "budvision.report.words"))
            for one in node.names}


def _page(text: str) -> Iterator[Message]:
    yield from sentences_of(text)
    for found in _FIELD.finditer(text):
        yield from (word for word in found.groups() if word)
    for found in _PLURAL.finditer(text):
        yield ast.literal_eval(f'"{found[1]}"'), ast.literal_eval(f'"{found[2]}"')
    for found in _IN_PAGES.finditer(text):
        if message := str(ast.literal_eval(found[1])):
            yield message


def _paper(text: str) -> Iterator[Message]:
    yield from sorted(paper_messages(text))


def _policies() -> Iterator[str]:
    table = tomllib.loads((_PACKAGE / "vineyard" / "policies.toml").read_text(encoding="utf-8"))
    for policy in table.values():
        yield from (policy[key] for key in _BAND_KEYS if policy.get(key))
        for band in policy["bands"]:
            yield band["name"].replace("_", " ").replace("-", " ")
            yield band["action"]


_KINDS = {".py": _python, ".html": _page, ".js": script_messages, ".typ": _paper}


if __name__ == "__main__":
    for _kind, _wanted in (("", messages()), ("errors", error_messages())):
        for _language in LANGUAGES:
            if _language != "en":
                write(update(_language, _kind, _wanted), _language, _kind)
