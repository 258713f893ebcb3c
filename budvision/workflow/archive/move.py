"""Move a season between a laptop's file and a server's database, verified row by row."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

from sqlalchemy import Connection

from budvision.errors import ConflictError, InputError, VerificationError
from budvision.files import beside, sha256_of
from budvision.settings import read_config
from budvision.store import seal
from budvision.store.config import CONFIG
from budvision.store.copying import copy_rows
from budvision.store.object_photos import is_address
from budvision.store.queries import overview, rows
from budvision.store.queries.jobs import list_jobs
from budvision.store.session import Season
from budvision.store.shared_models import model_faults, sync_models
from budvision.workflow.archive.proof import answers_of, check_rows, differences
from budvision.workflow.archive.settings import faulty_files, own_files, put_text, season_text

__all__ = ["MoveReport", "move"]

_MEANWHILE = "something was saved in the old season meanwhile"


@dataclass(frozen=True, slots=True, kw_only=True)
class MoveReport:
    """What was moved; `n_jobs` are open in the old season's queue, which stays there.

    `models` are where models are missing or damaged, `files` keys and policies that cannot be used,
    in the old season too.
    """

    folder: str
    database: str
    n_rows: int
    n_photos: int
    n_files: int
    n_jobs: int
    models: tuple[str, ...]
    files: tuple[str, ...]

    def as_dict(self) -> dict[str, object]:
        """Return the report as JSON has it."""
        return asdict(self)


def move(
    season: Season, folder: Path, *, database_url: str | None = None, photos: str | None = None,
    progress: Callable[[int, int, str], None] | None = None,
) -> MoveReport:
    """Make an equal season elsewhere: all rows, all bytes, equal answers. This one stays as it is.

    Parameters
    ----------
    season : Season
        Not to be written meanwhile: what is saved after it was read is not in the new one.
    folder : Path
        The new season's folder; one that an interrupted move left is gone on with.
    database_url : str, optional
        A PostgreSQL address; without it the new season keeps its own SQLite file.
    photos : str, optional
        A folder or an object store's address for the photographs; the new season's own without it.
    progress : callable, optional
        Called with photographs done, photographs in all, and a hash.

    Raises
    ------
    InputError
        When the new folder is the season's own or lies in it.
    ConflictError
        When the new place holds other rows, or is not the one that is named now.
    VerificationError
        When the season's rows are not those that were saved, where nothing is written; or when
        rows, bytes or answers are not equal: the old season is the one to use then.
    """
    folder = folder.resolve()
    if folder.is_relative_to(season.folder):
        raise InputError("the new folder lies in the season that is moved", where=str(folder),
                         expected="a folder elsewhere", do="Name another; nothing was written.")
    check_rows(season)
    if (folder / CONFIG).exists():
        _check_places(folder, database_url, photos)
        target = Season.open(folder)
    else:
        target = Season.create(folder, database_url=database_url, photos=photos)
    with target:
        sync_models(season)
        with season.read() as source:
            wanted = seal.point(source)
            hashes = sorted(overview.photo_hashes(source))
            n_jobs = sum(one.open for one in list_jobs(source))
            n_rows = _bring_rows(source, wanted, target)
        n_files = _bring_files(season, target)
        for done, sha256 in enumerate(hashes):
            if progress is not None:
                progress(done, len(hashes), sha256[:12])
            if sha256 not in target.photos or not target.photos.sound(sha256):
                target.photos.add(season.photos.read(sha256, verify=True))
                if not target.photos.sound(sha256):
                    raise _unequal(target, f"photograph {sha256[:12]} was not written as it is")
        sync_models(target)
    with Season.open(folder) as moved:
        _verify(season, moved)
        models = tuple(where for where, _ in model_faults(moved))
        files = faulty_files(moved)
        database = moved.engine.url.render_as_string(hide_password=True)
    return MoveReport(folder=str(folder), database=database, n_rows=n_rows, n_photos=len(hashes),
                      n_files=n_files, n_jobs=n_jobs, models=models, files=files)


def _check_places(folder: Path, database_url: str | None, photos: str | None) -> None:
    """Refuse to go on with an interrupted move in another place than the one that is named now."""
    there = read_config(folder / CONFIG)
    own = there.get("photos", {})
    if photos is not None and not is_address(photos):
        photos = str(Path(photos).resolve())
    for what, named, found in (
            ("database", database_url, there.get("database", {}).get("url")),
            ("photographs", photos, own.get("address") or own.get("folder"))):
        if named not in (None, found):
            raise ConflictError(
                f"the season there keeps its {what} elsewhere than named", where=str(folder),
                expected="the place that its move began with, or a new folder",
                do="Name that place again or leave it out, or name another folder; nothing was "
                "written.")


def _bring_rows(source: Connection, wanted: seal.Point | None, target: Season) -> int:
    with target.write() as conn:
        if all(rows.is_empty(conn, table) for table in rows.ARCHIVED):
            counts = copy_rows(source, conn)
            return sum(counts[table] for table in rows.ARCHIVED)
        if seal.point(conn) != wanted:
            if seal.holds(source, seal.last_link(conn)):
                raise ConflictError(
                    "an earlier state of this season is there already", where=str(target.folder),
                    expected="an empty database",
                    do="Name another folder and database; remove these only where nobody has "
                    "worked there.")
            raise ConflictError(
                "there is another season's work already", where=str(target.folder),
                expected="an empty database",
                do="Name another folder or database, or bring it in with `budvision archive`.")
        return sum(rows.count_of(conn, table) for table in rows.ARCHIVED)


def _bring_files(season: Season, target: Season) -> int:
    put_text(target, season_text((season.folder / CONFIG).read_text("utf-8")))
    wanted = [season.folder / name for name in own_files(season)]
    if season.models_folder.is_dir():
        wanted += [path for path in sorted(season.models_folder.rglob("*"))
                   if path.is_file() and not path.is_symlink() and not path.name.endswith(".part")]
    n = 0
    for path in wanted:
        if not path.is_file():
            continue
        copy = target.folder / path.relative_to(season.folder)
        if not copy.is_file() or sha256_of(copy) != sha256_of(path):
            copy.parent.mkdir(parents=True, exist_ok=True)
            with beside(copy) as part:
                shutil.copy2(path, part)
            if sha256_of(copy) != sha256_of(path):
                raise _unequal(target, f"{copy.name} was not written as it is")
        n += 1
    return n


def _verify(season: Season, moved: Season) -> None:
    with season.read() as one, moved.read() as other:
        points = seal.point(one), seal.point(other)
        broken = seal.verify(other)
    if broken:
        raise _unequal(moved, f"table {broken[0].table}, {broken[0].rows}: {broken[0].what}")
    if points[0] != points[1]:
        raise _unequal(moved, _MEANWHILE)
    if differ := differences(answers_of(season), answers_of(moved)):
        raise _unequal(moved, f"the answers differ: {differ[0]}")
    with season.read() as one:  # once more, since what changes no answer may have come meanwhile
        if seal.point(one) != points[1]:
            raise _unequal(moved, _MEANWHILE)


def _unequal(moved: Season, what: str) -> VerificationError:
    return VerificationError(
        what, where=str(moved.folder), expected="a season equal to the old one",
        do="Go on with the old season; remove the new folder (and empty its database) and move "
        "again while nobody works.")
