"""Whole rows, table by table, for the archive: streamed out, matched and put back in."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, fields
from typing import Any

from sqlalchemy import Column, Connection, Table, and_, delete, func, insert, select, text

from budvision.store.tables import (
    assignment,
    block,
    bud,
    call,
    cane,
    metadata,
    person,
    photo,
    sampling,
    site,
)

__all__ = [
    "ARCHIVED", "CallLine", "PhotoLine", "add_row", "callers", "columns_of", "count_of",
    "drop_unused_sites", "equal_rows", "find_id", "is_empty", "lines_of_calls",
    "lines_of_photos", "place_of_bud", "references_of", "settle_numbers", "settle_plans",
    "sparing", "stream",
]

ARCHIVED: tuple[str, ...] = (
    "site", "block", "sampling", "cane", "bud", "person", "photo", "assignment", "model",
    "promotion", "region", "proposal", "proposal_tissue", "call", "mark", "crop_record",
    "temperature", "trust", "wood_cut",
)
"""Tables of an archive, each after those it refers to. Leases and bookmarks are of the moment."""
_CHUNK = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoLine:
    """One photograph and the bud it shows (empty where it shows none)."""

    photo_id: int
    sha256: str
    file_name: str
    width_px: int
    height_px: int
    taken_at: str
    camera: str
    site: str
    block: str
    sampling: str
    cane: str
    node: int | None
    cut: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CallLine:
    """One call with the names of what it speaks of."""

    call_id: int
    site: str
    block: str
    cultivar: str
    sampling: str
    cane: str
    node: int
    tissue: str
    value: str
    cause: str
    person_id: int
    round: str
    source: str
    blind: bool
    added_at: str
    replaces_id: int | None


def columns_of(table: str) -> tuple[str, ...]:
    """Return the names of a table's columns, less those that follow from others."""
    return tuple(column.name for column in _own(table))


def _own(table: str) -> list[Column[Any]]:
    return [column for column in metadata.tables[table].columns if not column.info.get("derived")]


def references_of(table: str) -> dict[str, str]:
    """Return the table that each referring column names."""
    return {
        key.parent.name: key.column.table.name for key in metadata.tables[table].foreign_keys
    }


def stream(conn: Connection, table: str, *, chunk: int = _CHUNK) -> Iterator[dict[str, Any]]:
    """Yield every row of a table in the order of its id, never more than a chunk in memory."""
    source = metadata.tables[table]
    last = 0
    while True:
        rows = conn.execute(
            select(*_own(table)).where(source.c.id > last).order_by(source.c.id).limit(chunk)
        ).mappings().all()
        for row in rows:
            yield dict(row)
        if len(rows) < chunk:
            return
        last = rows[-1]["id"]


@contextmanager
def sparing(conn: Connection) -> Iterator[None]:
    """Let the database keep few pages in memory while every row is gone through once."""
    if conn.dialect.name != "sqlite":
        yield
        return
    before = conn.exec_driver_sql("PRAGMA cache_size").scalar()
    conn.exec_driver_sql("PRAGMA cache_size=-8192")
    try:
        yield
    finally:
        conn.exec_driver_sql(f"PRAGMA cache_size={before}")


def is_empty(conn: Connection, table: str) -> bool:
    """Tell whether a table has no row."""
    return count_of(conn, table) == 0


def count_of(conn: Connection, table: str) -> int:
    """Return how many rows a table has."""
    return int(conn.scalar(select(func.count()).select_from(metadata.tables[table])) or 0)


def find_id(conn: Connection, table: str, **values: Any) -> int | None:
    """Return the lowest id of the rows with these values, None where there is none."""
    ids = equal_rows(conn, table, values)
    return ids[0] if ids else None


def equal_rows(conn: Connection, table: str, values: Mapping[str, Any]) -> list[int]:
    """Return the ids, ascending, of the rows that have all these values."""
    source: Table = metadata.tables[table]
    terms = [
        source.c[name].is_(None) if value is None else source.c[name] == value
        for name, value in values.items()
    ]
    return list(conn.scalars(select(source.c.id).where(and_(*terms)).order_by(source.c.id)))


def callers(conn: Connection, batches: Iterable[str]) -> set[int]:
    """Return who made the calls that were saved under these names."""
    return set(conn.scalars(
        select(call.c.person_id).where(call.c.batch.in_(sorted(batches))).distinct()))


def add_row(conn: Connection, table: str, values: Mapping[str, Any]) -> int:
    """Insert a row and return its id (the given one, if any)."""
    done = conn.execute(insert(metadata.tables[table]).values(**values))
    key = done.inserted_primary_key
    assert key is not None
    return int(key[0])


def drop_unused_sites(conn: Connection) -> None:
    """Remove sites that no block belongs to: a new season begins with one, named by its folder."""
    conn.execute(delete(site).where(site.c.id.not_in(select(block.c.site_id))))


def settle_plans(conn: Connection) -> None:
    """Let the database know how many rows it holds now, after very many came at once.

    Without it PostgreSQL plans for empty tables until its own daemon has looked, minutes later:
    of 2,000 samplings each took 0.2 s to count.
    """
    if conn.dialect.name == "postgresql":
        conn.exec_driver_sql("ANALYZE")


def settle_numbers(conn: Connection, table: str) -> None:
    """Let the next row's number follow the highest, after rows came in with their numbers."""
    if conn.dialect.name == "postgresql":
        conn.execute(
            text(
                "SELECT setval(pg_get_serial_sequence(:name, 'id'), "  # nosec B608  (our own tables)
                f'(SELECT COALESCE(MAX(id), 0) + 1 FROM "{metadata.tables[table].name}"), false)'
            ),
            {"name": f'"{table}"'},
        )


def place_of_bud(conn: Connection, bud_id: int) -> str:
    """Return where a bud is, in words: block, sampling, cane and node."""
    row = conn.execute(
        select(block.c.name, sampling.c.label, cane.c.label.label("cane"), bud.c.node)
        .select_from(bud.join(cane, cane.c.id == bud.c.cane_id)
                     .join(sampling, sampling.c.id == cane.c.sampling_id)
                     .join(block, block.c.id == sampling.c.block_id))
        .where(bud.c.id == bud_id)).one()
    return f"{row.name}, {row.label}, cane {row.cane}, node {row.node}"


def lines_of_photos(conn: Connection) -> Iterator[PhotoLine]:
    """Yield every photograph with the place that its newest assignment gives."""
    newest = (
        select(assignment.c.photo_id, func.max(assignment.c.id).label("last"))
        .group_by(assignment.c.photo_id).subquery()
    )
    query = (
        select(
            photo.c.id, photo.c.sha256, photo.c.file_name, photo.c.width_px, photo.c.height_px,
            photo.c.taken_at, photo.c.camera, site.c.name.label("site"),
            block.c.name.label("block"), sampling.c.label.label("sampling"),
            cane.c.label.label("cane"), bud.c.node, assignment.c.cut, assignment.c.bud_id,
        )
        .select_from(
            photo.outerjoin(newest, newest.c.photo_id == photo.c.id)
            .outerjoin(assignment, assignment.c.id == newest.c.last)
            .outerjoin(bud, bud.c.id == assignment.c.bud_id)
            .outerjoin(cane, cane.c.id == bud.c.cane_id)
            .outerjoin(sampling, sampling.c.id == cane.c.sampling_id)
            .outerjoin(block, block.c.id == sampling.c.block_id)
            .outerjoin(site, site.c.id == block.c.site_id)
        )
        .order_by(photo.c.id).limit(_CHUNK)
    )
    last = 0
    while True:
        rows = conn.execute(query.where(photo.c.id > last)).mappings().all()
        for row in rows:
            placed = row["bud_id"] is not None
            yield PhotoLine(
                photo_id=row["id"], sha256=row["sha256"], file_name=row["file_name"],
                width_px=row["width_px"], height_px=row["height_px"],
                taken_at=row["taken_at"] or "", camera=row["camera"], site=row["site"] or "",
                block=row["block"] or "",
                sampling=row["sampling"] or "", cane=row["cane"] or "", node=row["node"],
                cut=row["cut"] if placed else None)
        if len(rows) < _CHUNK:
            return
        last = rows[-1]["id"]


def lines_of_calls(conn: Connection) -> Iterator[CallLine]:
    """Yield every call ever made, in order, with the names of its bud."""
    query = (
        select(
            call.c.id, site.c.name, block.c.name, block.c.cultivar, sampling.c.label,
            cane.c.label, bud.c.node, call.c.tissue, call.c.value, call.c.cause,
            call.c.person_id, call.c.round, call.c.source, call.c.blind, call.c.added_at,
            call.c.replaces_id,
        )
        .select_from(
            call.join(bud, bud.c.id == call.c.bud_id).join(cane, cane.c.id == bud.c.cane_id)
            .join(sampling, sampling.c.id == cane.c.sampling_id)
            .join(block, block.c.id == sampling.c.block_id)
            .join(site, site.c.id == block.c.site_id)
            .join(person, person.c.id == call.c.person_id)
        )
        .order_by(call.c.id).limit(_CHUNK)
    )
    last, names = 0, [one.name for one in fields(CallLine)]
    while True:
        rows = conn.execute(query.where(call.c.id > last)).all()
        for row in rows:
            yield CallLine(**dict(zip(names, row, strict=True)))
        if len(rows) < _CHUNK:
            return
        last = rows[-1][0]
