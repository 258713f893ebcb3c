"""Canes and their buds: finding them, and making those that are new."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from functools import cache
from typing import Any

from sqlalchemy import Connection, Integer, Row, Select, bindparam, func, select, update

from budvision.errors import InputError, NotFoundError
from budvision.store import counts
from budvision.store.names import clean_label
from budvision.store.queries.blocks import Sampling, sampling_of
from budvision.store.queries.insertion import check_names, insert_row
from budvision.store.session import now
from budvision.store.tables import block, bud, call, cane, sampling, sampling_count
from budvision.tables import alike

__all__ = [
    "CANE_FIELDS", "BudPlace", "Cane", "PlacedBud", "bud_of_cane", "bud_place", "check_node",
    "check_spelling",
    "ensure_bud", "ensure_cane", "facts_of_cane", "facts_to_fill", "find_bud", "find_cane",
    "list_buds", "list_canes", "match_cane", "placed_bud", "update_cane",
]

VIGORS = ("", "small", "medium", "large")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cane:
    """One cane of a sampling; `vigor` is its vine's size class: small, medium, large or empty."""

    id: int
    sampling_id: int
    label: str
    vine: str
    vigor: str
    zone: str
    position: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BudPlace:
    """One bud and where it stands."""

    id: int
    node: int
    cane_id: int
    cane: str
    vine: str
    vigor: str
    zone: str
    position: int
    sampling_id: int
    sampling: str
    block_id: int
    block: str
    cultivar: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedBud:
    """A bud's place with its whole sampling, and how far the season's rows had come.

    Attributes
    ----------
    version : int
        Of the sampling, as `store.counts.version_of`.
    newest_call : int
        Number of the newest call of the season, 0 where there is none.
    """

    place: BudPlace
    sampling: Sampling
    version: int
    newest_call: int


# ---- canes -----------------------------------------------------------------------------------


def list_canes(conn: Connection, sampling_id: int) -> list[Cane]:
    """Return the canes of a sampling in the order of the walk."""
    rows = conn.execute(
        select(cane).where(cane.c.sampling_id == sampling_id).order_by(cane.c.position, cane.c.id)
    )
    return [_cane(row) for row in rows]


def find_cane(conn: Connection, sampling_id: int, label: str, *, vine: str = "") -> Cane | None:
    """Return the cane of that label, or None.

    Raises
    ------
    InputError
        When canes of several vines have this label and `vine` is empty.
    """
    name = clean_label(label, "cane", limit=60)
    plant = clean_label(vine, "vine", limit=60, empty=True)
    rows = conn.execute(
        select(cane).where(cane.c.sampling_id == sampling_id, cane.c.label == name)
    )
    return match_cane([_cane(row) for row in rows], name, plant)


def match_cane(same: Sequence[Cane], label: str, vine: str) -> Cane | None:
    """Return which of the canes of one label is meant, None where it is none of them.

    Raises
    ------
    InputError
        When canes of several vines have this label and `vine` is empty.
    """
    if vine:
        same = [one for one in same if one.vine == vine] or [one for one in same if not one.vine]
    if len(same) > 1:
        raise InputError(
            f"cane {label} stands on vines {', '.join(one.vine or '(none)' for one in same)}",
            where="cane", expected="the vine beside the cane", code="cane_of_several_vines",
            do="Add a column vine.",
        )
    return same[0] if same else None


def check_spelling(canes: Iterable[Cane], label: str, vine: str) -> None:
    """Refuse a new cane whose label is that of one there but for case or zeros in front.

    Raises
    ------
    InputError
        When cane 1 is to be made beside cane 01 of what may be the same vine.
    """
    for one in canes:
        same = not vine or one.vine in ("", vine)
        if same and one.label != label and alike(one.label) == alike(label):
            raise InputError(
                f'cane is "{label}"', where="cane", code="two_spellings",
                expected=f'one spelling; the sampling has cane "{one.label}"',
                do=f'Write "{one.label}", or give the other cane a name that differs by more than '
                "case or zeros in front.")


def ensure_cane(
    conn: Connection, sampling_id: int, label: str, *, vine: str = "", vigor: str = "",
    zone: str = "", position: int | None = None,
) -> int:
    """Return the id of the cane of that label (and vine), adding it when it is new.

    `vine`, `vigor` and `zone` fill what is empty; they never replace. A new cane comes last in the
    walk unless `position` says otherwise.

    Raises
    ------
    InputError
        When the cane has another vigor or zone, several vines have this cane label, or a cane is
        there whose label differs by case or zeros in front alone.
    """
    found = find_cane(conn, sampling_id, label, vine=vine)
    given = facts_of_cane(vine=vine, vigor=vigor, zone=zone)
    if found is None:
        check_spelling(list_canes(conn, sampling_id), clean_label(label, "cane", limit=60),
                       given["vine"])
        if position is None:
            last = conn.scalar(
                select(func.max(cane.c.position)).where(cane.c.sampling_id == sampling_id)
            )
            position = (last or 0) + 1
        return insert_row(conn, cane, sampling_id=sampling_id, position=position, added_at=now(),
                       label=clean_label(label, "cane", limit=60), **given)
    fill = facts_to_fill(found, given)
    if fill:
        update_cane(conn, found.id, **fill)
    return found.id


def facts_of_cane(*, vine: str, vigor: str, zone: str) -> dict[str, str]:
    """Return a cane's facts as they are kept, or raise InputError."""
    return {
        "vine": clean_label(vine, "vine", limit=60, empty=True),
        "vigor": _check_vigor(vigor),
        "zone": clean_label(zone, "zone", limit=60, empty=True),
    }


def facts_to_fill(found: Cane, given: Mapping[str, str]) -> dict[str, str]:
    """Return the facts that a cane lacks; they never replace others.

    Raises
    ------
    InputError
        When the cane has another vigor or zone.
    """
    fill: dict[str, str] = {}
    for name, value in given.items():
        known = getattr(found, name)
        if value and not known:
            fill[name] = value
        elif value and value != known:
            raise InputError(
                f"{name} is {value!r}", where=f"cane {found.label}", expected=repr(known),
                do="Correct the row; a cane has one vine, size class and zone.",
            )
    return fill


CANE_FIELDS = frozenset({"label", "vine", "vigor", "zone", "position"})
"""What `update_cane` may change."""


def update_cane(conn: Connection, cane_id: int, **values: Any) -> None:
    """Change facts of a cane."""
    check_names(values, CANE_FIELDS, "cane")
    if "vigor" in values:
        _check_vigor(values["vigor"])
    if values:
        conn.execute(update(cane).where(cane.c.id == cane_id).values(**values))
        counts.touch(conn, conn.scalars(select(cane.c.sampling_id).where(cane.c.id == cane_id)))


def _check_vigor(vigor: str) -> str:
    clean = vigor.strip().lower()
    if clean not in VIGORS:
        raise InputError(f"vigor is {vigor!r}", expected="small, medium, large or empty",
                         where="cane", do="Correct the value.")
    return clean


# ---- buds ------------------------------------------------------------------------------------


def _places() -> Select[Any]:
    return (
        select(
            bud.c.id, bud.c.node, cane.c.id.label("cane_id"), cane.c.label.label("cane"),
            cane.c.vine, cane.c.vigor, cane.c.zone, cane.c.position,
            sampling.c.id.label("sampling_id"), sampling.c.label.label("sampling"),
            block.c.id.label("block_id"), block.c.name.label("block"), block.c.cultivar,
        )
        .join(cane, bud.c.cane_id == cane.c.id)
        .join(sampling, cane.c.sampling_id == sampling.c.id)
        .join(block, sampling.c.block_id == block.c.id)
    )


def ensure_bud(conn: Connection, cane_id: int, node: int) -> int:
    """Return the id of the bud at a node of a cane, adding it when it is new.

    Raises
    ------
    InputError
        When the node is not 1 to 200; node 1 is the basal count node.
    """
    check_node(node)
    found = bud_of_cane(conn, cane_id, node)
    if found is not None:
        return found
    return insert_row(conn, bud, cane_id=cane_id, node=node, added_at=now())


def check_node(node: int) -> None:
    """Refuse a node that is not 1 to 200."""
    if not 1 <= node <= 200:
        raise InputError(f"node is {node}", expected="1 to 200 (1 is the basal count node)",
                         where="bud", do="Correct the node.")


def bud_of_cane(conn: Connection, cane_id: int, node: int) -> int | None:
    """Return the id of the bud at a node of a cane, or None."""
    found = conn.scalar(select(bud.c.id).where(bud.c.cane_id == cane_id, bud.c.node == node))
    return None if found is None else int(found)


def find_bud(
    conn: Connection, sampling_id: int, cane_label: str, node: int, *, vine: str = ""
) -> BudPlace | None:
    """Return the bud at a node of the cane of that label, or None."""
    found = find_cane(conn, sampling_id, cane_label, vine=vine)
    if found is None:
        return None
    row = conn.execute(
        _places().where(bud.c.cane_id == found.id, bud.c.node == node)
    ).one_or_none()
    return None if row is None else _place(row)


def bud_place(conn: Connection, bud_id: int) -> BudPlace:
    """Return where a bud stands, or raise NotFoundError."""
    return _place(_there(conn.execute(_place_of_bud(), {"bud_id": bud_id}).one_or_none(), bud_id))


def placed_bud(conn: Connection, bud_id: int) -> PlacedBud:
    """Return where a bud stands with its whole sampling, or raise NotFoundError."""
    row = _there(conn.execute(_placed(), {"bud_id": bud_id}).one_or_none(), bud_id)
    facts = row._mapping
    return PlacedBud(
        place=BudPlace(**{one.name: facts[one.name] for one in fields(BudPlace)}),
        sampling=sampling_of({**facts, "id": row.sampling_id, "label": row.sampling}),
        version=row.version or 0, newest_call=row.newest_call or 0)


def _there(row: Row[Any] | None, bud_id: int) -> Row[Any]:
    if row is None:
        raise NotFoundError(f"there is no bud number {bud_id}", where="bud",
                            do="Go back to the list of buds.", code="no_bud")
    return row


@cache
def _place_of_bud() -> Select[Any]:
    return _places().where(bud.c.id == bindparam("bud_id", type_=Integer))


@cache
def _placed() -> Select[Any]:
    more = (column for column in sampling.c if column.name not in ("id", "block_id", "label"))
    return (
        _place_of_bud().add_columns(
            *more, sampling_count.c.version,
            select(func.max(call.c.id)).scalar_subquery().label("newest_call"))
        .outerjoin(sampling_count, sampling_count.c.sampling_id == sampling.c.id))


def list_buds(conn: Connection, *, sampling_id: int | None = None) -> list[BudPlace]:
    """Return buds in the order of the walk: by block, sampling, cane and node."""
    query = _places().order_by(block.c.name, sampling.c.id, cane.c.position, cane.c.id, bud.c.node)
    if sampling_id is not None:
        query = query.where(cane.c.sampling_id == sampling_id)
    return [_place(row) for row in conn.execute(query)]


# ---- rows to objects -------------------------------------------------------------------------


def _cane(row: Row[Any]) -> Cane:
    return Cane(id=row.id, sampling_id=row.sampling_id, label=row.label, vine=row.vine,
                vigor=row.vigor, zone=row.zone, position=row.position)


def _place(row: Row[Any]) -> BudPlace:
    return BudPlace(**row._mapping)
