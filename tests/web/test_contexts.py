"""Each template and what it is rendered with hold together: no name or field that is not given."""

from __future__ import annotations

import ast
import importlib
import typing
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path

import pytest
from jinja2 import Environment, meta, nodes

import budvision.web
from budvision.web.sentences import Sentences

WEB = Path(budvision.web.__file__).parent
TEMPLATES = {path.relative_to(folder).as_posix(): path
             for folder in WEB.rglob("templates") for path in folder.rglob("*.html")}
READER = Environment(extensions=[Sentences], autoescape=True)
EVERYWHERE = {
    "frame", "person", "backup_due", "languages", "url_for", "get_flashed_messages", "csrf_token",
    "results_style", "say", "say_n", "rich", "rich_n",
    "grouped", "spoken", "typed_number", "percent", "percent_range", "request",
    "script_words", "season_name",
}
"""What every page has: given by the frame of pages, the languages and Flask."""


class Rendering(typing.NamedTuple):
    """One call of `render_template`."""

    module: str
    template: str
    given: dict[str, ast.expr]
    inside: ast.FunctionDef


def _renderings() -> Iterator[Rendering]:
    for path in sorted(WEB.rglob("*.py")):
        parts = ("budvision", "web", *path.relative_to(WEB).with_suffix("").parts)
        for inside in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            for call in ast.walk(inside) if isinstance(inside, ast.FunctionDef) else ():
                if isinstance(call, ast.Call) and ast.unparse(call.func) == "render_template":
                    name, = call.args
                    assert isinstance(name, ast.Constant)
                    yield Rendering(".".join(parts).removesuffix(".__init__"), name.value,
                                    {str(one.arg): one.value for one in call.keywords}, inside)


RENDERINGS = list(_renderings())


def _record(one: Rendering, value: ast.expr) -> type | None:
    """Return the class of what is given, where it is a record of the pages'."""
    if isinstance(value, ast.Name):
        made = [line.value for line in ast.walk(one.inside) if isinstance(line, ast.Assign)
                and ast.unparse(line.targets[0]) == value.id]
        return _record(one, made[0]) if made else None
    if not isinstance(value, ast.Call) or not isinstance(value.func, ast.Name):
        return None
    made_by = getattr(importlib.import_module(one.module), value.func.id)
    if not isinstance(made_by, type):
        made_by = typing.get_type_hints(made_by)["return"]
    return made_by if made_by.__name__.endswith("Page") else None


def _read(name: str) -> nodes.Template:
    return READER.parse(TEMPLATES[name].read_text(encoding="utf-8"))


def _with_parts(name: str) -> list[nodes.Template]:
    """Return a template and what it extends, includes, or imports with its context."""
    tree = _read(name)
    found = [tree]
    for part in tree.find_all((nodes.Extends, nodes.Include, nodes.Import, nodes.FromImport)):
        if isinstance(part, (nodes.Extends, nodes.Include)) or part.with_context:
            assert isinstance(part.template, nodes.Const)
            found += _with_parts(part.template.value)
    return found


@pytest.mark.slow
@pytest.mark.parametrize("one", RENDERINGS, ids=lambda one: f"{one.template}-{one.inside.name}")
def test_a_template_speaks_only_of_what_it_is_given(one: Rendering) -> None:
    trees = _with_parts(one.template)
    wanted = set().union(*(meta.find_undeclared_variables(tree) for tree in trees))
    wanted -= {part.target for tree in trees for part in tree.find_all(nodes.Import)}
    wanted -= {name for tree in trees for part in tree.find_all(nodes.FromImport)
               for name in part.names}
    wanted -= {part.name for tree in trees for part in tree.find_all(nodes.Macro)}
    wanted -= {part.target.name for tree in trees
               for part in tree.find_all((nodes.Assign, nodes.AssignBlock))
               if isinstance(part.target, nodes.Name)}
    assert wanted - EVERYWHERE <= set(one.given)
    assert set(one.given) <= wanted, "given, and nowhere shown"
    assert list(one.given) in ([], ["page"]), "one record a page, under one name"
    for name, value in one.given.items():
        record = _record(one, value)
        assert record is not None, "a page is a dataclass"
        asked = {part.attr for tree in trees for part in tree.find_all(nodes.Getattr)
                 if isinstance(part.node, nodes.Name) and part.node.name == name}
        own = {field.name for field in fields(record)}
        assert not asked - own - set(dir(record))
        whole = [part for tree in trees for part in tree.find_all(nodes.Call)
                 for given in part.args if isinstance(given, nodes.Name) and given.name == name]
        assert whole or not own - asked, "fields of the page that it never shows"


def test_every_template_is_shown() -> None:
    used = {name for one in RENDERINGS for name in [one.template]}
    waiting = set(used)
    while waiting:
        tree = _read(waiting.pop())
        fresh = {part.template.value for part in tree.find_all(
            (nodes.Extends, nodes.Include, nodes.Import, nodes.FromImport))} - used
        used |= fresh
        waiting |= fresh
    assert used == set(TEMPLATES)
