"""The canes and buds of one sampling, looked up in memory and made many at a time."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Connection, insert, select

from budvision.errors import NotFoundError
from budvision.store.names import clean_label
from budvision.store.queries.canes import (
    Cane,
    check_node,
    check_spelling,
    facts_of_cane,
    facts_to_fill,
    list_canes,
    match_cane,
    update_cane,
)
from budvision.store.session import now
from budvision.store.tables import bud, cane
from budvision.tables import alike

__all__ = ["PlacedBud", "Walk"]


@dataclass(eq=False, slots=True)
class PlacedBud:
    """One bud of a walk; its number is there once the walk is written."""

    cane: Cane
    node: int
    id: int | None


class Walk:
    """One sampling's canes and buds, as they are and as a table of calls wants them.

    Nothing is written before `write`.

    Parameters
    ----------
    conn : Connection
        The season's database.
    sampling_id : int
        The sampling.
    create : bool
        Whether canes and buds that are not there are to be made.
    """

    def __init__(self, conn: Connection, sampling_id: int, *, create: bool) -> None:
        self._conn, self._sampling_id, self._create = conn, sampling_id, create
        self._by_label: dict[str, list[Cane]] = {}
        self._alike: dict[str, list[Cane]] = {}
        self._asked: dict[tuple[str, str, str, str], Cane] = {}
        canes = list_canes(conn, sampling_id)
        for one in canes:
            self._by_label.setdefault(one.label, []).append(one)
            self._alike.setdefault(alike(one.label), []).append(one)
        self._position = max((one.position for one in canes), default=0)
        self._new_canes: list[Cane] = []
        self._new_buds: list[PlacedBud] = []
        self._buds: dict[tuple[int, int], PlacedBud] = {}
        by_id = {one.id: one for one in canes}
        rows = conn.execute(
            select(bud.c.id, bud.c.cane_id, bud.c.node).join(cane, bud.c.cane_id == cane.c.id)
            .where(cane.c.sampling_id == sampling_id)
        )
        for row in rows:
            self._buds[row.cane_id, row.node] = PlacedBud(by_id[row.cane_id], row.node, row.id)

    def bud(
        self, label: str, node: int, *, vine: str = "", vigor: str = "", zone: str = ""
    ) -> PlacedBud:
        """Return the bud at a node of the cane of that label (and vine).

        Raises
        ------
        NotFoundError
            When it is not there and is not to be made.
        InputError
            When the cane has another vigor or zone, several vines have a cane of this label, a new
            cane's label differs from another's by case or zeros alone, or the node is not 1 to 200.
        """
        key = (label, vine, vigor, zone)
        if key not in self._asked:
            self._asked[key] = self._cane(label, vine=vine, vigor=vigor, zone=zone)
        found = self._asked[key]
        place = (found.id, node)
        if place not in self._buds:
            if not self._create:
                raise NotFoundError(f"cane {label} has no node {node}", where="bud", code="no_bud")
            check_node(node)
            self._buds[place] = PlacedBud(found, node, None)
            self._new_buds.append(self._buds[place])
        return self._buds[place]

    def _cane(self, label: str, *, vine: str, vigor: str, zone: str) -> Cane:
        name = clean_label(label, "cane", limit=60)
        given = facts_of_cane(vine=vine, vigor=vigor, zone=zone)
        same = self._by_label.setdefault(name, [])
        found = match_cane(same, name, given["vine"])
        if found is None:
            if not self._create:
                on = f" of vine {vine}" if vine else ""
                raise NotFoundError(f"there is no cane {label}{on}", where="cane", code="no_cane")
            check_spelling(self._alike.get(alike(name), ()), name, given["vine"])
            self._position += 1  # numbers below 0 stand for canes that are not written yet
            found = Cane(id=-len(self._new_canes) - 1, sampling_id=self._sampling_id, label=name,
                         vine=given["vine"],
                         vigor=given["vigor"], zone=given["zone"], position=self._position)
            self._new_canes.append(found)
            same.append(found)
            self._alike.setdefault(alike(name), []).append(found)
            return found
        fill = facts_to_fill(found, given)
        if fill and found.id > 0:
            update_cane(self._conn, found.id, **fill)
        if fill:
            filled = Cane(id=found.id, sampling_id=found.sampling_id, label=found.label,
                          vine=fill.get("vine", found.vine), vigor=fill.get("vigor", found.vigor),
                          zone=fill.get("zone", found.zone), position=found.position)
            same[same.index(found)] = filled
            if found.id < 0:
                self._new_canes[-found.id - 1] = filled
            return filled
        return found

    def write(self) -> int:
        """Make what is new, and return how many buds that are."""
        moment = now()
        numbers: list[int] = []
        if self._new_canes:
            numbers = list(self._conn.scalars(
                insert(cane).returning(cane.c.id, sort_by_parameter_order=True),
                [{"sampling_id": one.sampling_id, "label": one.label, "vine": one.vine,
                  "vigor": one.vigor, "zone": one.zone, "position": one.position,
                  "added_at": moment} for one in self._new_canes],
            ))
        if self._new_buds:
            made = self._conn.scalars(
                insert(bud).returning(bud.c.id, sort_by_parameter_order=True),
                [{"node": one.node, "added_at": moment,
                  "cane_id": one.cane.id if one.cane.id > 0 else numbers[-one.cane.id - 1]}
                 for one in self._new_buds],
            )
            for one, number in zip(self._new_buds, made, strict=True):
                one.id = number
        return len(self._new_buds)
