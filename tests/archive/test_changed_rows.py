"""Rows that another program changed: no copy of a season is called sound that holds them."""

from __future__ import annotations

import json
import shutil
import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import pytest
import seasons
from typer.testing import CliRunner

from budvision.archive.reading import read_called_tissues
from budvision.cli.main import app
from budvision.errors import VerificationError
from budvision.store.queries import rows
from budvision.store.session import Season
from budvision.workflow.archive.backup import backup
from budvision.workflow.archive.export import export_archive
from budvision.workflow.archive.merge import import_archive, verify_archive
from budvision.workflow.archive.move import move
from budvision.workflow.season.check import check

CHANGED = "table call, rows 1 to 12: they are not the rows that were saved"


@pytest.fixture
def changed(tmp_path: Path) -> Season:
    """A season of which another program has changed a call."""
    season = seasons.make_season(tmp_path / "season")
    with closing(sqlite3.connect(season.folder / "budvision.db")) as plain, plain:
        (guard,) = plain.execute(
            "SELECT sql FROM sqlite_master WHERE name = 'call_no_update'").fetchone()
        plain.execute("DROP TRIGGER call_no_update")
        plain.execute("UPDATE call SET value = 'live' WHERE value = 'dead'")
        plain.execute(guard)
    return season


def test_changed_rows_are_exported_only_when_asked_and_told(
    changed: Season, tmp_path: Path
) -> None:
    """It wrote an archive that verified, and ended with 0."""
    with pytest.raises(VerificationError, match=CHANGED) as caught:
        export_archive(changed, tmp_path / "bag")
    assert "--as-it-is" in (caught.value.do or "")
    assert not (tmp_path / "bag").exists()
    report = export_archive(changed, tmp_path / "bag", as_it_is=True)
    assert report.not_as_saved == (CHANGED,)
    assert CHANGED in (tmp_path / "bag" / "data" / "README.md").read_text()
    with pytest.raises(VerificationError, match="were not as they had been saved"):
        read_called_tissues(tmp_path / "bag")


@pytest.mark.parametrize("whole", [True, False], ids=["whole", "shared"])
def test_an_archive_of_changed_rows_is_never_called_sound(
    changed: Season, tmp_path: Path, whole: bool
) -> None:
    """A whole one did not verify and was said to have been changed after its export."""
    bag = tmp_path / "bag"
    export_archive(changed, bag, whole=whole, as_it_is=True)
    found = verify_archive(bag)
    assert (found["ok"], found["not_as_saved"]) == (False, [CHANGED])
    with Season.create(tmp_path / "again") as again:
        with pytest.raises(VerificationError, match="were not as they had been saved"):
            import_archive(again, bag)
        with again.read() as conn:
            assert rows.is_empty(conn, "call")
        report = import_archive(again, bag, as_it_is=True)
        assert report.not_as_saved == [CHANGED]
        with again.read() as conn, changed.read() as old:
            assert [row["value"] for row in rows.stream(conn, "call")] == [
                row["value"] for row in rows.stream(old, "call")]
        if whole:  # an equal season, in this too
            assert [one.code for one in check(again).findings] == ["changed_row"]


def test_the_commands_end_with_5(changed: Season, tmp_path: Path) -> None:
    bag, new = str(tmp_path / "bag"), str(tmp_path / "new")
    at = ["--season", str(changed.folder), "--json"]
    Season.create(new).close()
    run = CliRunner().invoke
    for words, told in (
            (["archive", "export", bag, *at], "code"),
            (["archive", "export", bag, *at, "--as-it-is"], "not_as_saved"),
            (["archive", "verify", bag, "--json"], "not_as_saved"),
            (["archive", "import", bag, "--season", new, "--json"], "code"),
            (["archive", "import", bag, "--season", new, "--json", "--as-it-is"], "not_as_saved")):
        done = run(app, words)
        found = json.loads(done.stdout)
        assert found["ok"] is False, words
        assert found[told] in ("changed_row", [CHANGED]), words
        assert done.exit_code == 5 or isinstance(done.exception, VerificationError), words


def test_an_archive_of_a_lost_photograph_ends_with_3(tmp_path: Path) -> None:
    """`export` and `restore` do; `import` ended with 0, and `verify` called it sound."""
    with seasons.make_season(tmp_path / "season") as season:
        sorted((season.folder / "photos").rglob("*.jpg"))[0].unlink()
        (lost,) = export_archive(season, tmp_path / "bag").missing
    Season.create(tmp_path / "new").close()
    done = CliRunner().invoke(app, ["archive", "verify", str(tmp_path / "bag")])
    assert done.exit_code == 0
    assert "is as it was exported" in done.stdout
    done = CliRunner().invoke(app, ["archive", "import", str(tmp_path / "bag"), "--json",
                                    "--season", str(tmp_path / "new")])
    found = json.loads(done.stdout)
    assert (done.exit_code, found["ok"], found["missing"]) == (3, False, [lost])


def test_a_season_with_changed_rows_does_not_move(changed: Season, tmp_path: Path) -> None:
    """It was refused after all was copied, and what was copied opened as a season."""
    with pytest.raises(VerificationError, match=CHANGED):
        move(changed, tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_an_older_database_is_not_exported_as_the_season(tmp_path: Path) -> None:
    """`check` tells of one copied without its log; its copies were called sound and verified."""
    with seasons.make_season(tmp_path / "season") as season:
        shutil.copytree(season.folder, tmp_path / "copy",
                        ignore=shutil.ignore_patterns("*-wal", "*-shm"))
    with Season.open(tmp_path / "copy") as copy, pytest.raises(
            VerificationError, match="lacks the last 1 writes"):
        export_archive(copy, tmp_path / "bag")
    with Season.open(tmp_path / "copy") as copy:
        for deed in (backup, move):
            with pytest.raises(VerificationError, match="lacks the last 1 writes"):
                deed(copy, tmp_path / "other")
    assert not (tmp_path / "other").exists()


@pytest.mark.slow
def test_an_archive_is_of_one_moment_while_people_call(tmp_path: Path) -> None:
    """Answers were read before the rows: with a call between the two it did not verify."""
    season = seasons.make_season(tmp_path / "season")
    stop = threading.Event()

    def work() -> None:
        n = 0
        with season.read() as conn:
            call = next(iter(rows.stream(conn, "call")))
        while not stop.is_set():
            n += 1
            with season.write() as conn:
                cane = rows.add_row(conn, "cane", {
                    "sampling_id": 1, "label": f"n{n}", "added_at": seasons.AT})
                bud = rows.add_row(conn, "bud", {
                    "cane_id": cane, "node": 1, "added_at": seasons.AT})
                rows.add_row(conn, "call", {
                    **{name: value for name, value in call.items() if name != "id"},
                    "bud_id": bud, "replaces_id": None, "proposal_id": None, "batch": f"n{n}"})

    busy = threading.Thread(target=work)
    busy.start()
    try:
        for n in range(4):
            export_archive(season, tmp_path / f"bag{n}")
    finally:
        stop.set()
        busy.join()
    for n in range(4):
        assert verify_archive(tmp_path / f"bag{n}")["ok"] is True
