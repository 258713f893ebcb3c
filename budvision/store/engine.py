"""The season's database: opened for writing or, where nothing may be written, for reading."""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import DatabaseError, OperationalError
from sqlalchemy.pool import QueuePool

from budvision.errors import DamagedError, MissingLibraryError, StorageError
from budvision.store.backups import last_good_copy

__all__ = [
    "DATABASE", "LONGEST_WAIT_S", "may_write", "open_engine", "plain_errors", "watch_queries",
]

DATABASE = "budvision.db"
LONGEST_WAIT_S = 30.0
"""Longest wait, in seconds, of one who writes for others who write to an SQLite file."""
# As many as the server has threads stay open, the last used first: a new one costs a process of
# PostgreSQL, and plans every statement anew.
_KEPT_OPEN: dict[str, Any] = {"pool_size": 16, "max_overflow": 19, "pool_use_lifo": True}


def may_write(root: Path) -> bool:
    """Tell whether a season's folder and its SQLite file may be written."""
    return os.access(root, os.W_OK) and os.access(root / DATABASE, os.W_OK)


def open_engine(root: Path, url: str | None, *, read_only: bool = False) -> Engine:
    """Return the engine of a season's database.

    Parameters
    ----------
    root : Path
        The season's folder.
    url : str or None
        A PostgreSQL address; None for the SQLite file of the folder.
    read_only : bool
        Open the SQLite file without writing anything beside it.

    Raises
    ------
    MissingLibraryError
        When the address asks for PostgreSQL and its driver is not installed.
    """
    if url is not None:
        address = "postgresql+psycopg://" + url.split("://", maxsplit=1)[1]
        try:
            return create_engine(
                address, pool_pre_ping=True, hide_parameters=True, **_KEPT_OPEN)
        except ModuleNotFoundError as error:
            raise MissingLibraryError(
                "the driver of PostgreSQL is not installed", where="[database] url",
                expected="the Python package psycopg",
                do='Run `pip install "budvision[postgres]"` (or `pip install "psycopg[binary]"`), '
                "then the command again.") from error
    if read_only:
        return _read_only_engine(root)
    engine = create_engine(  # pooled, since closing the last connection costs a checkpoint
        f"sqlite:///{root / DATABASE}", poolclass=QueuePool, **_KEPT_OPEN,
        hide_parameters=True,  # a value that somebody typed goes into no log
        connect_args={"timeout": LONGEST_WAIT_S},
    )

    @event.listens_for(engine, "connect")
    def _connect(dbapi: Any, _record: Any) -> None:
        dbapi.isolation_level = None  # the BEGIN below is ours
        for pragma in (
            "journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON",
            f"busy_timeout={1000 * LONGEST_WAIT_S:.0f}",
            "recursive_triggers=ON",  # so that REPLACE fires the triggers against deletion
            "temp_store=MEMORY", "cache_size=-65536",
        ):
            dbapi.execute(f"PRAGMA {pragma}")

    _begin_by_hand(engine)
    return engine


def _begin_by_hand(engine: Engine) -> None:
    @event.listens_for(engine, "begin")
    def _begin(conn: Connection) -> None:
        writes = conn.get_execution_options().get("budvision_write", False)
        conn.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _read_only_engine(root: Path) -> Engine:
    """Open the file as it is; with a write-ahead log that still holds rows, a copy of both."""
    path, log = root / DATABASE, root / f"{DATABASE}-wal"
    address = f"{path.as_uri()}?mode=ro&immutable=1"
    copy: Path | None = None
    if log.exists() and log.stat().st_size:
        copy = Path(tempfile.mkdtemp(prefix="budvision-"))
        for file in (path, log):
            shutil.copyfile(file, copy / file.name)
        address = (copy / DATABASE).as_uri()

    def connect() -> sqlite3.Connection:
        return sqlite3.connect(address, uri=True, check_same_thread=False, isolation_level=None)

    engine = create_engine("sqlite://", creator=connect, poolclass=QueuePool, hide_parameters=True)
    if copy is not None:
        @event.listens_for(engine, "engine_disposed")
        def _disposed(_engine: Engine) -> None:
            shutil.rmtree(copy, ignore_errors=True)

    _begin_by_hand(engine)
    return engine


def watch_queries(engine: Engine, tell: Callable[[str, float], None]) -> None:
    """Have every statement told of, without its values, and its time in seconds.

    The time is that of the database's answer; rows that are fetched later are not in it.
    """
    begun = "budvision_begun"

    @event.listens_for(engine, "before_cursor_execute")
    def _begin(conn: Connection, *_: Any) -> None:
        conn.info[begun] = time.perf_counter()

    @event.listens_for(engine, "after_cursor_execute")
    def _end(conn: Connection, _cursor: Any, statement: str, *_: Any) -> None:
        tell(statement, time.perf_counter() - conn.info[begun])


@contextmanager
def plain_errors(root: Path) -> Iterator[None]:
    """Turn what a disk or server refuses into errors that say what to do."""
    try:
        yield
    except OperationalError as error:
        text = str(error.orig)
        do = "Check the disk and the database server, then try again; nothing was half-written."
        if "locked" in text:
            do = "Another program writes to the season; try again when it has finished."
        elif "full" in text or ("disk I/O" in text and _is_full(root)):
            do = "Make room on the disk and run the command again; nothing was half-written."
        elif "Could not decode" in text:
            raise _damaged(root, "a text in it is none") from error
        raise StorageError(
            f"the database refused the work ({text.splitlines()[0]})", where=str(root), do=do
        ) from error
    except DatabaseError as error:
        text = str(error.orig)
        if "not a database" in text or "malformed" in text:
            raise _damaged(root, text) from error
        raise
    except UnicodeDecodeError as error:  # of what the database complains of
        if _raised_in(error).startswith(("sqlalchemy.", __name__)):
            raise _damaged(root, "a name in it is none") from error
        raise


def _is_full(root: Path) -> bool:
    """Tell whether a disk has no room for what SQLite needs beside the file to open it at all."""
    try:
        return shutil.disk_usage(root).free < 1 << 16
    except OSError:
        return False


def _damaged(root: Path, what: str) -> DamagedError:
    return DamagedError(f"the database is damaged ({what})", where=str(root / DATABASE),
                        do=last_good_copy(root))


def _raised_in(error: Exception) -> str:
    """Return the module that an error comes from."""
    at = error.__traceback__
    while at is not None and at.tb_next is not None:
        at = at.tb_next
    return "" if at is None else str(at.tb_frame.f_globals.get("__name__", ""))
