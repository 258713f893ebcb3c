"""What a season's folder knows of its backups: when and where the last good one was made."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from budvision.files import write_whole

__all__ = ["LastBackup", "last_backup", "last_good_copy", "note_backup"]

_NAME = "last-backup.json"


@dataclass(frozen=True, slots=True)
class LastBackup:
    """The last backup that was made and verified.

    Attributes
    ----------
    at : str
        UTC, ISO 8601.
    folder : str
        The backup folder as it was named.
    generation : str
        Its generation there.
    """

    at: str
    folder: str
    generation: str

    def days(self, *, now: datetime | None = None) -> float:
        """Return its age in days."""
        then = datetime.fromisoformat(self.at)
        return ((now or datetime.now(UTC)) - then).total_seconds() / 86400


def note_backup(root: Path, last: LastBackup) -> None:
    """Keep what the last backup was, in the season's folder."""
    write_whole(root / _NAME, json.dumps(asdict(last)))


def last_backup(root: Path) -> LastBackup | None:
    """Return the last backup that this folder knows of, None where there is none."""
    try:
        found = json.loads((root / _NAME).read_text(encoding="utf-8"))
        last = LastBackup(str(found["at"]), str(found["folder"]), str(found["generation"]))
        return last if last.days() >= -1 else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


def last_good_copy(root: Path) -> str:
    """Say, as a next step, from which copy that exists a damaged database is put back."""
    last = last_backup(root)
    if last is not None and (Path(last.folder) / "generations" / last.generation).is_dir():
        return (f"Restore the backup of {last.at[:16].replace('T', ' ')} with `budvision restore "
                f"{last.folder} NEW_SEASON`; the damaged folder stays as it is.")
    copies = sorted(root.glob("budvision.db.before-*"), key=lambda path: path.stat().st_mtime)
    if copies:
        return (f"No backup is known here. {copies[-1].name} is a copy from before the last "
                "update of budvision: rename it to budvision.db (keep the damaged file), then run "
                "`budvision check`, which says what is newer than it.")
    return ("No backup is known here, but look for one (`budvision restore DIR NEW_SEASON`) and "
            "for archives; the photographs are still in photos/.")
