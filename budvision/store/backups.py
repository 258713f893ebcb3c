"""What a season's folder knows of its backups: when and where the last ones were made."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from budvision.files import write_whole

__all__ = ["LastBackup", "last_backup", "last_good_copy", "last_whole_backup",
           "note_backup"]

_NAME = "last-backup.json"


@dataclass(frozen=True, slots=True)
class LastBackup:
    """A backup that was made and verified.

    Attributes
    ----------
    at : str
        UTC, ISO 8601.
    folder : str
        The backup folder as it was named.
    generation : str
        Its generation there.
    n_missing, n_files : int
        Photographs that it does not hold since the season no longer had them whole, and models,
        keys and policies that were missing or damaged.
    """

    at: str
    folder: str
    generation: str
    n_missing: int = 0
    n_files: int = 0

    @property
    def whole(self) -> bool:
        """Whether it holds all that the season's records name."""
        return not (self.n_missing or self.n_files)

    def days(self, *, now: datetime | None = None) -> float:
        """Return its age in days."""
        then = datetime.fromisoformat(self.at)
        return ((now or datetime.now(UTC)) - then).total_seconds() / 86400


def note_backup(root: Path, last: LastBackup) -> None:
    """Keep what the last backup was, in the season's folder, and the last that was whole."""
    whole = last if last.whole else last_whole_backup(root)
    write_whole(root / _NAME, json.dumps(
        asdict(last) | {"whole": None if whole is None else asdict(whole)}))


def last_backup(root: Path) -> LastBackup | None:
    """Return the last backup that this folder knows of, None where there is none."""
    return _backup_of(_noted(root))


def last_whole_backup(root: Path) -> LastBackup | None:
    """Return the last backup known here that lacks nothing, None where there is none."""
    last = last_backup(root)
    return last if last is not None and last.whole else _backup_of(_noted(root).get("whole"))


def _noted(root: Path) -> dict[str, Any]:
    try:
        found = json.loads((root / _NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def _backup_of(found: Any) -> LastBackup | None:
    try:
        last = LastBackup(str(found["at"]), str(found["folder"]), str(found["generation"]),
                          int(found.get("n_missing", 0)), int(found.get("n_files", 0)))
        return last if last.days() >= -1 else None
    except (ValueError, KeyError, TypeError, AttributeError):
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
