"""`budvision people` and `budvision serve` from the terminal."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner
from werkzeug.security import check_password_hash

from budvision.cli.main import app
from budvision.errors import ConflictError, InputError, NotFoundError, UsageError
from budvision.store.queries import people
from budvision.store.session import Season
from budvision.web.serving import serve_season

WORDS = "four plain words here"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    Season.create(tmp_path / "winter").close()
    return tmp_path / "winter"


def run(folder: Path, *words: str, typed: str = "") -> str:
    result = CliRunner().invoke(
        app, ["people", *words, "--season", str(folder)], input=typed,
    )
    if result.exception and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result.stdout


def test_add_asks_for_a_password_twice_and_keeps_its_hash(folder: Path) -> None:
    run(folder, "add", "Ilse Brandl", "--role", "lead", typed=f"{WORDS}\n{WORDS}\n")
    with Season.open(folder) as season, season.read() as conn:
        (one,) = people.list_people(conn)
    assert (one.name, one.role, one.active) == ("Ilse Brandl", "lead", True)
    assert one.password_hash is not None
    assert WORDS not in one.password_hash
    assert check_password_hash(one.password_hash, WORDS)


def test_two_different_passwords_add_nobody(folder: Path) -> None:
    with pytest.raises(UsageError, match="the two passwords differ"):
        run(folder, "add", "Ilse", typed=f"{WORDS}\nother words here\n")
    assert run(folder, "list") == "name  role  password  active\n"


def test_where_no_password_can_be_typed_the_error_says_so_and_is_no_bug(folder: Path) -> None:
    with pytest.raises(UsageError, match="no password was typed; expected the same password"):
        run(folder, "add", "Ilse")
    listed = CliRunner().invoke(app, ["people", "list", "--season", str(folder)])
    assert "Nobody is in the season yet" in listed.stderr
    run(folder, "add", "Ilse", "--no-password")
    assert json.loads(run(folder, "list", "--json")) == {"people": [
        {"name": "Ilse", "role": "reviewer", "password": False, "active": True}]}


@pytest.mark.slow
def test_list_close_open_and_password(folder: Path) -> None:
    run(folder, "add", "Tom Reyes", "--no-password")
    assert run(folder, "list").splitlines()[1] == "Tom Reyes  reviewer  none      yes"
    run(folder, "close", "tom reyes")
    run(folder, "password", "Tom Reyes", typed=f"{WORDS}\n{WORDS}\n")
    assert run(folder, "list").splitlines()[1] == "Tom Reyes  reviewer  set       no"
    run(folder, "open", "Tom Reyes")
    assert run(folder, "list").splitlines()[1].endswith("yes")


@pytest.mark.slow
def test_names_and_roles_are_checked(folder: Path) -> None:
    run(folder, "add", "Tom Reyes", "--no-password")
    with pytest.raises(ConflictError, match="Tom Reyes is there already"):
        run(folder, "add", "tom  reyes", "--no-password")
    with pytest.raises(InputError, match="the role is 'boss'"):
        run(folder, "add", "Ann", "--role", "boss", "--no-password")
    with pytest.raises(NotFoundError, match="there is nobody called Ann"):
        run(folder, "close", "Ann")


def test_a_busy_port_is_told_of(folder: Path) -> None:
    import socket

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(UsageError, match=f"port {port} cannot be listened on"):
            serve_season(folder, port=port)


def test_a_network_needs_names(folder: Path) -> None:
    with pytest.raises(UsageError, match="no host name is given"):
        serve_season(folder, host="0.0.0.0", port=0)


@pytest.mark.slow
def test_a_role_can_be_changed(folder: Path) -> None:
    run(folder, "add", "Tom Reyes", "--no-password")
    run(folder, "role", "tom reyes", "lead")
    assert run(folder, "list").splitlines()[1] == "Tom Reyes  lead  none      yes"
    with pytest.raises(InputError, match="the role is 'boss'"):
        run(folder, "role", "Tom Reyes", "boss")
    with pytest.raises(NotFoundError, match="nobody called Eva"):
        run(folder, "role", "Eva", "lead")
