"""Back a season up while it is in use; `restore` makes a season anew.

A backup folder holds ``photos/``, shared by all its generations and only ever added to, and
``generations/``, one folder for each backup with the database, settings, policies, keys, models
and answers of that moment and a list of hashes. A generation is written beside, verified, and then
gets its name; the ones before are not touched.
"""

from __future__ import annotations

import json
import logging
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from budvision.archive.bag import disk
from budvision.archive.generations import link
from budvision.errors import (
    BudvisionError,
    ConflictError,
    InputError,
    StorageError,
    VerificationError,
)
from budvision.files import put, sha256_of, write_whole
from budvision.language import mark
from budvision.settings import Settings
from budvision.store import seal
from budvision.store.backups import LastBackup, note_backup
from budvision.store.config import CONFIG
from budvision.store.copying import copy_rows
from budvision.store.engine import DATABASE, open_engine
from budvision.store.object_photos import ObjectPhotoStore
from budvision.store.photos import PhotoStore
from budvision.store.queries import overview, rows
from budvision.store.queries.backups import add_backup
from budvision.store.session import Season, now
from budvision.store.shared_models import model_faults, sync_models
from budvision.version import __version__
from budvision.workflow.archive.proof import answers_of, check_rows
from budvision.workflow.archive.settings import faulty_files, own_files, season_text

__all__ = [
    "ANSWERS", "FACTS", "FORMAT", "FORMAT_VERSION", "GENERATIONS", "KEPT", "KEYS", "BackupReport",
    "backup", "files_of", "generations_of", "opened", "write",
]

_LOG = logging.getLogger(__name__)
Progress = Callable[[int, int, str], None]
FACTS, ANSWERS, GENERATIONS = "backup.json", "results.json", "generations"
FORMAT, FORMAT_VERSION = "budvision-backup", 1
KEYS = ("archive-key", "signing-key")
KEPT = "generations that are there, and the season, are as they were"


@dataclass(frozen=True, slots=True, kw_only=True)
class BackupReport:
    """What a backup did.

    Attributes
    ----------
    n_photos : int
        Photographs of the season's records that the backup holds.
    n_new, n_repaired : int
        Photographs written now; `n_repaired` of them because the backup's copy was damaged.
    missing : tuple of str
        Hashes of photographs that the season lists but no longer holds whole, nor the backup.
    models : tuple of str
        Where models are missing or damaged, in the season and so in the backup.
    files : tuple of str
        Keys and policies that are there and cannot be used, likewise.
    removed : tuple of str
        Generations that were older than those to be kept.
    same_disk : bool
        It lies on the same disk as the season's own database or photographs.
    """

    folder: str
    generation: str
    n_photos: int
    n_new: int
    n_repaired: int
    missing: tuple[str, ...]
    models: tuple[str, ...]
    files: tuple[str, ...]
    removed: tuple[str, ...]
    same_disk: bool

    @property
    def caution(self) -> str:
        """What this backup does not help against, '' where nothing is known."""
        return "" if not self.same_disk else mark(
            "It lies on the same disk as the season: a disk that breaks takes both. Back up to "
            "another disk too.")

    def as_dict(self) -> dict[str, object]:
        """Return the report as JSON has it."""
        return asdict(self)


def generations_of(folder: Path) -> list[str]:
    """Return the generations of a backup folder, oldest first."""
    return sorted((path.parent.name for path in (folder / GENERATIONS).glob(f"*/{FACTS}")
                   if not path.parent.name.startswith(".")), key=_place)


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
        Generations to keep, at least 1. Photographs are never removed, nor is the last generation
        that lacks nothing.
    progress : callable, optional
        Called with photographs done, photographs in all, and a hash.

    Raises
    ------
    ConflictError
        When the folder holds other files, or backups of another season or of work that this one
        does not have; or while another backup is being written there.
    InputError
        When the folder lies in the season's, or `keep` is below 1.
    VerificationError
        When the copy does not verify, or the database is older than its folder; the generations
        before stay.
    StorageError
        When the disk is full or the place of the photographs does not answer; running again goes
        on where it stopped.
    """
    if keep < 1:
        raise InputError(f"--keep is {keep}", expected="1 or more", where="backup")
    folder = folder.resolve()
    if folder.is_relative_to(season.folder):
        raise InputError("the backup would lie in the season itself", where=str(folder),
                         expected="a folder elsewhere, best on another disk", do="Name another.")
    if around := next((one for one in folder.parents if (one / CONFIG).exists()), None):
        raise InputError(f"the backup would lie in another season, {around}", where=str(folder),
                         expected="a folder elsewhere, best on another disk", do="Name another.")
    if season.fault:
        raise VerificationError(season.fault, where=str(season.folder), code="older_database",
                                expected="the rows that were saved",
                                do="Run `budvision check`, which says what to do.")
    with disk(folder, kept=KEPT), ExitStack() as alone:
        home = folder / GENERATIONS
        if folder.exists() and any(folder.iterdir()) and not home.is_dir():
            raise ConflictError("it holds other files", where=str(folder),
                                expected="a new folder or an earlier backup", do="Name another.")
        home.mkdir(parents=True, exist_ok=True)
        alone.enter_context(_alone(home))
        for left in home.glob(".*.part"):
            shutil.rmtree(left, ignore_errors=True)
        before = generations_of(folder)
        _go_on_from(season, folder, before)
        name = _name(before)
        part = home / f".{name}.part"
        part.mkdir()
        _copy_database(season, part)
        sync_models(season)
        _copy_files(season, part, home / before[-1] if before else None)
        with opened(part, folder) as copy:
            n_new, n_repaired, missing, n_photos = _copy_photos(season, copy, progress)
            facts = _verified(copy, season)
            models = tuple(where for where, _ in model_faults(copy))
            files = faulty_files(copy)
        facts |= {"n_photos": n_photos, "missing": list(missing), "models": list(models),
                  "faulty": list(files)}
        write(part / FACTS, json.dumps(facts, indent=1).encode())
        put(part, home / name)
        if not season.read_only:
            _note(season, LastBackup(
                str(facts["made_at"]), str(folder), name, len(missing), len(models) + len(files)))
        removed = _too_many(home, generations_of(folder), keep)
        for old in removed:
            away = home / f".{old}.part"
            (home / old).replace(away)
            shutil.rmtree(away, ignore_errors=True)
    return BackupReport(folder=str(folder), generation=name, n_photos=n_photos - len(missing),
                        n_new=n_new, n_repaired=n_repaired, missing=missing, models=models,
                        files=files, removed=removed, same_disk=_same_disk(season, folder))


@contextmanager
def _alone(home: Path) -> Iterator[None]:
    """Hold a backup's folder for one writer; the hold ends with the process, however it ends."""
    with closing(sqlite3.connect(home / ".writer", timeout=0, isolation_level=None)) as hold:
        try:
            hold.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as error:
            if "locked" not in str(error):
                raise
            raise ConflictError(
                "another backup is being written there", where=str(home.parent),
                code="backup_runs", expected="one at a time",
                do="Wait until it is done; nothing was written.") from error
        yield


def _go_on_from(season: Season, folder: Path, before: list[str]) -> None:
    """Refuse to put a generation beside those of another season, which it would push out."""
    for name in reversed(before):
        try:
            with opened(folder / GENERATIONS / name, folder) as newest, newest.read() as conn:
                last, blocks = seal.last_link(conn), _blocks(conn)
        except (BudvisionError, OSError):
            continue  # a damaged one says nothing of whose it is
        with season.read() as conn:
            if not seal.holds(conn, last) or not (last or blocks <= _blocks(conn)):
                raise ConflictError(
                    f"its newest backup {name} holds rows that this season does not have",
                    where=str(folder), code="another_seasons_backup",
                    expected="a new folder, or backups of this season",
                    do="Name another folder; nothing was written.")
        return


def _blocks(conn: Connection) -> set[tuple[int, str]]:
    """Tell seasons apart whose rows have no chain yet."""
    return {(row["id"], row["added_at"]) for row in rows.stream(conn, "block")}


def _too_many(home: Path, there: list[str], keep: int) -> tuple[str, ...]:
    """Return the generations that may go: the oldest, but for the last that lacks nothing."""
    def whole(name: str) -> bool:
        try:
            facts = json.loads((home / name / FACTS).read_text("utf-8"))
            return not any(facts.get(lack) for lack in ("missing", "models", "faulty"))
        except (OSError, ValueError, AttributeError):
            return False

    spared = next((name for name in reversed(there) if whole(name)), None)
    return tuple(name for name in there[:-keep] if name != spared)


def _same_disk(season: Season, folder: Path) -> bool:
    """Tell whether a folder lies on the disk of the season's own database or photographs."""
    own = [season.folder] if season.engine.dialect.name == "sqlite" else []
    if not isinstance(season.photos, ObjectPhotoStore):
        own.append(season.photos.folder)
    return any(place.is_dir() and place.stat().st_dev == folder.stat().st_dev for place in own)


def _note(season: Season, last: LastBackup) -> None:
    """Tell this folder of its backup, and every station; the backup is good even where not."""
    note_backup(season.folder, last)
    try:
        with season.write() as conn:
            add_backup(conn, last, station=season.station)
    except StorageError as error:
        _LOG.warning("Other stations are not told of this backup: %s", error)


def _place(name: str) -> tuple[str, int]:
    """Return where a generation stands among others: its moment, and its number in that moment."""
    stamp, _, number = name.partition("Z")
    return stamp, -int(number) if number[1:].isdecimal() else 1


def _name(before: list[str]) -> str:
    """Name the next generation so that it is the newest, also after the clock was put back."""
    stamp = now()[:19].replace(":", "")
    newest, number = _place(before[-1]) if before else ("", 0)
    return f"{stamp}Z" if stamp > newest else f"{newest}Z-{number + 1}"


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
        put(part / "rows" / DATABASE, target)
        shutil.rmtree(part / "rows")


def _copy_files(season: Season, part: Path, before: Path | None) -> None:
    write(part / CONFIG, season_text((season.folder / CONFIG).read_text("utf-8")).encode())
    for name in own_files(season):
        if (season.folder / name).is_file():
            write(part / name, (season.folder / name).read_bytes(),
                   mode=0o600 if name in KEYS else 0o644)
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
            write(part / inside, path.read_bytes())


def _copy_photos(
    season: Season, copy: Season, progress: Progress | None
) -> tuple[int, int, tuple[str, ...], int]:
    with copy.read() as conn:
        hashes = sorted(overview.photo_hashes(conn))
    n_new = n_repaired = 0
    missing: list[str] = []
    for done, sha256 in enumerate(hashes):
        if progress is not None:
            progress(done, len(hashes), sha256[:12])
        there = sha256 in copy.photos
        if there and copy.photos.sound(sha256):
            continue
        if (data := season.photos.whole(sha256)) is None:
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
    check_rows(copy)
    answers = answers_of(copy)
    write(copy.folder / ANSWERS, json.dumps(answers, indent=1).encode())
    with copy.read() as conn:
        point = seal.point(conn)
    assert point is not None
    return {
        "format": FORMAT, "format_version": FORMAT_VERSION, "made_at": now(),
        "made_by": f"budvision {__version__}", "season": season.folder.name,
        "point": {"n": point.n, "sha256": point.sha256},
        "files": {name: sha256_of(copy.folder / name) for name in files_of(copy.folder)},
    }


def files_of(folder: Path) -> list[str]:
    """Return the files of a generation, but for its list of them."""
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*")
                  if path.is_file() and path.name != FACTS)


@contextmanager
def opened(generation: Path, folder: Path) -> Iterator[Season]:
    """Open a generation for reading, with the backup's photographs."""
    with Season(generation, settings=Settings.load(generation / CONFIG), read_only=True,
                engine=open_engine(generation, None, read_only=True),
                photos=PhotoStore(folder / "photos")) as copy:
        yield copy


def write(path: Path, data: bytes, *, mode: int = 0o644) -> None:
    """Write a file whole, making its folder."""
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, data, mode=mode)
