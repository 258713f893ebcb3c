"""Messages of errors, found where they are raised: their English text with its places named.

A place whose value is a text of the house itself is called `said`, one that lists choices of the
house `either`: `budvision.language.told` says those in the spoken language too. All other values
stay as they are.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from itertools import product
from pathlib import Path

from budvision import errors

__all__ = ["error_messages"]

_PACKAGE = Path(__file__).resolve().parent.parent
_PARTS = ("what", "expected", "do", "text")
_POSITIONS: Mapping[str, tuple[str, ...]] = {
    **dict.fromkeys(errors.__all__, ("what",)), "Finding": ("code", "where", "what", "do"),
    "Reason": ("code", "text"),
}
_MOST = 12
"""Ways in which one text is put together, at most; beyond it a place stands for the whole."""
_PLACES = re.compile(r"\{\w+\}")
_SAID = re.compile(r"\{(?:said|either|n_)\w*\}")
_LETTERS = re.compile(r"[^\W\d_]{2}")

Message = str | tuple[str, str]


@dataclass(frozen=True, slots=True)
class _Place:
    name: str
    code: str


Piece = str | _Place
Text = tuple[Piece, ...]


@dataclass(slots=True)
class _Module:
    """A module with what its names stand for."""

    name: str
    tree: ast.Module
    constants: dict[str, ast.expr] = field(default_factory=dict)
    functions: dict[str, ast.FunctionDef] = field(default_factory=dict)
    taken_in: dict[str, tuple[str, str]] = field(default_factory=dict)


_Call = tuple[_Module, ast.FunctionDef | None, ast.Call]


def error_messages() -> dict[Message, str]:
    """Return every message of an error, a pair where a count stands, and its first module."""
    found: dict[Message, tuple[Message, str]] = {}
    for where, message in _House().messages():
        shape = _PLACES.sub("{}", message) if isinstance(message, str) else message
        kept = found.get(shape)
        if kept is None or _special(message) > _special(kept[0]):
            found[shape] = (message, f"{where.replace('.', '/')}.py" if kept is None else kept[1])
    return dict(sorted(found.values(), key=lambda one: (one[1], str(one[0]))))


def _special(message: Message) -> int:
    """Return how many places of a message hold what is said in the language too."""
    return len(_SAID.findall(message)) if isinstance(message, str) else 0


class _House:
    """All modules of the package, and the texts that their errors are made of."""

    def __init__(self) -> None:
        self.modules = {name: _read(name, path) for name, path in _files()}
        self._called: dict[str, list[_Call]] = {}
        for module in self.modules.values():
            for function, node in _calls(module.tree):
                self._called.setdefault(_called(node), []).append((module, function, node))
        self._passing: list[tuple[str, ast.FunctionDef, str]] = []
        self._beside: list[tuple[str, Message]] = []
        self._deep = 0

    def messages(self) -> Iterator[tuple[str, Message]]:
        """Yield each message with its module; the same one may come again."""
        done: set[tuple[str, str]] = set()
        for name, positions in _POSITIONS.items():
            for module, function, node in self._called.get(name, ()):
                for part, value in _arguments(node, positions):
                    if part in _PARTS:
                        yield from self._of(module, function, value)
        while self._passing:
            home, function, parameter = self._passing.pop()
            key = (f"{home}.{function.name}", parameter)
            if key in done:
                continue
            done.add(key)
            for module, inside, value in self._passed(self.modules[home], function, parameter):
                yield from self._of(module, inside, value)
        yield from self._beside

    def _of(
        self, module: _Module, function: ast.FunctionDef | None, value: ast.expr
    ) -> Iterator[tuple[str, Message]]:
        for text in self._texts(module, function, value, whole=True):
            message = _message(text)
            if _LETTERS.search("".join(one for one in text if isinstance(one, str))):
                yield module.name, message

    def _texts(
        self, module: _Module, function: ast.FunctionDef | None, node: ast.expr, *,
        whole: bool = False,
    ) -> list[Text]:
        """Return the ways in which an expression puts a text together."""
        self._deep += 1
        try:
            made = self._known(module, function, node, whole) if self._deep < 12 else None
        finally:
            self._deep -= 1
        return made if made and len(made) <= _MOST else [(_place(node),)]

    def _known(
        self, module: _Module, function: ast.FunctionDef | None, node: ast.expr, whole: bool
    ) -> list[Text] | None:
        match node:
            case ast.Constant(value=str(text)):
                return [(text,)]
            case ast.JoinedStr(values=values):
                return _product([self._texts(module, function, one) for one in values])
            case ast.FormattedValue(value=inside, conversion=-1, format_spec=None):
                return self._texts(module, function, inside)
            case ast.BinOp(left=left, op=ast.Add(), right=right):
                return _product([self._texts(module, function, one) for one in (left, right)])
            case ast.IfExp(body=body, orelse=other):
                return [*self._texts(module, function, body, whole=whole),
                        *self._texts(module, function, other, whole=whole)]
            case ast.BoolOp(op=ast.Or(), values=values):
                return [one for value in values
                        for one in self._texts(module, function, value, whole=whole)]
            case ast.Name(id=name):
                return self._named(module, function, name, whole)
            case ast.Attribute(value=ast.Name(id="self"), attr=name):
                return self._held(module, name)
            case ast.Call():
                return self._call(module, function, node, whole)
            case _:
                return None

    def _named(
        self, module: _Module, function: ast.FunctionDef | None, name: str, whole: bool
    ) -> list[Text] | None:
        if function is not None:
            if given := _given(function).get(name):
                made = [text for value in given
                        for text in self._texts(module, function, value, whole=whole)]
                if whole or all(map(_fixed, made)) or () in made or ("",) in made:
                    return made
                return self._said(module, name, made)
            if name in [one.arg for one in (*function.args.args, *function.args.kwonlyargs)]:
                if whole:
                    self._passing.append((module.name, function, name))
                    return None
                return self._said(module, name, [
                    text for home, inside, value in self._passed(module, function, name)
                    for text in self._texts(home, inside, value,
                                            whole=isinstance(value, ast.Call))
                    if len(text) == 1 or isinstance(value, ast.Call)])
        home, known = self._constant(module, name)
        if known is None:
            return None
        made = self._texts(home, None, known, whole=whole)
        return made if all(map(_fixed, made)) or whole else None

    def _said(self, module: _Module, name: str, texts: list[Text]) -> list[Text] | None:
        """Return the place of one of some texts of the house, None where none is a sentence."""
        if not any(isinstance(one, str) and " " in one.strip() for text in texts for one in text):
            return None
        self._beside += [(module.name, _message(text)) for text in texts
                         if _LETTERS.search("".join(one for one in text if isinstance(one, str)))]
        return [(_Place("said", name),)]

    def _held(self, module: _Module, name: str) -> list[Text] | None:
        """Return the texts that a name of an object is given where the object is made."""
        for cls in ast.walk(module.tree):
            if not isinstance(cls, ast.ClassDef):
                continue
            for made in cls.body:
                if isinstance(made, ast.FunctionDef) and made.name == "__init__" and (
                        name in [one.arg for one in made.args.args]):
                    names = tuple(one.arg for one in made.args.args[1:])
                    return self._said(module, name, [
                        text for home, inside, node in self._called.get(cls.name, ())
                        for part, value in _arguments(node, names) if part == name
                        for text in self._texts(home, inside, value)])
        return None

    def _passed(
        self, module: _Module, function: ast.FunctionDef, name: str
    ) -> Iterator[tuple[_Module, ast.FunctionDef | None, ast.expr]]:
        """Yield what a function is given for a parameter wherever it is called."""
        names = tuple(one.arg for one in function.args.args if one.arg not in ("self", "cls"))
        for value in _default(function, name):
            yield module, None, value
        for home, inside, node in self._called.get(function.name, ()):
            if home is module or not function.name.startswith("_"):
                for part, value in _arguments(node, names):
                    if part == name:
                        yield home, inside, value

    def _constant(self, module: _Module, name: str) -> tuple[_Module, ast.expr | None]:
        if name in module.constants:
            return module, module.constants[name]
        if name in module.taken_in and module.taken_in[name][0] in self.modules:
            home = self.modules[module.taken_in[name][0]]
            return home, home.constants.get(module.taken_in[name][1])
        return module, None

    def _call(
        self, module: _Module, function: ast.FunctionDef | None, node: ast.Call, whole: bool
    ) -> list[Text] | None:
        name = _called(node)
        if name == "plain_count":
            return self._counted(module, node)
        if name in ("strip", "rstrip", "capitalize") and isinstance(node.func, ast.Attribute):
            return self._texts(module, function, node.func.value, whole=whole)
        home, known = self._function(module, name)
        if known is None or not isinstance(node.func, ast.Name):
            return None
        given = [one.value for one in ast.walk(known)
                 if isinstance(one, ast.Return) and one.value is not None]
        made = [text for value in given for text in self._texts(home, known, value)]
        return made if any(isinstance(one, str) for text in made for one in text) and whole else (
            None)

    def _counted(self, module: _Module, node: ast.Call) -> list[Text] | None:
        one, *many = [arg.value for arg in node.args[1:] if isinstance(arg, ast.Constant)
                      and isinstance(arg.value, str)] or [""]
        if not one:
            return None
        self._beside.append((module.name, (f"{{n}} {one}",
                                           f"{{n}} {many[0] if many else one + 's'}")))
        noun = "_".join(one.split())
        return [(_Place(f"n_{noun}", ast.unparse(node)),)]

    def _function(
        self, module: _Module, name: str
    ) -> tuple[_Module, ast.FunctionDef | None]:
        if name in module.functions:
            return module, module.functions[name]
        if name in module.taken_in and module.taken_in[name][0] in self.modules:
            home = self.modules[module.taken_in[name][0]]
            return home, home.functions.get(module.taken_in[name][1])
        return module, None


def _files() -> Iterator[tuple[str, Path]]:
    for path in sorted(_PACKAGE.rglob("*.py")):
        parts = path.relative_to(_PACKAGE.parent).with_suffix("").parts
        yield ".".join(parts[:-1] if parts[-1] == "__init__" else parts), path


def _read(name: str, path: Path) -> _Module:
    module = _Module(name, ast.parse(path.read_text(encoding="utf-8")))
    for node in ast.walk(module.tree):
        if isinstance(node, ast.FunctionDef):
            module.functions.setdefault(node.name, node)
        elif isinstance(node, ast.ImportFrom) and node.module:
            for one in node.names:
                module.taken_in[one.asname or one.name] = (node.module, one.name)
    for node in module.tree.body:
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
            module.constants[node.targets[0].id] = node.value
    return module


def _calls(tree: ast.Module) -> Iterator[tuple[ast.FunctionDef | None, ast.Call]]:
    """Yield each call with the innermost function that it stands in."""
    todo: list[tuple[ast.FunctionDef | None, ast.AST]] = [(None, tree)]
    while todo:
        function, node = todo.pop()
        if isinstance(node, ast.Call):
            yield function, node
        inner = node if isinstance(node, ast.FunctionDef) else function
        todo += [(inner, child) for child in ast.iter_child_nodes(node)]


def _called(node: ast.Call) -> str:
    """Return the name of what is called; a class found at run time by `type(error)` too."""
    if isinstance(node.func, ast.Call) and getattr(node.func.func, "id", "") == "type":
        return "BudvisionError"
    return str(getattr(node.func, "id", getattr(node.func, "attr", "")))


def _arguments(node: ast.Call, names: tuple[str, ...]) -> Iterator[tuple[str, ast.expr]]:
    yield from zip(names, node.args, strict=False)
    for one in node.keywords:
        if one.arg:
            yield one.arg, one.value


def _default(function: ast.FunctionDef, name: str) -> Iterator[ast.expr]:
    for one, value in zip(function.args.kwonlyargs, function.args.kw_defaults, strict=True):
        if one.arg == name and value is not None:
            yield value
    for one, value in zip(reversed(function.args.args), reversed(function.args.defaults),
                          strict=False):
        if one.arg == name:
            yield value


@cache
def _given(function: ast.FunctionDef) -> dict[str, list[ast.expr]]:
    """Return what each name of a function is given, also where several are given at once."""
    found: dict[str, list[ast.expr]] = {}
    for node in ast.walk(function):
        if isinstance(node, ast.Assign):
            pairs = [(target, node.value) for target in node.targets]
        elif isinstance(node, ast.For) and isinstance(node.iter, ast.Tuple | ast.List):
            pairs = [(node.target, row) for row in node.iter.elts]
        else:
            continue
        for target, value in pairs:
            if isinstance(target, ast.Name):
                found.setdefault(target.id, []).append(value)
            elif isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple):
                for one, part in zip(target.elts, value.elts, strict=False):
                    if isinstance(one, ast.Name):
                        found.setdefault(one.id, []).append(part)
    return found


def _fixed(text: Text) -> bool:
    return all(isinstance(one, str) for one in text)


def _product(parts: list[list[Text]]) -> list[Text]:
    n = 1
    for part in parts:
        n *= len(part)
    if n > _MOST:
        parts = [part if len(part) == 1 else [(_Place("said", f"{i}"),)]
                 for i, part in enumerate(parts)]
    return [tuple(piece for one in ways for piece in one) for ways in product(*parts)]


def _place(node: ast.expr) -> _Place:
    """Return the place of an expression, named by its last word."""
    code = ast.unparse(node)
    inside = node.value if isinstance(node, ast.FormattedValue) else node
    if re.search(r"\.(what|expected|do)\b|\bsay\(|without_where", code):
        return _Place("said", code)
    if "' or '.join" in code:
        return _Place("either", code)
    bare = re.sub(r"'[^']*'", "", ast.unparse(inside))
    words = [word for word in re.findall(r"(?<![a-z_])[a-z][a-z0-9_]*", bare)
             if word not in _PLAIN]
    return _Place(words[-1] if words else "value", code)


_PLAIN = frozenset((
    "join", "str", "len", "repr", "get", "sorted", "for", "in", "if", "else", "not", "and", "or",
    "list", "map", "filter", "is", "type", "strip", "rstrip", "max", "min", "round", "none",
    "tuple", "set", "f", "g", "d", "self", "items", "values", "keys", "format", "replace",
))


def _message(text: Text) -> str:
    """Return a text with its places in braces, each expression under one name."""
    names: dict[str, str] = {}
    made = ""
    for piece in text:
        if isinstance(piece, str):
            made += piece.replace("{", "{{").replace("}", "}}")
            continue
        if made.endswith("}") and not made.endswith("}}"):
            continue  # nothing between the two: one place holds both
        name, n = piece.name, 2
        while name in names and names[name] != piece.code:
            name, n = f"{piece.name}_{n}", n + 1
        names[name] = piece.code
        made += f"{{{name}}}"
    return made
