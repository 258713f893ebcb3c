"""What was worked out of rows, remembered for as long as the rows are the same.

Kept in this process, and where a form is given in the season's database too, so that a program
that starts works out only what was written since. The rows of the table `remembered` follow from
the others and may be removed at any time; they are written along with the next leases and
bookmarks, so that no call waits for them.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Generic, TypeVar

from sqlalchemy import (
    Column,
    Connection,
    Delete,
    Integer,
    String,
    Table,
    Text,
    UniqueConstraint,
    bindparam,
    delete,
    insert,
    select,
)

from budvision.store.tables import metadata
from budvision.version import __version__

__all__ = ["Form", "Remembered", "remembered"]

remembered = Table(
    "remembered", metadata,
    Column("id", Integer, primary_key=True, autoincrement=True),
    Column("kind", String(40), nullable=False),
    Column("thing", Integer, nullable=False),                  # of a sampling, its number
    Column("state", Text, nullable=False),                     # of the rows that it follows from
    Column("value", Text, nullable=False),                     # JSON
    UniqueConstraint("kind", "thing"),
)
"""What is kept; it follows from the other tables."""

T = TypeVar("T")
_FEW = 50
_AT_ONCE = 500


@dataclass(frozen=True, slots=True)
class Form(Generic[T]):
    """How values are kept in the database: as what JSON can hold, and back."""

    put: Callable[[T], Any]
    take: Callable[[Any], T]


class Remembered:
    """What follows from the rows of one thing each, with the state of those rows.

    Safe to use from every thread of the server: who asks for what another thread works out just
    now waits for it. Kept is the newest only: as many values of a kind as there are things.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: dict[Hashable, dict[int, tuple[Any, Any]]] = {}
        self._turns: dict[Hashable, threading.Lock] = {}
        self._read: dict[str, set[int]] = {}
        self._unwritten: dict[tuple[str, int], tuple[str, str]] = {}

    def each(
        self, kind: Hashable, states: Mapping[int, Any],
        work_out: Callable[[list[int]], Mapping[int, T]], *, conn: Connection | None = None,
        form: Form[T] | None = None, most: int | None = None,
    ) -> dict[int, T]:
        """Return the value of each thing, worked out only where its state is another than before.

        Parameters
        ----------
        kind : hashable
            What the values are, with everything they depend on besides the things' states: a word,
            or a tuple that begins with one.
        states : mapping of int to any
            Number of each thing to what its value follows from, compared by ``==``: of a sampling,
            its version (`store.counts.versions`) as committed.
        work_out : callable
            Gives the values of the things with these numbers.
        conn : Connection, optional
        form : Form, optional
            Keeps the values in the database behind `conn` too; then kind and states are numbers,
            texts and tuples of them.
        most : int, optional
            Values of the kind kept at once, the newest; every one when left out.
        """
        with self._lock:
            kept = dict(self._kept.get(kind, {}))
        if stale := _stale(kept, states):
            with self._turn(kind, stale):
                if conn is not None and form is not None:
                    self._take(kind, {key: states[key] for key in _stale(kept, states)}, conn,
                               form)
                with self._lock:
                    kept = dict(self._kept.get(kind, {}))
                if stale := _stale(kept, states):
                    found = work_out(stale)
                    kept |= self._add(kind, {key: (states[key], found[key]) for key in stale},
                                      most)
                    if form is not None:
                        self._note(kind, {key: kept[key] for key in stale}, form)
        return {key: kept[key][1] for key in states}

    def _turn(self, kind: Hashable, stale: list[int]) -> threading.Lock:
        """Return the lock of one thing, so that nobody waits for another; of many, of the kind."""
        with self._lock:
            return self._turns.setdefault((kind, stale[0] if len(stale) == 1 else None),
                                          threading.Lock())

    def _add(
        self, kind: Hashable, fresh: dict[int, tuple[Any, Any]], most: int | None = None
    ) -> dict[int, tuple[Any, Any]]:
        with self._lock:
            kept = self._kept.setdefault(kind, {})
            for key, one in fresh.items():
                kept.pop(key, None)  # the newest come last
                kept[key] = one
            for key in list(kept)[:0 if most is None else max(0, len(kept) - most)]:
                del kept[key]
        return fresh

    # ---- in the database ---------------------------------------------------------------------

    def _take(
        self, kind: Hashable, states: Mapping[int, Any], conn: Connection, form: Form[T]
    ) -> None:
        """Read what an earlier program kept of things and is still true, of each once a process."""
        name = _name(kind)
        read = self._read.setdefault(name, set())
        wanted = [key for key in states if key not in read]
        query = select(remembered.c.thing, remembered.c.state, remembered.c.value).where(
            remembered.c.kind == name)
        if len(wanted) <= _AT_ONCE:
            query = query.where(remembered.c.thing.in_(wanted))
        rows = conn.execute(query) if wanted else ()
        self._add(kind, {
            row.thing: (states[row.thing], form.take(json.loads(row.value))) for row in rows
            if row.thing in states and row.state == _text(kind, states[row.thing])})
        read.update(wanted)

    def _note(
        self, kind: Hashable, fresh: Mapping[int, tuple[Any, Any]], form: Form[T]
    ) -> None:
        rows = {(_name(kind), key): (_text(kind, state), json.dumps(form.put(value)))
                for key, (state, value) in fresh.items()}
        with self._lock:
            self._unwritten.update(rows)

    @property
    def worth_writing(self) -> bool:
        """Whether so much is not in the database yet that a write of its own is worth it."""
        with self._lock:
            return len(self._unwritten) > _FEW

    def write(self, conn: Connection) -> Mapping[tuple[str, int], tuple[str, str]]:
        """Write what is not in the database yet, and return it for `written`."""
        with self._lock:
            rows = dict(self._unwritten)
        if rows:
            for name in {name for name, _ in rows}:
                keys = [key for of, key in rows if of == name]
                for start in range(0, len(keys), _AT_ONCE):
                    conn.execute(_removal(), {
                        "name": name, "keys": keys[start:start + _AT_ONCE]})
            conn.execute(insert(remembered), [
                {"kind": name, "thing": key, "state": state, "value": value}
                for (name, key), (state, value) in rows.items()])
        return rows

    def written(self, rows: Mapping[tuple[str, int], tuple[str, str]]) -> None:
        """Note that these rows of `write` are in the database now."""
        with self._lock:
            for key, row in rows.items():
                if self._unwritten.get(key) == row:
                    del self._unwritten[key]


@cache
def _removal() -> Delete:
    return delete(remembered).where(
        remembered.c.kind == bindparam("name"),
        remembered.c.thing.in_(bindparam("keys", expanding=True, type_=Integer)))


def _stale(kept: Mapping[int, tuple[Any, Any]], states: Mapping[int, Any]) -> list[int]:
    return [key for key, state in states.items() if key not in kept or kept[key][0] != state]


def _name(kind: Hashable) -> str:
    return str(kind[0] if isinstance(kind, tuple) else kind)


def _text(kind: Hashable, state: Any) -> str:
    """Return what a kept value follows from; another release works it out anew."""
    return repr((__version__, kind, state))
