"""What models propose, and the regions they or people draw. Every version is kept."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
from sqlalchemy import (
    Connection,
    Integer,
    Row,
    Select,
    and_,
    bindparam,
    exists,
    func,
    insert,
    select,
)

from budvision.errors import InputError
from budvision.store.labels import decode_labels, encode_labels
from budvision.store.queries.calls import current_rows
from budvision.store.queries.insertion import insert_row
from budvision.store.queries.photos import PhotoRow, current_assignment
from budvision.store.session import now
from budvision.store.tables import (
    assignment,
    bud,
    cane,
    model,
    photo,
    proposal,
    proposal_tissue,
    region,
)
from budvision.vocabulary import (
    TISSUES,
    GateAnswer,
    Proposal,
    Reason,
    Tissue,
    TissueProposal,
    Verdict,
    gate_answer,
)

__all__ = [
    "ProposalRow", "Region", "current_region", "latest_proposals",
    "photos_to_propose", "photos_without_proposal", "proposal_history", "proposals_by_id",
    "regions_of_photo", "save_proposal", "save_region", "still_waits",
]

Labels = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """Labels of one photograph, in a square of the upright photograph at full size.

    Attributes
    ----------
    box : tuple of int
        (row0, col0, row1, col1), half-open; may reach outside the photograph.
    labels : ndarray of uint8
        Labels of that square, at their own resolution.
    """

    id: int
    photo_id: int
    model_id: int | None
    person_id: int | None
    labels: Labels
    box: tuple[int, int, int, int]
    note: str
    added_at: str
    replaces_id: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ProposalRow:
    """One stored proposal: what one model said of one photograph."""

    id: int
    photo_id: int
    model_id: int
    model: str
    region_id: int | None
    found: bool
    reasons: tuple[Reason, ...]
    mm_per_px: float | None
    tissues: Mapping[Tissue, TissueProposal]
    added_at: str

    @property
    def answer(self) -> GateAnswer:
        """Good, look yourself, or take it again."""
        return gate_answer(self.found, self.reasons)


# ---- regions ---------------------------------------------------------------------------------


def save_region(
    conn: Connection, photo_id: int, labels: Labels, box: Sequence[int], *,
    model_id: int | None = None, person_id: int | None = None, note: str = "",
    replaces_id: int | None = None,
) -> int:
    """Keep the labels of a photograph's crop, made by a model or by a person.

    Raises
    ------
    InputError
        When neither a model nor a person is named, or the labels or the box are impossible.
    """
    if model_id is None and person_id is None:
        raise InputError("nobody made the region", expected="a model or a person", where="region")
    corners = tuple(int(edge) for edge in box)
    if len(corners) != 4 or corners[2] <= corners[0] or corners[3] <= corners[1]:
        raise InputError(f"the box is {corners}", expected="row0, col0, row1, col1 in order",
                         where="region")
    return insert_row(
        conn, region, photo_id=photo_id, model_id=model_id, person_id=person_id,
        labels_png=encode_labels(labels), box=json.dumps(corners), note=note, added_at=now(),
        replaces_id=replaces_id,
    )


def current_region(conn: Connection, photo_id: int) -> Region | None:
    """Return the region that counts: the newest drawn by a person, else the newest by a model.

    A person's region that was taken back counts no more: a model's own stands in its place.
    """
    row = conn.execute(_standing_region(), {"photo_id": photo_id}).one_or_none()
    return None if row is None else _region(row)


@cache
def _standing_region() -> Select[Any]:
    asked, back = bindparam("photo_id", type_=Integer), region.alias().c
    taken_back = select(back.replaces_id).where(
        back.photo_id == asked, back.person_id.is_(None), back.replaces_id.is_not(None))
    return (
        select(region).where(region.c.photo_id == asked, region.c.id.not_in(taken_back))
        .order_by(region.c.person_id.is_(None), region.c.id.desc()).limit(1))


def regions_of_photo(conn: Connection, photo_id: int) -> list[Region]:
    """Return every region of a photograph, oldest first."""
    rows = conn.execute(
        select(region).where(region.c.photo_id == photo_id).order_by(region.c.id)
    )
    return [_region(row) for row in rows]


# ---- proposals -------------------------------------------------------------------------------


def save_proposal(
    conn: Connection, photo_id: int, model_id: int, proposed: Proposal, *,
    region_id: int | None = None,
) -> int:
    """Keep what a model says of a photograph; older proposals stay.

    Returns
    -------
    int
        Id of the proposal.
    """
    key = insert_row(
        conn, proposal, photo_id=photo_id, model_id=model_id, region_id=region_id,
        found=proposed.found, mm_per_px=proposed.mm_per_px, added_at=now(),
        reasons=json.dumps([r.as_dict() for r in proposed.reasons], ensure_ascii=False),
    )
    rows = [
        {
            "proposal_id": key, "tissue": tissue.value, "exposed": one.exposed,
            "verdict": None if one.verdict is None else one.verdict.value,
            "p_dead": one.p_dead, "area_px": one.area_px,
            "centre_row": None if one.centre is None else float(one.centre[0]),
            "centre_col": None if one.centre is None else float(one.centre[1]),
            "why": one.why,
            "features": json.dumps({name: float(v) for name, v in one.features.items()}),
            "p_name": one.p_name,
            "other_name": None if one.other_name is None else one.other_name.value,
        }
        for tissue, one in proposed.tissues.items()
    ]
    if rows:
        conn.execute(insert(proposal_tissue), rows)
    return key


def latest_proposals(
    conn: Connection, *, bud_id: int | None = None, sampling_id: int | None = None,
    photo_ids: Sequence[int] | None = None,
) -> dict[int, ProposalRow]:
    """Return the newest proposal of each photograph of a bud, a sampling or a list, by photo id.

    With none of the three, of every photograph that has a place.
    """
    if bud_id is not None:
        last = list(conn.scalars(_newest_of_bud(), {"bud_id": bud_id}))
        return {row.photo_id: row for row in proposals_by_id(conn, last)}
    placed = select(assignment.c.photo_id).where(current_assignment())
    if photo_ids is not None:
        found: dict[int, ProposalRow] = {}
        for start in range(0, len(photo_ids), 500):
            found |= _newest(conn, proposal.c.photo_id.in_(photo_ids[start:start + 500]))
        return found
    if sampling_id is not None:
        placed = (
            placed.join(bud, assignment.c.bud_id == bud.c.id)
            .join(cane, bud.c.cane_id == cane.c.id).where(cane.c.sampling_id == sampling_id)
        )
    else:
        placed = placed.where(assignment.c.bud_id.is_not(None))
    return _newest(conn, proposal.c.photo_id.in_(placed))


def _newest(conn: Connection, condition: Any) -> dict[int, ProposalRow]:
    last = select(func.max(proposal.c.id)).where(condition).group_by(proposal.c.photo_id)
    rows = _read(conn, _asked(proposal.c.id.in_(last)))
    return {row.photo_id: row for row in rows}


@cache
def _newest_of_bud() -> Select[Any]:
    placed = select(assignment.c.photo_id).where(
        current_assignment(), assignment.c.bud_id == bindparam("bud_id", type_=Integer))
    return (select(func.max(proposal.c.id)).where(proposal.c.photo_id.in_(placed))
            .group_by(proposal.c.photo_id))


def proposal_history(conn: Connection, photo_id: int) -> list[ProposalRow]:
    """Return every proposal of a photograph, oldest first."""
    return _read(conn, _asked(proposal.c.photo_id == photo_id))


def proposals_by_id(conn: Connection, ids: Sequence[int]) -> list[ProposalRow]:
    """Return the proposals of these numbers, those that are there, oldest first."""
    return _read(conn, _of_ids(), {"ids": list(ids)}) if ids else []


@cache
def _of_ids() -> Select[Any]:
    return _asked(proposal.c.id.in_(bindparam("ids", expanding=True, type_=Integer)))


def _asked(condition: Any) -> Select[Any]:
    """Return what asks for some proposals: a row for each tissue, or one for a proposal of none."""
    parts = proposal_tissue.c
    return (
        select(proposal, model.c.name.label("model"), parts.tissue, parts.exposed, parts.verdict,
               parts.p_dead, parts.area_px, parts.centre_row, parts.centre_col, parts.why,
               parts.features, parts.p_name, parts.other_name)
        .join(model, proposal.c.model_id == model.c.id)
        .outerjoin(proposal_tissue, parts.proposal_id == proposal.c.id)
        .where(condition).order_by(proposal.c.id, parts.id))


def _read(
    conn: Connection, query: Select[Any], which: Mapping[str, Any] | None = None
) -> list[ProposalRow]:
    found: list[ProposalRow] = []
    tissues: dict[Tissue, TissueProposal] = {}
    for row in conn.execute(query, which):
        if not found or found[-1].id != row.id:
            tissues = {}
            found.append(ProposalRow(
                id=row.id, photo_id=row.photo_id, model_id=row.model_id, model=row.model,
                region_id=row.region_id, found=bool(row.found),
                reasons=tuple(Reason.from_dict(one) for one in json.loads(row.reasons)),
                mm_per_px=row.mm_per_px, tissues=tissues, added_at=row.added_at,
            ))
        if row.tissue is not None:
            tissues[Tissue(row.tissue)] = _tissue(row)
    return found


def _tissue(row: Row[Any]) -> TissueProposal:
    return TissueProposal(
        exposed=bool(row.exposed),
        verdict=None if row.verdict is None else Verdict(row.verdict),
        p_dead=row.p_dead, area_px=row.area_px,
        centre=None if row.centre_row is None else (row.centre_row, row.centre_col),
        why=row.why, features=json.loads(row.features), p_name=row.p_name,
        other_name=None if row.other_name is None else Tissue(row.other_name),
    )


def photos_without_proposal(conn: Connection, model_id: int | None = None) -> list[PhotoRow]:
    """Return the placed photographs that a model has not looked at, in order of intake.

    Parameters
    ----------
    model_id : int, optional
        The model; without it, photographs that no model has looked at.
    """
    looked = select(proposal.c.photo_id)
    if model_id is not None:
        looked = looked.where(proposal.c.model_id == model_id)
    query = (
        select(photo).join(assignment, assignment.c.photo_id == photo.c.id)
        .where(current_assignment(), assignment.c.bud_id.is_not(None), photo.c.id.not_in(looked))
        .order_by(photo.c.id)
    )
    return [PhotoRow(**row._mapping) for row in conn.execute(query)]


def still_waits(conn: Connection, photo_id: int, model_id: int) -> bool:
    """Tell whether a model has yet to look at a photograph that shows a bud."""
    looked = exists().where(proposal.c.photo_id == photo_id, proposal.c.model_id == model_id)
    return conn.scalar(select(assignment.c.id).where(
        assignment.c.photo_id == photo_id, current_assignment(), assignment.c.bud_id.is_not(None),
        ~looked)) is not None


def photos_to_propose(conn: Connection, model_id: int) -> list[PhotoRow]:
    """Return the placed photographs that a model is to look at, in order of intake.

    Those it has not looked at, less those of buds that people have called in full and that
    another model has looked at: what was confirmed stays beside the proposal it was made with.
    """
    fresh = photos_without_proposal(conn, model_id)
    seen = {row.id for row in fresh} - {row.id for row in photos_without_proposal(conn)}
    if not seen:
        return fresh
    of_these = current_assignment()  # where they are few, the calls of their buds and of no other
    if len(seen) <= 500:
        of_these = and_(of_these, assignment.c.photo_id.in_(sorted(seen)))
        standing = current_rows(select(assignment.c.bud_id).where(of_these))
    else:
        standing = current_rows()
    full = select(standing.c.bud_id).group_by(standing.c.bud_id).having(
        func.count() >= len(TISSUES))
    done = seen.intersection(conn.scalars(
        select(assignment.c.photo_id).where(of_these, assignment.c.bud_id.in_(full))))
    return [row for row in fresh if row.id not in done]


def _region(row: Row[Any]) -> Region:
    row0, col0, row1, col1 = json.loads(row.box)
    return Region(
        id=row.id, photo_id=row.photo_id, model_id=row.model_id, person_id=row.person_id,
        labels=decode_labels(row.labels_png),
        box=(row0, col0, row1, col1), note=row.note, added_at=row.added_at,
        replaces_id=row.replaces_id,
    )
