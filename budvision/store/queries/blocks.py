"""Sites, blocks and samplings: finding them, and making those that are new."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cache
from typing import Any
from unicodedata import normalize

from sqlalchemy import (
    Connection,
    Integer,
    Row,
    Select,
    bindparam,
    delete,
    func,
    select,
    update,
)

from budvision.errors import InputError, NotFoundError
from budvision.store.names import clean_label, name_key
from budvision.store.queries.insertion import as_json, check_names, insert_row
from budvision.store.session import as_utc, now
from budvision.store.tables import block, metadata, sampling, sampling_count, site

__all__ = [
    "BLOCK_FIELDS", "SAMPLING_FIELDS", "Block", "Sampling", "block_by_id", "drop_unused_block",
    "ensure_block", "ensure_sampling", "ensure_site", "find_block", "find_sampling",
    "find_samplings", "get_block", "get_sampling", "latest_sampling", "list_blocks",
    "list_samplings", "list_sites", "sampling_by_id", "sampling_labels", "sampling_of",
    "update_block", "update_sampling",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """One block. What is None or empty is not known; then the season's setting holds."""

    id: int
    site_id: int
    site: str
    name: str
    cultivar: str
    cultivar_class: str
    normal_nodes: float | None
    policy: str | None
    secondary_crop: float | None
    training_system: str
    row_spacing_m: float | None
    vine_spacing_m: float | None
    layout: Mapping[str, Any]
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Sampling:
    """One collection of canes from one block on one day. Times are UTC ISO 8601 or None.

    `tops_up` is the label of the block's sampling that this one tops up, so that both are one
    answer; empty for none. `cultivar` is the block's.
    """

    id: int
    block_id: int
    block: str
    label: str
    collected_at: str | None
    in_water_at: str | None
    out_of_water_at: str | None
    room_temp_c: float | None
    plan: Mapping[str, Any]
    note: str
    added_at: str
    tops_up: str = ""
    cultivar: str = ""


_SAMPLING_COLUMNS = tuple(one.name for one in fields(Sampling))


# ---- sites and blocks ------------------------------------------------------------------------


def ensure_site(conn: Connection, name: str) -> int:
    """Return the id of the site of that name, adding it when it is new."""
    clean = clean_label(name, "site")
    found = conn.scalar(select(site.c.id).where(site.c.name == clean))
    return found if found is not None else insert_row(conn, site, name=clean, added_at=now())


def list_sites(conn: Connection) -> list[str]:
    """Return the names of the season's sites, the first one first."""
    return [str(name) for name in conn.scalars(select(site.c.name).order_by(site.c.id))]


def _default_site(conn: Connection) -> int:
    first = conn.scalar(select(func.min(site.c.id)))
    return first if first is not None else ensure_site(conn, "site")


def _blocks() -> Select[Any]:
    return select(block, site.c.name.label("site")).join(site, block.c.site_id == site.c.id)


def find_block(conn: Connection, name: str) -> Block | None:
    """Return the block of that name, letter case apart, or None.

    Of two that an older season kept apart by case alone, the one spelt like this.
    """
    clean = clean_label(name, "block")
    row = conn.execute(
        _blocks().where(block.c.name_key == name_key(clean))
        .order_by(block.c.name != clean, block.c.id).limit(1)
    ).one_or_none()
    return None if row is None else _block(row)


def get_block(conn: Connection, name: str) -> Block:
    """Return the block of that name.

    Raises
    ------
    NotFoundError
        When the season has none; the text lists the names there are.
    """
    found = find_block(conn, name)
    if found is None:
        names = [row.name for row in list_blocks(conn)]
        raise NotFoundError(
            f"there is no block {name!r}", where="block",
            expected=f"one of {', '.join(names[:12])}" if names else "a block of this season",
            do="Correct the name, or take photographs in with it.", code="no_block",
        )
    return found


def block_by_id(conn: Connection, block_id: int) -> Block:
    """Return the block with that id, or raise NotFoundError."""
    row = conn.execute(_blocks().where(block.c.id == block_id)).one_or_none()
    if row is None:
        raise NotFoundError(f"there is no block number {block_id}", where="block",
                            do="Go back to the list of blocks.", code="no_block")
    return _block(row)


def list_blocks(conn: Connection) -> list[Block]:
    """Return every block, by name."""
    return [_block(row) for row in conn.execute(_blocks().order_by(block.c.name))]


def ensure_block(
    conn: Connection, name: str, *, site_id: int | None = None, cultivar: str = ""
) -> int:
    """Return the id of the block of that name, adding it when it is new.

    A new block belongs to `site_id`, or to the season's first site. A cultivar fills an empty one;
    it never replaces another.

    Raises
    ------
    InputError
        When the block has another cultivar than the one given.
    """
    found = find_block(conn, name)
    grape = clean_label(cultivar, "cultivar", empty=True)
    if found is None:
        return insert_row(
            conn, block, site_id=site_id if site_id is not None else _default_site(conn),
            name=normalize("NFC", clean_label(name, "block")), cultivar=grape, added_at=now(),
        )
    if grape and not found.cultivar:
        conn.execute(update(block).where(block.c.id == found.id).values(cultivar=grape))
    elif grape and grape.casefold() != found.cultivar.casefold():
        raise InputError(
            f"cultivar is {grape!r}", where=f"block {found.name}", expected=repr(found.cultivar),
            do="Correct the row, or change the block with `budvision block set`.",
        )
    return found.id


BLOCK_FIELDS = frozenset({
    "site_id", "cultivar", "cultivar_class", "normal_nodes", "policy", "secondary_crop",
    "training_system", "row_spacing_m", "vine_spacing_m", "layout", "note",
})
"""What `update_block` may change."""


def update_block(conn: Connection, block_id: int, **values: Any) -> None:
    """Change facts of a block; `layout` is a mapping, kept as JSON.

    Raises
    ------
    InputError
        When a name is not in `BLOCK_FIELDS`, or a number is out of bounds.
    """
    check_names(values, BLOCK_FIELDS, "block")
    for name, low, high in (("normal_nodes", 1.0, 1000.0), ("secondary_crop", 0.0, 1.0),
                            ("row_spacing_m", 0.3, 20.0), ("vine_spacing_m", 0.2, 20.0)):
        number = values.get(name)
        if number is not None and not low <= number <= high:
            raise InputError(f"{name} is {number:g}", expected=f"{low:g} to {high:g}",
                             where="block", do="Correct the number.")
    if "layout" in values:
        values["layout"] = as_json(values["layout"])
    if values:
        conn.execute(update(block).where(block.c.id == block_id).values(**values))


def drop_unused_block(conn: Connection, block_id: int) -> bool:
    """Remove a block that nothing hangs on; False where something does, and it stays."""
    for table in metadata.tables.values():
        for column in table.columns:
            if any(key.column is block.c.id for key in column.foreign_keys) and conn.scalar(
                select(func.count()).select_from(table).where(column == block_id)
            ):
                return False
    conn.execute(delete(block).where(block.c.id == block_id))
    return True


# ---- samplings -------------------------------------------------------------------------------


def _samplings() -> Select[Any]:
    return select(sampling, block.c.name.label("block"), block.c.cultivar).join(
        block, sampling.c.block_id == block.c.id
    )


def find_sampling(conn: Connection, block_id: int, label: str) -> Sampling | None:
    """Return the sampling of that label in a block, or None."""
    row = conn.execute(_samplings().where(
        sampling.c.block_id == block_id, sampling.c.label == clean_label(label, "sampling")
    )).one_or_none()
    return None if row is None else _sampling(row)


def get_sampling(conn: Connection, block_id: int, label: str) -> Sampling:
    """Return the sampling of that label in a block, or raise NotFoundError."""
    found = find_sampling(conn, block_id, label)
    if found is None:
        labels = [row.label for row in list_samplings(conn, block_id)]
        raise NotFoundError(
            f"block {block_by_id(conn, block_id).name} has no sampling {label!r}",
            where="sampling", do="Correct the label.", code="no_sampling",
            expected=f"one of {', '.join(labels[:12])}" if labels else "a sampling of this block",
        )
    return found


def sampling_by_id(conn: Connection, sampling_id: int) -> Sampling:
    """Return the sampling with that id, or raise NotFoundError."""
    row = conn.execute(_sampling_of_id(), {"sampling_id": sampling_id}).one_or_none()
    if row is None:
        raise NotFoundError(f"there is no sampling number {sampling_id}", where="sampling",
                            do="Go back to the list of samplings.", code="no_sampling")
    return _sampling(row)


@cache
def _sampling_of_id() -> Select[Any]:
    return _samplings().where(sampling.c.id == bindparam("sampling_id", type_=Integer))


def list_samplings(conn: Connection, block_id: int | None = None) -> list[Sampling]:
    """Return the samplings of a block, or of every block, oldest first."""
    query = _samplings().order_by(block.c.name, *_age())
    if block_id is not None:
        query = query.where(sampling.c.block_id == block_id)
    return [_sampling(row) for row in conn.execute(query)]


def sampling_labels(conn: Connection) -> tuple[str, ...]:
    """Return every label of a sampling once, those of the first block first, oldest first."""
    rows = conn.scalars(select(sampling.c.label).join(block, sampling.c.block_id == block.c.id)
                        .order_by(block.c.name, *_age()))
    return tuple(dict.fromkeys(rows))


def find_samplings(
    conn: Connection, *, name: str = "", waiting: bool = False, first: int = 0, most: int = 50
) -> tuple[list[Sampling], int]:
    """Return some samplings by block, oldest first, and how many there are in all.

    Parameters
    ----------
    name : str
        Part of the block's name, letter case apart; every block when empty.
    waiting : bool
        Only those in which a photographed bud waits for a call.
    first, most : int
        How many to leave out, and how many to return then.
    """
    query = _samplings()
    if name:
        query = query.where(block.c.name_key.contains(name_key(name), autoescape=True))
    if waiting:
        query = query.join(sampling_count, sampling_count.c.sampling_id == sampling.c.id).where(
            sampling_count.c.n_waiting > 0)
    n = conn.scalar(query.with_only_columns(func.count())) or 0
    rows = conn.execute(query.order_by(block.c.name, *_age()).offset(first).limit(most))
    return [_sampling(row) for row in rows], n


def latest_sampling(conn: Connection, block_id: int) -> Sampling | None:
    """Return a block's newest sampling: the last one collected, else the last one added."""
    row = conn.execute(
        _samplings().where(sampling.c.block_id == block_id)
        .order_by(*(column.desc() for column in _age())).limit(1)
    ).one_or_none()
    return None if row is None else _sampling(row)


def _age() -> tuple[Any, ...]:
    return (func.coalesce(sampling.c.collected_at, sampling.c.added_at), sampling.c.id)


def ensure_sampling(
    conn: Connection, block_id: int, label: str, *, collected_at: str | None = None
) -> int:
    """Return the id of the sampling of that label in a block, adding it when it is new.

    `collected_at`, ISO 8601, is kept where none is known yet.
    """
    found = find_sampling(conn, block_id, label)
    if found is not None:
        if collected_at is not None and found.collected_at is None:
            update_sampling(conn, found.id, collected_at=collected_at)
        return found.id
    return insert_row(conn, sampling, block_id=block_id, label=clean_label(label, "sampling"),
                      collected_at=None if collected_at is None else as_utc(collected_at),
                      added_at=now())


SAMPLING_FIELDS = frozenset({
    "collected_at", "in_water_at", "out_of_water_at", "room_temp_c", "plan", "note", "tops_up",
})
"""What `update_sampling` may change."""


def update_sampling(conn: Connection, sampling_id: int, **values: Any) -> None:
    """Change facts of a sampling; `plan` is a mapping, kept as JSON."""
    check_names(values, SAMPLING_FIELDS, "sampling")
    if "plan" in values:
        values["plan"] = as_json(values["plan"])
    for name in ("collected_at", "in_water_at", "out_of_water_at"):
        if values.get(name):
            values[name] = as_utc(values[name])
    if values:
        conn.execute(update(sampling).where(sampling.c.id == sampling_id).values(**values))


# ---- rows to objects -------------------------------------------------------------------------


def _block(row: Row[Any]) -> Block:
    return Block(
        id=row.id, site_id=row.site_id, site=row.site, name=row.name, cultivar=row.cultivar,
        cultivar_class=row.cultivar_class,
        normal_nodes=row.normal_nodes, policy=row.policy, secondary_crop=row.secondary_crop,
        training_system=row.training_system,
        row_spacing_m=row.row_spacing_m, vine_spacing_m=row.vine_spacing_m,
        layout=_table(row.layout), note=row.note,
    )


def _table(kept: str) -> dict[str, Any]:
    return {} if kept == "{}" else json.loads(kept)


def _sampling(row: Row[Any]) -> Sampling:
    return sampling_of(dict(row._mapping))


def sampling_of(facts: Mapping[str, Any]) -> Sampling:
    """Return the sampling of a row's columns, of which some may be others'."""
    kept = {name: facts[name] for name in _SAMPLING_COLUMNS}
    return Sampling(**{**kept, "plan": _table(kept["plan"])})
