"""`budvision backup`, `restore` and `move`: a season in another place."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from budvision.cli.progress import progress_bar
from budvision.cli.terminal import JsonOption, SeasonOption, say, show_json
from budvision.language import plain_count

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    app.command("backup")(backup)
    app.command("restore")(restore)
    app.command("move")(move)


def backup(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder of the backups, best on "
                                           "another disk.")],
    keep: Annotated[int, typer.Option(help="How many backups to keep; photographs stay.")] = 14,
    season: SeasonOption = Path(),
    as_json: JsonOption = False,
) -> None:
    """Back the season up while it is in use: only new photographs are copied, all is verified.

    Example: budvision backup /media/usb/winter
    """
    from budvision.store.session import Season
    from budvision.workflow.archive.backup import backup as work

    with Season.open(season) as opened, progress_bar("backing up") as step:
        report = work(opened, folder, keep=keep, progress=step)
    whole = not (report.missing or report.models or report.files)
    if as_json:
        show_json({"ok": whole} | report.as_dict())
    else:
        typer.echo(f"{report.folder}: backup {report.generation} is verified; "
                   f"{plain_count(report.n_photos, 'photograph')}, {report.n_new} of them new.")
        if report.n_repaired:
            say("Damaged in the backup and mended: "
                f"{plain_count(report.n_repaired, 'photograph')}.")
        if report.caution:
            say(report.caution)
        for sha256 in report.missing:
            say(f"photograph {sha256[:12]} is missing or damaged in the season; run "
                "`budvision check`.")
        for file in (*report.models, *report.files):
            say(f"{file} is missing or damaged in the season; run `budvision check`.")
    if not whole:
        raise typer.Exit(3)


def restore(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder of the backups.")],
    new: Annotated[Path, typer.Argument(metavar="NEW_SEASON", help="Folder of the season to be "
                                        "made.")],
    generation: Annotated[str | None, typer.Option(
        metavar="NAME", help="Which backup; the newest when left out.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Make a season from a backup, every row and photograph verified, its answers compared.

    Example: budvision restore /media/usb/winter winter-again
    """
    from budvision.workflow.archive.restore import restore as work

    with progress_bar("restoring") as step:
        report = work(folder, new, generation=generation, progress=step)
    if as_json:
        show_json({"ok": not report.missing} | report.as_dict())
    else:
        typer.echo(f"{report.folder} is the season of {report.generation}: "
                   f"{plain_count(report.n_photos, 'photograph')}, every row verified, the "
                   + ("answers as they were." if report.answers_compared == "all" else
                      "counts as they were; intervals come from another rule now."))
        for sha256 in report.missing:
            say(f"photograph {sha256[:12]} is not in this backup; take its original in again with "
                "`budvision intake`.")
    if report.missing:
        raise typer.Exit(3)


def move(
    folder: Annotated[Path, typer.Argument(metavar="NEW_SEASON", help="Folder of the new season.")],
    database: Annotated[str | None, typer.Option(
        metavar="URL", help="PostgreSQL address, postgresql://user@host/name; without it the new "
        "season keeps its own file.")] = None,
    photos: Annotated[str | None, typer.Option(
        metavar="PLACE", help="Folder or object store for the photographs that all stations "
        "reach; the season's own when left out.")] = None,
    season: SeasonOption = Path(),
    as_json: JsonOption = False,
) -> None:
    """Make an equal season in another place: on a server, or back on a laptop. The old one stays.

    All rows, all bytes and equal answers are verified. Nobody should work meanwhile.

    Example: budvision move server-season --database postgresql://lab@db.example/winter
    """
    from budvision.store.session import Season
    from budvision.workflow.archive.move import move as work

    with Season.open(season) as opened, progress_bar("moving") as step:
        report = work(opened, folder, database_url=database, photos=photos, progress=step)
    if as_json:
        show_json({"ok": True} | report.as_dict())
    else:
        typer.echo(f"{report.folder} is an equal season now: {plain_count(report.n_rows, 'row')}, "
                   f"{plain_count(report.n_photos, 'photograph')}, "
                   f"{plain_count(report.n_files, 'file')}. Work there from now "
                   "on; this one stays as it is.")
        if report.n_jobs:
            say("Long work stays in the old queue and is not done in the new season: "
                f"{plain_count(report.n_jobs, 'job')}.")
        for file in (*report.models, *report.files):
            say(f"{file} is missing or damaged in both; run `budvision check`.")
