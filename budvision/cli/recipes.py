"""`budvision recipes`: files with which to start a server, or to work on a batch system."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command("recipes")(recipes)


def recipes(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Where to write them.")],
) -> None:
    """Write recipes for a server in containers and for a batch system; its README says how.

    Example: budvision recipes server
    """
    from budvision.recipes import write_recipes

    for path in write_recipes(folder):
        typer.echo(path)
