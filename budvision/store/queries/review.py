"""What readers do with buds: blind calls, second readings, who has one open, where one stopped."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

from sqlalchemy import (
    CompoundSelect,
    Connection,
    Integer,
    Select,
    String,
    Table,
    and_,
    bindparam,
    delete,
    func,
    select,
    union_all,
)
from sqlalchemy.dialects import sqlite

from budvision.store.queries.people import Person
from budvision.store.session import now
from budvision.store.tables import (
    bookmark,
    bud,
    call,
    cane,
    lease,
    model,
    person,
    proposal,
    proposal_tissue,
)
from budvision.vocabulary import CallValue, Tissue, Verdict

__all__ = [
    "BlindCall", "Lease", "blind_calls", "buds_read_twice", "get_bookmark", "lease_first",
    "newest_call", "open_elsewhere", "release", "set_bookmark", "take_lease",
]


_AT_ONCE = 20
_NEWEST_CALL = select(func.max(call.c.id))


@dataclass(frozen=True, slots=True)
class Lease:
    """Who has a bud open until when; `mine` tells whether it is the one who asked."""

    bud_id: int
    person_id: int
    person: str
    until: str
    mine: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class BlindCall:
    """A first call made without sight of the proposal, beside that proposal."""

    bud_id: int
    tissue: Tissue
    person_id: int
    value: CallValue
    exposed: bool
    verdict: Verdict | None
    model: str
    added_at: str = ""


def blind_calls(
    conn: Connection, *, sampling_ids: Sequence[int] | None = None
) -> list[BlindCall]:
    """Return the first blind call of each tissue that had a proposal, whatever came after it."""
    oldest = (
        select(func.min(call.c.id)).where(call.c.round == "first", call.c.blind)
        .group_by(call.c.bud_id, call.c.tissue)
    )
    if sampling_ids is not None:
        oldest = oldest.where(call.c.bud_id.in_(
            select(bud.c.id).join(cane, bud.c.cane_id == cane.c.id)
            .where(cane.c.sampling_id.in_(sampling_ids))))
    query = (
        select(call.c.bud_id, call.c.tissue, call.c.person_id, call.c.value,
               proposal_tissue.c.exposed, proposal_tissue.c.verdict, model.c.name,
               call.c.added_at)
        .join(proposal, call.c.proposal_id == proposal.c.id)
        .join(proposal_tissue, and_(proposal_tissue.c.proposal_id == proposal.c.id,
                                    proposal_tissue.c.tissue == call.c.tissue))
        .join(model, proposal.c.model_id == model.c.id)
        .where(call.c.id.in_(oldest), call.c.value != "withdrawn").order_by(call.c.id)
    )
    return [
        BlindCall(bud_id=row.bud_id, tissue=Tissue(row.tissue), person_id=row.person_id,
                  value=CallValue(row.value),
                  exposed=bool(row.exposed),
                  verdict=None if row.verdict is None else Verdict(row.verdict),
                  model=row.name, added_at=row.added_at)
        for row in conn.execute(query)
    ]


def buds_read_twice(conn: Connection) -> list[int]:
    """Return the buds that have a row of a second reading."""
    return list(conn.scalars(
        select(call.c.bud_id).where(call.c.round == "second").distinct().order_by(call.c.bud_id)
    ))


# ---- leases and bookmarks: of the moment, so these rows do change ----------------------------


def take_lease(
    conn: Connection, bud_id: int, asker: Person, *, minutes: float = 10.0
) -> Lease:
    """Ask for a bud: it is the asker's unless another person's lease still runs.

    A lease keeps nobody from saving; it tells the second person that the first has it open.
    """
    standing = conn.execute(_lease_of_bud(), {"bud_id": bud_id}).one_or_none()
    if standing is not None and standing.person_id != asker.id and standing.until > now():
        return Lease(bud_id, standing.person_id, standing.name, standing.until, mine=False)
    until = _lend(conn, [bud_id], asker.id, minutes)
    return Lease(bud_id, asker.id, asker.name, until, mine=True)


@cache
def _lease_of_bud() -> Select[Any]:
    return (select(lease, person.c.name).join(person, lease.c.person_id == person.c.id)
            .where(lease.c.bud_id == bindparam("bud_id", type_=Integer)))


def _lend(conn: Connection, bud_ids: Sequence[int], person_id: int, minutes: float) -> str:
    """Make buds one person's, whoever had them; return until when."""
    until = datetime.now(UTC) + timedelta(minutes=minutes)
    text = until.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    conn.execute(_put(conn.dialect.name, lease, "bud_id"), [
        {"bud_id": key, "person_id": person_id, "until": text} for key in bud_ids])
    return text


@cache
def _put(dialect: str, table: Table, *key: str) -> Any:
    """Return what inserts a row, or writes over the one with the same key.

    In one statement, since a save that ends meanwhile may remove a lease.
    """
    made: Any = sqlite.insert(table)
    if dialect == "postgresql":
        from sqlalchemy.dialects import postgresql  # a laptop's server would wait for it

        made = postgresql.insert(table)
    return made.on_conflict_do_update(index_elements=list(key), set_={
        column.name: made.excluded[column.name] for column in table.c
        if column.name != "id" and column.name not in key})


def lease_first(
    conn: Connection, bud_ids: Sequence[int], person_id: int, *, n: int, known: int,
    minutes: float,
) -> list[int]:
    """Take the first few buds that nobody else has open, for this person alone.

    Parameters
    ----------
    bud_ids : sequence of int
        The buds in the order in which they are wanted.
    n : int
        How many.
    known : int
        Number of the newest call when that order was made: a bud called since is passed over.
    minutes : float
        How long they are this person's; then they go back to everybody.

    Returns
    -------
    list of int
    """
    taken: list[int] = []
    for start in range(0, len(bud_ids), _AT_ONCE):
        part = bud_ids[start:start + _AT_ONCE]
        gone = set(conn.scalars(_gone(), {
            "bud_ids": part, "person_id": person_id, "moment": now(), "known": known}))
        taken += [bud_id for bud_id in part if bud_id not in gone][:n - len(taken)]
        if len(taken) == n:
            break
    if taken:
        _lend(conn, taken, person_id, minutes)
    return taken


@cache
def _gone() -> CompoundSelect[Any]:
    """Return the buds that others have open, or that somebody has called since."""
    asked = bindparam("bud_ids", expanding=True, type_=Integer)
    return union_all(
        select(lease.c.bud_id).where(
            lease.c.bud_id.in_(asked), lease.c.until > bindparam("moment", type_=String),
            lease.c.person_id != bindparam("person_id", type_=Integer)),
        select(call.c.bud_id).where(
            call.c.bud_id.in_(asked), call.c.id > bindparam("known", type_=Integer)))


def newest_call(conn: Connection) -> int:
    """Return the number of the newest call of the season, 0 where there is none."""
    return conn.scalar(_NEWEST_CALL) or 0


def open_elsewhere(conn: Connection, bud_id: int, person_id: int) -> str:
    """Return the name of who else has a bud open now, '' where nobody has."""
    found = conn.execute(_lease_of_bud(), {"bud_id": bud_id}).one_or_none()
    if found is None or found.person_id == person_id or found.until <= now():
        return ""
    return str(found.name)


def release(conn: Connection, bud_id: int, person_id: int) -> None:
    """Give a bud back; another person's lease stays."""
    conn.execute(
        delete(lease).where(and_(lease.c.bud_id == bud_id, lease.c.person_id == person_id))
    )


@cache
def _bookmark() -> Select[Any]:
    return select(bookmark.c.value).where(
        bookmark.c.person_id == bindparam("person_id", type_=Integer),
        bookmark.c.page == bindparam("page", type_=String))


def get_bookmark(conn: Connection, person_id: int, page: str) -> Any:
    """Return what a person's page kept, None where it kept nothing."""
    value = conn.scalar(_bookmark(), {"person_id": person_id, "page": page})
    return None if value is None else json.loads(value)


def set_bookmark(conn: Connection, person_id: int, page: str, value: Any) -> None:
    """Keep where a person stopped on a page; `value` is anything that JSON can hold."""
    conn.execute(_put(conn.dialect.name, bookmark, "person_id", "page"), {
        "person_id": person_id, "page": page, "value": json.dumps(value, ensure_ascii=False)})
