"""What the season's commands share: the season option, errors as JSON, talk on stderr."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable, Mapping
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from budvision.cli.helped import HelpedGroup
from budvision.errors import BudvisionError, UsageError

if TYPE_CHECKING:
    from rich.console import Console

    from budvision.store.session import Season

__all__ = ["WIDE", "ClusterOption", "Door", "JsonOption", "SeasonOption", "person_id_of",
           "results_console", "say", "show_json", "show_json_rows"]

WIDE = 95
"""Columns from which tables keep their heads on one line and show intervals to scale."""
_ASKED, _PATH = "budvision.json", "budvision.path"
_WRONG_WORDS: Any = typer.BadParameter.__base__   # the command line's own usage error
_printed: ContextVar[bool] = ContextVar("printed", default=False)

SeasonOption = Annotated[
    Path, typer.Option("--season", help="Season folder; the working directory when left out.")
]
ClusterOption = Annotated[str, typer.Option(
    "--cluster", metavar="ADDRESS", help="A Dask scheduler whose workers look at the photographs; "
    "`local` starts one here.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON for scripts.")]


def show_json(value: object) -> None:
    """Print a value as JSON on stdout."""
    _printed.set(True)
    typer.echo(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def show_json_rows(name: str, rows: Iterable[object], beside: Mapping[str, object]) -> None:
    """Print an object as JSON on stdout, the rows of its longest list a line each as they come."""
    _printed.set(True)
    encode = json.JSONEncoder(ensure_ascii=False, allow_nan=False).encode
    write = sys.stdout.write
    write(f"{{{encode(name)}: [")
    for number, row in enumerate(rows):
        write((",\n" if number else "\n") + encode(row))
    write("\n]")
    for key, value in beside.items():
        write(f",\n{encode(key)}: {encode(value)}")
    write("}\n")


def results_console() -> Console:
    """Return what tables are printed on: as wide as the terminal, in a file or pipe 100 columns."""
    from rich.console import Console

    console = Console(file=sys.stdout)
    if not console.is_terminal and "COLUMNS" not in os.environ:
        console.width = 100
    return console


def say(text: str) -> None:
    """Tell a person something, on stderr."""
    typer.echo(text, err=True)


def person_id_of(season: Season, name: str) -> int:
    """Return the number of the person of that name, made known to the season where new."""
    from budvision.store.queries.people import ensure_person

    with season.write() as conn:
        return ensure_person(conn, name).id


class Door(HelpedGroup):
    """The way into every command: with --json an error is one JSON object on stdout too.

    The text on stderr and the exit code are those without --json. An error that names no place
    gets the command's. What has printed its result already, and fails then, prints no second
    object.
    """

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Remember whether JSON was asked for, whatever command reads it."""
        command: Any = self
        path: list[str] = []
        for word in args:
            if word in getattr(command, "commands", {}):
                command = command.commands[word]
                path.append(word)
        ctx.meta.update({_ASKED: "--json" in args, _PATH: " ".join(path)})
        return super().parse_args(ctx, args)

    def invoke(self, ctx: Any) -> Any:
        """Run the command; raises as it does."""
        _printed.set(False)
        try:
            return super().invoke(ctx)
        except (typer.Exit, typer.Abort, BrokenPipeError):
            raise
        except Exception as error:
            if isinstance(error, BudvisionError):
                error.where = error.where or ctx.meta[_PATH]
            if ctx.meta[_ASKED] and not _printed.get():
                show_json(_told(error).as_dict())
            raise


def _told(error: Exception) -> BudvisionError:
    """Return any error in the house's form."""
    if isinstance(error, BudvisionError):
        return error
    if isinstance(error, _WRONG_WORDS):
        path = error.ctx.command_path if error.ctx is not None else "budvision"
        return UsageError(error.format_message().rstrip("."), where=path,
                          expected="the options and arguments of its help",
                          do=f"Run `{path} --help`.")
    return BudvisionError(
        f"unexpected {type(error).__name__}: {error}", code="unexpected",
        do="Run again with `budvision --debug ...` and send the text to the maintainers.")
