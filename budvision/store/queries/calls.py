"""Calls of named persons: saving, taking back, and which ones count.

The current call of a tissue is its newest settled call that was not taken back, else its newest
first call that was not taken back. Second readings never count by themselves.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import (
    Connection,
    Dialect,
    Integer,
    Row,
    Select,
    bindparam,
    case,
    func,
    insert,
    or_,
    select,
)

from budvision.errors import InputError, NotFoundError
from budvision.store.session import now
from budvision.store.tables import block, bud, call, cane, person, sampling
from budvision.vocabulary import TISSUES, BudCalls, CallValue, Cause, Tissue

__all__ = [
    "ROUNDS", "CallRow", "NewCall", "NewRow", "add_calls", "batch_rows", "call_histories",
    "call_history", "called_among", "current_calls", "current_calls_of_bud", "current_rows",
    "newest_rows", "save_calls", "standing_calls",
]

ROUNDS = ("first", "second", "settled")
WITHDRAWN = "withdrawn"


@dataclass(frozen=True, slots=True)
class NewCall:
    """A call to be saved, with what goes with it; `cause` only where dead of something known."""

    value: CallValue
    cause: Cause | None = None
    note: str = ""
    proposal_id: int | None = None
    region_id: int | None = None


@dataclass(frozen=True, slots=True)
class NewRow:
    """A call to be written: of which tissue, in which round, and the row that it replaces."""

    bud_id: int
    tissue: Tissue
    call: NewCall
    round: str
    replaces_id: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CallRow:
    """One row of the table of calls; `value` is None where the row takes a call back."""

    id: int
    bud_id: int
    tissue: Tissue
    value: CallValue | None
    cause: Cause | None
    note: str
    person_id: int
    person: str
    round: str
    source: str
    blind: bool
    proposal_id: int | None
    region_id: int | None
    batch: str
    added_at: str
    replaces_id: int | None
    entered_by_id: int | None


def save_calls(
    conn: Connection, bud_id: int, calls: Mapping[Tissue, CallValue | NewCall], *,
    person_id: int, round: str = "first", rounds: Mapping[Tissue, str] | None = None,
    source: str = "page", blind: bool = False, batch: str | None = None,
    entered_by_id: int | None = None,
    newest: Mapping[tuple[Tissue, str], CallRow] | None = None,
) -> str:
    """Save one person's calls of one bud, as new rows.

    Parameters
    ----------
    bud_id : int
        The bud.
    calls : mapping of Tissue to CallValue or NewCall
        One entry for each tissue called; tissues left out keep the call they have.
    person_id : int
        Whose calls they are.
    round : str
        first, second (a second reader's) or settled (agreed after a disagreement).
    rounds : mapping of Tissue to str, optional
        The round of each tissue, where it is not the same for all.
    source : str
        page, import or archive.
    blind : bool
        True where the person had not seen the proposals.
    batch : str, optional
        Name under which they are saved together; a new one when left out.
    entered_by_id : int, optional
        Who wrote them, where it was not the person whose calls they are.
    newest : mapping, optional
        The newest row of each tissue and round as `newest_rows` returns them, where the caller has
        read them; bud and person are then known to be there.

    Returns
    -------
    str
        The batch, for `undo`.

    Raises
    ------
    InputError
        When no tissue is given, a value or round is unknown, or a cause stands beside a call
        other than dead.
    NotFoundError
        When there is no such bud or person.
    """
    if not calls:
        raise InputError("no tissue is called", expected="a call for at least one tissue",
                         where="calls", do="Call one tissue, or skip the bud.")
    if newest is None:
        _check_there(conn, bud_id, person_id)
        newest = newest_rows(conn, [bud_id], person_id=person_id).get(bud_id, {})
    rows = []
    for tissue in TISSUES:  # one order, so that two savers meet in it
        if tissue not in calls:
            continue
        given = calls[tissue]
        one = given if isinstance(given, NewCall) else NewCall(CallValue(given))
        kept = round if rounds is None else rounds[tissue]
        before = newest.get((tissue, kept))
        rows.append(NewRow(bud_id, tissue, one, kept, None if before is None else before.id))
    return add_calls(conn, rows, person_id=person_id, source=source, blind=blind, batch=batch,
                     entered_by_id=entered_by_id)


def _check_there(conn: Connection, bud_id: int, person_id: int) -> None:
    for table, key, what in ((bud, bud_id, "bud"), (person, person_id, "person")):
        if conn.scalar(select(table.c.id).where(table.c.id == key)) is None:
            raise NotFoundError(f"there is no {what} number {key}", where="calls",
                                do="Go back to the list.", code=f"no_{what}")


def add_calls(
    conn: Connection, rows: Sequence[NewRow], *, person_id: int, source: str, blind: bool = False,
    batch: str | None = None, entered_by_id: int | None = None,
) -> str:
    """Write calls of one person, of any number of buds; parameters as in `save_calls`.

    Returns
    -------
    str
        The batch, for `undo`.
    """
    batch = batch or uuid.uuid4().hex
    moment = now()
    values = []
    for row in rows:
        one = row.call
        if row.round not in ROUNDS:
            raise InputError(f"the round is {row.round!r}", where="calls",
                             expected=f"one of {', '.join(ROUNDS)}")
        if one.cause is not None and one.value is not CallValue.DEAD:
            raise InputError(
                f"{row.tissue} is {one.value} with the cause {one.cause}", where="calls",
                expected="a cause of death only where the call is dead", do="Leave one out.",
            )
        values.append({
            "bud_id": row.bud_id, "tissue": row.tissue.value, "value": one.value.value,
            "cause": one.cause.value if one.cause else "", "note": one.note,
            "person_id": person_id, "round": row.round, "source": source, "blind": blind,
            "proposal_id": one.proposal_id, "region_id": one.region_id, "batch": batch,
            "added_at": moment, "replaces_id": row.replaces_id, "entered_by_id": entered_by_id,
        })
    # not bound row by row: 300,000 rows come in one import
    statement, order = _insertion(conn.dialect, tuple(values[0]))
    conn.exec_driver_sql(statement, values if order is None else [
        tuple([row[name] for name in order]) for row in values])
    return batch


@cache
def _insertion(dialect: Dialect, names: tuple[str, ...]) -> tuple[str, list[str] | None]:
    """Return the text that inserts calls, and the order of its values where they have no names."""
    made = insert(call).compile(dialect=dialect, column_keys=list(names))
    return str(made), made.positiontup


# ---- reading ---------------------------------------------------------------------------------


def _rows() -> Select[Any]:
    return select(call, person.c.name.label("person")).join(person, call.c.person_id == person.c.id)


def _newest_row(conn: Connection, like: CallRow) -> CallRow | None:
    """Return the newest row of a row's tissue and round (and person, of a second reading)."""
    query = _rows().where(
        call.c.bud_id == like.bud_id, call.c.tissue == like.tissue.value,
        call.c.round == like.round,
    )
    if like.round == "second":
        query = query.where(call.c.person_id == like.person_id)
    row = conn.execute(query.order_by(call.c.id.desc()).limit(1)).one_or_none()
    return None if row is None else _call(row)


def newest_rows(
    conn: Connection, bud_ids: Sequence[int], *, person_id: int
) -> dict[int, dict[tuple[Tissue, str], CallRow]]:
    """Return, by bud, the newest row of each tissue and round, withdrawn or not.

    Of second readings only those of `person_id`.
    """
    found: dict[int, dict[tuple[Tissue, str], CallRow]] = {}
    for start in range(0, len(bud_ids), 500):
        part = bud_ids[start:start + 500]
        query = _rows().where(
            call.c.bud_id.in_(part), or_(call.c.round != "second", call.c.person_id == person_id)
        )
        for row in conn.execute(query.order_by(call.c.id)):
            one = _call(row)
            found.setdefault(one.bud_id, {})[one.tissue, one.round] = one
    return found


def batch_rows(conn: Connection, batch: str) -> list[CallRow]:
    """Return the rows saved together, oldest first."""
    if not batch:
        return []
    rows = conn.execute(_rows().where(call.c.batch == batch).order_by(call.c.id))
    return [_call(row) for row in rows]


def call_history(conn: Connection, bud_id: int) -> list[CallRow]:
    """Return every row of a bud, oldest first: nothing is ever removed."""
    return call_histories(conn, [bud_id])[bud_id]


def call_histories(conn: Connection, bud_ids: Sequence[int]) -> dict[int, list[CallRow]]:
    """Return every row of each of some buds, oldest first."""
    found: dict[int, list[CallRow]] = {bud_id: [] for bud_id in bud_ids}
    for start in range(0, len(bud_ids), 500):
        for row in conn.execute(_of_buds(), {"bud_ids": list(bud_ids[start:start + 500])}):
            found[row.bud_id].append(_call(row))
    return found


@cache
def _of_buds() -> Select[Any]:
    wanted = call.c.bud_id.in_(bindparam("bud_ids", expanding=True, type_=Integer))
    return _rows().where(wanted).order_by(call.c.id)


def current_rows(bud_ids: Any = None) -> Any:
    """Return the subquery of the rows that count: one a tissue of a bud at most.

    Parameters
    ----------
    bud_ids : selectable, optional
        Ids of the buds wanted; every bud when left out.

    Returns
    -------
    subquery
        The columns of `call`.
    """
    newest = func.row_number().over(
        partition_by=(call.c.bud_id, call.c.tissue, call.c.round), order_by=call.c.id.desc()
    )
    each = select(call, newest.label("age")).where(call.c.round != "second")
    if bud_ids is not None:
        each = each.where(call.c.bud_id.in_(bud_ids))
    each_round = each.subquery("each_round")
    weight = func.row_number().over(
        partition_by=(each_round.c.bud_id, each_round.c.tissue),
        order_by=case((each_round.c.round == "settled", 0), else_=1),
    )
    standing = (
        select(*(each_round.c[column.name] for column in call.c), weight.label("weight"))
        .where(each_round.c.age == 1, each_round.c.value != WITHDRAWN).subquery("standing")
    )
    return (
        select(*(standing.c[column.name] for column in call.c))
        .where(standing.c.weight == 1).subquery("current_call")
    )


def called_among(conn: Connection, bud_ids: Sequence[int]) -> set[int]:
    """Return those of some buds that have a call that counts."""
    found: set[int] = set()
    for start in range(0, len(bud_ids), 500):
        standing = current_rows(bud_ids[start:start + 500])
        found.update(conn.scalars(select(standing.c.bud_id).distinct()))
    return found


def current_calls_of_bud(conn: Connection, bud_id: int) -> dict[Tissue, CallRow]:
    """Return the calls of a bud that count, by tissue."""
    return standing_calls(call_history(conn, bud_id))


def standing_calls(history: Iterable[CallRow]) -> dict[Tissue, CallRow]:
    """Return the calls that count among all rows of one bud, oldest first, by tissue."""
    newest = {(row.tissue, row.round): row for row in history}
    found: dict[Tissue, CallRow] = {}
    for tissue in TISSUES:
        for one in (newest.get((tissue, "settled")), newest.get((tissue, "first"))):
            if one is not None and one.value is not None:
                found.setdefault(tissue, one)
    return found


def current_calls(
    conn: Connection, *, sampling_id: int | None = None,
    sampling_ids: Sequence[int] | None = None,
) -> list[BudCalls]:
    """Return the current calls of a sampling's buds that have any, as tally rows.

    Parameters
    ----------
    sampling_id : int, optional
        Which; every bud of the season when left out.
    sampling_ids : sequence of int, optional
        Several samplings at once.

    Returns
    -------
    list of BudCalls
        In the order of the walk.
    """
    chosen = select(bud.c.id).join(cane, bud.c.cane_id == cane.c.id).join(
        sampling, cane.c.sampling_id == sampling.c.id
    )
    if sampling_id is not None:
        chosen = chosen.where(sampling.c.id == sampling_id)
    if sampling_ids is not None:
        chosen = chosen.where(sampling.c.id.in_(sampling_ids))
    standing = current_rows(chosen)
    values: dict[int, dict[str, tuple[str, str]]] = {}
    for row in conn.execute(
        select(standing.c.bud_id, standing.c.tissue, standing.c.value, standing.c.cause)
    ):
        values.setdefault(row.bud_id, {})[row.tissue] = (row.value, row.cause)
    places = (
        select(bud.c.id, bud.c.node, cane.c.label.label("cane"), cane.c.vine, cane.c.vigor,
               cane.c.zone, block.c.name.label("block"), block.c.cultivar)
        .join(cane, bud.c.cane_id == cane.c.id)
        .join(sampling, cane.c.sampling_id == sampling.c.id)
        .join(block, sampling.c.block_id == block.c.id)
        .where(bud.c.id.in_(chosen))
        .order_by(block.c.name, sampling.c.id, cane.c.position, cane.c.id, bud.c.node)
    )
    result: list[BudCalls] = []
    for place in conn.execute(places):
        found = values.get(place.id, {})
        if not found:
            continue
        result.append(BudCalls(
            block=place.block, cane=place.cane, node=place.node, vine=place.vine,
            vigor=place.vigor, zone=place.zone, cultivar=place.cultivar,
            causes={Tissue(t): Cause(cause) for t, (_, cause) in found.items() if cause},
            **{t: CallValue(value) for t, (value, _) in found.items()},
        ))
    return result


def _call(row: Row[Any]) -> CallRow:
    facts = dict(row._mapping)
    facts["tissue"] = Tissue(facts["tissue"])
    value, cause = facts["value"], facts["cause"]
    facts["value"] = None if value == WITHDRAWN else CallValue(value)
    facts["cause"] = Cause(cause) if cause else None
    facts["blind"] = bool(facts["blind"])
    return CallRow(**facts)
