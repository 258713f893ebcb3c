"""`budvision sort` and `budvision watch`: photographs that came without the bench page."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from budvision.cli.progress import stage_bars
from budvision.cli.terminal import JsonOption, SeasonOption, say, show_json
from budvision.language import plain_count

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    app.command("sort")(sort)
    app.command("watch")(watch)


def sort(
    sources: Annotated[list[Path], typer.Argument(
        metavar="FILES_OR_FOLDERS", help="Photographs in the order they were taken, for instance a "
        "camera card; each cane begins with a picture of its tag.")],
    season: SeasonOption = Path(),
    as_json: JsonOption = False,
) -> None:
    """Sort photographs by the cane tags they show; what is doubtful waits on the assignment page.

    Several cuts of one bud are told apart by the gaps of time, or by turning the photo card over
    between buds and photographing its back.

    Example: budvision sort /media/card/DCIM
    """
    from budvision.store.session import Season
    from budvision.workflow.intake.sorting import sort_files

    with Season.open(season) as opened, stage_bars() as step:
        report = sort_files(
            opened, sources, progress=lambda done, total: step("reading", done, total))
    if as_json:
        show_json(report.as_dict())
    else:
        typer.echo(f"{plain_count(report.n_placed, 'photograph')} placed, {report.n_known} "
                   f"already in place, "
                   f"{plain_count(report.n_markers, 'picture')} of tags.")
        for row in report.doubtful:
            typer.echo(f"doubtful, cane {row['cane'] or '?'}: {row['why']} "
                       f"({row['files'][0]} to {row['files'][-1]}). Place them on the "
                       "assignment page.")
    for error in report.refused:
        typer.echo(f"budvision: {error['where']}: {error['what']}. {error['do']}", err=True)
    if report.refused or report.doubtful:
        raise typer.Exit(3)
    if not (report.n_placed or report.n_known or report.n_markers):
        raise typer.Exit(4)


def watch(
    folder: Annotated[Path, typer.Argument(
        help="Folder that the microscope program saves into.")],
    season: SeasonOption = Path(),
) -> None:
    """Watch a folder and sort each cane's photographs as they are saved; stop with Ctrl-C.

    Example: budvision watch ~/Pictures/microscope
    """
    from budvision.store.session import Season
    from budvision.workflow.intake.watch import watch_folder

    refused = False
    with Season.open(season) as opened:
        arrivals = watch_folder(opened, folder)
        say(f"Watching {folder}. Photograph each cane's tag first. Ctrl-C ends it.")
        try:
            for arrival in arrivals:
                refused = refused or arrival.kind in ("refused", "doubtful")
                typer.echo(f"{arrival.kind}: {arrival.words}")
        except KeyboardInterrupt:
            arrivals.close()            # sorts the last cane
    if refused:
        raise typer.Exit(3)
