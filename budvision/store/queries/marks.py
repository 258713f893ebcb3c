"""Marks on buds that are no calls: missing or blind node, skipped, cause seen at the bench."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import Connection, Integer, Select, bindparam, func, select

from budvision.errors import InputError
from budvision.store.queries.insertion import insert_row
from budvision.store.session import now
from budvision.store.tables import bud, cane, mark
from budvision.vocabulary import Cause

__all__ = [
    "KINDS", "NODE_STATES", "Mark", "allowed_values", "marks_of_bud", "marks_of_sampling",
    "set_mark", "standing_marks",
]

KINDS = ("node", "skipped", "cause")
NODE_STATES = ("missing", "blind")
"""Values of the mark `node`: no bud there at all, or a node that bears none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """The newest mark of one kind on one bud."""

    id: int
    bud_id: int
    kind: str
    value: str
    person_id: int | None
    note: str
    added_at: str


def allowed_values(kind: str) -> tuple[str, ...]:
    """Return the values that a mark of a kind may have, beside the empty one that takes it back.

    Raises
    ------
    InputError
        When the kind is unknown.
    """
    if kind not in KINDS:
        raise InputError(f"the mark is {kind!r}", expected=f"one of {', '.join(KINDS)}",
                         where="mark")
    return {"node": NODE_STATES, "cause": tuple(Cause), "skipped": ("yes",)}[kind]


def set_mark(
    conn: Connection, bud_id: int, kind: str, value: str, *, person_id: int | None = None,
    note: str = "",
) -> int:
    """Put a mark on a bud; the empty value takes it back. A new row, the older ones stay.

    Raises
    ------
    InputError
        When the kind, or the value of its kind, is unknown.
    """
    allowed = allowed_values(kind)
    if value and value not in allowed:
        raise InputError(f"{kind} is {value!r}", where="mark", do="Correct the mark.",
                         expected=f"one of {', '.join(allowed)}, or empty to take it back")
    return insert_row(conn, mark, bud_id=bud_id, kind=kind, value=value, person_id=person_id,
                      note=note, added_at=now())


def marks_of_bud(conn: Connection, bud_id: int) -> dict[str, Mark]:
    """Return the standing marks of a bud, by kind."""
    rows = conn.execute(_of_bud(), {"bud_id": bud_id})
    newest = {row.kind: Mark(**row._mapping) for row in rows}
    return {kind: found for kind, found in newest.items() if found.value}


@cache
def _of_bud() -> Select[Any]:
    return (select(mark).where(mark.c.bud_id == bindparam("bud_id", type_=Integer))
            .order_by(mark.c.id))


def marks_of_sampling(conn: Connection, sampling_id: int) -> dict[int, dict[str, Mark]]:
    """Return the standing marks of a sampling's buds, by bud and kind."""
    found: dict[int, dict[str, Mark]] = {}
    for row in conn.execute(_standing_of_sampling(), {"sampling_id": sampling_id}):
        one = Mark(**row._mapping)
        found.setdefault(one.bud_id, {})[one.kind] = one
    return found


@cache
def _standing_of_sampling() -> Select[Any]:
    return standing_marks(
        select(bud.c.id).join(cane, bud.c.cane_id == cane.c.id)
        .where(cane.c.sampling_id == bindparam("sampling_id", type_=Integer)))


def standing_marks(bud_ids: Any) -> Select[Any]:
    """Return the query of the marks that stand on some buds, whose ids a query or list gives."""
    number = func.row_number().over(
        partition_by=(mark.c.bud_id, mark.c.kind), order_by=mark.c.id.desc()
    ).label("number")
    newest = select(mark, number).where(mark.c.bud_id.in_(bud_ids)).subquery()
    return select(*(newest.c[column.name] for column in mark.c)).where(
        newest.c.number == 1, newest.c.value != "")
