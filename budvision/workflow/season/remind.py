"""Remind of a backup that is due, whichever station of the season made the last one."""

from __future__ import annotations

from datetime import UTC, datetime

from budvision.errors import BudvisionError
from budvision.language import plain_count
from budvision.store.backups import LastBackup, last_backup
from budvision.store.config import CONFIG
from budvision.store.queries.backups import first_photo_at, newest_backup
from budvision.store.session import Season, as_utc

__all__ = ["backup_reminder", "last_of_all"]


def last_of_all(season: Season) -> LastBackup | None:
    """Return the last backup that any station of a season has made, None where there is none.

    Raises
    ------
    StorageError
        When the database does not answer.
    """
    with season.read() as conn:
        shared = newest_backup(conn)
    known = [one for one in (last_backup(season.folder), shared) if one is not None]
    return min(known, key=LastBackup.days, default=None)


def backup_reminder(season: Season) -> str:
    """Say that a backup is due by the setting `backup_days`, '' where it is not.

    A season that was never backed up is due that long after it was made, or after its first
    photograph. A database that does not answer is told of elsewhere.
    """
    days, own = season.settings.backup_days, last_backup(season.folder)
    if days <= 0 or (own is not None and own.days() <= days):
        return ""
    try:
        last = last_of_all(season)
        with season.read() as conn:
            begun = datetime.fromisoformat(as_utc(first_photo_at(conn))).timestamp()
    except BudvisionError:
        return ""
    if last is None:
        begun = min(begun, (season.folder / CONFIG).stat().st_mtime)
        return "" if datetime.now(UTC).timestamp() - begun <= days * 86400 else (
            "No backup of this season is known. Run `budvision backup DIR`, best to another "
            "disk.")
    where = own.folder if own is not None else "DIR"
    return "" if last.days() <= days else (
        f"The last backup of this season is {plain_count(round(last.days()), 'day')} old. "
        f"Run `budvision backup {where}`.")
