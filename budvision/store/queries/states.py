"""How each bud of a sampling stands: read whole, or only where rows have come since."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from sqlalchemy import (
    ColumnElement,
    CompoundSelect,
    Connection,
    Integer,
    Select,
    bindparam,
    func,
    literal_column,
    null,
    select,
    union_all,
)

from budvision.store.queries.calls import current_rows
from budvision.store.queries.marks import standing_marks
from budvision.store.queries.photos import current_assignment
from budvision.store.queries.proposals import latest_proposals
from budvision.store.tables import assignment, bud, call, cane, mark, proposal
from budvision.vocabulary import TISSUES, CallValue, Tissue, Verdict

__all__ = ["BudState", "KnownBuds", "bud_states", "known_buds"]

_MOST = 20  # buds that are asked for by number; where more are new, the whole sampling is


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


KnownBuds = Mapping[int, tuple[tuple[Any, ...], BudState]]
"""Each bud of a sampling, in the order of the walk: what it was read from, and how it stands."""


def bud_states(conn: Connection, sampling_id: int, *, doubts: bool = True) -> list[BudState]:
    """Return every bud of a sampling with its state, in the order of the walk.

    Parameters
    ----------
    sampling_id : int
        The sampling.
    doubts : bool
        Look at the proposals too; False is quicker and gives every bud the doubt 1.
    """
    return [state for _, state in known_buds(conn, sampling_id, doubts=doubts).values()]


def known_buds(
    conn: Connection, sampling_id: int, *, doubts: bool, before: KnownBuds | None = None
) -> KnownBuds:
    """Return the buds of a sampling; those of which no row has come since they were known stay.

    Parameters
    ----------
    doubts : bool
        As in `bud_states`; the same as for `before`.
    before : mapping, optional
        What an earlier call returned, of whichever moment: rows of calls, marks, assignments and
        proposals are only ever added, so that the newest of each tell whether a bud has others.
    """
    known = before or {}
    rows = conn.execute(_places(doubts=doubts), {"sampling_id": sampling_id}).all()
    fresh = [row.id for row in rows if row.id not in known or known[row.id][0] != tuple(row)]
    if not fresh:
        said: dict[int, _Said] = {}
    elif len(fresh) > _MOST:
        said = _gather(conn.execute(_said(some=False), {"sampling_id": sampling_id}))
    else:
        said = _gather(conn.execute(_said(some=True), {"bud_ids": fresh}))
    doubt = _doubt_of_photos(conn, said.values()) if doubts else {}
    changed = set(fresh)
    return {row.id: (tuple(row), _state(row, said.get(row.id, _NOTHING), doubt))
            if row.id in changed else known[row.id] for row in rows}


@dataclass(frozen=True, slots=True)
class _Said:
    """What rows say of one bud."""

    calls: dict[Tissue, CallValue] = field(default_factory=dict)
    callers: set[int] = field(default_factory=set)
    second_readers: set[int] = field(default_factory=set)
    photos: list[int] = field(default_factory=list)
    marks: dict[str, str] = field(default_factory=dict)


_NOTHING = _Said()


def _gather(rows: Iterable[Any]) -> dict[int, _Said]:
    found: dict[int, _Said] = {}
    for kind, bud_id, number, what, value in rows:
        one = found.setdefault(bud_id, _Said())
        if kind == "call":
            one.calls[Tissue(what)] = CallValue(value)
            one.callers.add(number)
        elif kind == "second":
            one.second_readers.add(number)
        elif kind == "photo":
            one.photos.append(number)
        else:
            one.marks[what] = value
    return found


def _state(row: Any, said: _Said, doubt: Mapping[int, float]) -> BudState:
    return BudState(
        bud_id=row.id, cane_id=row.cane_id, cane=row.label, vine=row.vine, node=row.node,
        n_cuts=len(said.photos),
        calls={tissue: said.calls[tissue] for tissue in TISSUES if tissue in said.calls},
        called_by=tuple(sorted(said.callers)),
        second_read_by=tuple(sorted(said.second_readers)),
        node_mark=said.marks.get("node", ""), skipped="skipped" in said.marks,
        doubt=max((doubt[photo] for photo in said.photos if photo in doubt), default=1.0),
    )


def _doubt_of_photos(conn: Connection, said: Iterable[_Said]) -> dict[int, float]:
    found: dict[int, float] = {}
    photos = [photo for one in said for photo in one.photos]
    for photo_id, row in latest_proposals(conn, photo_ids=photos).items():
        each = [0.0 if row.found else 1.0]
        for one in row.tissues.values():
            if one.verdict is Verdict.UNSURE:
                each.append(1.0)
            elif one.p_dead is not None:
                each.append(1.0 - abs(2.0 * one.p_dead - 1.0))
        found[photo_id] = max(each)
    return found


# ---- what is asked, built once: that takes longer than the answers -----------------------------


@cache
def _places(*, doubts: bool) -> Select[Any]:
    """Return each bud's place, and the newest rows of what its state follows from.

    Maxima, no EXISTS: PostgreSQL would answer one by reading whole tables.
    """
    any_of = assignment.alias("any_of")  # every place that the bud's photographs ever had

    def newest(key: Any) -> Any:
        return select(func.max(key)).correlate(bud)

    of_photos = newest(any_of.c.id).join(
        assignment, any_of.c.photo_id == assignment.c.photo_id)
    looked = newest(proposal.c.id).join(
        assignment, proposal.c.photo_id == assignment.c.photo_id)
    return (
        select(bud.c.id, bud.c.node, cane.c.id.label("cane_id"), cane.c.label, cane.c.vine,
               newest(call.c.id).where(call.c.bud_id == bud.c.id).scalar_subquery(),
               newest(mark.c.id).where(mark.c.bud_id == bud.c.id).scalar_subquery(),
               of_photos.where(assignment.c.bud_id == bud.c.id).scalar_subquery(),
               looked.where(assignment.c.bud_id == bud.c.id).scalar_subquery()
               if doubts else null())
        .join(cane, bud.c.cane_id == cane.c.id)
        .where(cane.c.sampling_id == bindparam("sampling_id", type_=Integer))
        .order_by(cane.c.position, cane.c.id, bud.c.node))


@cache
def _said(*, some: bool) -> CompoundSelect[Any]:
    """Return what rows say of the buds of `bud_ids`, or of a sampling: kind, bud, and the rest."""
    ids: Any = bindparam("bud_ids", expanding=True, type_=Integer)
    if not some:
        ids = select(bud.c.id).join(cane, bud.c.cane_id == cane.c.id).where(
            cane.c.sampling_id == bindparam("sampling_id", type_=Integer))
    standing, marks = current_rows(ids), standing_marks(ids).subquery()
    age = func.row_number().over(
        partition_by=(call.c.bud_id, call.c.tissue, call.c.person_id), order_by=call.c.id.desc()
    ).label("age")
    again = select(call.c.bud_id, call.c.person_id, call.c.value, age).where(
        call.c.round == "second", call.c.bud_id.in_(ids)).subquery()
    nothing: ColumnElement[str] = literal_column("''")
    none: ColumnElement[int] = literal_column("0")
    return union_all(
        select(literal_column("'call'"), standing.c.bud_id, standing.c.person_id,
               standing.c.tissue, standing.c.value),
        select(literal_column("'second'"), again.c.bud_id, again.c.person_id, nothing, nothing)
        .where(again.c.age == 1, again.c.value != "withdrawn"),
        select(literal_column("'photo'"), assignment.c.bud_id, assignment.c.photo_id, nothing,
               nothing).where(current_assignment(), assignment.c.bud_id.in_(ids)),
        select(literal_column("'mark'"), marks.c.bud_id, none, marks.c.kind, marks.c.value),
    )
