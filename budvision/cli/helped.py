"""How help is written: plain words for kinds, sentences whole, examples that can be copied."""

from __future__ import annotations

import re
from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup

__all__ = ["HelpedGroup", "speak_plainly"]

_KIND = re.compile(r"<(list\[)?([A-Za-z ]+)\]?>")
_KINDS = {"str": "text", "int": "number", "int range": "number", "float": "number",
          "float range": "number", "Path": "path", "datetime": "time"}


class _Plainly:
    """A formatter over the library's own."""

    width: int
    current_indent: int

    def write_dl(self, rows: list[tuple[str, str]], *given: Any, **named: Any) -> None:
        """Write names and what they mean, the kind of a value in a plain word."""
        plain = [(_KIND.sub(_word, name), meaning) for name, meaning in rows]
        super().write_dl(plain, *given, **named)  # type: ignore[misc]

    def write_text(self, text: str) -> None:
        """Write paragraphs; an example breaks between its words only, as a shell reads it."""
        before, found, example = text.partition("Example: ")
        if before.strip():
            super().write_text(before.rstrip())  # type: ignore[misc]
        if not found:
            return
        if before.strip():
            self.write("\n")  # type: ignore[attr-defined]
        indent = " " * self.current_indent
        lines = [f"{indent}{found.rstrip()}"]
        for word in re.findall(r'(?:"[^"]*"|\S)+', example):
            if len(lines[-1]) + len(word) + 3 > self.width:
                lines[-1] += " \\"
                lines.append(f"{indent}   ")
            lines[-1] += f" {word}"
        self.write("\n".join(lines) + "\n")  # type: ignore[attr-defined]


def _word(kind: re.Match[str]) -> str:
    return f"<{_KINDS.get(kind[2], kind[2])}>{'...' if kind[1] else ''}"


def _prepare(ctx: Any) -> None:
    ctx.formatter_class = type("Plainly", (_Plainly, ctx.formatter_class), {})


class _Helped(TyperCommand):
    """A command whose help is written plainly."""

    def get_help(self, ctx: Any) -> str:
        """Return the help."""
        _prepare(ctx)
        return super().get_help(ctx)


class HelpedGroup(TyperGroup):
    """A group of commands whose help is written plainly, each command's first sentence whole."""

    def get_help(self, ctx: Any) -> str:
        """Return the help."""
        _prepare(ctx)
        return super().get_help(ctx)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write every command with its first sentence."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, self.commands[name].get_short_help_str(limit=400))
                                for name in self.list_commands(ctx)])


def speak_plainly(app: typer.Typer) -> None:
    """Have every command and group of an application write its help plainly."""
    for command in app.registered_commands:
        command.cls = _Helped
    for group in app.registered_groups:
        assert group.typer_instance is not None
        group.cls = HelpedGroup
        speak_plainly(group.typer_instance)
