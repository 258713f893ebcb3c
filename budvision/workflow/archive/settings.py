"""The season's settings in an archive, and back into the season that is restored from it.

Where the database and the photographs lie is of a machine, not of a season: the tables
``[database]`` and ``[photos]`` of `budvision.toml` are never exported, and stay as they are in the
season that settings are put back into.
"""

from __future__ import annotations

import contextlib
import json
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from budvision.archive.bag import BagWriter, open_payload
from budvision.errors import InputError, StorageError
from budvision.files import write_whole
from budvision.settings import Settings
from budvision.store.session import CONFIG, Season

__all__ = ["restore_settings", "write_settings"]

VALUES, FILE = "data/settings.json", f"data/{CONFIG}"
_HEADER = re.compile(r"^\s*\[{1,2}\s*([A-Za-z0-9_.\-\"]+)\s*\]{1,2}")
_PLACES = ("database", "photos")


def write_settings(season: Season, bag: BagWriter, *, whole: bool) -> None:
    """Put the settings' values into an archive, and into a whole copy the file itself."""
    path = season.folder / CONFIG
    if not path.exists():
        return
    bag.add(VALUES, json.dumps(dict(season.settings), indent=1, sort_keys=True).encode())
    if whole:
        bag.add(FILE, _parted(path.read_text(encoding="utf-8"))[0].encode())


def restore_settings(season: Season, folder: Path) -> list[str]:
    """Write an archive's settings into a season that is restored from it.

    What the season's own file sets already stands.

    Returns
    -------
    list of str
        Settings that were not taken over, and why.

    Raises
    ------
    StorageError
        When the file cannot be written; it is then as it was.
    """
    theirs = _payload(folder, VALUES)
    try:
        values: dict[str, Any] = dict(json.loads(theirs)) if theirs else {}
    except (ValueError, TypeError):
        values = {}
    path = season.folder / CONFIG
    mine = path.read_text(encoding="utf-8")
    own = _table(mine)
    usable, left = _usable(values)
    left += [f"setting {name} is {own[name]!r} here and stays; it was {value!r} there"
             for name, value in usable.items() if name in own and own[name] != value]
    text = None
    whole = _payload(folder, FILE)
    if whole is not None and not own:
        text = _checked(_joined(whole, _parted(mine)[1]), usable)
    if text is None:
        defaults = Settings()
        text = _with_lines(mine, {
            name: value for name, value in usable.items()
            if name not in own and value != defaults[name]})
    if text != mine:
        _write(path, text)
        season.settings = Settings.load(path)
    return left


def _payload(folder: Path, name: str) -> str | None:
    with contextlib.suppress(InputError), open_payload(folder, name) as file:
        return file.read().decode("utf-8", errors="replace")
    return None


def _usable(values: Mapping[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """Part the values that this version takes from those it does not know or allow."""
    usable, left = {}, []
    for name, value in values.items():
        try:
            usable[name] = Settings({name: value}, where="settings.json")[name]
        except InputError as error:
            left.append(f"setting {name} was left out: {error}")
    return usable, left


def _table(text: str) -> dict[str, Any]:
    return dict(tomllib.loads(text).get("settings", {}))


def _parted(text: str) -> tuple[str, str]:
    """Part the text of `budvision.toml` into what is of the season and what is of the machine."""
    parts: tuple[list[str], list[str]] = ([], [])
    at = 0
    for line in text.splitlines(keepends=True):
        if found := _HEADER.match(line):
            at = found[1].strip('"').split(".")[0] in _PLACES
        parts[at].append(line)
    return "".join(parts[0]), "".join(parts[1])


def _joined(season: str, machine: str) -> str:
    if not machine:
        return season
    return season.rstrip("\n") + "\n\n" + machine


def _checked(text: str, usable: Mapping[str, Any]) -> str | None:
    """Return the text where it reads as these settings, None where it does not."""
    try:
        return text if dict(Settings(_table(text))) == {**Settings(), **usable} else None
    except (tomllib.TOMLDecodeError, InputError, TypeError, ValueError):
        return None


def _with_lines(text: str, values: Mapping[str, Any]) -> str:
    """Add settings to the text of `budvision.toml`, below their header."""
    if not values:
        return text
    new = "".join(f"{name} = {json.dumps(value)}\n" for name, value in values.items())
    lines = text.splitlines(keepends=True)
    for i, line in enumerate(lines):
        found = _HEADER.match(line)
        if found and found[1] == "settings":
            lines[i] = line if line.endswith("\n") else line + "\n"
            return "".join([*lines[:i + 1], new, *lines[i + 1:]])
    return text.rstrip("\n") + f"\n\n[settings]\n{new}"


def _write(path: Path, text: str) -> None:
    try:
        write_whole(path, text)
    except OSError as error:
        raise StorageError(
            f"the settings could not be written ({error.strerror})", where=str(path),
            do="Make room or mend the rights, then import again.") from error
