"""Sentences of the templates, found by themselves: a template stays plain HTML in English.

`Sentences` goes over a template before it is compiled. Every run of text between tags becomes one
message, with the expressions in it as named places and the tags inside it as <1>...</1>; so do the
attributes that people read or hear. `{% %}` ends a run, so a sentence should hold none: where it
must, say it with `say` or `say_n`.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from jinja2.ext import Extension
from markupsafe import Markup

from budvision.language import form_of, say

__all__ = ["Sentences", "rich", "rich_n", "script_messages", "sentences_of"]

_INLINE = frozenset(("a", "abbr", "b", "br", "code", "em", "i", "kbd", "output", "small", "span",
                     "strong", "sub", "sup", "time", "var"))
_VOID = frozenset(("br",))
_VERBATIM = frozenset(("code", "kbd", "samp", "var"))
_READ = r"aria-label|aria-description|title|placeholder|alt|data-head|data-say|summary"
_TOKEN = re.compile(
    r"(?P<comment>\{#.*?#\}|<!--.*?-->|<!doctype[^>]*>)"
    r"|(?P<raw><(script|style|svg|pre)\b(?:\{\{.*?\}\}|\{%.*?%\}|[^>])*>.*?</\3\s*>)"
    r"|(?P<block>\{%.*?%\})|(?P<value>\{\{.*?\}\})"
    r"|(?P<tag></?[a-zA-Z](?:\{\{.*?\}\}|\{%.*?%\}|\"(?:\{\{.*?\}\}|\{%.*?%\}|[^\"])*\"|[^>\"])*>)",
    re.DOTALL | re.IGNORECASE,
)
_ATTRIBUTE = re.compile(
    rf"(?<=\s)({_READ})=\"((?:\{{\{{.*?\}}\}}|\{{%.*?%\}}|[^\"])*)\"", re.DOTALL)
_INSIDE = re.compile(r"\{\{-?(.*?)-?\}\}", re.DOTALL)
_LETTER = re.compile(r"[^\W\d_]{2}|[^\W\d_]\b")
_NAME = re.compile(r"([a-z_][a-z0-9_]*)(?:\([^()]*\))?\s*(?:\|[^|]*)*$", re.IGNORECASE)
_HIDDEN = re.compile(r"\{%-?\s*block body_class")
_SPOKEN = re.compile(r"\bspoken\(\s*(\"(?:[^\"\\]|\\.)*\")")
_SPOKEN_N = re.compile(
    r"\bspokenN\(\s*(\"(?:[^\"\\]|\\.)*\"),\s*(\"(?:[^\"\\]|\\.)*\")")
_PLACE = re.compile(r"</?(\d+)>")


@dataclass(frozen=True, slots=True)
class _Token:
    kind: str
    text: str

    @property
    def name(self) -> str:
        """Return a tag's name, with a slash where it closes."""
        found = re.match(r"<(/?[a-zA-Z0-9]+)", self.text)
        return found[1].lower() if found else ""


class Sentences(Extension):
    """Makes messages of a template's text before Jinja compiles it."""

    def preprocess(self, source: str, name: str | None, filename: str | None = None) -> str:
        """Return the source with its text said through `rich` and `say`."""
        return _rewrite(source, [])


def sentences_of(source: str) -> list[str]:
    """Return the messages of a template, in their order."""
    found: list[str] = []
    _rewrite(source, found)
    return found


def script_messages(text: str) -> list[str | tuple[str, str]]:
    """Return the messages of a script: what it says by ``spoken("...")`` and ``spokenN``."""
    pairs = [(json.loads(one), json.loads(many)) for one, many in _SPOKEN_N.findall(text)]
    return [*(json.loads(one) for one in _SPOKEN.findall(text)), *pairs]


def rich(message: str, tags: list[str] | None = None, /, **values: object) -> Markup:
    """Return a message with the tags put back; what stands in its places is escaped."""
    return _tagged(Markup(say(message)), tags, values)  # nosec B704  (our own messages)


def rich_n(
    one: str, many: str, n: int, tags: list[str] | None = None, /, **values: object
) -> Markup:
    """Return the form of a message that fits a count, as `rich` does."""
    return _tagged(  # the messages are our own, what stands in their places is escaped
        Markup(form_of(one, many, n)), tags, {"n": n, **values})  # nosec B704


def _tagged(message: Markup, tags: list[str] | None, values: Mapping[str, object]) -> Markup:
    text = message.format(**values) if values else message
    if not tags:
        return text
    return Markup(_PLACE.sub(lambda found: _tag(found, tags), str(text)))  # nosec B704  (escaped)


def _tag(found: re.Match[str], tags: list[str]) -> str:
    opening = str(tags[int(found[1]) - 1])
    if not found[0].startswith("</"):
        return opening
    kind = re.match(r"<([a-zA-Z0-9]+)", opening)
    return f"</{kind[1] if kind else ''}>"


def _tokens(source: str) -> Iterator[_Token]:
    offset = 0
    for found in _TOKEN.finditer(source):
        if found.start() > offset:
            yield _Token("text", source[offset:found.start()])
        kind = next(k for k in ("comment", "raw", "block", "value", "tag") if found[k] is not None)
        yield _Token(kind, found[0])
        offset = found.end()
    if offset < len(source):
        yield _Token("text", source[offset:])


def _rewrite(source: str, found: list[str]) -> str:
    made: list[str] = []
    run: list[_Token] = []
    hidden = False
    for token in _tokens(source):
        if token.kind == "block":
            hidden = _HIDDEN.match(token.text) is not None
        inline = token.kind == "tag" and token.name.strip("/") in _INLINE and "{%" not in token.text
        if (token.kind in ("text", "value") or inline) and not hidden:
            run.append(token)
            continue
        made.append(_run(run, found))
        run = []
        made.append(_attributes(token.text, found) if token.kind == "tag" else token.text)
    made.append(_run(run, found))
    return "".join(made)


def _pieces(run: list[_Token]) -> list[list[_Token]]:
    """Part a run at the tags that have no partner in it."""
    open_at: list[int] = []
    alone: set[int] = set()
    for i, token in enumerate(run):
        if token.kind != "tag" or token.name in _VOID:
            continue
        if not token.name.startswith("/"):
            open_at.append(i)
        elif open_at and run[open_at[-1]].name == token.name[1:]:
            open_at.pop()
        else:
            alone.add(i)
    alone.update(open_at)
    parts: list[list[_Token]] = [[]]
    for i, token in enumerate(run):
        if i in alone:
            parts.extend([[token], []])
        else:
            parts[-1].append(token)
    return parts


def _run(run: list[_Token], found: list[str]) -> str:
    return "".join(_piece(piece, found) for piece in _pieces(run))


def _plain(piece: list[_Token], found: list[str]) -> str:
    return "".join(_attributes(t.text, found) if t.kind == "tag" else t.text for t in piece)


def _wrapped(piece: list[_Token]) -> bool:
    """Say whether the first tag of a piece closes with its last one."""
    if len(piece) < 2 or piece[0].kind != "tag" or piece[-1].name != f"/{piece[0].name}":
        return False
    depth = 0
    for i, token in enumerate(piece):
        if token.kind != "tag" or token.name in _VOID:
            continue
        depth += -1 if token.name.startswith("/") else 1
        if depth == 0:
            return i == len(piece) - 1
    return False


def _piece(piece: list[_Token], found: list[str]) -> str:
    """Return a balanced piece with its text said."""
    if not any(t.kind == "text" and _LETTER.search(_unquoted(t.text)) for t in piece):
        return _plain(piece, found)
    blank = [t.kind == "text" and not t.text.strip() for t in piece]
    if blank[0]:
        return piece[0].text + _piece(piece[1:], found)
    if blank[-1]:
        return _piece(piece[:-1], found) + piece[-1].text
    if _wrapped(piece):
        if piece[0].name in _VERBATIM:
            return _plain(piece, found)
        return (_attributes(piece[0].text, found) + _piece(piece[1:-1], found) + piece[-1].text)
    return _marked(piece, found)


def _unquoted(text: str) -> str:
    return re.sub(r"&[a-z]+;|&#\d+;", " ", text)


def _marked(piece: list[_Token], found: list[str]) -> str:
    whole = "".join(t.text for t in piece)
    message, names = "", _Names()
    tags: list[str] = []
    numbers: list[int] = []
    for token in piece:
        if token.kind == "text":
            message += token.text
        elif token.kind == "value":
            message += names.place(_INSIDE.fullmatch(token.text))
        elif token.name.startswith("/"):
            message += f"</{numbers.pop()}>"
        else:
            tags.append(_markup(_attributes(token.text, found)))
            message += f"<{len(tags)}>"
            if token.name not in _VOID:
                numbers.append(len(tags))
    head = message[: len(message) - len(message.lstrip())]
    tail = message[len(message.rstrip()):]
    message = " ".join(message.split())
    found.append(message)
    given = [f"[{', '.join(tags)}]"] if tags else []
    given += [f"{name}={code}" for name, code in names.given.items()]
    inside = "".join(", " + one for one in given)
    lines = "\n" * (whole.strip().count("\n") - inside.count("\n"))
    return f"{head}{{{{ rich({_quoted(message)}{inside}{lines}) }}}}{tail}"


class _Names:
    """Gives each expression of a message a place with a name."""

    def __init__(self) -> None:
        self.given: dict[str, str] = {}

    def place(self, found: re.Match[str] | None) -> str:
        code = found[1].strip() if found else ""
        word = _NAME.search(code)
        stem = word[1].strip("_").lower() if word else "what"
        if stem in ("true", "false", "none", "else", "if", ""):
            stem = "what"
        name, n = stem, 2
        while name in self.given and self.given[name] != f"({code})":
            name, n = f"{stem}_{n}", n + 1
        self.given[name] = f"({code})"
        return f"{{{name}}}"


def _markup(text: str) -> str:
    """Return a tag as an expression: its own letters safe, the expressions in it escaped."""
    parts, offset = [], 0
    for inside in _INSIDE.finditer(text):
        parts += [f"({_quoted(text[offset:inside.start()])}|safe)", f"({inside[1].strip()})"]
        offset = inside.end()
    return "(" + " ~ ".join([*parts, f"({_quoted(text[offset:])}|safe)"]) + ")"


def _attributes(tag: str, found: list[str]) -> str:
    return _ATTRIBUTE.sub(lambda one: _attribute(one, found), tag)


def _attribute(one: re.Match[str], found: list[str]) -> str:
    value = one[2]
    if "{%" in value or not _LETTER.search(_unquoted(_INSIDE.sub(" ", value))):
        return one[0]
    names = _Names()
    message = " ".join(_INSIDE.sub(names.place, value).split())
    found.append(message)
    inside = "".join(f", {name}={code}" for name, code in names.given.items())
    lines = "\n" * (value.count("\n") - inside.count("\n"))
    return f'{one[1]}="{{{{ say({_quoted(message)}{inside}{lines}) }}}}"'


def _quoted(text: str) -> str:
    return "'" + text.replace("\\", "\\\\").replace("'", "\\'").replace("\n", "\\n") + "'"
