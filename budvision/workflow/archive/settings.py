"""The season's settings and policies in a copy of it, and back into the season made from it.

Where the database and the photographs lie is of a machine, not of a season: nothing of
`budvision.toml` but ``[settings]`` is ever exported, and nothing else is ever taken from an archive
however it is written there. The season that settings are put back into keeps its own places.
"""

from __future__ import annotations

import contextlib
import json
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from budvision.archive.bag import BagWriter, open_payload
from budvision.archive.signature import SigningKey
from budvision.errors import BudvisionError, InputError, StorageError
from budvision.files import beside
from budvision.settings import Settings
from budvision.store.archive_key import ArchiveKey
from budvision.store.config import CONFIG, write_config
from budvision.store.session import Season
from budvision.vineyard.policies import shipped_policies

__all__ = [
    "POLICIES", "faulty_files", "own_files", "put_text", "restore_policies", "restore_settings",
    "season_text", "write_settings",
]

VALUES, FILE = "data/settings.json", f"data/{CONFIG}"
_THEIRS = "settings.json"
POLICIES = "policies.toml"
_HEADER = re.compile(r"^\s*\[{1,2}\s*([A-Za-z0-9_.\-\"]+)\s*\]{1,2}")
_PLACES = ("database", "photos")
_MOST_BYTES = 1 << 20


def write_settings(season: Season, bag: BagWriter, *, whole: bool) -> None:
    """Put the settings' values and the season's own policies into an archive.

    A whole copy has the file of settings itself too, remarks and all.
    """
    path = season.folder / CONFIG
    policies = season.folder / POLICIES
    if policies.is_file():
        bag.add(f"data/{POLICIES}", policies.read_bytes())
    if not path.exists():
        return
    bag.add(VALUES, json.dumps(asdict(season.settings), indent=1, sort_keys=True).encode())
    if whole:
        bag.add(FILE, season_text(path.read_text(encoding="utf-8")).encode())


def season_text(text: str) -> str:
    """Return the text of `budvision.toml` without where the database and the photographs lie."""
    part = _parted(text)[0]
    with contextlib.suppress(tomllib.TOMLDecodeError):
        if set(tomllib.loads(part)) <= {"settings"}:
            return part
    return _with_lines("", _table(text))  # dotted keys and the like: values without remarks


def own_files(season: Season) -> list[str]:
    """Return the files in a season's folder that belong to it, besides settings and database."""
    logo = season.settings.lab_logo
    plain = [logo] if logo and Path(logo).name == logo else []
    return [POLICIES, "archive-key", "signing-key", *plain]


def faulty_files(season: Season) -> tuple[str, ...]:
    """Name the keys and policies of a season that are there and cannot be used."""
    reads: Mapping[str, Callable[[], object]] = {
        POLICIES: lambda: shipped_policies(season.folder / POLICIES),
        "archive-key": lambda: ArchiveKey(season.folder, keep=False),
        "signing-key": lambda: SigningKey(season.folder)}
    out = []
    for name, read in reads.items():
        try:
            if (season.folder / name).exists():
                read()
        except (BudvisionError, OSError):
            out.append(name)
    return tuple(out)


def put_text(season: Season, text: str) -> None:
    """Write the settings of another season, as `season_text` gave them; places stay the own."""
    path = season.folder / CONFIG
    mine = path.read_text(encoding="utf-8")
    joined = _joined(text, _parted(mine)[1])
    if joined != mine:
        _write(path, joined)
        season.settings = Settings.load(path)


def restore_policies(season: Season, folder: Path) -> list[str]:
    """Write an archive's `policies.toml` into a season that has none.

    Returns
    -------
    list of str
        Why it was not taken over, nothing where it was or where there is none.

    Raises
    ------
    StorageError
        When the file cannot be written.
    """
    theirs = _payload(folder, f"data/{POLICIES}")
    path = season.folder / POLICIES
    if theirs is None or (path.exists() and path.read_text(encoding="utf-8") == theirs):
        return []
    if path.exists():
        return [f"the season has a {POLICIES} of its own, which stays; theirs differs"]
    try:
        with beside(path) as part:
            _write(part, theirs)
            shipped_policies(part)
    except (InputError, ValueError, TypeError, AttributeError) as error:
        return [f"their {POLICIES} was left out: {error}"]
    return []


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
        text = _checked(_joined(whole, _parted(mine)[1]), usable, mine)
    if text is None:
        defaults = Settings()
        text = _with_lines(mine, {
            name: value for name, value in usable.items()
            if name not in own and value != getattr(defaults, name)})
    if text != mine:
        _write(path, text)
        season.settings = Settings.load(path)
    return left


def _payload(folder: Path, name: str) -> str | None:
    with contextlib.suppress(InputError), open_payload(folder, name) as file:
        return file.read(_MOST_BYTES).decode("utf-8", errors="replace")
    return None


def _usable(values: Mapping[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """Part the values that this version takes from those it does not know or allow."""
    usable, left = {}, []
    for name, value in values.items():
        try:
            usable[name] = getattr(Settings.of({name: value}, where=_THEIRS), name)
        except InputError as error:
            left.append(f"setting {name} was left out: {error}")
    return usable, left


def _table(text: str) -> dict[str, Any]:
    return dict(tomllib.loads(text).get("settings", {}))


def _parted(text: str) -> tuple[str, str]:
    """Part the text of `budvision.toml` into what is of the season and what is of the machine."""
    parts: tuple[list[str], list[str]] = ([], [])
    part = 0
    for line in text.splitlines(keepends=True):
        if found := _HEADER.match(line):
            part = found[1].strip('"').split(".")[0] in _PLACES
        parts[part].append(line)
    return "".join(parts[0]), "".join(parts[1])


def _joined(season: str, machine: str) -> str:
    if not machine:
        return season
    return season.rstrip("\n") + "\n\n" + machine


def _checked(text: str, usable: Mapping[str, Any], mine: str) -> str | None:
    """Return the text where it reads as these settings and the own places, else None."""
    try:
        places = [{k: v for k, v in tomllib.loads(one).items() if k != "settings"}
                  for one in (text, mine)]
        if places[0] != places[1]:
            return None
        reads = Settings.of(_table(text), where=CONFIG)
        return text if reads == Settings.of(usable, where=_THEIRS) else None
    except (tomllib.TOMLDecodeError, InputError, TypeError, ValueError):
        return None


def _with_lines(text: str, values: Mapping[str, Any]) -> str:
    """Add settings to the text of `budvision.toml`, below their header."""
    if not values:
        return text
    new = "".join(
        f"{name} = {json.dumps(value, ensure_ascii=False)}\n" for name, value in values.items())
    lines = text.splitlines(keepends=True)
    for i, line in enumerate(lines):
        found = _HEADER.match(line)
        if found and found[1] == "settings":
            lines[i] = line if line.endswith("\n") else line + "\n"
            return "".join([*lines[:i + 1], new, *lines[i + 1:]])
    return (text.rstrip("\n") + f"\n\n[settings]\n{new}").lstrip("\n")


def _write(path: Path, text: str) -> None:
    try:
        write_config(path, text)
    except OSError as error:
        raise StorageError(
            f"the settings could not be written ({error.strerror})", where=str(path),
            do="Make room or mend the rights, then import again.") from error
