"""Tell whether rows were changed past the program: hashes kept with every write, read by `check`.

Two kinds of table, one row of the table `seal` for each:

- *append-only* tables have a chain: the hash of a row goes over the hash of the row before it, and
  the last one stands in `seal`. Each transaction leaves its point of the chain in `chain`, so that
  a changed, removed or slipped-in row is told to within the rows saved together.
- *other* tables have a digest: the sum, modulo 2^256, of the hashes of their rows, which does not
  depend on their order. Rows that are new are added to it; a trigger notes that a row was changed
  or removed, and the sum is then taken anew.

A row's hash is the SHA-256 of its columns' values as JSON, those without a value left out, so that
SQLite and PostgreSQL agree. `Folder` keeps the number of writes and the hash over all of `seal`
beside the database: a database that is older than its folder (a copy without its write-ahead log,
an old file put back) has fewer. None of it withstands somebody who may write both and recomputes
everything; backups and signed archives elsewhere hold the older points.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

from sqlalchemy import (
    Connection,
    Table,
    Update,
    bindparam,
    func,
    insert,
    inspect,
    select,
    text,
    update,
)

from budvision.language import plain_count
from budvision.store.tables import APPEND_ONLY, chain, metadata, seal

__all__ = [
    "CHAINED", "KNOWN_THERE", "SUMMED", "Broken", "Folder", "Point", "Standing", "adopt",
    "extend", "holds", "last_link", "point", "renew", "standing", "verify",
]

CHAINED: tuple[str, ...] = tuple(name for name in APPEND_ONLY if name != "chain")
"""Append-only tables, each with a chain."""
SUMMED: tuple[str, ...] = ("site", "block", "sampling", "cane", "bud", "person", "temperature")
"""Tables whose rows may change, each with a digest. Leases and bookmarks are of the moment."""
WRITES = "(writes)"
_START = "0" * 64
_quoted = json.encoder.encode_basestring_ascii
_CHUNK = 2000
_MODULUS = 1 << 256
_SEALED = select(seal)
_STANDING = text(
    "SELECT seal.table_name, last_id, n_rows, sha256, changed, COALESCE(newest.id, 0) AS newest "
    "FROM seal LEFT JOIN (" + " UNION ALL ".join(
        f"SELECT '{name}' AS name, MAX(id) AS id FROM \"{name}\""  # nosec B608  (our own tables)
        for name in (*CHAINED, *SUMMED)) + ") AS newest ON newest.name = seal.table_name")
"""What is sealed, beside the newest number of each table: one question, since all others wait."""
_THERE_ON = {
    "sqlite": text("SELECT name FROM sqlite_master WHERE type = 'table' AND name = 'wood_cut'"),
    "postgresql": text("SELECT to_regclass('wood_cut')"),
}
"""Asks for the newest of the tables that are sealed."""
KNOWN_THERE = "budvision_sealed"  # of a connection; a change back of its form forgets it


@dataclass(frozen=True, slots=True)
class Point:
    """Where a season's records stand: the number of writes, and the hash over all its seals."""

    n: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Broken:
    """Rows that are not as they were sealed."""

    table: str
    rows: str
    what: str


# ---- with every write ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Standing:
    """What is sealed, by table: up to which row of it, and the number of its newest row."""

    sealed: Mapping[str, Any]
    before: Mapping[str, int]
    newest: Mapping[str, int]


def standing(conn: Connection) -> Standing | None:
    """Return what a transaction has to seal at its end; None in a database of an older form."""
    if not _is_there(conn):
        return None
    rows = conn.execute(_STANDING).all()
    return Standing({row.table_name: row for row in rows},
                    {row.table_name: row.last_id for row in rows},
                    {row.table_name: row.newest for row in rows})


def extend(conn: Connection, found: Standing) -> Point | None:
    """Seal what the transaction has added and changed; None where that is nothing."""
    fresh: dict[str, dict[str, Any]] = {}
    for name in CHAINED:
        row = found.sealed[name]
        if found.newest[name] > row.last_id:
            fresh[name] = _lengthen(conn, name, row)
    for name in SUMMED:
        row = found.sealed[name]
        if row.changed:
            fresh[name] = _sum(conn, name, 0, 0, 0)
        elif found.newest[name] > row.last_id:
            fresh[name] = _sum(conn, name, row.last_id, int(row.sha256, 16), row.n_rows)
    if not fresh:
        return None
    fresh[WRITES] = {"last_id": found.sealed[WRITES].last_id + 1}
    ends = {name: {what: fresh.get(name, {}).get(what, getattr(row, what))
                   for what in ("last_id", "n_rows", "sha256")}
            for name, row in found.sealed.items()}
    conn.execute(_renewing(), [{"name": name, **ends[name]} for name in fresh])
    return _point({name: tuple(end.values()) for name, end in ends.items()})


@cache
def _renewing() -> Update:
    return update(seal).where(seal.c.table_name == bindparam("name")).values(
        changed=False, **{what: bindparam(what) for what in ("last_id", "n_rows", "sha256")})


def point(conn: Connection) -> Point | None:
    """Return where the season's records stand, None in a database of an older form."""
    if not _is_there(conn):
        return None
    return _point({row.table_name: (row.last_id, row.n_rows, row.sha256)
                   for row in conn.execute(_SEALED)})


def _point(ends: Mapping[str, tuple[Any, ...]]) -> Point:
    rows = sorted([name, *end] for name, end in ends.items())
    return Point(ends[WRITES][0] if WRITES in ends else 0,
                 hashlib.sha256(json.dumps(rows).encode()).hexdigest())


def _is_there(conn: Connection) -> bool:
    """Tell whether all sealed tables are there; asked once a connection, where they are."""
    if not conn.info.get(KNOWN_THERE):
        conn.info[KNOWN_THERE] = conn.scalar(_THERE_ON[conn.dialect.name]) is not None
    return bool(conn.info[KNOWN_THERE])


def _lengthen(conn: Connection, name: str, row: Any, *, kind: str = "rows") -> dict[str, Any]:
    """Put the point that a chain has come to among its points, and return it for its seal."""
    sha256, last, n = row.sha256, row.last_id, row.n_rows
    for last, line in _lines(conn, metadata.tables[name], row.last_id):  # noqa: B007
        sha256 = _linked(sha256, line)
        n += 1
    end = {"last_id": last, "n_rows": n, "sha256": sha256}
    conn.execute(insert(chain), {"table_name": name, "kind": kind, "added_at": _now(), **end})
    return end


def _sum(conn: Connection, name: str, last: int, total: int, n: int) -> dict[str, Any]:
    for last, line in _lines(conn, metadata.tables[name], last):  # noqa: B007, B020
        total = (total + int.from_bytes(hashlib.sha256(line).digest())) % _MODULUS
        n += 1
    return {"last_id": last, "n_rows": n, "sha256": f"{total:064x}"}


def _set(conn: Connection, name: str, **values: Any) -> None:
    conn.execute(update(seal).where(seal.c.table_name == name).values(**values))


def _linked(before: str, line: bytes) -> str:
    return hashlib.sha256(before.encode() + line).hexdigest()


def _lines(
    conn: Connection, table: Table, after: int, *, known: frozenset[str] | None = None
) -> Iterator[tuple[int, bytes]]:
    """Yield id and canonical form of the rows after an id, in the order of their ids."""
    columns = sorted((c for c in table.columns if known is None or c.name in known),
                     key=lambda column: column.name)
    id_column = [column.name for column in columns].index("id")
    names = [f"{_quoted(column.name)}:" for column in columns]
    while True:
        found = conn.execute(
            select(*columns).where(table.c.id > after).order_by(table.c.id).limit(_CHUNK)).all()
        for row in found:
            line = ",".join([name + _as_json(value) for name, value in zip(names, row, strict=True)
                             if value is not None])
            yield row[id_column], f"{{{line}}}".encode("ascii")
        if len(found) < _CHUNK:
            return
        after = found[-1][id_column]


def _as_json(value: Any) -> str:
    """Return a column's value as `json.dumps` writes it, of bytes their hash; many at a time."""
    kind = type(value)
    if kind is str:
        return _quoted(value)
    if kind is int:
        return str(value)
    if kind is bool:
        return "true" if value else "false"
    return json.dumps(hashlib.sha256(value).hexdigest() if kind is bytes else value)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


# ---- checking, and after a change of form ----------------------------------------------------


def verify(conn: Connection) -> list[Broken]:
    """Hash every row again and return what is not as it was sealed.

    Rows that a program other than this one has added since the last write are told of too.
    """
    inspector = inspect(conn)
    if not inspector.has_table("seal"):
        return []
    sealed = {row.table_name: row for row in conn.execute(_SEALED)}
    out: list[Broken] = []
    for name in (*CHAINED, *SUMMED):
        if name not in sealed and not inspector.has_table(name):
            continue  # an older form
        if name not in sealed:
            out.append(Broken(name, "all rows", "their seal is gone"))
            continue
        known = frozenset(column["name"] for column in inspector.get_columns(name))
        if name in CHAINED:
            out += _verify_chain(conn, name, sealed[name], known)
        else:
            out += _verify_sum(conn, name, sealed[name], known)
    return out


def _verify_chain(
    conn: Connection, name: str, sealed: Any, known: frozenset[str]
) -> list[Broken]:
    renewed = conn.scalar(select(func.max(chain.c.id)).where(
        chain.c.table_name == name, chain.c.kind == "renewed")) or 0
    points = conn.execute(select(chain).where(
        chain.c.table_name == name, chain.c.id >= renewed).order_by(chain.c.id)).all()
    ends = [(row.last_id, row.n_rows, row.sha256) for row in points]
    final = (sealed.last_id, sealed.n_rows, sealed.sha256)
    out: list[Broken] = []
    if (ends[-1] if ends else (0, 0, _START)) != final:
        out.append(Broken(name, "the chain", "its last point and its seal differ"))
        ends.append(final)
    lines = _lines(conn, metadata.tables[name], 0, known=known)
    held = next(lines, None)
    n, sha256, first = 0, _START, 0
    for last_id, n_rows, wanted in ends:
        while held is not None and held[0] <= last_id:
            sha256 = _linked(sha256, held[1])
            n += 1
            held = next(lines, None)
        if (n, sha256) != (n_rows, wanted):
            here = f"rows {first + 1} to {last_id}"
            missing = n_rows - n
            out.append(Broken(name, here, "they are not the rows that were saved" + (
                f": {missing} missing" if missing > 0 else f": {-missing} too many"
                if missing < 0 else "")))
            n, sha256 = n_rows, wanted  # go on from what was saved, to find the next
        first = last_id
    if held is not None:
        out.append(Broken(name, f"rows from {held[0]} on", "another program added them"))
    return out


def _verify_sum(conn: Connection, name: str, sealed: Any, known: frozenset[str]) -> list[Broken]:
    total = n = 0
    for _, line in _lines(conn, metadata.tables[name], 0, known=known):
        total = (total + int.from_bytes(hashlib.sha256(line).digest())) % _MODULUS
        n += 1
    if (n, f"{total:064x}") == (sealed.n_rows, sealed.sha256) and not sealed.changed:
        return []
    what = f"{plain_count(n, 'row')}, {sealed.n_rows} were saved" if n != sealed.n_rows else (
        "a value is not the one that was saved")
    return [Broken(name, "its rows", what)]


def adopt(conn: Connection, points: Sequence[Mapping[str, Any]]) -> list[Broken]:
    """Take over the chains of rows that were brought in whole, and say where they do not hold.

    Parameters
    ----------
    points : sequence of mapping
        The rows of the other season's table `chain`.
    """
    if points:
        conn.execute(insert(chain), [dict(row) for row in points])
    for row in sorted(points, key=lambda one: int(one["id"])):
        if row["table_name"] in CHAINED:
            _set(conn, row["table_name"], last_id=row["last_id"], n_rows=row["n_rows"],
                 sha256=row["sha256"])
    return [one for one in verify(conn) if one.table in CHAINED] if points else []


def last_link(conn: Connection) -> Mapping[str, Any]:
    """Return the newest point of the chains, empty where nothing was ever chained."""
    row = conn.execute(select(chain).order_by(chain.c.id.desc()).limit(1)).mappings().first()
    return dict(row or {})


def holds(conn: Connection, link: Mapping[str, Any]) -> bool:
    """Tell whether a point of another copy's chains (`last_link`) is one of this season's too."""
    found = conn.execute(select(chain).where(chain.c.id == link.get("id"))).mappings().first()
    return not link or dict(found or {}) == dict(link)


def renew(conn: Connection) -> None:
    """Seal every row as it stands: after a change of the tables' form that `verify` preceded."""
    for name in CHAINED:
        _set(conn, name, last_id=0, n_rows=0, sha256=_START)
        row = conn.execute(select(seal).where(seal.c.table_name == name)).one()
        _set(conn, name, **_lengthen(conn, name, row, kind="renewed"))
    for name in SUMMED:
        _set(conn, name, **_sum(conn, name, 0, 0, 0), changed=False)
    before = conn.scalar(select(seal.c.last_id).where(seal.c.table_name == WRITES))
    _set(conn, WRITES, last_id=(before or 0) + 1)


# ---- beside the database ---------------------------------------------------------------------


class Folder:
    """The last write as the season's folder knows it, in the file ``written``.

    Parameters
    ----------
    folder : Path
        The season's folder.
    """

    NAME = "written"

    def __init__(self, folder: Path) -> None:
        self.path = folder / self.NAME

    def read(self) -> Point | None:
        """Return the last write that was noted, None where there is none or it cannot be read."""
        try:
            n, sha256, check = self.path.read_text(encoding="ascii").split()
            return Point(int(n), sha256) if check == _check_of(n, sha256) else None
        except (OSError, ValueError):
            return None

    def note(self, last: Point) -> None:
        """Note a write after it was committed; an older one never replaces a newer one.

        Nothing is flushed: after a power cut the file may be older than the database, which
        `behind` allows.
        """
        before = self.read()
        if before is not None and before.n > last.n:
            return
        line = f"{last.n} {last.sha256} {_check_of(str(last.n), last.sha256)}\n".rjust(110)
        with contextlib.suppress(OSError):
            handle = os.open(self.path, os.O_WRONLY | os.O_CREAT, 0o644)
            try:
                os.write(handle, line.encode("ascii"))
            finally:
                os.close(handle)

    def fault(self, now: Point | None) -> str:
        """Say how a database stands against the folder, '' where nothing is wrong."""
        if now is None or not self.path.exists():
            return ""
        noted = self.read()
        if noted is None:
            return "the file `written` cannot be read"
        if noted.n > now.n:
            return (f"the database lacks the last {noted.n - now.n} writes that this folder has "
                    "seen: it is an older file, or was copied without budvision.db-wal")
        if noted.n == now.n and noted.sha256 != now.sha256:
            return "the database is not the one that was last written in this folder"
        return ""


def _check_of(n: str, sha256: str) -> str:
    return hashlib.sha256(f"{n} {sha256}".encode()).hexdigest()[:16]
