"""What the season's commands share: the season option, errors as JSON, talk on stderr."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from budvision.errors import BudvisionError

if TYPE_CHECKING:
    from budvision.store.session import Season

__all__ = ["JsonOption", "SeasonOption", "json_errors", "person_id_of", "say", "show_json",
           "show_json_rows"]

SeasonOption = Annotated[
    Path, typer.Option("--season", help="Season folder; the working directory when left out.")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON for scripts.")]


def show_json(value: object) -> None:
    """Print a value as JSON on stdout."""
    typer.echo(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def show_json_rows(name: str, rows: Iterable[object], beside: Mapping[str, object]) -> None:
    """Print an object as JSON on stdout, the rows of its longest list a line each as they come."""
    encode = json.JSONEncoder(ensure_ascii=False, allow_nan=False).encode
    write = sys.stdout.write
    write(f"{{{encode(name)}: [")
    for number, row in enumerate(rows):
        write((",\n" if number else "\n") + encode(row))
    write("\n]")
    for key, value in beside.items():
        write(f",\n{encode(key)}: {encode(value)}")
    write("}\n")


def say(text: str) -> None:
    """Tell a person something, on stderr."""
    typer.echo(text, err=True)


def person_id_of(season: Season, name: str) -> int:
    """Return the number of the person of that name, made known to the season where new."""
    from budvision.store.queries.people import ensure_person

    with season.write() as conn:
        return ensure_person(conn, name).id


@contextmanager
def json_errors(as_json: bool) -> Iterator[None]:
    """Print an error as JSON on stdout too, where JSON was asked for."""
    try:
        yield
    except BudvisionError as error:
        if as_json:
            show_json(error.as_dict())
        raise
