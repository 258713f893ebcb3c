"""`budvision serve` and `budvision people`: the pages, and who may use them."""

from __future__ import annotations

import gc
from pathlib import Path
from typing import Annotated

import typer

from budvision.cli.terminal import JsonOption, SeasonOption, say, show_json
from budvision.errors import UsageError

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    app.command("serve")(serve)
    people = typer.Typer(help="Who works in the season.", no_args_is_help=True)
    people.command("add")(people_add)
    people.command("list")(people_list)
    people.command("role")(people_role)
    people.command("password")(people_password)
    people.command("close")(people_close)
    people.command("open")(people_open)
    app.add_typer(people, name="people")


def serve(
    season: SeasonOption = Path(),
    host: Annotated[str, typer.Option(
        help="Address to listen on; anything but loopback makes people log in.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port; 0 takes a free one.")] = 8765,
    name: Annotated[list[str] | None, typer.Option(
        help="Host name by which browsers reach this machine; once for each.")] = None,
    https: Annotated[bool, typer.Option(
        "--https", help="A proxy in front speaks HTTPS.")] = False,
    own_certificate: Annotated[bool, typer.Option(
        "--own-certificate", help="Speak HTTPS with a certificate made here, for the names given: "
        "phones on the lab's network may then use their camera.")] = False,
    browser: Annotated[bool, typer.Option(
        "--browser/--no-browser", help="Open the first page in the browser.")] = False,
    log: Annotated[str, typer.Option(
        help="File for a line of JSON a request and a slow query, without names; - for stderr."
    )] = "",
    slow_query_ms: Annotated[float, typer.Option(
        min=0, help="Milliseconds from which a query is slow.")] = 500,
) -> None:
    """Serve the pages of a season; where there is none yet, the page that makes it.

    Example: budvision serve --season winter-2026 --browser
    """
    gc.disable()  # nothing of what is imported can go: looking for it costs a tenth of the start
    from budvision.web.serving import serve_season

    gc.freeze()
    gc.enable()

    def ready(address: str) -> None:
        say(f"Open {address}  (stop with Ctrl+C)")
        network = name or not host.startswith(("127.", "localhost", "::1"))
        if network and not (https or own_certificate):
            typer.echo(
                "Passwords travel unencrypted over plain HTTP. Add --own-certificate, "
                "or put an HTTPS proxy in front and add --https.", err=True,
            )

    serve_season(
        season, host=host, port=port, hosts=tuple(name or ()), https=https, own=own_certificate,
        open_browser=browser, log=log, slow_query_ms=slow_query_ms, ready=ready,
    )


def people_add(
    name: Annotated[str, typer.Argument(help="Name under which calls are kept.")],
    role: Annotated[str, typer.Option(help="technician, reviewer or lead.")] = "reviewer",
    password: Annotated[bool, typer.Option(
        "--password/--no-password", help="Ask for a password, for log-in over a network.")] = True,
    season: SeasonOption = Path(),
) -> None:
    """Add a person, asking for a password twice.

    Example: budvision people add "Ada Quill" --role reviewer
    """
    from budvision.store.queries import people
    from budvision.store.session import Season

    hashed = _ask_password() if password else None
    with Season.open(season) as opened, opened.write() as conn:
        person = people.add_person(conn, name, role, password_hash=hashed)
    say(f"{person.name} was added as {person.role}.")


def people_list(season: SeasonOption = Path(), as_json: JsonOption = False) -> None:
    """List the people of the season.

    Example: budvision people list
    """
    from rich.cells import cell_len, set_cell_size

    from budvision.store.queries import people
    from budvision.store.session import Season

    with Season.open(season) as opened, opened.read() as conn:
        rows = people.list_people(conn)
    if as_json:
        show_json({"people": [
            {"name": row.name, "role": row.role, "password": row.password_hash is not None,
             "active": row.active} for row in rows]})
        return
    if not rows:
        say("Nobody is in the season yet. `budvision people add` adds somebody; at this machine "
            "the pages ask for a name.")
    table = [("name", "role", "password", "active"), *(
        (row.name, row.role, "set" if row.password_hash else "none", "yes" if row.active else "no")
        for row in rows)]
    widths = [max(map(cell_len, column)) for column in zip(*table, strict=True)]
    for line in table:
        typer.echo("  ".join(map(set_cell_size, line, widths)).rstrip())


def people_role(
    name: Annotated[str, typer.Argument(help="Whose role.")],
    role: Annotated[str, typer.Argument(help="technician, reviewer or lead.")],
    season: SeasonOption = Path(),
) -> None:
    """Change what a person may do: technician, reviewer or lead.

    Example: budvision people role "Ada Quill" lead
    """
    from budvision.store.queries import people
    from budvision.store.session import Season

    with Season.open(season) as opened, opened.write() as conn:
        person = people.set_role(conn, name, role)
    say(f"{person.name} is {person.role} now.")


def people_password(
    name: Annotated[str, typer.Argument(help="Whose password.")], season: SeasonOption = Path()
) -> None:
    """Replace a person's password; open visits end.

    Example: budvision people password "Ada Quill"
    """
    from budvision.store.queries import people
    from budvision.store.session import Season

    hashed = _ask_password()
    with Season.open(season) as opened, opened.write() as conn:
        people.set_password_hash(conn, name, hashed)
    say(f"{name} has a new password.")


def people_close(
    name: Annotated[str, typer.Argument(help="Who.")], season: SeasonOption = Path()
) -> None:
    """Close the season to a person; their calls stay.

    `budvision people open` opens it again.

    Example: budvision people close "Ada Quill"
    """
    _set_active(season, name, False)


def people_open(
    name: Annotated[str, typer.Argument(help="Who.")], season: SeasonOption = Path()
) -> None:
    """Open the season to a person again.

    Example: budvision people open "Ada Quill"
    """
    _set_active(season, name, True)


def _set_active(season: Path, name: str, active: bool) -> None:
    from budvision.store.queries import people
    from budvision.store.session import Season

    with Season.open(season) as opened, opened.write() as conn:
        person = people.set_active(conn, name, active)
    say(f"The season is {'open' if active else 'closed'} to {person.name}.")


def _ask_password() -> str:
    from budvision.web.people import hash_password

    try:
        first = typer.prompt("Password", hide_input=True, err=True)
        again = typer.prompt("Again", hide_input=True, err=True)
    except typer.Abort as error:
        raise UsageError("no password was typed", expected="the same password twice",
                         do="Run the command again in a terminal; nothing was changed.") from error
    if first != again:
        raise UsageError("the two passwords differ", do="Run the command again.")
    return hash_password(first)
