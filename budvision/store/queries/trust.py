"""What lets readers see proposals: decisions by subject, and the buds that they rest on."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import Connection, Integer, Select, bindparam, exists, func, select

from budvision.store.queries.insertion import as_json, insert_row
from budvision.store.queries.photos import current_assignment
from budvision.store.session import now
from budvision.store.tables import (
    assignment,
    block,
    bud,
    call,
    cane,
    person,
    photo,
    proposal,
    proposal_tissue,
    sampling,
    trust,
)

__all__ = [
    "SUBJECTS", "PicturedBud", "Subject", "TrustRow", "add_trust", "cameras_of", "casts_of",
    "cultivars_of", "has_proposal", "pictured_buds", "standing_trust",
]

SUBJECTS = ("season", "cultivar", "camera", "light")


@dataclass(frozen=True, slots=True, order=True)
class Subject:
    """What a decision is about: the season, a cultivar or camera by name, a sampling's light."""

    kind: str
    name: str = ""
    sampling_id: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TrustRow:
    """The newest row of one subject: shown or hidden by a person, or again by the program."""

    id: int
    subject: Subject
    value: str
    person: str | None
    reason: str
    facts: Mapping[str, Any]
    added_at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PicturedBud:
    """A bud with a photograph: what its photographs were made with, and whether it was called."""

    bud_id: int
    cameras: frozenset[str]
    called: bool


def standing_trust(conn: Connection) -> dict[Subject, TrustRow]:
    """Return the newest row of each subject."""
    found = {}
    for row in conn.execute(_by_age()):
        subject = Subject(row.subject, row.name, row.sampling_id)
        found[subject] = TrustRow(
            id=row.id, subject=subject, value=row.value, person=row.person, reason=row.reason,
            facts=json.loads(row.facts), added_at=row.added_at)
    return found


@cache
def _by_age() -> Select[Any]:
    return (select(trust, person.c.name.label("person"))
            .outerjoin(person, trust.c.person_id == person.c.id).order_by(trust.c.id))


def add_trust(
    conn: Connection, subject: Subject, value: str, *, person_id: int | None = None,
    reason: str = "", facts: Mapping[str, Any] | None = None,
) -> int:
    """Add a decision or note; a new row, the older ones stay."""
    return insert_row(
        conn, trust, subject=subject.kind, name=subject.name, sampling_id=subject.sampling_id,
        value=value, person_id=person_id, reason=reason.strip(), facts=as_json(dict(facts or {})),
        added_at=now())


def cameras_of(conn: Connection, bud_id: int) -> frozenset[str]:
    """Return the cameras of a bud's photographs, '' where a file names none."""
    return frozenset(conn.scalars(_cameras(), {"bud_id": bud_id}))


@cache
def _cameras() -> Select[Any]:
    return select(photo.c.camera).join(assignment, assignment.c.photo_id == photo.c.id).where(
        current_assignment(), assignment.c.bud_id == bindparam("bud_id", type_=Integer))


def has_proposal(conn: Connection, bud_id: int) -> bool:
    """Tell whether a model has looked at any photograph of a bud."""
    return conn.scalar(_any_proposal(), {"bud_id": bud_id}) is not None


@cache
def _any_proposal() -> Select[Any]:
    return select(proposal.c.id).join(
        assignment, assignment.c.photo_id == proposal.c.photo_id).where(
        current_assignment(), assignment.c.bud_id == bindparam("bud_id", type_=Integer)).limit(1)


def cultivars_of(conn: Connection) -> dict[int, str]:
    """Return the cultivar of each sampling's block, '' where it is not known."""
    rows = conn.execute(select(sampling.c.id, block.c.cultivar)
                        .join(block, sampling.c.block_id == block.c.id))
    return {row.id: row.cultivar or "" for row in rows}


def pictured_buds(conn: Connection, sampling_ids: Sequence[int]) -> dict[int, list[PicturedBud]]:
    """Return the buds of samplings that a photograph shows, each in the order of their ids."""
    called = exists().where(call.c.bud_id == bud.c.id, call.c.round == "first")
    rows = conn.execute(
        select(cane.c.sampling_id, bud.c.id, photo.c.camera, called.label("called"))
        .join(cane, bud.c.cane_id == cane.c.id)
        .join(assignment, assignment.c.bud_id == bud.c.id)
        .join(photo, assignment.c.photo_id == photo.c.id)
        .where(current_assignment(), cane.c.sampling_id.in_(sampling_ids)).order_by(bud.c.id))
    found: dict[int, dict[int, PicturedBud]] = {key: {} for key in sampling_ids}
    for sampling_id, bud_id, camera, first in rows:
        here = found[sampling_id]
        cameras = here[bud_id].cameras if bud_id in here else frozenset[str]()
        here[bud_id] = PicturedBud(
            bud_id=bud_id, cameras=cameras | {camera}, called=bool(first))
    return {key: list(here.values()) for key, here in found.items()}


def casts_of(conn: Connection, sampling_id: int) -> list[tuple[float, float, float]]:
    """Return what the light did to the colours of a sampling's 60 newest exposed tissues.

    Returns
    -------
    list of tuple of float
        (L*, a*, b*) as photographed less those after white balance, one a tissue.
    """
    photos = (
        select(assignment.c.photo_id).join(bud, assignment.c.bud_id == bud.c.id)
        .join(cane, bud.c.cane_id == cane.c.id)
        .where(current_assignment(), cane.c.sampling_id == sampling_id))
    newest = (select(func.max(proposal.c.id)).where(proposal.c.photo_id.in_(photos))
              .group_by(proposal.c.photo_id))
    found = []
    for features in conn.scalars(
        select(proposal_tissue.c.features)
        .where(proposal_tissue.c.proposal_id.in_(newest), proposal_tissue.c.exposed)
        .order_by(proposal_tissue.c.id.desc()).limit(60)
    ):
        measured = json.loads(features)
        try:
            cast = [float(measured[f"{name}_plain"]) - float(measured[f"{name}_neutral"])
                    for name in ("lightness", "a", "b")]
        except KeyError:
            continue  # a model of other features
        found.append((cast[0], cast[1], cast[2]))
    return found
