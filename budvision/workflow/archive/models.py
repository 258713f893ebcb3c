"""The season's own models in an archive."""

from __future__ import annotations

import json
from pathlib import Path

from sqlalchemy import Connection

from budvision.archive.bag import BagWriter, listed_hashes
from budvision.errors import InputError
from budvision.files import sha256_of
from budvision.store.queries import rows
from budvision.store.session import Season
from budvision.store.shared_models import sync_models

__all__ = ["write_models"]

_LIST = "data/models/registry.toml"


def write_models(season: Season, conn: Connection, bag: BagWriter) -> int:
    """Put the season's own models into an archive and return how many models its rows name.

    A file that is missing or damaged in the season, and is whole in the archive that is written
    again, stays there.
    """
    from budvision.verdict.registry import list_models

    sync_models(season)
    n = 0
    listed = season.models_folder / "registry.toml"
    before = listed_hashes(bag.target / "manifest-sha256.txt").get(_LIST, "")
    try:
        readable = listed.is_file() and bool(list_models(season.models_folder))
    except InputError:
        readable = False
    if (readable or not bag.keep(_LIST, before)) and listed.is_file():
        bag.add(_LIST, listed.read_bytes())
    for row in rows.stream(conn, "model"):
        n += 1
        folder = (season.folder / row["path"]).resolve()
        if not folder.is_relative_to(season.models_folder.resolve()):
            continue  # shipped with the program
        within = f"data/models/{row['name']}"
        stays = {file for file, sha256 in json.loads(row["facts"]).get("files", {}).items()
                 if not _whole(folder / file, sha256) and bag.keep(f"{within}/{file}", sha256)}
        for path in sorted(folder.rglob("*")):
            file = path.relative_to(folder).as_posix()
            if not path.is_file() or path.is_symlink() or file in stays or (
                    bag.has(f"{within}/{file}", sha256_of(path))):
                continue
            with bag.writing(f"{within}/{file}") as copy, path.open("rb") as source:
                while chunk := source.read(1 << 20):
                    copy.write(chunk)
    return n


def _whole(path: Path, sha256: str) -> bool:
    return path.is_file() and sha256_of(path) == sha256
