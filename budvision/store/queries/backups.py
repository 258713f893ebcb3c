"""Backups that the stations of a season have made: any of them counts."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from sqlalchemy import Connection, func, select, true

from budvision.store.backups import LastBackup
from budvision.store.queries.insertion import insert_row
from budvision.store.session import as_utc, now
from budvision.store.tables import backup, photo

__all__ = ["add_backup", "first_photo_at", "newest_backup"]


def add_backup(conn: Connection, last: LastBackup, *, station: str) -> None:
    """Note a backup that was made and verified.

    Parameters
    ----------
    station : str
        The machine and folder that made it.
    """
    insert_row(conn, backup, station=station, folder=last.folder, generation=last.generation,
               made_at=as_utc(last.at), n_missing=last.n_missing, n_files=last.n_files)


def newest_backup(conn: Connection, *, whole: bool = False) -> LastBackup | None:
    """Return the last backup that any station has made, None where there is none.

    One dated more than a day ahead, by a clock that went wrong, is left out.

    Parameters
    ----------
    whole : bool
        Whether one that lacks photographs or models is left out too.
    """
    lacking = func.coalesce(backup.c.n_missing, 0) + func.coalesce(backup.c.n_files, 0)
    ahead = as_utc((datetime.now(UTC) + timedelta(days=1)).isoformat())
    row = conn.execute(
        select(backup).where(backup.c.made_at <= ahead, (lacking == 0) if whole else true())
        .order_by(backup.c.made_at.desc(), backup.c.id.desc()).limit(1)).first()
    return None if row is None else LastBackup(
        row.made_at, row.folder, row.generation, row.n_missing or 0, row.n_files or 0)


def first_photo_at(conn: Connection) -> str:
    """Return when the first photograph was taken in; the present time where there is none."""
    found = conn.scalar(select(photo.c.added_at).order_by(photo.c.id).limit(1))
    return now() if found is None else str(found)
