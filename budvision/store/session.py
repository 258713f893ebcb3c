"""A season folder: its settings, its database and its photographs.

The database is SQLite (write-ahead log) in the folder, or the PostgreSQL that `budvision.toml`
names under ``[database]``. There is one door for writing: `Season.write`, one transaction with
one writer at a time, rolled back whole on any error.
"""

from __future__ import annotations

import contextlib
import json
import logging
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from sqlalchemy import Connection, Engine, text

from budvision.errors import BudvisionError, DamagedError, InputError, SeasonError, StorageError
from budvision.settings import Settings, read_config
from budvision.store import counts, migrations, seal
from budvision.store.backups import last_good_copy
from budvision.store.config import CONFIG, write_config
from budvision.store.engine import (
    DATABASE,
    LONGEST_WAIT_S,
    may_write,
    open_engine,
    plain_errors,
)
from budvision.store.object_photos import ObjectPhotoStore, is_address
from budvision.store.photos import PhotoStore
from budvision.store.remembered import Remembered

__all__ = ["Season", "as_utc", "now"]

_LOG = logging.getLogger(__name__)
# PostgreSQL's advisory locks: one for the season's writers, one for those of leases and bookmarks,
# who need not wait for the disk either: a server that fails forgets the leases of its last moment.
_TURN = text("SELECT pg_advisory_xact_lock(1651860598)")
_TURN_OF_THE_MOMENT = text(
    "SELECT pg_advisory_xact_lock(1651860599), set_config('synchronous_commit', 'off', true)")
_SEALS = frozenset((*seal.CHAINED, *seal.SUMMED, seal.WRITES))
_FIRST_CONFIG = """\
# Settings of this season; `budvision settings` lists every name, its default and what it does.
# Only what differs from the defaults need stand here.

[settings]

# [database]
# url = "postgresql://user@host/name"   # for several stations; without it, budvision.db is used
#
# [photos]
# folder = "/mnt/shared/photos"         # a folder that all stations reach; without it, photos/
# address = "s3://bucket/winter"         # or an object store; photos/ then holds copies
"""


def now() -> str:
    """Return the present time as UTC, ISO 8601, to the millisecond, ending in Z."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def as_utc(moment: str) -> str:
    """Return an ISO 8601 time in the form of `now`; one without a time zone is taken as UTC.

    Raises
    ------
    InputError
        When it is no ISO 8601 date or time.
    """
    try:
        found = datetime.fromisoformat(moment)
    except ValueError as error:
        raise InputError(f"the time is {moment!r}", where="time", do="Correct it.",
                         expected="2026-02-11 or 2026-02-11T14:30Z") from error
    found = found.astimezone(UTC) if found.tzinfo else found.replace(tzinfo=UTC)
    return found.isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Season:
    """One winter's work in one folder.

    Attributes
    ----------
    folder : Path
        The season's folder, absolute.
    settings : Settings
        Its settings: the defaults, with what `budvision.toml` gives on top.
    engine : sqlalchemy.Engine
        Its database; use `read` and `write` rather than the engine itself.
    photos : PhotoStore
        Its photographs.
    read_only : bool
        Whether the folder may not be written; then `write` refuses and all else works.
    fault : str
        What was wrong between database and folder when it was opened, '' where nothing was.
    remembered : Remembered
        What was worked out of its rows and is still true.

    Examples
    --------
    >>> with Season.open("winter") as season, season.read() as conn:  # doctest: +SKIP
    ...     blocks.all_blocks(conn)
    """

    def __init__(
        self, folder: Path, *, settings: Settings, engine: Engine,
        photos: PhotoStore | None = None, read_only: bool = False,
    ) -> None:
        self.folder = folder
        self.settings = settings
        self.engine = engine
        self.photos = photos or PhotoStore(folder / "photos")
        self.read_only = read_only
        self.fault = ""
        self.remembered = Remembered()
        self._turn, self._noting = threading.Lock(), threading.Lock()

    # ---- making and opening ------------------------------------------------------------------

    @classmethod
    def create(
        cls, folder: Path | str, *, database_url: str | None = None,
        photos: Path | str | None = None,
    ) -> Season:
        """Make a season in a folder, which may hold other files but no season.

        Parameters
        ----------
        folder : Path or str
            Made where missing.
        database_url : str, optional
            A PostgreSQL address; without it the season has its own SQLite file. Where the database
            holds a season already, this folder becomes another station of it.
        photos : Path or str, optional
            A folder for the photographs that all stations reach, or the address of an object
            store (``s3://bucket/winter``); the season's own folder when left out.

        Raises
        ------
        SeasonError
            When the folder is a season already.
        StorageError
            When the folder cannot be written.
        """
        root = Path(folder).resolve()
        if (root / CONFIG).exists():
            raise SeasonError(
                "the folder is a season already", where=str(root), code="season_exists",
                do="Use it as it is, or name another folder.",
            )
        text_ = _FIRST_CONFIG
        if database_url is not None or photos is not None:
            text_ = text_.split("# [database]", maxsplit=1)[0]
        if database_url is not None:
            text_ += f"[database]\nurl = {json.dumps(database_url)}\n\n"
        store = root / "photos"
        if photos is not None and is_address(str(photos)):
            ObjectPhotoStore(str(photos), store)
            text_ += f"[photos]\naddress = {json.dumps(str(photos))}\n"
        elif photos is not None:
            store = Path(photos).resolve()
            text_ += f"[photos]\nfolder = {json.dumps(str(store))}\n"
        PhotoStore(store).check_length()
        try:
            for wanted in (store, root / "models"):
                wanted.mkdir(parents=True, exist_ok=True)
            engine = open_engine(root, database_url)
            try:
                with plain_errors(root):
                    migrations.make(engine, root)
            finally:
                engine.dispose()
            write_config(root / CONFIG, text_)  # last: a folder with this file is a whole season
        except OSError as error:
            if isinstance(error, StorageError):
                raise
            raise StorageError(
                f"the season could not be made ({error.strerror})", where=str(root),
                do="Choose a folder that may be written, on a disk with room.",
            ) from error
        return cls.open(root)

    @classmethod
    def open(cls, folder: Path | str | None = None) -> Season:
        """Open a season, bringing an older database up to date after a backup copy.

        Parameters
        ----------
        folder : Path or str, optional
            The season's folder; the working directory when left out.

        Raises
        ------
        SeasonError
            When the folder is no season, its database is damaged, or a newer budvision made it.
        InputError
            When `budvision.toml` holds something that is not a setting.
        """
        root = Path.cwd() if folder is None else Path(folder).resolve()
        config = root / CONFIG
        if not config.exists():
            raise SeasonError(
                "there is no season here (no budvision.toml)", where=str(root),
                code="no_season", expected="a season's folder",
                do=f"Make one with `budvision init {root.name or 'DIR'}`, or name the season's "
                "folder with `--season DIR`.",
            )
        settings = Settings.load(config)
        url, photos = _places(config)
        if url is None and not (root / DATABASE).exists():
            raise DamagedError(
                "the season's database budvision.db is missing", where=str(root),
                do=last_good_copy(root),
            )
        read_only = url is None and not may_write(root)
        store = _photo_store(root, photos)
        if read_only:
            _LOG.warning("%s may not be written: the season is open for reading only.", root)
        else:
            store.check_length()
        season = cls(root, settings=settings, photos=store,
                     engine=open_engine(root, url, read_only=read_only), read_only=read_only)
        try:
            with plain_errors(root):
                migrations.bring_up_to_date(season.engine, root, read_only=read_only)
            with season.read() as conn:
                season.fault = seal.Folder(root).fault(seal.point(conn))
        except BaseException:
            season.close()
            raise
        return season

    def close(self) -> None:
        """Let go of the database; what took long to work out is kept there first."""
        self.keep_remembered()
        self.engine.dispose()

    def keep_remembered(self) -> None:
        """Write what took long to work out, for the next program, where it is worth a write."""
        if self.remembered.worth_writing and not self.read_only:
            with contextlib.suppress(BudvisionError), self.write(of_the_moment=True):
                pass

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"Season({str(self.folder)!r})"

    def as_of(self, conn: Connection) -> Season:
        """Return this season as one open reading sees it: whatever reads it reads that moment."""
        return _OfOneMoment(self, conn)

    # ---- the two doors -----------------------------------------------------------------------

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """Open the database for reading: one unchanging view of it until the block ends."""
        with plain_errors(self.folder), self.engine.connect() as conn:
            if conn.dialect.name == "postgresql":
                conn = conn.execution_options(isolation_level="REPEATABLE READ")
            with conn.begin():
                yield conn

    @contextmanager
    def write(self, *, of_the_moment: bool = False) -> Iterator[Connection]:
        """Open the database for writing: one transaction, one writer at a time.

        An exception inside the block rolls everything back.

        Parameters
        ----------
        of_the_moment : bool
            Whether nothing but leases and bookmarks is written: they are neither counted nor
            sealed. What `remembered` holds goes along with them.

        Raises
        ------
        StorageError
            When the database stays locked for 30 s, the disk is full or the file read-only.
        """
        if self.read_only:
            raise StorageError(
                "the season may not be written", where=str(self.folder), code="read_only",
                expected="a folder and a budvision.db with the right to write",
                do="Copy the season to a disk that may be written, or mend the rights.")
        with self._my_turn(), plain_errors(self.folder), self.engine.connect() as conn:
            conn = conn.execution_options(budvision_write=True)
            with conn.begin():
                if conn.dialect.name == "postgresql":
                    conn.execute(_TURN_OF_THE_MOMENT if of_the_moment else _TURN)
                yield conn
                sealed, worked_out = None, None
                if of_the_moment:
                    worked_out = self.remembered.write(conn)
                elif (standing := seal.standing(conn)) is not None:  # else inside a migration
                    if lost := _SEALS - standing.sealed.keys():
                        raise DamagedError(f"the seal of table {min(lost)} is gone",
                                           where=str(self.folder), do=last_good_copy(self.folder))
                    counts.extend(conn, standing.before, standing.newest)
                    sealed = seal.extend(conn, standing)
        if worked_out is not None:
            self.remembered.written(worked_out)
        if sealed is not None:
            with self._noting:
                seal.Folder(self.folder).note(sealed)

    @contextmanager
    def _my_turn(self) -> Iterator[None]:
        """Wait until no other thread writes.

        SQLite has whoever waits ask again, after ever longer sleeps, and lets anybody in between;
        PostgreSQL keeps a queue of its own.
        """
        if self.engine.dialect.name == "postgresql":
            yield
            return
        if not self._turn.acquire(timeout=LONGEST_WAIT_S):
            raise StorageError(
                "the database refused the work (database is locked)", where=str(self.folder),
                do="Another part of this program writes to the season; try again when it has "
                "finished.")
        try:
            yield
        finally:
            self._turn.release()

    @property
    def station(self) -> str:
        """Name the machine and folder among those that share the season's database."""
        return f"{socket.gethostname()}:{self.folder}"

    @property
    def models_folder(self) -> Path:
        """The season's own models."""
        return self.folder / "models"


class _OfOneMoment(Season):
    """A season whose every reading is one that is open already."""

    def __init__(self, season: Season, conn: Connection) -> None:
        super().__init__(season.folder, settings=season.settings, engine=season.engine,
                         photos=season.photos, read_only=True)
        self._conn = conn

    @contextmanager
    def read(self) -> Iterator[Connection]:
        yield self._conn


def _places(config: Path) -> tuple[str | None, str | None]:
    """Return the places of database and photographs, None where they are the season's own."""
    table = read_config(config)
    url = table.get("database", {}).get("url")
    if url is not None and not (isinstance(url, str) and url.startswith(
        ("postgresql://", "postgres://", "postgresql+psycopg://")
    )):
        raise InputError(
            f"[database] url is {url!r}", where=CONFIG,
            expected="an address that begins with postgresql://",
            do="Correct it, or remove it to use the season's own SQLite file.",
        )
    given = table.get("photos", {})
    photos, address = given.get("folder"), given.get("address")
    if photos is not None and not (isinstance(photos, str) and photos):
        raise InputError(f"[photos] folder is {photos!r}", where=CONFIG, expected="a folder",
                         do="Correct it, or remove it to use the season's own photos/.")
    if address is not None and not (isinstance(address, str) and is_address(address)):
        raise InputError(f"[photos] address is {address!r}", where=CONFIG,
                         expected="an address such as s3://bucket/winter",
                         do="Correct it, or remove it to use the season's own photos/.")
    return url, address or photos


def _photo_store(root: Path, place: str | None) -> PhotoStore:
    if place is None:
        return PhotoStore(root / "photos")
    if is_address(place):
        return ObjectPhotoStore(place, root / "photos")
    if not (root / place).is_dir():
        raise SeasonError(
            f"the folder of the photographs is not there ({place})", where=CONFIG,
            do="Connect the shared disk, or correct [photos] folder.",
        )
    return PhotoStore(root / place)
