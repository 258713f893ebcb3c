"""`budvision train` and what follows it under `budvision models`: compare, promote, go back."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

__all__ = ["register"]

SeasonOption = Annotated[
    Path, typer.Option("--season", help="Season folder; the working directory when left out.")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the report as JSON.")]


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    app.command("train")(train)


@contextmanager
def _progress() -> Iterator[Callable[[str, int, int], None]]:
    from rich.console import Console
    from rich.progress import Progress, TaskID

    with Progress(console=Console(stderr=True), transient=True) as bar:
        tasks: dict[str, TaskID] = {}

        def step(what: str, done: int, total: int) -> None:
            if what not in tasks:
                tasks[what] = bar.add_task(what, total=total)
            bar.update(tasks[what], completed=done, total=total)

        yield step


def train(
    season: SeasonOption = Path(),
    base: Annotated[str | None, typer.Option(
        help="Model to start from; the default model when left out.")] = None,
    bag: Annotated[list[Path] | None, typer.Option(
        help="Archive to learn from as well; once for each.")] = None,
    json: JsonOption = False,
) -> None:
    """Train a model on the season's confirmed calls. It proposes only once it is promoted."""
    import json as text

    from budvision.store.session import Season
    from budvision.workflow.train import train as run

    with Season.open(season) as opened, _progress() as step:
        report = run(opened, base=base, bags=bag or [], progress=step)
    if json:
        typer.echo(text.dumps(report.as_dict()))
        return
    scores = report.metrics["canes_left_out"]
    typer.echo(f"{report.model}: {report.metrics['why']}")
    for name in ("base", "tuned"):
        score = scores[name]
        right = "-" if score["accuracy"] is None else f"{score['accuracy']:.1%}"
        typer.echo(f"  {name}: {right} right among the {score['called']:.1%} called, "
                   f"{score['n']} tissues, canes left out in turn")
    if report.metrics["likely_slips"]:
        typer.echo(f"{report.metrics['likely_slips']} calls look like slips of the hand; "
                   "see `budvision models slips`.", err=True)
    typer.echo(f"{report.path}\nCompare it with `budvision models compare {report.model}`; "
               "nothing changes until a person promotes it.", err=True)
