"""Adding and changing one row, for the other modules of this package."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, Table, insert

from budvision.errors import InputError

__all__ = ["as_json", "check_names", "insert_row"]


def insert_row(conn: Connection, table: Table, **values: Any) -> int:
    """Add a row and return its id."""
    key = conn.execute(insert(table).values(**values)).inserted_primary_key
    assert key is not None
    return int(key[0])


def check_names(values: Mapping[str, Any], allowed: frozenset[str], what: str) -> None:
    """Refuse a change of anything but the names allowed."""
    if wrong := sorted(set(values) - allowed):
        raise InputError(f"{', '.join(wrong)} cannot be changed", where=what,
                         expected=f"one of {', '.join(sorted(allowed))}")


def as_json(value: Any) -> str:
    """Return a value as JSON text; text is taken to be JSON already."""
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
