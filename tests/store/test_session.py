"""Seasons: made whole, opened with care, one door for writing."""

from __future__ import annotations

import re
import shutil
import sqlite3
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import SimpleNamespace

import pytest
from sqlalchemy import text
from sqlalchemy.exc import OperationalError
from sqlalchemy.pool import QueuePool

from budvision.errors import InputError, SeasonError, StorageError
from budvision.store import engine
from budvision.store.queries import blocks, rows
from budvision.store.session import Season, as_utc, now


def test_now_is_utc_iso_8601() -> None:
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", now())


def test_times_are_brought_to_utc() -> None:
    # ISO 8601: an offset of -08:00 is eight hours behind UTC
    assert as_utc("2026-02-11T01:30:00-08:00") == "2026-02-11T09:30:00.000Z"
    assert as_utc("2026-02-11") == "2026-02-11T00:00:00.000Z"
    with pytest.raises(InputError, match="the time is 'yesterday'"):
        as_utc("yesterday")


def test_create_and_open(tmp_path: Path) -> None:
    folder = tmp_path / "winter"
    with Season.create(folder) as made, made.write() as conn:
        blocks.ensure_block(conn, "Creek Terrace")
    with Season.open(folder) as opened, opened.read() as conn:
        assert [block.name for block in blocks.list_blocks(conn)] == ["Creek Terrace"]
        assert opened.settings.policy == "common"
    assert {path.name for path in folder.iterdir()} >= {
        "budvision.toml", "budvision.db", "photos", "models"}


def test_open_uses_the_working_directory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    Season.create(tmp_path).close()
    monkeypatch.chdir(tmp_path)
    with Season.open() as opened:
        assert opened.folder == tmp_path


def test_a_season_is_not_made_twice(season: Season) -> None:
    with pytest.raises(SeasonError, match="is a season already"):
        Season.create(season.folder)


def test_no_season_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(SeasonError, match=r"no season here.*budvision init"):
        Season.open(tmp_path)


def test_a_creation_killed_before_its_last_step_completes(tmp_path: Path) -> None:
    with Season.create(tmp_path / "s") as made, made.write() as conn:
        blocks.ensure_site(conn, "x")
    (tmp_path / "s" / "budvision.toml").unlink()  # written last
    with pytest.raises(SeasonError, match="no season here"):
        Season.open(tmp_path / "s")
    with Season.create(tmp_path / "s") as again, again.read() as conn:
        assert conn.scalar(text("SELECT count(*) FROM site")) == 1


def test_a_missing_database_is_told_of(season: Season) -> None:
    season.close()
    (season.folder / "budvision.db").unlink()
    with pytest.raises(SeasonError, match=r"budvision\.db is missing.*photographs are still"):
        Season.open(season.folder)


def test_a_damaged_database_is_told_of(season: Season) -> None:
    season.close()
    for leftover in season.folder.glob("budvision.db-*"):
        leftover.unlink()
    (season.folder / "budvision.db").write_bytes(b"this is no database at all, " * 500)
    with pytest.raises(SeasonError, match="the database is damaged"):
        Season.open(season.folder)


@pytest.mark.parametrize("word", ["CREATE TABLE", "Invented"])
def test_a_flipped_bit_in_the_databases_own_words_is_told_of(season: Season, word: str) -> None:
    """The message about it holds a byte that is no text; a value may hold one too."""
    with season.write() as conn:
        rows.add_row(conn, "site", {"name": "Invented", "added_at": "2026-01-20T09:00:00.000Z"})
    season.close()
    path = season.folder / "budvision.db"
    data, at = path.read_bytes(), word.encode()
    assert at in data
    flipped = at[:-3] + bytes([at[-3] | 0x80]) + at[-2:]
    path.write_bytes(data.replace(at, flipped, 1 if word.isupper() else -1))

    def read_all() -> None:
        with Season.open(season.folder) as opened, opened.read() as conn:
            conn.exec_driver_sql("SELECT name FROM site").all()

    with pytest.raises(SeasonError, match="the database is damaged"):
        read_all()


def test_an_unknown_setting_is_refused(season: Season) -> None:
    (season.folder / "budvision.toml").write_text("[settings]\nconfidense = 0.9\n")
    with pytest.raises(InputError, match=r"budvision\.toml: confidense is not a setting"):
        Season.open(season.folder)
    (season.folder / "budvision.toml").write_text('[database]\nurl = "mysql://x"\n')
    with pytest.raises(InputError, match="begins with postgresql://"):
        Season.open(season.folder)


def test_an_error_rolls_everything_back(any_season: Season) -> None:
    def stop_half_way() -> None:
        with any_season.write() as conn:
            blocks.ensure_block(conn, "A")
            raise RuntimeError("half-way")

    with pytest.raises(RuntimeError, match="half-way"):
        stop_half_way()
    with any_season.read() as conn:
        assert blocks.list_blocks(conn) == []


def test_a_reader_sees_one_state(any_season: Season) -> None:
    with any_season.write() as conn:
        blocks.ensure_block(conn, "A")
    with any_season.read() as reader:
        assert len(blocks.list_blocks(reader)) == 1
        with any_season.write() as writer:
            blocks.ensure_block(writer, "B")
        assert len(blocks.list_blocks(reader)) == 1
    with any_season.read() as reader:
        assert len(blocks.list_blocks(reader)) == 2


def test_writers_wait_for_each_other(any_season: Season) -> None:
    """Two threads add the same blocks; neither fails and none stands twice."""
    errors: list[BaseException] = []

    def work() -> None:
        try:
            for number in range(12):
                with any_season.write() as conn:
                    blocks.ensure_sampling(conn, blocks.ensure_block(conn, f"b{number}"), "feb")
        except BaseException as error:
            errors.append(error)

    threads = [threading.Thread(target=work) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert errors == []
    with any_season.read() as conn:
        assert len(blocks.list_samplings(conn)) == 12


def test_a_locked_database_says_so(season: Season) -> None:
    other = sqlite3.connect(season.folder / "budvision.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    try:
        with season.engine.connect() as conn:
            conn.exec_driver_sql("PRAGMA busy_timeout=50")
        with pytest.raises(StorageError, match="Another program writes"), season.write():
            pass
    finally:
        other.close()


def test_who_writes_waits_for_the_turn_before_he_asks_the_database(season: Season) -> None:
    """SQLite would let him sleep and ask again: whoever came meanwhile would write before him."""
    pool = season.engine.pool
    assert isinstance(pool, QueuePool)
    come = threading.Event()

    def write() -> int:
        come.set()
        with season.write() as conn:
            return blocks.ensure_site(conn, "Hollow Lane")

    with ThreadPoolExecutor() as threads:
        with season.write():
            waiting = threads.submit(write)
            assert come.wait(20)
            with pytest.raises(TimeoutError):
                waiting.result(0.2)
            assert pool.checkedout() == 1
        assert waiting.result(20) == 1


def test_a_turn_that_does_not_come_is_told_of(
    season: Season, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("budvision.store.session.LONGEST_WAIT_S", 0.05)

    def write() -> None:
        with season.write():
            pass

    with ThreadPoolExecutor() as threads, season.write(), pytest.raises(
        StorageError, match="Another part of this program writes"
    ):
        threads.submit(write).result(20)
    write()


def test_a_full_disk_says_so(season: Season) -> None:
    with season.engine.connect() as conn:
        pages = conn.exec_driver_sql("PRAGMA page_count").scalar()
        conn.exec_driver_sql(f"PRAGMA max_page_count={pages}")

    def write_much() -> None:
        with season.write() as conn:
            for number in range(3000):
                blocks.ensure_site(conn, f"site {number:04d}" + "x" * 100)

    with pytest.raises(StorageError, match="Make room on the disk"):
        write_much()
    with season.read() as conn:
        assert conn.scalar(text("SELECT count(*) FROM site")) == 0


@pytest.mark.parametrize(("free", "told"), [(0, "Make room on the disk"), (1 << 30, "Check the d")])
def test_a_disk_too_full_to_open_a_season_is_not_called_broken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, free: int, told: str
) -> None:
    """SQLite says "disk I/O error" where there is no room for the file beside its database."""
    monkeypatch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=free))
    fault = OperationalError("SELECT 1", None, sqlite3.OperationalError("disk I/O error"))
    with pytest.raises(StorageError, match=told), engine.plain_errors(tmp_path):
        raise fault


@pytest.mark.postgres
def test_a_lease_waits_for_no_save_on_postgresql(tmp_path: Path, postgres_url: str) -> None:
    with Season.create(tmp_path / "season", database_url=postgres_url) as season:
        def lend() -> bool:
            with season.write(of_the_moment=True) as conn:
                return bool(conn.scalar(text("SELECT 1")))

        with ThreadPoolExecutor() as pool, season.write() as saving:
            assert pool.submit(lend).result(20)
            assert saving.scalar(text("SELECT 1"))
