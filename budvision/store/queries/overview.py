"""Counts over the whole season, and what the database says of its own health."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, func, inspect, select, text

from budvision.store.queries.photos import current_assignment
from budvision.store.tables import (
    APPEND_ONLY,
    assignment,
    block,
    call,
    model,
    person,
    photo,
    region,
    sampling,
    sampling_count,
    seal,
)

__all__ = [
    "SamplingCounts", "SeasonCounts", "broken_regions", "count_rows", "database_faults",
    "doubled_cuts", "missing_triggers", "photo_hashes", "sampling_counts",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class SamplingCounts:
    """How much of a sampling there is, and how far it is.

    Attributes
    ----------
    last_node : int
        The highest node of its buds, 0 where there is none.
    n_photos : int
        Photographs that show a bud of it.
    n_called : int
        Buds with all tissues called, less those marked missing.
    n_called_missing : int
        Buds with all tissues called that are marked missing or blind as well.
    n_missing : int
        Buds marked missing or blind; they wait for nobody.
    n_waiting : int
        Photographed buds with a tissue that nobody has called.
    n_skipped : int
        Of those that wait, the ones put aside.
    n_no_photo : int
        Buds without a photograph that are not called in full.
    n_tissues_waiting : int
        Tissues not called of the buds that wait.
    n_twice : int
        Buds that have a row of a second reading.
    version : int
        Grows with every write that touches the sampling.
    """

    sampling_id: int
    block: str
    sampling: str
    version: int
    n_canes: int
    n_buds: int
    last_node: int
    n_photos: int
    n_called: int
    n_called_missing: int
    n_missing: int
    n_waiting: int
    n_skipped: int
    n_no_photo: int
    n_tissues_waiting: int
    n_twice: int


@dataclass(frozen=True, slots=True, kw_only=True)
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
    """Return what the season has, from the counts kept with every write."""

    def n(table: Any) -> int:
        return int(conn.scalar(select(func.count()).select_from(table)) or 0)

    sealed = {row.table_name: row.n_rows
              for row in conn.execute(select(seal.c.table_name, seal.c.n_rows))}
    n_photos, n_calls = (  # of a seal that somebody has removed `check` tells
        sealed[table.name] if table.name in sealed else n(table) for table in (photo, call))
    kept = sampling_count.c
    n_buds, n_placed, n_unseen = conn.execute(
        select(*(func.coalesce(func.sum(column), 0)
                 for column in (kept.n_buds, kept.n_photos, kept.n_unseen)))).one()
    return SeasonCounts(
        n_blocks=n(block), n_samplings=n(sampling), n_buds=int(n_buds),
        n_photos=n_photos, n_unassigned=n_photos - int(n_placed),
        n_without_proposal=int(n_unseen), n_calls=n_calls, n_people=n(person),
        n_models=n(model),
    )


def sampling_counts(
    conn: Connection, sampling_ids: Sequence[int] | None = None
) -> list[SamplingCounts]:
    """Return how far each sampling is, by block and age; only those named where some are."""
    names = [name for name in SamplingCounts.__slots__
             if name not in ("sampling_id", "block", "sampling")]
    query = (
        select(sampling.c.id.label("sampling_id"), block.c.name.label("block"),
               sampling.c.label.label("sampling"),
               *(func.coalesce(sampling_count.c[name], 0).label(name) for name in names))
        .join(block, sampling.c.block_id == block.c.id)
        .outerjoin(sampling_count, sampling_count.c.sampling_id == sampling.c.id)
        .order_by(block.c.name, func.coalesce(sampling.c.collected_at, sampling.c.added_at),
                  sampling.c.id)
    )
    if sampling_ids is not None:
        query = query.where(sampling.c.id.in_(sampling_ids))
    return [SamplingCounts(**row._mapping) for row in conn.execute(query)]


def samplings_with(conn: Connection, name: str) -> dict[int, int]:
    """Return the version of each sampling of which one of the kept counts is not zero.

    Parameters
    ----------
    name : str
        The count, as in `SamplingCounts`.
    """
    kept = sampling_count.c
    rows = conn.execute(select(kept.sampling_id, kept.version).where(kept[name] > 0)
                        .order_by(kept.sampling_id))
    return {row[0]: row[1] for row in rows}


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
