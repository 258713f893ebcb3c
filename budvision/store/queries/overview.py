"""Counts over the whole season, and what the database says of its own health."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, func, inspect, select, text

from budvision.store.queries.photos import current_assignment
from budvision.store.tables import (
    APPEND_ONLY,
    assignment,
    block,
    bud,
    call,
    cane,
    model,
    person,
    photo,
    proposal,
    region,
    sampling,
)

__all__ = [
    "SamplingCounts", "SeasonCounts", "broken_regions", "count_rows", "database_faults",
    "doubled_cuts", "missing_triggers", "photo_hashes", "sampling_counts",
]


@dataclass(frozen=True, slots=True)
class SamplingCounts:
    """How much of a sampling there is."""

    sampling_id: int
    block: str
    sampling: str
    n_canes: int
    n_buds: int
    n_photos: int


@dataclass(frozen=True, slots=True)
class SeasonCounts:
    """How many rows the season has."""

    n_blocks: int
    n_samplings: int
    n_buds: int
    n_photos: int
    n_unassigned: int
    n_without_proposal: int
    n_calls: int
    n_people: int
    n_models: int


def count_rows(conn: Connection) -> SeasonCounts:
    """Count what the season has."""

    def n(table: Any) -> int:
        return int(conn.scalar(select(func.count()).select_from(table)) or 0)

    n_placed = int(conn.scalar(
        select(func.count()).select_from(assignment)
        .where(current_assignment(), assignment.c.bud_id.is_not(None))
    ) or 0)
    looked = select(proposal.c.photo_id)
    n_unseen = int(conn.scalar(
        select(func.count()).select_from(assignment)
        .where(current_assignment(), assignment.c.bud_id.is_not(None),
               assignment.c.photo_id.not_in(looked))
    ) or 0)
    return SeasonCounts(
        n_blocks=n(block), n_samplings=n(sampling), n_buds=n(bud), n_photos=n(photo),
        n_unassigned=n(photo) - n_placed, n_without_proposal=n_unseen, n_calls=n(call),
        n_people=n(person), n_models=n(model),
    )


def sampling_counts(conn: Connection) -> list[SamplingCounts]:
    """Return the size of each sampling, by block and age."""
    n_photos: dict[int, int] = {row[0]: row[1] for row in conn.execute(
        select(cane.c.sampling_id, func.count())
        .select_from(assignment).join(bud, assignment.c.bud_id == bud.c.id)
        .join(cane, bud.c.cane_id == cane.c.id).where(current_assignment())
        .group_by(cane.c.sampling_id)
    )}
    rows = conn.execute(
        select(sampling.c.id, block.c.name, sampling.c.label,
               func.count(func.distinct(cane.c.id)), func.count(bud.c.id))
        .join(block, sampling.c.block_id == block.c.id)
        .outerjoin(cane, cane.c.sampling_id == sampling.c.id)
        .outerjoin(bud, bud.c.cane_id == cane.c.id)
        .group_by(sampling.c.id, block.c.name, sampling.c.label, sampling.c.collected_at,
                  sampling.c.added_at)
        .order_by(block.c.name, func.coalesce(sampling.c.collected_at, sampling.c.added_at),
                  sampling.c.id)
    )
    return [
        SamplingCounts(key, name, label, n_canes, n_buds, n_photos.get(key, 0))
        for key, name, label, n_canes, n_buds in rows
    ]


def photo_hashes(conn: Connection) -> dict[str, str]:
    """Return every photograph's hash with the name of its file."""
    return {
        row.sha256: row.file_name
        for row in conn.execute(select(photo.c.sha256, photo.c.file_name))
    }


def database_faults(conn: Connection) -> list[str]:
    """Return what the database finds wrong with itself, nothing where it is sound."""
    if conn.dialect.name != "sqlite":
        return []
    faults = [str(row[0]) for row in conn.execute(text("PRAGMA integrity_check"))]
    found = [] if faults == ["ok"] else faults[:20]
    for row in conn.execute(text("PRAGMA foreign_key_check")).all()[:20]:
        found.append(f"row {row[1]} of {row[0]} refers to a row of {row[2]} that is not there")
    return found


def missing_triggers(conn: Connection) -> list[str]:
    """Return the append-only tables that no trigger guards."""
    query = (
        "SELECT tbl_name, name FROM sqlite_master WHERE type = 'trigger'"
        if conn.dialect.name == "sqlite" else
        "SELECT c.relname, t.tgname FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid "
        "WHERE NOT t.tgisinternal AND t.tgenabled <> 'D'"
    )
    found: dict[str, int] = {}
    for table, _ in conn.execute(text(query)):
        found[table] = found.get(table, 0) + 1
    wanted = 3 if conn.dialect.name == "sqlite" else 2
    known = set(inspect(conn).get_table_names())
    return [name for name in APPEND_ONLY if name not in known or found.get(name, 0) < wanted]


def doubled_cuts(conn: Connection) -> list[tuple[int, int, int]]:
    """Return (bud id, cut, number of photographs) where a cut has several photographs."""
    rows = conn.execute(
        select(assignment.c.bud_id, assignment.c.cut, func.count())
        .where(current_assignment(), assignment.c.bud_id.is_not(None))
        .group_by(assignment.c.bud_id, assignment.c.cut).having(func.count() > 1)
    )
    return [(row[0], row[1], row[2]) for row in rows]


def broken_regions(conn: Connection) -> list[int]:
    """Return the ids of regions whose labels cannot be read."""
    from budvision.errors import StorageError
    from budvision.store.labels import decode_labels

    broken = []
    for key, png in conn.execute(select(region.c.id, region.c.labels_png)):
        try:
            decode_labels(png)
        except StorageError:
            broken.append(int(key))
    return broken
