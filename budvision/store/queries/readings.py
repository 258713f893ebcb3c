"""The calls that count, with who made them and when: for sheets and appendices."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Connection, select

from budvision.store.queries.calls import current_rows
from budvision.store.tables import bud, cane, person
from budvision.vocabulary import CallValue, Cause, Tissue

__all__ = ["Reading", "readings"]


@dataclass(frozen=True, slots=True)
class Reading:
    """One call that counts; `added_at` is UTC, ISO 8601."""

    bud_id: int
    tissue: Tissue
    value: CallValue
    cause: Cause | None
    note: str
    person: str
    added_at: str


def readings(conn: Connection, sampling_id: int) -> list[Reading]:
    """Return every call of a sampling that counts, bud by bud.

    Parameters
    ----------
    conn : Connection
    sampling_id : int

    Returns
    -------
    list of Reading
        At most one a tissue of a bud.
    """
    buds = select(bud.c.id).join(cane, bud.c.cane_id == cane.c.id).where(
        cane.c.sampling_id == sampling_id)
    standing = current_rows(buds)
    rows = conn.execute(
        select(standing, person.c.name.label("person"))
        .join(person, standing.c.person_id == person.c.id)
        .order_by(standing.c.bud_id, standing.c.id)
    )
    return [
        Reading(row.bud_id, Tissue(row.tissue), CallValue(row.value),
                Cause(row.cause) if row.cause else None, row.note, row.person, row.added_at)
        for row in rows
    ]
