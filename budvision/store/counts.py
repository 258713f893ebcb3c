"""What stands in each sampling, counted anew with every write that touches it.

The pages read these counts instead of walking over every bud. They follow from the other rows: the
archive and `budvision move` leave them out, `budvision check` compares them with a count of its
own, and `rebuild` makes them anew. `version` grows with each write that touches the sampling, so
that whatever was worked out of its rows is known to be still true (`store.remembered`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from typing import Any

from sqlalchemy import (
    BindParameter,
    CompoundSelect,
    Connection,
    Insert,
    Integer,
    Row,
    Select,
    Update,
    and_,
    bindparam,
    case,
    exists,
    func,
    insert,
    select,
    text,
    union,
    update,
)

from budvision.store.tables import (
    assignment,
    bud,
    call,
    cane,
    mark,
    proposal,
    sampling,
    sampling_count,
)

__all__ = ["COUNTED", "extend", "newest_ids", "rebuild", "touch", "version_of", "versions",
           "wrong_samplings"]

COUNTED: tuple[str, ...] = ("sampling", "cane", "bud", "assignment", "proposal", "call", "mark")
"""The tables that the counts follow from; new rows of them are told by their numbers."""
_TISSUES = 3
_PART = 400
_NEWEST = text(" UNION ALL ".join(
    f"SELECT '{name}', COALESCE(MAX(id), 0) FROM \"{name}\""  # nosec B608  (our own tables)
    for name in COUNTED))
_NAMES: tuple[str, ...] = tuple(
    column.name for column in sampling_count.c
    if column.name not in ("id", "sampling_id", "version"))


def newest_ids(conn: Connection) -> dict[str, int]:
    """Return the number of the newest row of each table that is counted."""
    return {row[0]: row[1] for row in conn.execute(_NEWEST)}


def extend(conn: Connection, before: Mapping[str, int], newest: Mapping[str, int]) -> None:
    """Count the samplings that a transaction has touched, at its end.

    Parameters
    ----------
    conn : Connection
        Inside `Season.write`.
    before, newest : mapping of str to int
        The number of each table's newest row that was counted before, and of its newest now.
    """
    longer = tuple(name for name in COUNTED if newest[name] > before[name])
    if longer:
        _count(conn, set(conn.scalars(_touched(longer), {name: before[name] for name in longer})))


def touch(conn: Connection, sampling_ids: Iterable[int]) -> None:
    """Note that something of samplings was changed that is not counted: a cane's zone, a model."""
    wanted = sorted(set(sampling_ids))
    for start in range(0, len(wanted), _PART):
        conn.execute(
            update(sampling_count)
            .where(sampling_count.c.sampling_id.in_(wanted[start:start + _PART]))
            .values(version=sampling_count.c.version + 1))


def rebuild(conn: Connection) -> None:
    """Count every sampling anew: after a change of form, an archive, or by `check --tidy`."""
    _count(conn, set(conn.scalars(select(sampling.c.id))))


def versions(conn: Connection) -> dict[int, int]:
    """Return the version of every sampling; one that was written past the program has 0."""
    return {
        row[0]: row[1] or 0 for row in conn.execute(
            select(sampling.c.id, sampling_count.c.version)
            .outerjoin(sampling_count, sampling_count.c.sampling_id == sampling.c.id))
    }


def version_of(conn: Connection, sampling_id: int) -> int:
    """Return the version of one sampling; 0 where it was written past the program."""
    return conn.scalar(_version(), {"key": sampling_id}) or 0


@cache
def _version() -> Select[Any]:
    return select(sampling_count.c.version).where(
        sampling_count.c.sampling_id == bindparam("key", type_=Integer))


def wrong_samplings(conn: Connection) -> list[int]:
    """Return the samplings whose kept counts are not what a count gives now."""
    kept = {row.sampling_id: _numbers(row) for row in conn.execute(select(sampling_count))}
    found = {row.sampling_id: _numbers(row) for row in conn.execute(_counts(some=False))}
    return sorted(key for key in kept.keys() | found.keys() if kept.get(key) != found.get(key))


def _numbers(row: Row[Any]) -> tuple[int, ...]:
    return tuple(int(row._mapping[name] or 0) for name in _NAMES)


@cache
def _touched(longer: tuple[str, ...]) -> CompoundSelect[Any]:
    """Return the samplings of which some row of these tables is newer than those given by table.

    Unions, no ORs: each part goes by an index, in PostgreSQL as well. A table that has not grown
    is left out: a save is one part of eight, and all others wait for it.
    """

    def newer(*tables: Any) -> list[tuple[Any, Any]]:
        return [(table, table.c.id > bindparam(table.name, type_=Integer))
                for table in tables if table.name in longer]

    parts = [select(sampling.c.id).where(new) for _, new in newer(sampling)]
    parts += [select(cane.c.sampling_id).where(new) for _, new in newer(cane)]
    buds = [select(table.c.id if table is bud else table.c.bud_id).where(new)
            for table, new in newer(call, mark, bud)]
    seen = [select(table.c.photo_id).where(new) for table, new in newer(assignment, proposal)]
    if seen:
        buds.append(select(assignment.c.bud_id).where(
            assignment.c.bud_id.is_not(None), assignment.c.photo_id.in_(union(*seen))))
    if buds:
        touched = union(*buds).subquery("touched")
        parts.append(select(cane.c.sampling_id).join(bud, bud.c.cane_id == cane.c.id)
                     .join(touched, touched.c[0] == bud.c.id))
    return union(*parts)


def _count(conn: Connection, sampling_ids: set[int]) -> None:
    wanted = sorted(sampling_ids)
    for start in range(0, len(wanted), _PART):
        part = wanted[start:start + _PART]
        new: list[dict[str, int]] = []
        old: list[dict[str, int]] = []
        for row in conn.execute(_counts(some=True), {"part": part}):
            found = {"key": row.sampling_id} | dict(zip(_NAMES, _numbers(row), strict=True))
            (new if row.version is None else old).append(found)
        if new:
            conn.execute(_first_counts(), new)
        if old:
            conn.execute(_next_counts(), old)


@cache
def _first_counts() -> Insert:
    return insert(sampling_count).values(
        sampling_id=bindparam("key"), version=1, **{name: bindparam(name) for name in _NAMES})


@cache
def _next_counts() -> Update:
    return update(sampling_count).where(sampling_count.c.sampling_id == bindparam("key")).values(
        version=sampling_count.c.version + 1, **{name: bindparam(name) for name in _NAMES})


@cache
def _counts(*, some: bool) -> Select[Any]:
    """Return the counts of samplings, of those of `part` or of all: one row each, also empty ones.

    Built once: that takes longer than the answer, and every save asks.
    """
    part = bindparam("part", expanding=True, type_=Integer) if some else None
    each = _buds(part)
    full = each.c.n_called == _TISSUES
    marked = each.c.missing > 0
    waits = and_(~marked, ~full, each.c.n_cuts > 0)

    def n(condition: Any) -> Any:
        return func.sum(case((condition, 1), else_=0))

    of_buds = select(
        each.c.sampling_id, func.count().label("n_buds"), func.max(each.c.node).label("last_node"),
        func.sum(each.c.n_cuts).label("n_photos"), func.sum(each.c.n_unseen).label("n_unseen"),
        n(and_(~marked, full)).label("n_called"), n(and_(marked, full)).label("n_called_missing"),
        n(marked).label("n_missing"), n(waits).label("n_waiting"),
        n(and_(waits, each.c.skipped > 0)).label("n_skipped"),
        n(and_(~marked, ~full, each.c.n_cuts == 0)).label("n_no_photo"),
        func.sum(case((waits, _TISSUES - each.c.n_called), else_=0)).label("n_tissues_waiting"),
        n(each.c.twice > 0).label("n_twice"),
    ).group_by(each.c.sampling_id).subquery("of_buds")
    of_canes = select(cane.c.sampling_id, func.count().label("n_canes")).group_by(
        cane.c.sampling_id)
    if part is not None:
        of_canes = of_canes.where(cane.c.sampling_id.in_(part))
    canes = of_canes.subquery("of_canes")
    query = (
        select(sampling.c.id.label("sampling_id"), sampling_count.c.version, canes.c.n_canes,
               *(of_buds.c[name] for name in _NAMES if name != "n_canes"))
        .outerjoin(sampling_count, sampling_count.c.sampling_id == sampling.c.id)
        .outerjoin(canes, canes.c.sampling_id == sampling.c.id)
        .outerjoin(of_buds, of_buds.c.sampling_id == sampling.c.id)
    )
    return query if part is None else query.where(sampling.c.id.in_(part))


def _buds(part: BindParameter[int] | None) -> Any:
    """Return one row a bud: its sampling, node, tissues called, cuts, marks, second readings."""
    inside = select(bud.c.id).join(cane, bud.c.cane_id == cane.c.id)
    if part is not None:
        inside = inside.where(cane.c.sampling_id.in_(part))

    def of(query: Select[Any], bud_id: Any, name: str) -> Any:
        if part is not None:
            query = query.where(bud_id.in_(inside))
        return query.group_by(bud_id).subquery(name)

    newer_call, newer_mark, newer = call.alias(), mark.alias(), assignment.alias()
    called = of(
        select(call.c.bud_id, func.count(func.distinct(call.c.tissue)).label("n")).where(
            call.c.round != "second", call.c.value != "withdrawn",
            ~exists().where(
                newer_call.c.bud_id == call.c.bud_id, newer_call.c.tissue == call.c.tissue,
                newer_call.c.round == call.c.round, newer_call.c.id > call.c.id)),
        call.c.bud_id, "said")
    twice = of(select(call.c.bud_id, func.count().label("n")).where(call.c.round == "second"),
               call.c.bud_id, "twice")
    marks = of(
        select(mark.c.bud_id,
               func.sum(case((mark.c.kind == "node", 1), else_=0)).label("missing"),
               func.sum(case((mark.c.kind == "skipped", 1), else_=0)).label("skipped")).where(
            mark.c.value != "",
            ~exists().where(newer_mark.c.bud_id == mark.c.bud_id,
                            newer_mark.c.kind == mark.c.kind, newer_mark.c.id > mark.c.id)),
        mark.c.bud_id, "marks")
    # no EXISTS: PostgreSQL answers one by reading every proposal of the season
    seen = select(func.max(proposal.c.id)).where(
        proposal.c.photo_id == assignment.c.photo_id).scalar_subquery()
    cuts = of(
        select(assignment.c.bud_id, func.count().label("n"),
               func.sum(case((seen.is_(None), 1), else_=0)).label("n_unseen")).where(
            assignment.c.bud_id.is_not(None),
            ~exists().where(newer.c.photo_id == assignment.c.photo_id,
                            newer.c.id > assignment.c.id)),
        assignment.c.bud_id, "cuts")

    def whole(column: Any) -> Any:
        return func.coalesce(column, 0)

    query = (
        select(cane.c.sampling_id, bud.c.node, whole(called.c.n).label("n_called"),
               whole(cuts.c.n).label("n_cuts"), whole(cuts.c.n_unseen).label("n_unseen"),
               whole(marks.c.missing).label("missing"), whole(marks.c.skipped).label("skipped"),
               whole(twice.c.n).label("twice"))
        .join(cane, bud.c.cane_id == cane.c.id)
        .outerjoin(called, called.c.bud_id == bud.c.id).outerjoin(cuts, cuts.c.bud_id == bud.c.id)
        .outerjoin(marks, marks.c.bud_id == bud.c.id)
        .outerjoin(twice, twice.c.bud_id == bud.c.id)
    )
    if part is not None:
        query = query.where(cane.c.sampling_id.in_(part))
    return query.subquery("each_bud")
