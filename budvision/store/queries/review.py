"""The reviewer's queue: what waits in a sampling, who has a bud open, where each person stopped."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

from sqlalchemy import (
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
)
from sqlalchemy.dialects import sqlite

from budvision.store.queries.calls import current_rows
from budvision.store.queries.marks import marks_of_sampling
from budvision.store.queries.photos import current_assignment
from budvision.store.queries.proposals import latest_proposals
from budvision.store.session import now
from budvision.store.tables import (
    assignment,
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
from budvision.vocabulary import TISSUES, CallValue, Tissue, Verdict

__all__ = [
    "BlindCall", "BudState", "Lease", "blind_calls", "bud_states", "buds_read_twice",
    "get_bookmark", "lease_first", "newest_call", "open_elsewhere", "release", "set_bookmark",
    "take_lease",
]


_AT_ONCE = 20
_NEWEST_CALL = select(func.max(call.c.id))


@dataclass(frozen=True, slots=True, kw_only=True)
class BudState:
    """One bud in the queue.

    Attributes
    ----------
    n_cuts : int
        Photographs that show it.
    calls : mapping of Tissue to CallValue
        The calls that count; a tissue nobody has called is left out.
    second_read_by : tuple of int
        Ids of the persons who read it a second time.
    called_by : tuple of int
        Ids of the persons whose calls count.
    node_mark : str
        missing or blind, else empty: such a bud waits for nobody.
    skipped : bool
        Put aside in review.
    doubt : float
        0 where every proposal is sure to 1 where one is a toss-up; 1 without a proposal.
    state : str
        ``done`` all tissues called; ``waiting`` photographed, some tissue not called;
        ``no_photo`` neither photographed nor called; ``partly`` called in part, no photograph;
        ``missing`` no bud at that node.
    """

    bud_id: int
    cane_id: int
    cane: str
    vine: str
    node: int
    n_cuts: int
    calls: dict[Tissue, CallValue]
    called_by: tuple[int, ...]
    second_read_by: tuple[int, ...]
    node_mark: str
    skipped: bool
    doubt: float

    @property
    def n_called(self) -> int:
        """Tissues with a call that counts, 0 to 3."""
        return len(self.calls)

    @property
    def state(self) -> str:
        """done, waiting, partly, no_photo or missing."""
        if self.node_mark:
            return "missing"
        if self.n_called == len(TISSUES):
            return "done"
        if self.n_cuts:
            return "waiting"
        return "partly" if self.n_called else "no_photo"


@dataclass(frozen=True, slots=True)
class Lease:
    """Who has a bud open until when; `mine` tells whether it is the one who asked."""

    bud_id: int
    person_id: int
    person: str
    until: str
    mine: bool


def bud_states(conn: Connection, sampling_id: int, *, doubts: bool = True) -> list[BudState]:
    """Return every bud of a sampling with its state, in the order of the walk.

    Parameters
    ----------
    sampling_id : int
        The sampling.
    doubts : bool
        Look at the proposals too; False is quicker and gives every bud the doubt 1.
    """
    which = {"sampling_id": sampling_id}
    asked = _of_sampling()
    calls: dict[int, dict[Tissue, CallValue]] = {}
    callers: dict[int, set[int]] = {}
    for row in conn.execute(asked.calls, which):
        calls.setdefault(row.bud_id, {})[Tissue(row.tissue)] = CallValue(row.value)
        callers.setdefault(row.bud_id, set()).add(row.person_id)
    cuts: dict[int, list[int]] = {}
    for row in conn.execute(asked.cuts, which):
        cuts.setdefault(row.bud_id, []).append(row.photo_id)
    marks = marks_of_sampling(conn, sampling_id)
    seconds: dict[int, set[int]] = {}
    for row in conn.execute(asked.second_readers, which):
        seconds.setdefault(row.bud_id, set()).add(row.person_id)
    doubt = _doubt_of_photos(conn, sampling_id) if doubts else {}
    rows = conn.execute(asked.buds, which)
    states = []
    for row in rows:
        of_photos = [doubt[photo] for photo in cuts.get(row.id, []) if photo in doubt]
        found = calls.get(row.id, {})
        put = marks.get(row.id, {})
        states.append(BudState(
            bud_id=row.id, cane_id=row.cane_id, cane=row.label, vine=row.vine, node=row.node,
            n_cuts=len(cuts.get(row.id, [])),
            calls={tissue: found[tissue] for tissue in TISSUES if tissue in found},
            called_by=tuple(sorted(callers.get(row.id, ()))),
            second_read_by=tuple(sorted(seconds.get(row.id, ()))),
            node_mark=put["node"].value if "node" in put else "", skipped="skipped" in put,
            doubt=max(of_photos, default=1.0),
        ))
    return states


@dataclass(frozen=True, slots=True)
class _OfSampling:
    """What `bud_states` asks about a sampling, built once: that takes longer than the answers."""

    calls: Select[Any]
    cuts: Select[Any]
    second_readers: Select[Any]
    buds: Select[Any]


@cache
def _of_sampling() -> _OfSampling:
    here = cane.c.sampling_id == bindparam("sampling_id", type_=Integer)
    ids = select(bud.c.id).join(cane, bud.c.cane_id == cane.c.id).where(here)
    standing = current_rows(ids)
    age = func.row_number().over(
        partition_by=(call.c.bud_id, call.c.tissue, call.c.person_id), order_by=call.c.id.desc()
    ).label("age")
    newest = select(call.c.bud_id, call.c.person_id, call.c.value, age).where(
        call.c.round == "second", call.c.bud_id.in_(ids)
    ).subquery()
    return _OfSampling(
        calls=select(standing.c.bud_id, standing.c.tissue, standing.c.value, standing.c.person_id),
        cuts=select(assignment.c.bud_id, assignment.c.photo_id).where(
            current_assignment(), assignment.c.bud_id.in_(ids)),
        second_readers=select(newest.c.bud_id, newest.c.person_id).where(
            newest.c.age == 1, newest.c.value != "withdrawn"),
        buds=select(bud.c.id, bud.c.node, cane.c.id.label("cane_id"), cane.c.label, cane.c.vine)
        .join(cane, bud.c.cane_id == cane.c.id).where(here)
        .order_by(cane.c.position, cane.c.id, bud.c.node))


def _doubt_of_photos(conn: Connection, sampling_id: int) -> dict[int, float]:
    found: dict[int, float] = {}
    for photo_id, row in latest_proposals(conn, sampling_id=sampling_id).items():
        each = [0.0 if row.found else 1.0]
        for one in row.tissues.values():
            if one.verdict is Verdict.UNSURE:
                each.append(1.0)
            elif one.p_dead is not None:
                each.append(1.0 - abs(2.0 * one.p_dead - 1.0))
        found[photo_id] = max(each)
    return found


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
    conn: Connection, bud_id: int, person_id: int, *, minutes: float = 10.0
) -> Lease:
    """Ask for a bud: it is the asker's unless another person's lease still runs.

    A lease keeps nobody from saving; it tells the second person that the first has it open.
    """
    standing = conn.execute(_lease_of_bud(), {"bud_id": bud_id}).one_or_none()
    if standing is not None and standing.person_id != person_id and standing.until > now():
        return Lease(bud_id, standing.person_id, standing.name, standing.until, mine=False)
    until = _lend(conn, [bud_id], person_id, minutes)
    name = conn.scalar(select(person.c.name).where(person.c.id == person_id)) or ""
    return Lease(bud_id, person_id, name, until, mine=True)


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
        leases = conn.execute(_leases_of_buds(), {"bud_ids": part}).all()
        moment = now()
        gone = {row.bud_id for row in leases if row.person_id != person_id and row.until > moment}
        gone.update(conn.scalars(_called_since(), {"bud_ids": part, "known": known}))
        taken += [bud_id for bud_id in part if bud_id not in gone][:n - len(taken)]
        if len(taken) == n:
            break
    if taken:
        _lend(conn, taken, person_id, minutes)
    return taken


@cache
def _leases_of_buds() -> Select[Any]:
    return select(lease.c.bud_id, lease.c.person_id, lease.c.until).where(
        lease.c.bud_id.in_(bindparam("bud_ids", expanding=True, type_=Integer)))


@cache
def _called_since() -> Select[Any]:
    return select(call.c.bud_id).where(
        call.c.bud_id.in_(bindparam("bud_ids", expanding=True, type_=Integer)),
        call.c.id > bindparam("known", type_=Integer))


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
