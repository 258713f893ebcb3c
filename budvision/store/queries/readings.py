"""The calls that count, with who made them and when: for sheets and appendices."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import Connection, Integer, Select, bindparam, exists, func, select

from budvision.store.queries.calls import WITHDRAWN, current_rows
from budvision.store.queries.photos import current_assignment
from budvision.store.tables import assignment, bud, call, cane, mark, person
from budvision.vocabulary import TISSUES, CallValue, Cause, Tissue

__all__ = ["ReadBud", "Reading", "TwiceRead", "read_buds", "readings", "rows_read_twice"]

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
    """Return every row of one tissue of the buds with a second reading, by bud, oldest first."""
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


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadBud:
    """A bud that a photograph shows and nobody marked missing or blind.

    Attributes
    ----------
    called_by : tuple of int
        Ids of the persons whose calls count where all its tissues are called, else empty.
    second : bool
        Whether a second reading of it stands.
    """

    bud_id: int
    cane: str
    vine: str
    node: int
    called_by: tuple[int, ...]
    second: bool


def read_buds(conn: Connection, sampling_ids: Sequence[int]) -> dict[int, list[ReadBud]]:
    """Return the pictured buds of samplings with who has read them, in a few queries for all.

    Returns
    -------
    dict of int to list of ReadBud
        By sampling, each of those asked for.
    """
    asked, which = _of_samplings(), {"samplings": list(sampling_ids)}
    callers = {bud_id: tuple(sorted({low, total - low - high, high}))
               for bud_id, low, high, total in conn.execute(asked.full, which)}
    second = set(conn.scalars(asked.second, which))
    found: dict[int, list[ReadBud]] = {key: [] for key in sampling_ids}
    for bud_id, sampling_id, label, vine, node in conn.execute(asked.buds, which):
        found[sampling_id].append(ReadBud(
            bud_id=bud_id, cane=label, vine=vine, node=node, called_by=callers.get(bud_id, ()),
            second=bud_id in second))
    return found


@dataclass(frozen=True, slots=True)
class _OfSamplings:
    """What `read_buds` asks, built once: that takes longer than the answer for one sampling."""

    buds: Select[Any]
    full: Select[Any]
    second: Select[Any]


@cache
def _of_samplings() -> _OfSamplings:
    here = cane.c.sampling_id.in_(bindparam("samplings", expanding=True, type_=Integer))
    ids = select(bud.c.id).join(cane, bud.c.cane_id == cane.c.id).where(here)
    standing = current_rows(ids)
    newer, later = call.alias(), mark.alias()
    return _OfSamplings(
        buds=select(bud.c.id, cane.c.sampling_id, cane.c.label, cane.c.vine, bud.c.node)
        .join(cane, bud.c.cane_id == cane.c.id).where(
            here,
            exists().where(assignment.c.bud_id == bud.c.id, current_assignment()),
            ~exists().where(
                mark.c.bud_id == bud.c.id, mark.c.kind == "node", mark.c.value != "",
                ~exists().where(later.c.bud_id == mark.c.bud_id, later.c.kind == "node",
                                later.c.id > mark.c.id))),
        full=select(standing.c.bud_id, func.min(standing.c.person_id),
                    func.max(standing.c.person_id), func.sum(standing.c.person_id))
        .group_by(standing.c.bud_id).having(func.count() == len(TISSUES)),
        second=select(call.c.bud_id).where(
            call.c.bud_id.in_(ids), call.c.round == "second", call.c.value != WITHDRAWN,
            ~exists().where(
                newer.c.bud_id == call.c.bud_id, newer.c.tissue == call.c.tissue,
                newer.c.round == "second", newer.c.person_id == call.c.person_id,
                newer.c.id > call.c.id)).distinct())
