"""A progress bar on stderr for anything that takes more than a second."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, TypedDict

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["progress_bar", "stage_bars"]


class _Where(TypedDict):
    console: Console
    transient: bool
    disable: bool


@contextmanager
def progress_bar(words: str) -> Iterator[Callable[[int, int, str], None]]:
    """Show a bar while the block runs; it is gone afterwards and silent where nobody watches.

    Parameters
    ----------
    words : str
        What is being done, three words or so.

    Yields
    ------
    callable
        To be told the number done, the number in all, and what is being worked on.
    """
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    with Progress(
        TextColumn("{task.description}"), BarColumn(bar_width=32), MofNCompleteColumn(),
        TimeRemainingColumn(), TextColumn("{task.fields[name]}"),
        **_where(),
    ) as bar:
        task = bar.add_task(words, total=None, name="")

        def tell(done: int, total: int, name: str) -> None:
            bar.update(task, completed=done, total=total, name=name[-32:])

        yield tell


@contextmanager
def stage_bars() -> Iterator[Callable[[str, int, int], None]]:
    """Show a bar for each stage of a work while the block runs.

    Yields
    ------
    callable
        To be told the stage, the number done and the number in all.
    """
    from rich.progress import Progress, TaskID

    with Progress(**_where()) as bar:
        tasks: dict[str, TaskID] = {}

        def step(what: str, done: int, total: int) -> None:
            if what not in tasks:
                tasks[what] = bar.add_task(what, total=total)
            bar.update(tasks[what], completed=done, total=total)

        yield step


def _where() -> _Where:
    """Bars stand on stderr and go when done; a file or pipe gets nothing of them, no empty line."""
    from rich.console import Console

    console = Console(stderr=True)
    return {"console": console, "transient": True, "disable": not console.is_terminal}
