"""`budvision jobs`: long work in the season's one queue, asked for by page or here."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from budvision.cli.terminal import JsonOption, SeasonOption, say, show_json

__all__ = ["register"]

_jobs = typer.Typer(no_args_is_help=True, help="Long work in one queue: list, ask, cancel, run.")


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    app.add_typer(_jobs, name="jobs")


@_jobs.command("list")
def show(season: SeasonOption = Path(), as_json: JsonOption = False) -> None:
    """Say what runs, waits and was done last.

    Example: budvision jobs list
    """
    from budvision.store.queries.jobs import list_jobs
    from budvision.store.session import Season

    with Season.open(season) as opened, opened.read() as conn:
        rows = list_jobs(conn, most=20)
    if as_json:
        show_json({"ok": True, "jobs": [
            {"id": row.id, "kind": row.kind, "by": row.asked_by, "state": row.state,
             "what": row.what, "done": row.n_done, "total": row.n_total, "text": row.text,
             "model": row.model, "at": row.changed_at} for row in rows]})
        return
    for row in rows:
        far = f", {row.what} {row.n_done} of {row.n_total}" if row.open and row.n_total else ""
        typer.echo(f"{row.id}  {row.kind}  {row.state}{far}  asked for by {row.asked_by}  "
                   f"{row.changed_at[:16]}Z")
        if row.text:
            typer.echo(f"   {row.text}")
    if not rows:
        say("Nothing was asked for yet.")


@_jobs.command("add")
def add(
    kind: Annotated[str, typer.Argument(
        metavar="KIND", help="train, look-again, check, backup or archive.")],
    by: Annotated[str, typer.Option(metavar="NAME", help="Who asks.")],
    folder: Annotated[Path | None, typer.Option(
        help="Where a backup or an archive is written.")] = None,
    whole: Annotated[bool, typer.Option(
        "--whole", help="An archive with names and private metadata.")] = False,
    season: SeasonOption = Path(),
    as_json: JsonOption = False,
) -> None:
    """Put work at the end of the queue; `jobs run`, or the pages while they are served, do it.

    Example: budvision jobs add backup --folder /media/usb/winter --by "Maren Holt"
    """
    from budvision.errors import NothingToDoError, UsageError
    from budvision.store.session import Season
    from budvision.workflow.jobs.queue import submit

    with_folder = ("backup", "archive")
    if kind not in ("train", "look-again", "check", *with_folder) or (
            folder is None) == (kind in with_folder):
        raise UsageError(
            f"the job is {kind} {'without' if folder is None else 'with'} a folder", where="jobs",
            expected="train, look-again or check; backup or archive with --folder",
            do="Photographs are taken in by `budvision intake`.")
    asked = {} if folder is None else {"folder": str(folder.absolute()), "whole": whole}
    with Season.open(season) as opened:
        number = submit(opened, kind, asked, by=by)
        if number is None:
            raise NothingToDoError(f"a job {kind} waits or runs already", where="jobs",
                                   do="See `budvision jobs list`.")
    if as_json:
        show_json({"ok": True, "id": number})
    else:
        typer.echo(f"Job {number} waits. `budvision jobs run` or the pages do it.")


@_jobs.command("cancel")
def cancel(
    number: Annotated[int, typer.Argument(help="Its number in `jobs list`.")],
    season: SeasonOption = Path(),
    as_json: JsonOption = False,
) -> None:
    """Cancel work that waits, or stop it at its next step; what was done by then stays.

    Example: budvision jobs cancel 3
    """
    from budvision.store.session import Season
    from budvision.workflow.jobs.queue import cancel as work

    with Season.open(season) as opened:
        state = work(opened, number)
    if as_json:
        show_json({"ok": True, "state": state})
    else:
        typer.echo("It stops at its next step." if state == "stopping" else "It is cancelled.")


@_jobs.command("run")
def run(season: SeasonOption = Path()) -> None:
    """Do what waits in the queue, without pages, until nothing is left.

    Exit code 3 where something of it failed.

    Example: budvision jobs run --season winter
    """
    from budvision.photo import workers
    from budvision.store.session import Season
    from budvision.workflow.jobs.queue import Runner

    with Season.open(season) as opened:
        runner = Runner(opened)
        n = runner.work()
    workers.close()
    say(f"{n} {'job was' if n == 1 else 'jobs were'} worked on; see `budvision jobs list`.")
    if runner.failed:
        say(f"Failed: {', '.join(f'job {number}' for number in runner.failed)}.")
        raise typer.Exit(3)
