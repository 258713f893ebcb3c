"""Triggers that keep the rows of append-only tables from being changed or deleted.

On SQLite a third trigger refuses an insertion under an id that exists, because ``INSERT OR
REPLACE`` deletes without firing the trigger against deletion unless a connection asks for it.
Tables whose rows may change have a trigger that notes it in `seal` (see `store.seal`).
"""

from __future__ import annotations

from collections.abc import Iterable

from alembic import op

__all__ = ["create", "create_change_notes", "drop", "drop_change_notes"]

_FUNCTION = """\
CREATE OR REPLACE FUNCTION budvision_append_only() RETURNS trigger AS $$
BEGIN
  RAISE EXCEPTION '% is append-only: its rows are never changed or deleted', TG_TABLE_NAME
    USING ERRCODE = 'integrity_constraint_violation';
END $$ LANGUAGE plpgsql"""


_NOTE = """\
CREATE OR REPLACE FUNCTION budvision_note_change() RETURNS trigger AS $$
BEGIN
  UPDATE seal SET changed = true WHERE table_name = TG_TABLE_NAME AND NOT changed;
  RETURN NULL;
END $$ LANGUAGE plpgsql"""


def create_change_notes(tables: Iterable[str]) -> None:
    """Let a changed or removed row be noted in `seal`, inside a migration."""
    postgres = op.get_bind().dialect.name == "postgresql"
    if postgres:
        op.execute(_NOTE)
    for table in tables:
        if postgres:
            op.execute(
                f'CREATE TRIGGER {table}_note AFTER UPDATE OR DELETE OR TRUNCATE ON "{table}" '
                "FOR EACH STATEMENT EXECUTE FUNCTION budvision_note_change()"
            )
            continue
        for deed in ("update", "delete"):
            op.execute(
                f'CREATE TRIGGER {table}_note_{deed} AFTER {deed.upper()} ON "{table}" BEGIN '  # nosec
                f"UPDATE seal SET changed = 1 WHERE table_name = '{table}' AND changed = 0; END"
            )


def drop_change_notes(tables: Iterable[str]) -> None:
    """Take the notes off, inside a migration."""
    postgres = op.get_bind().dialect.name == "postgresql"
    for table in tables:
        if postgres:
            op.execute(f'DROP TRIGGER {table}_note ON "{table}"')
        else:
            for deed in ("update", "delete"):
                op.execute(f"DROP TRIGGER {table}_note_{deed}")


def create(tables: Iterable[str]) -> None:
    """Guard tables, inside a migration."""
    postgres = op.get_bind().dialect.name == "postgresql"
    if postgres:
        op.execute(_FUNCTION)
    for table in tables:
        if postgres:
            op.execute(
                f'CREATE TRIGGER {table}_keep BEFORE UPDATE OR DELETE ON "{table}" '
                "FOR EACH ROW EXECUTE FUNCTION budvision_append_only()"
            )
            op.execute(
                f'CREATE TRIGGER {table}_keep_all BEFORE TRUNCATE ON "{table}" '
                "FOR EACH STATEMENT EXECUTE FUNCTION budvision_append_only()"
            )
            continue
        refuse = (
            f"BEGIN SELECT RAISE(ABORT, '{table} is append-only: its rows are never changed "
            "or deleted'); END"
        )
        op.execute(f'CREATE TRIGGER {table}_no_update BEFORE UPDATE ON "{table}" {refuse}')
        op.execute(f'CREATE TRIGGER {table}_no_delete BEFORE DELETE ON "{table}" {refuse}')
        op.execute(
            f'CREATE TRIGGER {table}_no_replace BEFORE INSERT ON "{table}" '  # nosec B608
            f'WHEN EXISTS (SELECT 1 FROM "{table}" WHERE id = NEW.id) {refuse}'
        )


def drop(tables: Iterable[str]) -> None:
    """Take the guard off, inside a migration."""
    postgres = op.get_bind().dialect.name == "postgresql"
    for table in tables:
        if postgres:
            op.execute(f'DROP TRIGGER {table}_keep ON "{table}"')
            op.execute(f'DROP TRIGGER {table}_keep_all ON "{table}"')
        else:
            for kind in ("update", "delete", "replace"):
                op.execute(f"DROP TRIGGER {table}_no_{kind}")
