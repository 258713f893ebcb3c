"""Backups: equal when restored, never spoilt by a kill, small when little is new."""

from __future__ import annotations

import itertools
import json
import os
import random
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import invented
import pytest
import seasons
from sqlalchemy import update

from budvision.errors import (
    ConflictError,
    DamagedError,
    InputError,
    MissingLibraryError,
    VerificationError,
)
from budvision.files import sha256_of
from budvision.store import counts, seal, tables
from budvision.store.backups import LastBackup, note_backup
from budvision.store.queries import blocks, overview, rows
from budvision.store.session import Season
from budvision.workflow.archive.backup import backup, generations_of
from budvision.workflow.archive.move import move
from budvision.workflow.archive.proof import answers_of
from budvision.workflow.archive.restore import restore
from budvision.workflow.season.health import health
from budvision.workflow.season.remind import backup_reminder, known_backups
from budvision.workflow.season.status import status


@pytest.fixture
def made(tmp_path: Path) -> Season:
    """A season with photographs, calls and a model."""
    season = seasons.make_season(tmp_path / "season")
    (season.folder / "policies.toml").write_text("# none of our own yet\n")
    return season


def _add_photo(season: Season, number: int) -> None:
    stored = season.photos.add(seasons.photo_bytes(number, private=True))
    with season.write() as conn:
        rows.add_row(conn, "photo", {
            "sha256": stored.sha256, "file_name": "new.jpg", "format": "JPEG", "n_bytes": 1,
            "width_px": 64, "height_px": 48, "added_at": seasons.AT})


@pytest.mark.slow
def test_a_restored_season_is_equal(made: Season, tmp_path: Path) -> None:
    """All rows, bytes, settings, policies, keys and answers; the log of the season is open."""
    (made.folder / "budvision.toml").write_text("# Ours.\n[settings]\nnormal_nodes = 36\n")
    made = Season.open(made.folder)
    before, answers = seasons.whole_content(made), answers_of(made)
    report = backup(made, tmp_path / "backup")
    assert (report.n_photos, report.n_new, report.missing) == (6, 6, ())
    told = restore(tmp_path / "backup", tmp_path / "again")
    assert (told.generation, told.answers_compared) == (report.generation, "all")
    with Season.open(tmp_path / "again") as again:
        assert seasons.whole_content(again) == before
        assert answers_of(again) == answers
        assert again.settings.normal_nodes == 36
        assert again.fault == ""
        with again.read() as conn, made.read() as mine:
            assert seal.point(conn) == seal.point(mine)
        with again.write() as conn:  # and it can be worked in
            blocks.ensure_block(conn, "New")
    assert (tmp_path / "again" / "budvision.toml").read_text().startswith("# Ours.")
    assert (tmp_path / "again" / "policies.toml").is_file()
    assert {p.name for p in tmp_path.iterdir()} == {"season", "backup", "again"}


@pytest.mark.slow
def test_a_backup_is_of_one_moment_while_people_work(made: Season, tmp_path: Path) -> None:
    stop = threading.Event()

    def work() -> None:
        n = 0
        while not stop.is_set():
            n += 1
            with made.write() as conn:
                one = blocks.ensure_block(conn, f"a{n}")
                blocks.update_block(conn, one, note=f"{n}")
                blocks.ensure_block(conn, f"b{n}")

    busy = threading.Thread(target=work)
    busy.start()
    try:
        for _ in range(3):
            backup(made, tmp_path / "backup")
    finally:
        stop.set()
        busy.join()
    for name in generations_of(tmp_path / "backup"):
        restore(tmp_path / "backup", tmp_path / name, generation=name)
        with Season.open(tmp_path / name) as again, again.read() as conn:
            names = [row["name"] for row in rows.stream(conn, "block")]
        assert len([n for n in names if n.startswith("a")]) == len(
            [n for n in names if n.startswith("b")])


def test_only_what_is_new_is_copied_and_damage_is_mended(made: Season, tmp_path: Path) -> None:
    folder = tmp_path / "backup"
    backup(made, folder)
    photo = next((folder / "photos").rglob("*.jpg"))
    others = {p: p.stat().st_mtime_ns for p in (folder / "photos").rglob("*.jpg") if p != photo}
    photo.chmod(0o644)
    photo.write_bytes(b"damaged")
    _add_photo(made, 99)
    report = backup(made, folder)
    assert (report.n_photos, report.n_new, report.n_repaired) == (7, 2, 1)
    assert {p: p.stat().st_mtime_ns for p in others} == others
    first, second = (folder / "generations" / name for name in generations_of(folder))
    model = "models/tuned-1/verdict.skops"
    assert (first / model).samefile(second / model)  # one file of a model for both


@pytest.mark.slow
@pytest.mark.parametrize("moment", ["one second", "the clock is put back"])
def test_old_generations_go_and_the_newest_stay(
    made: Season, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, moment: str
) -> None:
    hours = itertools.repeat(12) if moment == "one second" else itertools.count(23, -1)
    monkeypatch.setattr("budvision.workflow.archive.backup.now",
                        lambda: f"2031-02-03T{next(hours):02}:00:00.000Z")
    names = [backup(made, tmp_path / "backup", keep=2).generation for _ in range(12)]
    assert len(set(names)) == 12
    assert generations_of(tmp_path / "backup") == names[10:]
    with pytest.raises(InputError, match="keep is 0"):
        backup(made, tmp_path / "backup", keep=0)


def test_places_that_cannot_be_are_refused(made: Season, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="in the season itself"):
        backup(made, made.folder / "backup")
    (tmp_path / "used").mkdir()
    (tmp_path / "used" / "letter.txt").write_text("mine")
    with pytest.raises(ConflictError, match="other files"):
        backup(made, tmp_path / "used")
    backup(made, tmp_path / "backup")
    with pytest.raises(ConflictError, match="holds files"):
        restore(tmp_path / "backup", tmp_path / "used")


@pytest.mark.slow
@pytest.mark.parametrize("what", ["budvision.db", "results.json", "budvision.toml", "photo"])
def test_a_damaged_generation_is_refused_and_the_older_one_named(
    made: Season, tmp_path: Path, what: str
) -> None:
    folder = tmp_path / "backup"
    first, second = (backup(made, folder).generation for _ in range(2))
    path = folder / "generations" / second / what
    if what == "photo":
        path = next((folder / "photos").rglob("*.jpg"))
        path.chmod(0o644)
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 4
    path.write_bytes(data)
    with pytest.raises(VerificationError, match="has changed") as told:
        restore(folder, tmp_path / "again")
    assert not (tmp_path / "again").exists()
    if what != "photo":
        assert first in told.value.do
        restore(folder, tmp_path / "again", generation=first)


class _Killed(BaseException):
    """Stands for a kill: nothing catches it as an error."""


@pytest.mark.slow
def test_killed_anywhere_every_generation_restores(
    made: Season, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed at each flush, link, rename and new folder in turn."""
    folder = tmp_path / "backup"
    backup(made, folder)
    real = {name: getattr(os, name) for name in ("fsync", "link", "replace", "mkdir")}
    left = [0]

    def deadly(name: str) -> Callable[..., object]:
        def act(*args: object, **kwargs: object) -> object:
            left[0] -= 1
            if left[0] == 0:
                raise _Killed
            return real[name](*args, **kwargs)
        return act

    n_killed = 0
    for at in range(1, 200, 3):
        _add_photo(made, 200 + at)
        left[0] = at
        with monkeypatch.context() as patch:
            for name in real:
                patch.setattr(os, name, deadly(name))
            try:
                backup(made, folder, keep=3)
                break
            except _Killed:
                n_killed += 1
    assert n_killed > 5
    for name in generations_of(folder):
        restore(folder, tmp_path / name, generation=name)
    backup(made, folder)
    restore(folder, tmp_path / "last")
    with Season.open(tmp_path / "last") as last:
        assert seasons.whole_content(last) == seasons.whole_content(made)
    assert [path.name for path in (folder / "generations").glob(".*")] == [".writer"]


def test_two_backups_at_once_do_not_take_each_others_files(made: Season, tmp_path: Path) -> None:
    """The second removed what the first had begun, and that one ended with a misleading word."""
    refused: list[str] = []

    def second(done: int, total: int, sha256: str) -> None:
        if not done:
            with pytest.raises(ConflictError, match="another backup is being written") as caught:
                backup(made, tmp_path / "copies")
            refused.append(str(caught.value.code))

    first = backup(made, tmp_path / "copies", progress=second)
    assert refused == ["backup_runs"]
    assert generations_of(tmp_path / "copies") == [first.generation]
    assert backup(made, tmp_path / "copies").generation != first.generation
    restore(tmp_path / "copies", tmp_path / "again")


def test_another_seasons_backups_are_never_pushed_out(made: Season, tmp_path: Path) -> None:
    """Next winter's season, or one that went another way since, needs a folder of its own."""
    folder = tmp_path / "backup"
    first = backup(made, folder).generation
    restore(folder, tmp_path / "again")
    _add_photo(made, 300)
    backup(made, folder)
    there = generations_of(folder)
    with seasons.make_season(tmp_path / "next winter", person="Ada Stern") as other, pytest.raises(
            ConflictError, match="holds rows that this season does not have"):
        backup(other, folder, keep=1)
    with Season.open(tmp_path / "again") as again:
        _add_photo(again, 301)
        with pytest.raises(ConflictError, match="holds rows that this season does not have"):
            backup(again, folder, keep=1)
    assert generations_of(folder) == there
    assert first in there
    (folder / "generations" / there[-1] / "budvision.db").write_bytes(b"damaged")
    backup(made, folder)  # the one before tells whose they are


def test_a_backup_never_says_where_a_season_lies(made: Season, tmp_path: Path) -> None:
    """Whoever may write the backup's disk sends nobody's season to another database."""
    folder = tmp_path / "backup"
    home = folder / "generations" / backup(made, folder).generation
    with (home / "budvision.toml").open("a") as config:
        config.write('\n[database]\nurl = "postgresql://x@127.0.0.1:1/x"\n'
                     '[photos]\nfolder = "/etc"\n')
    facts = json.loads((home / "backup.json").read_text())
    facts["files"]["budvision.toml"] = sha256_of(home / "budvision.toml")
    (home / "backup.json").write_text(json.dumps(facts))
    restore(folder, tmp_path / "again")
    with Season.open(tmp_path / "again") as again:
        assert again.engine.dialect.name == "sqlite"
        assert again.photos.folder == tmp_path / "again" / "photos"
        assert seasons.whole_content(again) == seasons.whole_content(made)


def test_a_restored_season_knows_its_backup(made: Season, tmp_path: Path) -> None:
    report = backup(made, tmp_path / "backup")
    restore(tmp_path / "backup", tmp_path / "again")
    with Season.open(tmp_path / "again") as again:
        found = known_backups(again).whole
        assert found is not None
        assert (found.folder, found.generation) == (report.folder, report.generation)
        backup(again, tmp_path / "backup")  # it goes on where the other stopped


def test_a_backup_beside_its_season_says_what_it_does_not_help_against(
    made: Season, tmp_path: Path
) -> None:
    report = backup(made, tmp_path / "backup")
    assert report.same_disk
    assert "a disk that breaks takes both" in report.caution


def test_a_damaged_season_names_the_backup(made: Season, tmp_path: Path) -> None:
    folder = tmp_path / "backup"
    backup(made, folder)
    made.close()
    (made.folder / "budvision.db").write_bytes(b"no database " * 999)
    with pytest.raises(DamagedError, match=f"budvision restore {folder} NEW_SEASON"):
        Season.open(made.folder)
    restore(folder, tmp_path / "again")


def test_pages_remind_of_an_old_backup(made: Season, tmp_path: Path) -> None:
    with Season.create(tmp_path / "new") as new:
        assert backup_reminder(new) == ""  # made just now
    assert "No backup of this season is known" in backup_reminder(made)
    for days, wanted in ((3, ""), (9.4, "9 days old")):
        note_backup(made.folder, LastBackup(_ago(days), "/media/usb", "g"))
        assert wanted in backup_reminder(made)
        assert bool(backup_reminder(made)) is bool(wanted)
    never = replace(made.settings, backup_days=0)
    assert backup_reminder(Season(made.folder, settings=never, engine=made.engine)) == ""


def _ago(days: float) -> str:
    return (datetime.now(UTC) - timedelta(days=days)).isoformat()


def test_a_backup_that_lacks_photographs_silences_no_reminder(
    made: Season, tmp_path: Path
) -> None:
    """It counted as the last one on pages, status and Health."""
    first = backup(made, tmp_path / "backup").generation
    with made.write() as conn:
        conn.execute(update(tables.backup).values(made_at=_ago(9.4)))
    note_backup(made.folder, LastBackup(_ago(9.4), str(tmp_path / "backup"), first))
    _add_photo(made, 99)
    newest = sorted((made.folder / "photos").rglob("*.jpg"), key=lambda p: p.stat().st_mtime)[-1]
    newest.unlink()
    assert len(backup(made, tmp_path / "backup").missing) == 1
    with Season.open(made.folder) as again:
        known = known_backups(again)
        assert known.whole is not None
        assert known.whole.generation == first
        told = backup_reminder(again)
        assert "The last whole backup of this season is 9 days old. The backup of " in told
        assert "lacks 1 photograph. `budvision check`" in told
        assert status(again).backup == told
        assert round(health(again).figures.counts["backup_age_seconds"][1] / 86400, 1) == 9.4
        assert health(again).backup_at == known.whole.at[:16].replace("T", " ")
        assert "lacks 1 photograph" in health(again).backup_lacks
        again.photos.add(seasons.photo_bytes(99, private=True))
        backup(again, tmp_path / "backup")
        assert known_backups(again).newer is None
        assert backup_reminder(again) == ""


def test_a_restored_season_knows_what_its_backup_lacks(made: Season, tmp_path: Path) -> None:
    sorted((made.folder / "photos").rglob("*.jpg"))[0].unlink()
    (made.models_folder / "tuned-1" / "verdict.skops").write_bytes(b"half")
    backup(made, tmp_path / "backup")
    restore(tmp_path / "backup", tmp_path / "again")
    with Season.open(tmp_path / "again") as again:
        known = known_backups(again)
        assert known.whole is None
        assert known.newer is not None
        assert (known.newer.n_missing, known.newer.n_files) == (1, 1)
        config = again.folder / "budvision.toml"
        os.utime(config, (0, 0))
        assert backup_reminder(again).startswith("No whole backup of this season is known. The b")


def test_settings_saved_anew_silence_no_reminder(tmp_path: Path) -> None:
    """A season counts from its first photograph, whenever its settings were changed."""
    with Season.create(tmp_path / "season") as season:
        with season.write() as conn:
            rows.add_row(conn, "photo", {
                "sha256": "0" * 64, "file_name": "a.jpg", "format": "JPEG", "n_bytes": 1,
                "width_px": 1, "height_px": 1, "added_at": _ago(8)})
        assert "No backup of this season is known" in backup_reminder(season)


@pytest.mark.parametrize("kind", ["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def test_a_backup_by_any_station_counts(
    tmp_path: Path, kind: str, request: pytest.FixtureRequest
) -> None:
    url = request.getfixturevalue("postgres_url") if kind == "postgres" else None
    with Season.create(tmp_path / "one", database_url=url) as one:
        report = backup(one, tmp_path / "backup")
        if url is None:  # no second station, but nothing in the folder either
            (one.folder / "last-backup.json").unlink()
            other = Season.open(one.folder)
        else:
            other = Season.create(tmp_path / "other", database_url=url)
        with other:
            os.utime(other.folder / "budvision.toml", (0, 0))
            assert backup_reminder(other) == ""
            found = known_backups(other).whole
            assert found is not None
            assert (found.folder, found.generation) == (report.folder, report.generation)
            note_backup(other.folder, LastBackup(_ago(30), "/media/usb", "g"))  # its own is older
            assert backup_reminder(other) == ""
            with other.write() as conn:
                conn.execute(update(tables.backup).values(made_at=_ago(9.4)))
            assert "9 days old. Run `budvision backup /media/usb`" in backup_reminder(other)
            with other.write() as conn:  # by a clock that was years ahead
                conn.execute(update(tables.backup).values(made_at=_ago(-900)))
            assert "30 days old" in backup_reminder(other)


@pytest.mark.postgres
def test_a_season_moves_to_a_server_and_back(postgres_url: str, tmp_path: Path) -> None:
    """An invented season: all rows, all bytes, equal answers, there and on the way back."""
    with Season.create(tmp_path / "laptop") as laptop:
        invented.fill(laptop, random.Random(11), lambda i: seasons.photo_bytes(i, private=True))
        before, answers = seasons.whole_content(laptop), answers_of(laptop)
        report = move(laptop, tmp_path / "server", database_url=postgres_url)
        assert report.n_rows == sum(len(before[t]) for t in rows.ARCHIVED)
    with Season.open(tmp_path / "server") as server:
        assert server.engine.dialect.name == "postgresql"
        assert seasons.whole_content(server) == before
        assert answers_of(server) == answers
        backup(server, tmp_path / "backup")
        move(server, tmp_path / "again")
        with server.write() as conn:  # numbers go on after the highest
            blocks.ensure_block(conn, "New")
        with pytest.raises(ConflictError, match="an earlier state of this season"):
            move(server, tmp_path / "again")
    for name in ("again", "restored"):
        if name == "restored":
            restore(tmp_path / "backup", tmp_path / name)
        with Season.open(tmp_path / name) as again:
            assert again.engine.dialect.name == "sqlite"
            assert seasons.whole_content(again) == before
            assert answers_of(again) == answers


def test_a_move_that_was_cut_short_goes_on(
    made: Season, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "new"
    real, n = type(made.photos).read, [0]

    def read(self: object, sha256: str, **kwargs: bool) -> bytes:
        n[0] += 1
        if n[0] == 3:
            raise _Killed
        return bytes(real(self, sha256, **kwargs))  # type: ignore[arg-type]

    with monkeypatch.context() as patch:
        patch.setattr(type(made.photos), "read", read)
        with pytest.raises(_Killed):
            move(made, target)
    move(made, target)
    with Season.open(target) as moved:
        assert seasons.whole_content(moved) == seasons.whole_content(made)
        with moved.read() as conn, made.read() as old:
            assert counts.wrong_samplings(conn) == []
            assert overview.samplings_with(conn, "n_photos").keys() == overview.samplings_with(
                old, "n_photos").keys()


@pytest.mark.parametrize("at", [".", "photos/new"])
def test_a_season_does_not_move_into_itself(made: Season, at: str) -> None:
    """It said that the same folder was the new season, or put one among the photographs."""
    with pytest.raises(InputError, match="lies in the season that is moved"):
        move(made, made.folder / at)
    assert not (made.folder / "photos" / "new").exists()


def test_a_plain_installation_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "psycopg", None)
    with pytest.raises(MissingLibraryError, match=r"pip install \"budvision\[postgres\]\""):
        Season.create(tmp_path / "s", database_url="postgresql://lab@127.0.0.1/none")


def test_the_copied_database_is_one_file(made: Season, tmp_path: Path) -> None:
    name = backup(made, tmp_path / "backup").generation
    folder = tmp_path / "backup" / "generations" / name
    assert not list(folder.glob("budvision.db-*"))
    with closing(sqlite3.connect(folder / "budvision.db")) as plain:
        assert plain.execute("PRAGMA journal_mode").fetchone() == ("delete",)
