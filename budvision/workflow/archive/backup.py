"""Back a season up while it is in use, and make a season anew from a backup.

A backup folder holds ``photos/``, shared by all its generations and only ever added to, and
``generations/``, one folder for each backup with the database, settings, policies, keys, models
and answers of that moment and a list of hashes. A generation is written beside, verified, and then
gets its name; the ones before are not touched.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from budvision.archive.bag import sha256_of
from budvision.archive.generations import link
from budvision.errors import (
    BudvisionError,
    ConflictError,
    InputError,
    NotFoundError,
    StorageError,
    VerificationError,
)
from budvision.files import sync_folder, write_whole
from budvision.settings import Settings
from budvision.store import seal
from budvision.store.backups import LastBackup, note_backup
from budvision.store.copying import copy_rows
from budvision.store.engine import DATABASE, open_engine
from budvision.store.photos import PhotoStore
from budvision.store.queries import overview
from budvision.store.session import CONFIG, Season, now
from budvision.version import __version__
from budvision.workflow.archive.proof import answers_of, differences
from budvision.workflow.archive.settings import own_files, season_text

__all__ = ["BackupReport", "RestoreReport", "backup", "generations_of", "restore"]

Progress = Callable[[int, int, str], None]
FACTS, ANSWERS, GENERATIONS = "backup.json", "results.json", "generations"
_FORMAT, _FORMAT_VERSION = "budvision-backup", 1
_KEYS = ("archive-key", "signing-key")


@dataclass(frozen=True, slots=True, kw_only=True)
class BackupReport:
    """What a backup did.

    Attributes
    ----------
    n_new, n_repaired : int
        Photographs written now; `n_repaired` of them because the backup's copy was damaged.
    missing : tuple of str
        Hashes of photographs that the season lists but no longer holds, nor the backup.
    removed : tuple of str
        Generations that were older than those to be kept.
    """

    folder: str
    generation: str
    n_photos: int
    n_new: int
    n_repaired: int
    missing: tuple[str, ...]
    removed: tuple[str, ...]

    def as_dict(self) -> dict[str, object]:
        """Return the report as JSON has it."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class RestoreReport:
    """What a restore made."""

    folder: str
    generation: str
    n_photos: int
    missing: tuple[str, ...]

    def as_dict(self) -> dict[str, object]:
        """Return the report as JSON has it."""
        return asdict(self)


def generations_of(folder: Path) -> list[str]:
    """Return the generations of a backup folder, oldest first."""
    return sorted(path.parent.name for path in (folder / GENERATIONS).glob(f"*/{FACTS}")
                  if not path.parent.name.startswith("."))


# ---- backing up ------------------------------------------------------------------------------


def backup(
    season: Season, folder: Path, *, keep: int = 14, progress: Progress | None = None
) -> BackupReport:
    """Write one more generation of a backup, verified, and keep the newest ones.

    Parameters
    ----------
    season : Season
        May be in use meanwhile: the database is copied as it stands at one moment.
    folder : Path
        New, empty, or an earlier backup; best on another disk.
    keep : int
        Generations to keep, at least 1. Photographs are never removed.
    progress : callable, optional
        Called with photographs done, photographs in all, and a hash.

    Raises
    ------
    ConflictError
        When the folder holds other files.
    InputError
        When the folder lies in the season's, or `keep` is below 1.
    VerificationError
        When the copy does not verify; the generations before stay.
    StorageError
        When the disk is full; running again goes on where it stopped.
    """
    if keep < 1:
        raise InputError(f"--keep is {keep}", expected="1 or more", where="backup")
    folder = folder.resolve()
    if folder.is_relative_to(season.folder):
        raise InputError("the backup would lie in the season itself", where=str(folder),
                         expected="a folder elsewhere, best on another disk", do="Name another.")
    with _disk(folder):
        home = folder / GENERATIONS
        if folder.exists() and any(folder.iterdir()) and not home.is_dir():
            raise ConflictError("it holds other files", where=str(folder),
                                expected="a new folder or an earlier backup", do="Name another.")
        home.mkdir(parents=True, exist_ok=True)
        for left in home.glob(".*.part"):
            shutil.rmtree(left, ignore_errors=True)
        before = generations_of(folder)
        name = _name(before)
        part = home / f".{name}.part"
        part.mkdir()
        _copy_database(season, part)
        _copy_files(season, part, home / before[-1] if before else None)
        with _opened(part, folder) as copy:
            n_new, n_repaired, missing, n_photos = _copy_photos(season, copy, progress)
            facts = _verified(copy, season)
        facts |= {"n_photos": n_photos, "missing": list(missing)}
        _write(part / FACTS, json.dumps(facts, indent=1).encode())
        sync_folder(part)
        part.replace(home / name)
        sync_folder(home)
        if not season.read_only:
            note_backup(season.folder, LastBackup(str(facts["made_at"]), str(folder), name))
        removed = tuple(generations_of(folder)[:-keep])
        for old in removed:
            away = home / f".{old}.part"
            (home / old).replace(away)
            shutil.rmtree(away, ignore_errors=True)
    return BackupReport(folder=str(folder), generation=name, n_photos=n_photos, n_new=n_new,
                        n_repaired=n_repaired, missing=missing, removed=removed)


def _name(before: list[str]) -> str:
    stamp = now()[:19].replace(":", "") + "Z"
    number = 2
    name = stamp
    while name in before:
        name, number = f"{stamp}-{number}", number + 1
    return name


def _copy_database(season: Season, part: Path) -> None:
    target = part / DATABASE
    if season.engine.dialect.name == "sqlite":
        raw = season.engine.raw_connection()
        try:
            assert raw.driver_connection is not None
            with closing(sqlite3.connect(target)) as copy:
                raw.driver_connection.backup(copy)
                copy.execute("PRAGMA journal_mode=DELETE")
        finally:
            raw.close()
    else:  # a server's rows, in a file that needs no server to be read
        with season.read() as source, Season.create(part / "rows") as local, (
                local.write()) as rows:
            copy_rows(source, rows)
        with closing(sqlite3.connect(part / "rows" / DATABASE)) as copy:
            copy.execute("PRAGMA journal_mode=DELETE")
        (part / "rows" / DATABASE).replace(target)
        shutil.rmtree(part / "rows")
    with target.open("rb") as file:
        os.fsync(file.fileno())


def _copy_files(season: Season, part: Path, before: Path | None) -> None:
    _write(part / CONFIG, season_text((season.folder / CONFIG).read_text("utf-8")).encode())
    for name in own_files(season):
        if (season.folder / name).is_file():
            _write(part / name, (season.folder / name).read_bytes(),
                   mode=0o600 if name in _KEYS else 0o644)
    if not season.models_folder.is_dir():
        return
    for path in sorted(season.models_folder.rglob("*")):
        if path.is_symlink() or not path.is_file() or path.name.endswith(".part"):
            continue
        inside = Path("models") / path.relative_to(season.models_folder)
        kept = before / inside if before is not None else None
        if kept is not None and kept.is_file() and sha256_of(kept) == sha256_of(path):
            link(kept, part / inside)
        else:
            _write(part / inside, path.read_bytes())


def _copy_photos(
    season: Season, copy: Season, progress: Progress | None
) -> tuple[int, int, tuple[str, ...], int]:
    with copy.read() as conn:
        hashes = sorted(overview.photo_hashes(conn))
    n_new = n_repaired = 0
    missing: list[str] = []
    for at, sha256 in enumerate(hashes):
        if progress is not None:
            progress(at, len(hashes), sha256[:12])
        there = sha256 in copy.photos
        if there and copy.photos.sound(sha256):
            continue
        try:
            data = season.photos.read(sha256, verify=True)
        except BudvisionError:
            missing.append(sha256)
            continue
        added = copy.photos.add(data)
        n_new += 1
        n_repaired += there
        if not copy.photos.sound(added.sha256):
            raise VerificationError(f"photograph {sha256[:12]} was not written as it is",
                                    where=str(copy.photos.folder), do="Check the backup's disk.")
    return n_new, n_repaired, tuple(missing), len(hashes)


def _verified(copy: Season, season: Season) -> dict[str, Any]:
    """Check a generation's database and return what its list says."""
    _check_rows(copy)
    answers = answers_of(copy)
    _write(copy.folder / ANSWERS, json.dumps(answers, indent=1).encode())
    with copy.read() as conn:
        point = seal.point(conn)
    assert point is not None
    return {
        "format": _FORMAT, "format_version": _FORMAT_VERSION, "made_at": now(),
        "made_by": f"budvision {__version__}", "season": season.folder.name,
        "point": {"n": point.n, "sha256": point.sha256},
        "files": {name: sha256_of(copy.folder / name) for name in _files(copy.folder)},
    }


def _check_rows(copy: Season) -> None:
    with copy.read() as conn:
        wrong = overview.database_faults(conn) or [
            f"table {one.table}, {one.rows}: {one.what}" for one in seal.verify(conn)]
    if wrong:
        raise VerificationError(wrong[0], where=str(copy.folder / DATABASE),
                                expected="the rows that were saved",
                                do="Run `budvision check` in the season.")


def _files(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*")
                  if path.is_file() and path.name != FACTS)


@contextmanager
def _opened(generation: Path, folder: Path) -> Iterator[Season]:
    """Open a generation for reading, with the backup's photographs."""
    with Season(generation, settings=Settings.load(generation / CONFIG), read_only=True,
                engine=open_engine(generation, None, read_only=True),
                photos=PhotoStore(folder / "photos")) as copy:
        yield copy


def _write(path: Path, data: bytes, *, mode: int = 0o644) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, data, mode=mode)


@contextmanager
def _disk(folder: Path) -> Iterator[None]:
    try:
        yield
    except StorageError:
        raise
    except OSError as error:
        raise StorageError(
            f"it could not be written or read ({error.strerror or error})", where=str(folder),
            do="Make room or mend the rights, then run the command again; generations that are "
            "there, and the season, are as they were.") from error


# ---- restoring -------------------------------------------------------------------------------


def restore(
    folder: Path, target: Path, *, generation: str | None = None, progress: Progress | None = None
) -> RestoreReport:
    """Make a season from a backup: every file and row verified, its answers compared.

    Parameters
    ----------
    folder : Path
        The backup.
    target : Path
        The new season's folder, which does not exist yet or is empty.
    generation : str, optional
        The newest when left out.

    Raises
    ------
    NotFoundError
        When the folder is no backup or has no such generation.
    ConflictError
        When the new folder holds files.
    VerificationError
        When anything of the generation is damaged; nothing stands under the new name then.
    """
    folder, target = folder.resolve(), target.resolve()
    there = generations_of(folder)
    if not there or (generation is not None and generation not in there):
        raise NotFoundError(
            f"there is no generation {generation}" if there else "it is no backup",
            where=str(folder), do="Correct the name.", code="no_backup",
            expected=f"one of {', '.join(there[-8:])}" if there else "a folder that "
            "`budvision backup` wrote")
    name = generation or there[-1]
    source = folder / GENERATIONS / name
    facts = _facts(source, there)
    with _disk(target):
        if target.exists() and (not target.is_dir() or any(target.iterdir())):
            raise ConflictError("it holds files", where=str(target), expected="a new folder",
                                do="Name another folder; nothing was changed.")
        part = target.with_name(f".{target.name}.restore")
        _clear_but_photos(part)
        for file in facts["files"]:
            _write(part / file, (source / file).read_bytes(),
                   mode=0o600 if file in _KEYS else 0o644)
        n_photos = _restore_photos(folder, part, set(facts["missing"]), progress)
        point = seal.Point(int(facts["point"]["n"]), str(facts["point"]["sha256"]))
        kept = json.loads((part / ANSWERS).read_text("utf-8"))
        (part / ANSWERS).unlink()
        seal.Folder(part).note(point)
        with Season.open(part) as season:
            _check_rows(season)
            if differ := differences(kept, answers_of(season)):
                raise VerificationError(
                    f"the answers come out otherwise than at the backup: {differ[0]}",
                    where=str(source), code="answers_differ",
                    do="Restore an older generation with --generation, and compare.")
        if target.exists():
            target.rmdir()
        part.replace(target)
        sync_folder(target.parent)
    return RestoreReport(str(target), name, n_photos, tuple(facts["missing"]))


def _facts(source: Path, there: list[str]) -> dict[str, Any]:
    older = [name for name in there if name < source.name]
    do = (f"Restore an older one with `--generation {older[-1]}`." if older
          else "Look for another backup or an archive.")
    try:
        facts = json.loads((source / FACTS).read_text("utf-8"))
        newer = facts["format"] != _FORMAT or int(facts["format_version"]) > _FORMAT_VERSION
        files = {str(k): str(v) for k, v in facts["files"].items()}
        int(facts["point"]["n"])
        facts["missing"] = [str(one) for one in facts["missing"]]
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise VerificationError(f"{FACTS} cannot be read", where=str(source), do=do) from error
    if newer:
        raise VerificationError("a newer budvision made it", where=str(source),
                                code="newer_format", do="Install that version.")
    found = set(_files(source))
    for name, sha256 in files.items():
        if name not in found or sha256_of(source / name) != sha256:
            raise VerificationError(f"{name} is missing or has changed", where=str(source), do=do,
                                    expected="the bytes that were backed up")
    return dict(facts)


def _clear_but_photos(part: Path) -> None:
    part.mkdir(parents=True, exist_ok=True)
    for path in part.iterdir():
        if path.name != "photos":
            shutil.rmtree(path) if path.is_dir() else path.unlink()
    (part / "photos").mkdir(exist_ok=True)
    (part / "models").mkdir(exist_ok=True)


def _restore_photos(
    folder: Path, part: Path, missing: set[str], progress: Progress | None
) -> int:
    pool, store = PhotoStore(folder / "photos"), PhotoStore(part / "photos")
    with _opened(part, folder) as copy, copy.read() as conn:
        wanted = sorted(set(overview.photo_hashes(conn)) - missing)
    for at, sha256 in enumerate(wanted):
        if progress is not None:
            progress(at, len(wanted), sha256[:12])
        data = pool.read(sha256, verify=True)
        if hashlib.sha256(store.add(data).path.read_bytes()).hexdigest() != sha256:
            raise VerificationError(f"photograph {sha256[:12]} was not written as it is",
                                    where=str(part), do="Check the disk.")
    return len(wanted)
