"""What the season's commands share: the season option, progress on stderr, errors as JSON."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from budvision.errors import BudvisionError

__all__ = ["JsonOption", "SeasonOption", "json_errors", "progress", "say", "show_json"]

SeasonOption = Annotated[
    Path, typer.Option("--season", help="Season folder; the working directory when left out.")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON for scripts.")]


def show_json(value: object) -> None:
    """Print a value as JSON on stdout."""
    typer.echo(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def say(text: str) -> None:
    """Tell a person something, on stderr."""
    typer.echo(text, err=True)


@contextmanager
def json_errors(as_json: bool) -> Iterator[None]:
    """Print an error as JSON on stdout too, where JSON was asked for."""
    try:
        yield
    except BudvisionError as error:
        if as_json:
            show_json(error.as_dict())
        raise


@contextmanager
def progress(words: str) -> Iterator[Callable[[int, int, str], None]]:
    """Show a bar on stderr; the callable takes the number done, the number in all, and a name."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
    from rich.progress import TimeRemainingColumn as Remaining

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), Remaining(),
               TextColumn("{task.fields[name]}", markup=False))
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(words, total=None, name="")

        def step(done: int, total: int, name: str) -> None:
            bar.update(task, completed=done, total=total, name=name[-40:])

        yield step
