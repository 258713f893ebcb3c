"""What was measured in the season after: counts, weights and harvest, append-only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, select

from budvision.store.queries.insertion import insert_row
from budvision.store.session import now
from budvision.store.tables import block, crop_record, person

__all__ = ["CropRecord", "add_crop_record", "crop_records"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CropRecord:
    """One measurement of a block.

    `spread` is its standard error in the same unit, None where nothing shows it; `n_counted` the
    counts that it is the mean of, None in records that were kept before that was asked.
    """

    id: int
    block_id: int
    block: str
    kind: str
    value: float
    spread: float | None
    n_counted: int | None
    unit: str
    measured_on: str
    person: str
    note: str
    added_at: str


def add_crop_record(
    conn: Connection, block_id: int, *, kind: str, value: float, spread: float | None,
    n_counted: int | None, unit: str, measured_on: str, person_id: int | None, note: str = "",
) -> int:
    """Keep a measurement; a correction is a new row of the same kind and day."""
    return insert_row(
        conn, crop_record, block_id=block_id, kind=kind, value=value, spread=spread,
        n_counted=n_counted, unit=unit, measured_on=measured_on, person_id=person_id, note=note,
        added_at=now(),
    )


def crop_records(conn: Connection, block_id: int | None = None) -> list[CropRecord]:
    """Return the measurements of a block, or of every block, oldest first."""
    query = (
        select(crop_record, block.c.name.label("block"), person.c.name.label("person"))
        .join(block, crop_record.c.block_id == block.c.id)
        .outerjoin(person, crop_record.c.person_id == person.c.id)
        .order_by(crop_record.c.measured_on, crop_record.c.id)
    )
    if block_id is not None:
        query = query.where(crop_record.c.block_id == block_id)
    return [_record(row) for row in conn.execute(query)]


def _record(row: Row[Any]) -> CropRecord:
    facts = row._mapping
    return CropRecord(
        id=facts["id"], block_id=facts["block_id"], block=facts["block"], kind=facts["kind"],
        value=facts["value"],
        spread=facts["spread"], n_counted=facts["n_counted"], unit=facts["unit"],
        measured_on=facts["measured_on"], person=facts["person"] or "", note=facts["note"],
        added_at=facts["added_at"],
    )
