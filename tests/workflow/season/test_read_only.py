"""A season on a disk that may not be written: everything that only reads works, nothing is left."""

from __future__ import annotations

import errno
import json
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import text
from typer.testing import CliRunner

from budvision.archive import signature
from budvision.cli.main import app
from budvision.errors import DamagedError, StorageError
from budvision.store import migrations, session
from budvision.store.session import Season
from budvision.web import create_app, guard
from budvision.workflow.intake.intake import intake
from budvision.workflow.review.calls_table import import_calls

CALLS = "block,cane,node,primary,secondary,tertiary\nLarch,1,1,dead,live,live\nLarch,1,2,live,,\n"


@pytest.fixture
def folder(season: Season, jpeg: Callable[..., bytes], tmp_path: Path) -> Path:
    """A season with a photograph and calls, closed."""
    (tmp_path / "a.jpg").write_bytes(jpeg(1))
    (tmp_path / "m.csv").write_text("file,block,cane,node,cut\na.jpg,Larch,1,1,1\n")
    (tmp_path / "calls.csv").write_text(CALLS)
    intake(season, [tmp_path], sampling="jan", manifest=tmp_path / "m.csv")
    import_calls(season, tmp_path / "calls.csv", reviewer="Ida Fenn", sampling="jan", create=True)
    season.close()
    return season.folder


def _all(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.slow
@pytest.mark.parametrize("log", [False, True], ids=["closed", "with a write-ahead log"])
def test_what_only_reads_works_and_writes_nothing(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, log: bool
) -> None:
    if log:  # copied while another program had it open: the last rows stand in the log alone
        with closing(sqlite3.connect(folder / "budvision.db")) as busy:
            busy.execute("PRAGMA journal_mode=WAL")
            with busy:
                busy.execute("UPDATE block SET note = 'in the log'")
            shutil.copytree(folder, tmp_path / "copy", ignore=shutil.ignore_patterns("*-shm"))
        folder = tmp_path / "copy"
        assert (folder / "budvision.db-wal").stat().st_size
    monkeypatch.setattr(session, "may_write", lambda root: False)
    before = _all(folder)
    monkeypatch.chdir(folder)
    runner = CliRunner()
    sheet, bag = str(tmp_path / "l.pdf"), str(tmp_path / "bag")
    for command in (("status",), ("results",), ("report", "Larch", "--out", sheet),
                    ("archive", "export", bag, "--as-it-is")):
        done = runner.invoke(app, command)
        told_of = 5 if log and "export" in command else 0  # the note in the log: see below
        assert done.exit_code == told_of, (command, done.output)
    told = json.loads(runner.invoke(app, ("check", "--json")).stdout)
    assert [one["code"] for one in told["findings"] if one["serious"]] == (
        ["changed_row"] if log else [])  # that note was written past the program
    assert _all(folder) == before
    with Season.open() as opened:
        assert opened.read_only
        with opened.read() as conn:
            assert conn.scalar(text("SELECT note FROM block")) == ("in the log" if log else "")
        with pytest.raises(StorageError, match="may not be written"), opened.write():
            pass


def test_it_says_that_it_is_read_only(
    folder: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(session, "may_write", lambda root: False)
    Season.open(folder).close()
    assert "open for reading only" in caplog.text


def test_an_older_form_is_not_brought_up_there(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Season.open(folder) as opened, opened.write() as conn:
        migrations.downgrade(conn, "0002")
    monkeypatch.setattr(session, "may_write", lambda root: False)
    before = _all(folder)
    with pytest.raises(session.SeasonError, match="Copy the season to a disk"):
        Season.open(folder)
    assert _all(folder) == before


def test_check_ends_with_5_where_nothing_can_be_verified(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A damaged and a missing database are failed verifications; the copy named is one there is."""
    monkeypatch.chdir(folder)
    runner = CliRunner()
    (folder / "budvision.db").write_bytes(b"no database at all, " * 900)
    done = runner.invoke(app, ("check", "--json"))
    assert isinstance(done.exception, DamagedError)
    assert done.exception.exit_code == 5
    assert "No backup is known here" in json.loads(done.stdout)["do"]
    (folder / "budvision.db.before-0004-from-0002-1").write_bytes(b"x")
    done = runner.invoke(app, ("check", "--json"))
    assert "budvision.db.before-0004-from-0002-1" in json.loads(done.stdout)["do"]
    (folder / "budvision.db").unlink()
    assert isinstance(runner.invoke(app, ("check",)).exception, DamagedError)


@pytest.mark.parametrize("kept", ["nothing", "the folder"])
def test_pages_open_where_no_secret_can_be_kept(
    folder: Path, monkeypatch: pytest.MonkeyPatch, kept: str
) -> None:
    """`serve` ended with an error of ours; now the pages are there to be read, for this run."""
    def refused(*_: object, **__: object) -> None:
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr(session, "may_write", lambda root: False)
    monkeypatch.setattr(guard, "write_whole", refused)
    if kept == "nothing":
        monkeypatch.setattr(Path, "mkdir", refused)
    app_ = create_app(folder, testing=True)
    try:
        assert len(app_.secret_key or b"") >= 32
        assert app_.test_client().get("/health").json == {"ok": True}
    finally:
        app_.extensions["budvision.season"].close()


def test_a_key_that_signs_is_not_made_there(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*_: object, **__: object) -> None:
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr(signature, "write_whole", refused)
    with pytest.raises(StorageError, match="could not be made .Read-only file system."):
        signature.SigningKey(folder)
