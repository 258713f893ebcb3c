"""What no seal covers, since people write it by hand: settings, policies, and who may read them.

A person may change them at any time, so that a change is told and not refused. `check` keeps what
it saw, and tells what is otherwise the next time: a damaged disk changes numbers too.
"""

from __future__ import annotations

import json
import os
from dataclasses import asdict
from datetime import UTC, datetime

from budvision.files import sha256_of, write_whole
from budvision.store.config import CONFIG, holds_password
from budvision.store.session import Season

__all__ = ["changes_since_check", "note_check", "readable_password"]

_NAME = "last-check.json"
_POLICIES = "policies.toml"


def changes_since_check(season: Season) -> list[str]:
    """Say which settings and policies are not those of the last check, a sentence for each."""
    try:
        kept = json.loads((season.folder / _NAME).read_text(encoding="utf-8"))
        before, checked_on = dict(kept["values"]), str(kept["at"])[:10]
    except FileNotFoundError:
        return []
    except (OSError, ValueError, KeyError, TypeError):
        return [f"{_NAME}, which keeps the settings of the last check, cannot be read"]
    now = _values(season)
    return [f"{name} is {_as_text(now.get(name))}; at the check of {checked_on} it was "
            f"{_as_text(before.get(name))}"
            for name in sorted({*before, *now}) if before.get(name) != now.get(name)]


def note_check(season: Season) -> None:
    """Keep the settings and policies as they are now, where the folder may be written."""
    if not season.read_only:
        write_whole(season.folder / _NAME, json.dumps({
            "at": datetime.now(UTC).isoformat(timespec="seconds"), "values": _values(season)}))


def readable_password(season: Season) -> bool:
    """Tell whether others may read a password that stands in `budvision.toml`."""
    path = season.folder / CONFIG
    return (os.name == "posix" and bool(path.stat().st_mode & 0o077)
            and holds_password(path.read_text(encoding="utf-8")))


def _values(season: Season) -> dict[str, object]:
    path = season.folder / _POLICIES
    return {**asdict(season.settings), _POLICIES: sha256_of(path) if path.is_file() else None}


def _as_text(value: object) -> str:
    if value is None:
        return "not there"
    return f"other bytes ({value[:8]})" if isinstance(value, str) and len(value) == 64 else (
        str(value))
