"""A changed row is told: chains over append-only tables, digests of the others, a count beside."""

from __future__ import annotations

import shutil
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import text

from budvision.store import migrations, seal
from budvision.store.queries import blocks, canes
from budvision.store.session import Season

Fill = Callable[[Season], None]


def _verify(season: Season) -> list[tuple[str, str]]:
    with season.read() as conn:
        return [(one.table, one.what) for one in seal.verify(conn)]


def test_what_is_saved_verifies(any_season: Season, fill: Fill) -> None:
    fill(any_season)
    assert _verify(any_season) == []
    with any_season.write() as conn:
        cane = blocks.get_block(conn, "Creek Terrace").id
        blocks.update_block(conn, cane, note="hail in June")
        sampling = blocks.ensure_sampling(conn, cane, "mar")
        canes.ensure_cane(conn, sampling, "2")
    assert _verify(any_season) == []
    with any_season.read() as conn:
        assert seal.point(conn) == seal.Folder(any_season.folder).read()


@pytest.mark.slow
@pytest.mark.parametrize(("table", "change"), [
    ("call", "UPDATE call SET value = 'live' WHERE id = 1"),
    ("proposal", "UPDATE proposal SET found = false WHERE id = 1"),
    ("assignment", "UPDATE assignment SET cut = 3 WHERE id = 1"),
    ("call", "DELETE FROM call WHERE id = (SELECT MAX(id) FROM call)"),
    ("region", "UPDATE region SET box = '[0,0,1,1]' WHERE id = 1"),
    ("block", "UPDATE block SET normal_nodes = 41 WHERE id = 1"),
    ("cane", "UPDATE cane SET vigor = 'small' WHERE id = 1"),
    ("temperature", "DELETE FROM temperature"),
])
def test_rows_changed_past_the_program_are_told(
    any_season: Season, fill: Fill, table: str, change: str
) -> None:
    """With the guards taken off and put back, as somebody with the database's own tools can."""
    fill(any_season)
    with any_season.engine.connect() as conn, conn.begin():
        if conn.dialect.name == "postgresql":
            conn.execute(text("SET session_replication_role = replica"))
            conn.execute(text(change))
        else:
            kept = conn.execute(text(
                "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")).all()
            for name, _ in kept:
                conn.execute(text(f"DROP TRIGGER {name}"))
            conn.execute(text("PRAGMA defer_foreign_keys = ON"))
            conn.execute(text(change))
            for _, sql in kept:
                conn.execute(text(sql))
    found = _verify(any_season)
    assert [name for name, _ in found] == [table]


def test_which_rows_is_told_and_those_after_them_stand(season: Season, fill: Fill) -> None:
    fill(season)
    with season.write() as conn:  # a second transaction with calls
        for _ in range(2):
            conn.execute(text("INSERT INTO call SELECT NULL, bud_id, tissue, value, cause, note, "
                              "person_id, round, source, blind, proposal_id, region_id, batch, "
                              "added_at, NULL, entered_by_id FROM call WHERE id = 1"))
    with season.read() as conn:
        last = conn.scalar(text("SELECT MAX(id) FROM call"))
    season.close()
    with closing(sqlite3.connect(season.folder / "budvision.db")) as plain, plain:
        plain.execute("DROP TRIGGER call_no_update")
        plain.execute("UPDATE call SET value = 'unsure' WHERE id = 2")
    with season.read() as conn:
        (broken,) = seal.verify(conn)
    assert broken.rows == f"rows 1 to {last - 2}"


def test_a_folder_copied_without_its_log_is_told(season: Season, fill: Fill) -> None:
    """The last calls stand in budvision.db-wal alone until the database is closed."""
    fill(season)
    with season.write() as conn:
        blocks.update_block(conn, 1, note="last word")
    copy = season.folder.with_name("copy")
    shutil.copytree(season.folder, copy, ignore=shutil.ignore_patterns("*-wal", "*-shm"))
    with Season.open(copy) as opened:  # budvision.db alone is an empty season still
        assert "lacks the last 2 writes" in opened.fault
    season.close()
    shutil.copytree(season.folder, whole := season.folder.with_name("whole"))
    with Season.open(season.folder) as opened, opened.write() as conn:
        blocks.update_block(conn, 1, note="after the copy")
    shutil.copy(season.folder / "written", whole / "written")
    with Season.open(whole) as opened:
        assert "lacks the last 1 writes" in opened.fault
    with Season.open(season.folder) as opened:
        assert opened.fault == ""


def test_of_two_who_write_at_once_the_newer_write_is_noted(
    any_season: Season, monkeypatch: pytest.MonkeyPatch,
) -> None:
    read, at_it, done = seal.Folder.read, threading.Event(), threading.Event()

    def slow(folder: seal.Folder) -> seal.Point | None:
        found = read(folder)
        if threading.current_thread() is first:
            at_it.set()
            done.wait(0.5)  # time enough for another to write, and to note it
        return found

    def write(name: str) -> None:
        with any_season.write() as conn:
            blocks.ensure_site(conn, name)

    monkeypatch.setattr(seal.Folder, "read", slow)
    first = threading.Thread(target=write, args=("Hollow Lane",))
    first.start()
    assert at_it.wait(20)
    write("Fen")
    done.set()
    first.join(20)
    with any_season.read() as conn:
        assert seal.point(conn) == read(seal.Folder(any_season.folder))


def test_an_older_season_is_sealed_when_it_is_upgraded(season: Season, fill: Fill) -> None:
    fill(season)
    with season.write() as conn:
        migrations.downgrade(conn, "0002")
    season.close()
    with Season.open(season.folder) as opened, opened.read() as conn:
        assert seal.verify(conn) == []
        assert conn.scalar(text("SELECT n_rows FROM seal WHERE table_name = 'call'")) == (
            conn.scalar(text("SELECT COUNT(*) FROM call")))
        assert conn.scalar(text("SELECT sha256 FROM seal WHERE table_name = 'call'")) != "0" * 64


def test_both_databases_give_the_same_seals(
    season: Season, fill: Fill, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    """A row that is read back is the row that was sealed, down to the last digit of a float."""
    with season.write() as conn:
        block = blocks.ensure_block(conn, "Fen")
        blocks.update_block(conn, block, normal_nodes=100 / 3, secondary_crop=0.1 + 0.2)
    first = [row for row in _seals(season) if row[0] == "block"]
    season.close()
    with Season.open(season.folder) as opened, opened.write() as conn:
        conn.execute(text("UPDATE block SET note = note"))  # sums the table anew
    assert [row for row in _seals(season) if row[0] == "block"] == first


def _seals(season: Season) -> list[tuple[str, int, str]]:
    with season.read() as conn:
        return [tuple(row) for row in conn.execute(text(
            "SELECT table_name, n_rows, sha256 FROM seal ORDER BY table_name"))]
