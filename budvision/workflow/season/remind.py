"""Remind of a backup that is due, whichever station of the season made the last one."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from budvision.errors import BudvisionError
from budvision.language import say, say_n
from budvision.store.backups import LastBackup, last_backup, last_whole_backup
from budvision.store.config import CONFIG
from budvision.store.queries.backups import first_photo_at, newest_backup
from budvision.store.session import Season, as_utc

__all__ = ["KnownBackups", "backup_reminder", "known_backups"]


@dataclass(frozen=True, slots=True)
class KnownBackups:
    """The last backups that any station of a season has made, None where there is none.

    Attributes
    ----------
    whole : LastBackup or None
        The last that lacks nothing.
    newer : LastBackup or None
        A later one, which lacks photographs or other files.
    """

    whole: LastBackup | None
    newer: LastBackup | None

    @property
    def newer_lacks(self) -> str:
        """Say what the later one lacks, '' where there is none."""
        if self.newer is None:
            return ""
        day, out = self.newer.at[:10], []
        if n := self.newer.n_missing:
            out.append(say_n("The backup of {day} lacks {n} photograph.",
                             "The backup of {day} lacks {n} photographs.", n, day=day))
        if n := self.newer.n_files:
            out.append(say_n("In the backup of {day} {n} file is missing or damaged.",
                             "In the backup of {day} {n} files are missing or damaged.", n,
                             day=day))
        return " ".join([*out, say("`budvision check` says which, and what to do.")])


def known_backups(season: Season) -> KnownBackups:
    """Return the last backups that any station of a season has made.

    Raises
    ------
    StorageError
        When the database does not answer.
    """
    with season.read() as conn:
        shared, shared_whole = newest_backup(conn), newest_backup(conn, whole=True)
    last, whole = (
        min((one for one in both if one is not None), key=LastBackup.days, default=None)
        for both in ((last_backup(season.folder), shared),
                     (last_whole_backup(season.folder), shared_whole)))
    newer = last is not None and not last.whole and (whole is None or last.days() < whole.days())
    return KnownBackups(whole, last if newer else None)


def backup_reminder(season: Season) -> str:
    """Say that a backup is due by the setting `backup_days`, '' where it is not.

    Only a whole one counts. A season that was never backed up is due that long after it was made,
    or after its first photograph. A database that does not answer is told of elsewhere.
    """
    days, own = season.settings.backup_days, last_whole_backup(season.folder)
    if days <= 0 or (own is not None and own.days() <= days):
        return ""
    try:
        known = known_backups(season)
        with season.read() as conn:
            begun = datetime.fromisoformat(as_utc(first_photo_at(conn))).timestamp()
    except BudvisionError:
        return ""
    if known.whole is None:
        begun = min(begun, (season.folder / CONFIG).stat().st_mtime)
        if datetime.now(UTC).timestamp() - begun <= days * 86400:
            return ""
        first = say("No whole backup of this season is known.") if known.newer else say(
            "No backup of this season is known.")
    elif known.whole.days() <= days:
        return ""
    else:
        old = round(known.whole.days())
        first = say_n("The last whole backup of this season is {n} day old.",
                      "The last whole backup of this season is {n} days old.", old) if (
            known.newer) else say_n("The last backup of this season is {n} day old.",
                                    "The last backup of this season is {n} days old.", old)
    if known.newer:
        return f"{first} {known.newer_lacks}"
    if known.whole is None:
        return " ".join([first, say("Run `budvision backup DIR`, best to another disk.")])
    noted = last_backup(season.folder)
    return " ".join([first, say("Run `budvision backup {folder}`.",
                                folder=noted.folder if noted is not None else "DIR")])
