"""Cuts into canes, cordons and trunks: what a person called of their bark, append-only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, select

from budvision.store.queries.insertion import insert_row
from budvision.store.session import now
from budvision.store.tables import block, person, wood_cut
from budvision.vineyard.wood import WoodCut
from budvision.vocabulary import CallValue

__all__ = ["KeptCut", "add_wood_cut", "counted_cuts", "wood_cuts"]


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptCut:
    """A cut as the season keeps it; one without phloem and cambium takes an earlier one back."""

    id: int
    block_id: int
    block: str
    cut: WoodCut
    cut_on: str
    person: str
    note: str
    added_at: str


def add_wood_cut(
    conn: Connection, block_id: int, cut: WoodCut, *, cut_on: str, person_id: int, note: str = ""
) -> int:
    """Keep a cut; a correction is a new row of the same part, vine and position."""
    return insert_row(
        conn, wood_cut, block_id=block_id, part=cut.part, vine=cut.vine, position=cut.position,
        phloem=cut.phloem.value if cut.phloem else "",
        cambium=cut.cambium.value if cut.cambium else "", cut_on=cut_on, person_id=person_id,
        note=note, added_at=now(),
    )


def wood_cuts(conn: Connection, block_id: int | None = None) -> list[KeptCut]:
    """Return every cut of a block, or of every block, the oldest first."""
    query = (
        select(wood_cut, block.c.name.label("block"), person.c.name.label("person"))
        .join(block, wood_cut.c.block_id == block.c.id)
        .join(person, wood_cut.c.person_id == person.c.id)
        .order_by(wood_cut.c.cut_on, wood_cut.c.id)
    )
    if block_id is not None:
        query = query.where(wood_cut.c.block_id == block_id)
    return [_kept(row) for row in conn.execute(query)]


def counted_cuts(cuts: list[KeptCut]) -> list[KeptCut]:
    """Return the cuts that count: the newest of each part, vine and position, if it says anything.

    Parameters
    ----------
    cuts : list of KeptCut
        As `wood_cuts` returns them.
    """
    newest = {(one.block_id, one.cut.part, one.cut.vine, one.cut.position): one for one in cuts}
    return [one for one in newest.values() if one.cut.phloem or one.cut.cambium]


def _kept(row: Row[Any]) -> KeptCut:
    facts = row._mapping
    return KeptCut(
        id=facts["id"], block_id=facts["block_id"], block=facts["block"],
        cut=WoodCut(part=facts["part"], vine=facts["vine"], position=facts["position"],
                    phloem=CallValue(facts["phloem"]) if facts["phloem"] else None,
                    cambium=CallValue(facts["cambium"]) if facts["cambium"] else None),
        cut_on=facts["cut_on"], person=facts["person"], note=facts["note"],
        added_at=facts["added_at"],
    )
