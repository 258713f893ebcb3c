"""`budvision.toml` as a file: written whole, and for its owner's eyes where it holds a password."""

from __future__ import annotations

import contextlib
import tomllib
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

from budvision.files import write_whole

__all__ = ["CONFIG", "holds_password", "write_config"]

CONFIG = "budvision.toml"


def write_config(path: Path, text: str) -> None:
    """Write a season's `budvision.toml` whole.

    The rights of a file that was there stay. One that holds the database's password may be read by
    its owner alone.

    Raises
    ------
    OSError
        When the disk is full or the folder may not be written; the file is as it was.
    """
    mode = path.stat().st_mode & 0o777 if path.exists() else None
    if holds_password(text):
        mode = 0o600 if mode is None else mode & 0o700
    write_whole(path, text, mode=mode)


def holds_password(text: str) -> bool:
    """Tell whether the text of a `budvision.toml` names a database with a password."""
    url: object = None
    with contextlib.suppress(tomllib.TOMLDecodeError, KeyError, TypeError):
        url = tomllib.loads(text)["database"]["url"]
    if not isinstance(url, str):
        return False
    try:
        parts = urlsplit(url)
        return bool(parts.password) or "password" in parse_qs(parts.query)
    except ValueError:
        return False
