"""The `budvision` command: collects the groups, and turns errors into text and exit codes.

Exit codes: 0 done, 1 unexpected, 2 usage, 3 some input could not be used, 4 nothing to do,
5 failed verification, 6 waiting for a person's confirmation, 141 output closed by its reader.
"""

from __future__ import annotations

import gc
import io
import os
import sys
from typing import Annotated

import typer

from budvision.cli import (
    advise,
    archive,
    backup,
    bud,
    calls,
    crop,
    demo,
    intake,
    jobs,
    models,
    paper,
    plan,
    propose,
    recipes,
    report,
    season,
    season_after,
    serve,
    station,
    tally,
    train,
    watch,
    wood,
)
from budvision.cli.helped import speak_plainly
from budvision.cli.terminal import Door
from budvision.errors import BudvisionError
from budvision.version import __version__

__all__ = ["app", "run"]

CLOSED_PIPE = 141
"""As POSIX shells report a command that SIGPIPE ended: it says neither done nor a bug."""

app = typer.Typer(
    name="budvision",
    help="From photographs of cut grapevine buds to confirmed calls and nodes to retain.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    cls=Door,
    rich_markup_mode=None,
)


def _show_version(value: bool) -> None:
    if value:
        typer.echo(f"budvision {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    debug: Annotated[
        bool, typer.Option("--debug", help="Show the traceback of an unexpected error.")
    ] = False,
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    """Take the options that stand before a command."""
    if debug:
        os.environ["BUDVISION_DEBUG"] = "1"


for _group in (  # in the order of --help
    season, intake, calls, bud, demo, plan, paper, watch, serve, propose, tally, advise, crop,
    season_after, wood, station, report, archive, backup, models, train, jobs,
    recipes,
):
    _group.register(app)
speak_plainly(app)


def _only_names() -> None:
    """Leave out every command's options: the first page of help shows none, and they take long."""
    for command in app.registered_commands:
        assert command.callback is not None
        doc = command.callback.__doc__
        command.name = command.name or command.callback.__name__.replace("_", "-")
        command.callback = lambda: None
        command.callback.__doc__ = doc
    for group in app.registered_groups:
        assert group.typer_instance is not None
        group.typer_instance.registered_commands.clear()
        group.typer_instance.registered_groups.clear()


def run() -> None:
    """Run the command line; print errors in their one form and exit with their code."""
    _speak_utf8()
    gc.set_threshold(100_000, 20, 20)   # a season's answers are many small things that stay
    if sys.argv[1:] in ([], ["--help"]) and "_BUDVISION_COMPLETE" not in os.environ:
        _only_names()
    try:
        app()
    except BudvisionError as error:
        if os.environ.get("BUDVISION_DEBUG"):
            raise
        typer.echo(f"budvision: {error}", err=True)
        sys.exit(error.exit_code)
    except SystemExit as end:
        if isinstance(end.__context__, BrokenPipeError):    # Typer ends with 1, which is for bugs
            sys.exit(CLOSED_PIPE)
        raise
    except Exception as error:
        if os.environ.get("BUDVISION_DEBUG"):
            raise
        typer.echo(
            f"budvision: unexpected {type(error).__name__}: {error}. "
            "Run again with `budvision --debug ...` and send the text to the maintainers.",
            err=True,
        )
        sys.exit(1)


def _speak_utf8() -> None:
    """Write UTF-8 to files and pipes whatever the system's code page; a terminal gets `?`."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and "utf" not in stream.encoding.lower():
            if stream.isatty():
                stream.reconfigure(errors="replace")
            else:
                stream.reconfigure(encoding="utf-8")


if __name__ == "__main__":
    run()
