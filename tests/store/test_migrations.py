"""The database's form: up, down and up with data; older ones upgraded, newer ones refused."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import text
from sqlalchemy.exc import DatabaseError

from budvision.errors import SeasonError
from budvision.store import migrations
from budvision.store.queries import blocks, overview, people
from budvision.store.session import Season
from budvision.store.tables import APPEND_ONLY, metadata

Fill = Callable[[Season], None]
Rows = dict[str, list[dict[str, Any]]]
RowsOf = Callable[[Any], Rows]


def agree(older: Rows, newer: Rows) -> bool:
    """Say whether an older form holds the same rows, in the tables and columns that it has."""
    assert set(newer) - set(older) <= {"trust", "wood_cut"}  # of forms 0008, 0010, put aside
    return {name: len(rows) for name, rows in older.items()} == {
        name: len(rows) for name, rows in newer.items() if name in older
    } and all(
        row.items() <= whole.items()
        for name, rows in older.items() for row, whole in zip(rows, newer[name], strict=True)
    )


def test_every_revision_is_listed_in_order() -> None:
    scripts = ScriptDirectory(str(Path(migrations.__file__).parent))
    found = [script.revision for script in scripts.walk_revisions()][::-1]
    assert tuple(found) == migrations.REVISIONS


def test_the_migrations_make_what_the_tables_say(any_season: Season) -> None:
    with any_season.read() as conn:
        assert compare_metadata(MigrationContext.configure(conn), metadata) == []
        assert migrations.current(conn) == migrations.HEAD
        assert overview.missing_triggers(conn) == []


@pytest.mark.slow
@pytest.mark.parametrize("revision", migrations.REVISIONS[:-1])
def test_down_and_up_keep_every_row(
    any_season: Season, revision: str, fill: Fill, rows_of: RowsOf
) -> None:
    fill(any_season)
    with any_season.read() as conn:
        before = rows_of(conn)
    with any_season.write() as conn:
        migrations.downgrade(conn, revision)
    with any_season.read() as conn:
        assert migrations.current(conn) == revision
        assert agree(rows_of(conn), before)
        assert set(overview.missing_triggers(conn)) <= {
            "chain", "trust", "wood_cut"}  # of forms 0004, 0008 and 0010
    with any_season.write() as conn:
        migrations.upgrade(conn)
    with any_season.read() as conn:
        assert rows_of(conn) == before
        assert compare_metadata(MigrationContext.configure(conn), metadata) == []
        assert overview.missing_triggers(conn) == []


def test_down_to_nothing_and_up_again(
    any_season: Season, fill: Fill, rows_of: RowsOf
) -> None:
    fill(any_season)
    with any_season.write() as conn:
        migrations.downgrade(conn, "base")
    with any_season.write() as conn:
        migrations.upgrade(conn)
    with any_season.read() as conn:
        assert compare_metadata(MigrationContext.configure(conn), metadata) == []
        assert not any(rows_of(conn).values())


def test_an_older_season_is_upgraded_after_a_copy(
    season: Season, fill: Fill, rows_of: RowsOf
) -> None:
    fill(season)
    with season.write() as conn:
        before = rows_of(conn)
        migrations.downgrade(conn, migrations.REVISIONS[0])
    season.close()
    with Season.open(season.folder) as opened, opened.read() as conn:
        assert migrations.current(conn) == migrations.HEAD
        assert rows_of(conn) == before
    copies = list(season.folder.glob("budvision.db.before-*"))
    assert [copy.name for copy in copies] == [
        f"budvision.db.before-{migrations.HEAD}-from-{migrations.REVISIONS[0]}-1"]
    copies[0].rename(season.folder / "budvision.db")  # the copy is a whole database
    for leftover in season.folder.glob("budvision.db-*"):
        leftover.unlink()
    with Season.open(season.folder) as opened, opened.read() as conn:
        assert rows_of(conn) == before


def test_names_of_an_older_season_get_their_key(any_season: Season) -> None:
    """Two blocks that only case told apart stay two, each found by its own spelling."""
    with any_season.write() as conn:
        migrations.downgrade(conn, "0004")
        conn.execute(text("INSERT INTO site (name, note, added_at) VALUES ('s', '', '')"))
        for name in ("Élan", "élan", "Öde Halde"):
            conn.execute(text(
                "INSERT INTO block (site_id, name, cultivar, cultivar_class, training_system, "
                "layout, note, added_at) VALUES (1, :name, '', '', '', '{}', '', '')"),
                {"name": name})
        conn.execute(text("INSERT INTO person (name, role, active, added_at) "
                          "VALUES ('Österberg', 'lead', true, '')"))
        migrations.upgrade(conn)
        for asked, found in (("Élan", "Élan"), ("élan", "élan"), ("ÉLAN", "Élan"),
                             ("ÖDE  halde", "Öde Halde")):
            assert blocks.get_block(conn, asked).name == found
        one = people.find_person(conn, "österberg")
    assert one is not None
    assert one.name == "Österberg"


def test_a_failed_upgrade_changes_nothing(
    season: Season, monkeypatch: pytest.MonkeyPatch, fill: Fill, rows_of: RowsOf
) -> None:
    fill(season)
    with season.write() as conn:
        before = rows_of(conn)
        migrations.downgrade(conn, migrations.REVISIONS[0])
    season.close()

    def fail(conn: object, revision: str = "head") -> None:
        real(conn, revision)  # type: ignore[arg-type]
        raise RuntimeError("power cut")

    real = migrations.upgrade
    monkeypatch.setattr(migrations, "upgrade", fail)
    with pytest.raises(RuntimeError, match="power cut"):
        Season.open(season.folder)
    monkeypatch.undo()
    with season.read() as conn:
        assert migrations.current(conn) == migrations.REVISIONS[0]
        assert agree(rows_of(conn), before)


def test_a_newer_season_is_refused(season: Season) -> None:
    with season.write() as conn:
        conn.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    season.close()
    with pytest.raises(SeasonError, match=r"form 9999.*Install the newer budvision"):
        Season.open(season.folder)
    assert list(season.folder.glob("*.before-*")) == []


def test_a_database_without_a_season_is_refused(season: Season) -> None:
    season.close()
    for leftover in season.folder.glob("budvision.db*"):
        leftover.unlink()
    (season.folder / "budvision.db").write_bytes(b"")
    with pytest.raises(SeasonError, match="holds no season"):
        Season.open(season.folder)


@pytest.mark.slow
@pytest.mark.parametrize("table", APPEND_ONLY)
def test_evidence_cannot_be_updated_or_deleted(
    any_season: Season, table: str, fill: Fill, rows_of: RowsOf
) -> None:
    fill(any_season)
    with any_season.read() as conn:
        before = rows_of(conn)
        assert conn.scalar(text(f'SELECT COUNT(*) FROM "{table}"')), f"nothing in {table}"
    for statement in (f'UPDATE "{table}" SET added_at = added_at', f'DELETE FROM "{table}"',
                      f'DELETE FROM "{table}" WHERE id = 1'):
        with pytest.raises(DatabaseError, match="append-only"), any_season.write() as conn:
            # proposal_tissue has no added_at: any column will do
            conn.execute(text(statement.replace("added_at", "why") if table == "proposal_tissue"
                              else statement))
    with any_season.read() as conn:
        assert rows_of(conn) == before


@pytest.mark.slow
@pytest.mark.parametrize("table", APPEND_ONLY)
def test_evidence_cannot_be_replaced_on_sqlite(
    season: Season, table: str, fill: Fill, rows_of: RowsOf
) -> None:
    """INSERT OR REPLACE deletes without firing a delete trigger by default (sqlite.org, conflict
    clause); the guard must hold on a connection that never heard of budvision."""
    import sqlite3
    from contextlib import closing

    fill(season)
    with season.read() as conn:
        before = rows_of(conn)
    season.close()
    with closing(sqlite3.connect(season.folder / "budvision.db")) as plain:
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            plain.execute(f'INSERT OR REPLACE INTO "{table}" SELECT * FROM "{table}" WHERE id = 1')
        plain.rollback()
    with season.read() as conn:
        assert rows_of(conn) == before


@pytest.mark.postgres
def test_evidence_cannot_be_truncated_on_postgres(
    postgres_url: str, tmp_path: Path, fill: Fill
) -> None:
    with Season.create(tmp_path / "s", database_url=postgres_url) as made:
        fill(made)
        with pytest.raises(DatabaseError, match="append-only"), made.write() as conn:
            conn.execute(text('TRUNCATE "call" CASCADE'))
