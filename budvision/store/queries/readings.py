"""The calls that count, with who made them and when: for sheets and appendices."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Connection, select

from budvision.store.queries.calls import current_rows
from budvision.store.tables import bud, call, cane, person
from budvision.vocabulary import CallValue, Cause, Tissue

__all__ = ["Reading", "TwiceRead", "readings", "rows_read_twice"]

_VALUES = frozenset(value.value for value in CallValue)


@dataclass(frozen=True, slots=True, kw_only=True)
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
        Reading(bud_id=row.bud_id, tissue=Tissue(row.tissue), value=CallValue(row.value),
                cause=Cause(row.cause) if row.cause else None, note=row.note, person=row.person,
                added_at=row.added_at)
        for row in rows
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class TwiceRead:
    """A row of the calls of a bud that a second person read; `value` None takes a call back."""

    id: int
    bud_id: int
    sampling_id: int
    value: CallValue | None
    round: str
    blind: bool
    person: str


def rows_read_twice(conn: Connection, tissue: Tissue) -> list[TwiceRead]:
    """Return every row of one tissue of the buds with a second reading, by bud, oldest first.

    Parameters
    ----------
    conn : Connection
    tissue : Tissue
    """
    twice = select(call.c.bud_id).where(call.c.round == "second", call.c.tissue == tissue.value)
    rows = conn.execute(
        select(call.c.id, call.c.bud_id, cane.c.sampling_id, call.c.value, call.c.round,
               call.c.blind, person.c.name)
        .join(person, call.c.person_id == person.c.id).join(bud, call.c.bud_id == bud.c.id)
        .join(cane, bud.c.cane_id == cane.c.id)
        .where(call.c.tissue == tissue.value, call.c.bud_id.in_(twice))
        .order_by(call.c.bud_id, call.c.id)
    )
    return [
        TwiceRead(id=row.id, bud_id=row.bud_id, sampling_id=row.sampling_id,
                  value=CallValue(row.value) if row.value in _VALUES else None, round=row.round,
                  blind=row.blind, person=row.name)
        for row in rows
    ]
