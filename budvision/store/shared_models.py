"""A season's own models at every station of one database: their files lie beside the photographs.

A model's files go to the place of the photographs under the hash of their content, as photographs
do, and come from there to a station that lacks one or holds it damaged. A season in one folder
shares nothing.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import TypeGuard

from budvision.errors import BudvisionError, NotFoundError, VerificationError
from budvision.files import beside, sha256_of, write_whole
from budvision.store.queries.models import ModelRow, list_models
from budvision.store.session import Season
from budvision.verdict.registry import ModelEntry, add_model, verify_model
from budvision.verdict.registry import list_models as listed_models

_PLAIN = re.compile(r"(?!.*\.\.)[A-Za-z0-9][A-Za-z0-9._+-]{0,120}")
_SHA256 = re.compile(r"[0-9a-f]{64}")

__all__ = ["are_model_files", "bring_model", "is_model_name", "model_faults", "share_model",
           "shared_hashes", "sync_models"]


def is_model_name(text: str) -> bool:
    """Tell whether a text is a model's name and version, and no path: ``tuned-2``."""
    return _PLAIN.fullmatch(text) is not None and "-" in text[1:-1]


def are_model_files(found: object) -> TypeGuard[dict[str, str]]:
    """Tell whether these are plain names of files, each with the SHA-256 of its content."""
    return isinstance(found, dict) and all(
        isinstance(name, str) and _PLAIN.fullmatch(name) and _SHA256.fullmatch(str(sha256))
        for name, sha256 in found.items())


def _is_shared(season: Season) -> bool:
    return season.engine.dialect.name == "postgresql" and not season.read_only


def _files(row: ModelRow) -> Mapping[str, str]:
    """Return the files of a season's own model by their SHA-256; none of a model that ships.

    None either of a row that another season's archive brought with names that could lead out of
    the model's folder, or with no hashes.
    """
    found = row.facts.get("files")
    if row.path != f"models/{row.name}" or not is_model_name(row.name):
        return {}
    return found if are_model_files(found) else {}


def share_model(season: Season, entry: ModelEntry) -> None:
    """Put a model's files where every station finds them.

    Raises
    ------
    StorageError
        When that place cannot be written.
    """
    if _is_shared(season):
        for name in entry.files:
            season.photos.add(entry.folder / name)


def bring_model(season: Season, row: ModelRow) -> bool:
    """Have a model of the season here, whole; say whether anything of it had to be fetched.

    Raises
    ------
    NotFoundError
        When it is at no place that this station reaches.
    StorageError, VerificationError
        When the place of the photographs does not answer, or what it holds has changed.
    """
    files, folder = _files(row), season.folder / row.path
    if not files or not _is_shared(season):
        return False
    lacking = [name for name, sha in files.items() if not _is_whole(folder / name, sha)]
    if not lacking and any(one.label == row.name for one in listed_models(folder.parent)):
        return False
    try:
        fetched = {name: season.photos.read(files[name], verify=True) for name in lacking}
    except NotFoundError as error:
        raise NotFoundError(
            f"{row.name} is not at this station, or is damaged here", where=row.path,
            expected="a model that another station has put beside the photographs",
            do="Run `budvision check` at the station where it was trained.") from error
    folder.parent.mkdir(parents=True, exist_ok=True)
    if folder.is_dir():
        for name, data in fetched.items():
            write_whole(folder / name, data)
    else:
        with beside(folder, hidden=True) as part:
            part.mkdir()
            for name, data in fetched.items():
                write_whole(part / name, data)
    name, _, version = row.name.rpartition("-")
    told = row.facts.get("listed", {})
    add_model(ModelEntry(
        name=name, version=version, folder=folder, files=dict(files),
        feature_version=str(row.facts.get("feature_version", "")), made=row.added_at[:10],
        libraries=told.get("libraries", {}), note=told.get("note", "")), replace=True)
    return bool(lacking)


def _is_whole(path: Path, sha256: str) -> bool:
    try:
        seen = path.stat()
        return _hash_of(path, seen.st_mtime_ns, seen.st_size) == sha256
    except OSError:
        return False


@lru_cache(maxsize=256)
def _hash_of(path: Path, _mtime_ns: int, _size: int) -> str:
    return sha256_of(path)


def sync_models(season: Season) -> tuple[str, ...]:
    """Bring every model of the season here, and put there what no other station could find.

    Returns
    -------
    tuple of str
        Names of those of which something had to be fetched; one that is nowhere, or damaged
        everywhere, stays away.
    """
    if not _is_shared(season):
        return ()
    with season.read() as conn:
        rows = list_models(conn)
    fetched = []
    for row in rows:
        try:
            if bring_model(season, row):
                fetched.append(row.name)
            for name, sha256 in _files(row).items():
                if sha256 not in season.photos:
                    season.photos.add(season.folder / row.path / name)
        except (NotFoundError, VerificationError):
            continue  # `budvision check` tells of it
    return tuple(fetched)


def shared_hashes(season: Season) -> frozenset[str]:
    """Return the hashes of what lies beside the photographs and is a model's."""
    with season.read() as conn:
        return frozenset(sha for row in list_models(conn) for sha in _files(row).values())


def model_faults(season: Season) -> list[tuple[str, BudvisionError | None]]:
    """Say where the season's own models or their list are damaged, and how; None where one is gone.
    """
    try:
        entries = listed_models(season.models_folder)
    except BudvisionError as error:
        return [("models/registry.toml", error)]
    found: list[tuple[str, BudvisionError | None]] = []
    for entry in entries:
        try:
            verify_model(entry)
        except BudvisionError as error:
            found.append((f"models/{entry.label}", error))
    listed = {entry.label for entry in entries}
    with season.read() as conn:
        found += [(row.path, None) for row in list_models(conn)
                  if row.path.startswith("models/") and Path(row.path).name not in listed]
    return found
