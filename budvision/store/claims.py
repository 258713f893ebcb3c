"""Who works on which photograph just now, so that two proposals at once do not do it twice.

A claim is a lock of the system or of the database server: it ends with its holder, however that
ends, so that nothing that was killed keeps a photograph back.
"""

from __future__ import annotations

import contextlib
import os
import threading
from pathlib import Path
from types import TracebackType
from typing import Self

from sqlalchemy import Connection, text

from budvision.store.engine import plain_errors
from budvision.store.session import Season

try:
    import fcntl
except ImportError:  # where there are no such locks, two proposals at once may do the work twice
    fcntl = None  # type: ignore[assignment]

__all__ = ["Claims"]

_NAME = "proposing"
_turn = threading.Lock()
_held: set[tuple[str, int, int]] = set()  # of this process, which the system's locks do not part
_open: dict[Path, tuple[int, int]] = {}
"""Each file of locks that is open, and for how many: closing one gives up all of a process's."""


class Claims:
    """The photographs that one run of proposals has taken for itself, given back at its end.

    Parameters
    ----------
    season : Season
        The season.
    model_id : int
        The model that proposes; another one may look at the same photographs.
    """

    def __init__(self, season: Season, model_id: int) -> None:
        self._season, self._model_id = season, model_id
        self._mine: set[tuple[str, int, int]] = set()
        self._file: int | None = None
        self._path = season.folder / "cache" / _NAME
        self._conn: Connection | None = None

    def __enter__(self) -> Self:
        if self._season.engine.dialect.name == "postgresql":
            with plain_errors(self._season.folder):
                self._conn = self._season.engine.connect().execution_options(
                    isolation_level="AUTOCOMMIT")
        elif fcntl is not None:
            self._path.parent.mkdir(exist_ok=True)
            with _turn:
                file, users = _open.get(self._path) or (
                    os.open(self._path, os.O_RDWR | os.O_CREAT, 0o644), 0)
                self._file, _open[self._path] = file, (file, users + 1)
        return self

    def take(self, photo_id: int) -> bool:
        """Take a photograph; False where somebody else is at it."""
        key = (str(self._season.engine.url), self._model_id, photo_id)
        with _turn:
            if key in _held or not self._locked(photo_id):
                return False
            _held.add(key)
            self._mine.add(key)
            return True

    def give(self, photo_id: int) -> None:
        """Give a photograph back that was taken; nothing where it was not."""
        key = (str(self._season.engine.url), self._model_id, photo_id)
        with _turn:
            if key not in self._mine:
                return
            self._mine.discard(key)
            _held.discard(key)
            self._unlock(photo_id)
            if self._conn is not None:
                with plain_errors(self._season.folder):
                    self._conn.scalar(text("SELECT pg_advisory_unlock(:model, :photo)"),
                                      {"model": self._model_id, "photo": photo_id})

    def _locked(self, photo_id: int) -> bool:
        if self._conn is not None:
            with plain_errors(self._season.folder):
                return bool(self._conn.scalar(
                    text("SELECT pg_try_advisory_lock(:model, :photo)"),
                    {"model": self._model_id, "photo": photo_id}))
        if self._file is not None:
            try:
                fcntl.lockf(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB, 1,
                            (self._model_id << 32) + photo_id)
            except OSError:
                return False
        return True

    def _unlock(self, photo_id: int) -> None:
        if self._file is not None:
            fcntl.lockf(self._file, fcntl.LOCK_UN, 1, (self._model_id << 32) + photo_id)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with _turn:
            _held.difference_update(self._mine)
            for _, _, photo_id in self._mine:
                self._unlock(photo_id)
            if self._file is not None:
                users = _open.pop(self._path)[1] - 1
                if users:
                    _open[self._path] = self._file, users
                else:
                    os.close(self._file)
        if self._conn is not None:
            with contextlib.suppress(Exception):  # a server that is gone holds no locks
                self._conn.invalidate()  # its locks end with the server's session
            self._conn.close()
