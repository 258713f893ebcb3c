"""The house's own rules: no function too long to hold in the head, none that nobody calls."""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from graphlib import TopologicalSorter
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from radon.complexity import cc_visit

import budvision
from budvision.settings import SETTINGS

PACKAGE = Path(budvision.__file__).parent
MOST = 20
"""Largest cyclomatic complexity of a function: its branches, loops and conditions, plus one."""

MODULES = sorted(path.relative_to(PACKAGE).as_posix() for path in PACKAGE.rglob("*.py"))


@pytest.mark.parametrize("room", sorted({name.split("/")[0] for name in MODULES}))
def test_no_function_is_too_long_to_hold_in_the_head(room: str) -> None:
    assert not {
        f"{name}:{block.name}": block.complexity
        for name in MODULES
        if name.split("/")[0] == room
        for block in cc_visit((PACKAGE / name).read_text(encoding="utf-8"))
        if block.letter != "C" and block.complexity > MOST
    }


MOST_BY_POSITION = 5
"""Fields of a record that may be given by position: of more, two swapped pass the types."""


@pytest.mark.parametrize("name", [name for name in MODULES if "dataclass" in (
    PACKAGE / name).read_text(encoding="utf-8")])
def test_a_record_of_many_fields_is_built_by_name(name: str) -> None:
    by_position = []
    for node in ast.walk(ast.parse((PACKAGE / name).read_text(encoding="utf-8"))):
        doors = [ast.unparse(door) for door in getattr(node, "decorator_list", ())]
        if not isinstance(node, ast.ClassDef) or not any(d.startswith("dataclass") for d in doors):
            continue
        fields = [part for part in node.body if isinstance(part, ast.AnnAssign)
                  and "ClassVar" not in ast.unparse(part.annotation)]
        if len(fields) > MOST_BY_POSITION and not any("kw_only=True" in door for door in doors):
            by_position.append(node.name)
    assert not by_position


# ---- what browsers are sent -------------------------------------------------------------------

SENT = sorted(path.relative_to(PACKAGE).as_posix() for kind in ("js", "css")
              for path in (PACKAGE / "web").rglob(f"static/*.{kind}"))
TEMPLATES = sorted(path.relative_to(PACKAGE).as_posix() for path in PACKAGE.rglob("*.html"))


@pytest.mark.parametrize("name", SENT + TEMPLATES)
def test_scripts_styles_and_templates_keep_the_limits_of_modules(name: str) -> None:
    lines = (PACKAGE / name).read_text(encoding="utf-8").splitlines()
    assert len(lines) <= 400
    assert not [number for number, line in enumerate(lines, 1) if len(line) > 160]


def test_one_script_speaks_to_the_season() -> None:
    """Requests go through `send.js`; the service worker answers for the browser itself."""
    assert {name for name in SENT if re.search(
        r"(?<![.\w])fetch\(", re.sub(r"async fetch\(", "", (PACKAGE / name).read_text("utf-8")))
    } == {"web/static/send.js", "web/bench/static/worker.js"}


def test_every_class_of_a_style_and_every_sent_file_is_used() -> None:
    """A class may be put together from a word and a state: `state-` and what follows."""
    rooms = (PACKAGE / "web", PACKAGE / "report")  # the report draws figures for pages too
    text = "\n".join(path.read_text(encoding="utf-8") for kind in ("html", "js", "py")
                     for room in rooms for path in room.rglob(f"*.{kind}"))
    unused = set()
    for name in SENT:
        assert name.rpartition("/")[2] in text
        if name.endswith(".css"):
            rules = re.sub(r"/\*.*?\*/", "", (PACKAGE / name).read_text("utf-8"), flags=re.DOTALL)
            unused |= {one for one in re.findall(r"\.([a-zA-Z][\w-]*)(?=[^{}]*\{)", rules)
                       if not re.search(rf"(?<![\w-]){one}(?![\w-])", text)
                       and not re.search(rf"(?<![\w-]){one.partition('-')[0]}-[$\{{]", text)}
    assert not unused


# ---- every public thing has a caller ---------------------------------------------------------

DOORS = frozenset(f"scripts.py:{name}" for name in budvision.__all__ if name[0] != "_")
"""Documented entry points for scripts that nothing else in the package calls."""


@dataclass(frozen=True)
class Code:
    """Names that a piece of code speaks of, by the public definition or module that holds it."""

    defined: dict[str, list[str]]
    """Name of a function or class of the outermost level: where it stands, `module:name`."""
    spoken: dict[str, set[str]]
    """`module:name` of a definition, or of a module: the names in it."""
    begun: set[str]
    """Definitions that a framework calls: routes, commands, filters."""


def _names(node: ast.AST) -> set[str]:
    found = set()
    for part in ast.walk(node):
        if isinstance(part, ast.Name):
            found.add(part.id)
        elif isinstance(part, ast.Attribute):
            found.add(part.attr)
        elif isinstance(part, ast.ImportFrom):
            found.update(alias.name for alias in part.names)
    return found


def _read_code() -> Code:
    defined: dict[str, list[str]] = {}
    spoken: dict[str, set[str]] = {}
    begun = set()
    for name in MODULES:
        for node in ast.parse((PACKAGE / name).read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef | ast.ClassDef):
                where = f"{name}:{node.name}"
                defined.setdefault(node.name, []).append(where)
                spoken[where] = _names(node)
                doors = [ast.unparse(door) for door in node.decorator_list]
                if any("blueprint." in door or "app." in door for door in doors):
                    begun.add(where)
            elif not isinstance(node, ast.Import | ast.ImportFrom):
                spoken.setdefault(name, set()).update(_names(node))
    return Code(defined, spoken, begun)


def test_every_public_thing_has_a_caller_or_is_a_door_for_scripts() -> None:
    """Go from what a user can start, by name, to all that it leads to.

    A name counts as reached where code that is itself reached speaks of it. Two things of one
    name cannot be told apart here, so something unused may hide behind a namesake.
    """
    code = _read_code()
    waiting = {name for module in MODULES for name in code.spoken.get(module, ())}
    for where in code.begun | DOORS:
        waiting |= code.spoken.get(where, set())
    reached = set(code.begun | DOORS)
    while waiting:
        fresh = {where for name in waiting for where in code.defined.get(name, ())} - reached
        reached |= fresh
        waiting = {name for where in fresh for name in code.spoken[where]}
    unreached = {
        where for places in code.defined.values() for where in places
        if not where.partition(":")[2].startswith("_") and not where.startswith("store/migrations")
    } - reached
    assert not unreached, "give it a caller, name it among DOORS and document it, or remove it"
    assert not DOORS - set(code.spoken), "a door for scripts that is gone"


@pytest.mark.parametrize("room", sorted({
    name.rpartition("/")[0] for name in MODULES
    if "/" in name and not name.startswith(("web/", "store/migrations", "render/standin"))
}))
def test_a_room_says_what_is_in_it(room: str) -> None:
    """Each module stands in the room's map, the docstring of its `__init__`, with a word to it."""
    text = ast.get_docstring(ast.parse((PACKAGE / room / "__init__.py").read_text("utf-8"))) or ""
    names = {path.stem for path in (PACKAGE / room).glob("*.py")} - {"__init__", "__main__"}
    if room == "workflow":
        names = {path.parent.name for path in (PACKAGE / room).glob("*/__init__.py")}
    assert not {name for name in names if not re.search(rf"(^{name}  |`{name}`)", text, re.M)}


# ---- settings --------------------------------------------------------------------------------


def test_every_setting_is_read_somewhere() -> None:
    """As a field (`settings.soak_h`), outside the module that defines it."""
    read = {part.attr for name in MODULES if name != "settings.py"
            for part in ast.walk(ast.parse((PACKAGE / name).read_text(encoding="utf-8")))
            if isinstance(part, ast.Attribute)}
    assert not {setting.name for setting in SETTINGS} - read


# ---- no circle -------------------------------------------------------------------------------


def _imported(node: ast.AST) -> Iterator[str]:
    """Yield the modules of the package that an import takes something from."""
    if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "budvision":
        whole = str(node.module).split(".")[1:]
        for name in (alias.name for alias in node.names):
            for parts in ([*whole, name], whole):
                for path in ("/".join([*parts, "__init__"]), "/".join(parts)):
                    if f"{path}.py" in MODULES:
                        yield f"{path}.py"
                        break
                else:
                    continue
                break


def test_no_two_files_import_each_other_not_even_for_their_types() -> None:
    graph = {name: {other for node in ast.walk(
        ast.parse((PACKAGE / name).read_text(encoding="utf-8")))
        for other in _imported(node) if other != name} for name in MODULES}
    TopologicalSorter(graph).prepare()


def test_the_recorded_set_has_every_dependency_in_a_version_that_is_allowed() -> None:
    project = tomllib.loads((PACKAGE.parent / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"]
    lines = (PACKAGE.parent / "tests" / "constraints.txt").read_text().splitlines()
    recorded = {canonicalize_name(name): version
                for name, at, version in (line.partition("==") for line in lines) if at}
    for wanted in map(Requirement, [*project["dependencies"], *extras["test"], *extras["train"]]):
        version = recorded.get(canonicalize_name(wanted.name), "")
        assert version, f"{wanted.name} is not in tests/constraints.txt"
        assert version in wanted.specifier, f"{wanted}; {version} is in tests/constraints.txt"
