"""What training reads: called tissues beside what models measured of them."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, and_, case, exists, func, select

from budvision.store.queries.calls import WITHDRAWN, current_rows
from budvision.store.queries.photos import PhotoRow, current_assignment
from budvision.store.queries.proposals import Region, current_region, regions_of_photo
from budvision.store.tables import (
    assignment,
    block,
    bud,
    call,
    cane,
    model,
    photo,
    proposal,
    proposal_tissue,
    region,
    sampling,
    sampling_count,
)
from budvision.vocabulary import TISSUES, CallValue, Tissue

__all__ = [
    "SEGMENTER", "CalledTissue", "Measured", "RecentLook", "blind_agreement", "buds_of_photos",
    "called_tissues", "count_out_of_step", "measured_tissues", "photos_measured", "photos_of_calls",
    "photos_out_of_step", "recent_looks", "redrawn_regions",
]

SEGMENTER = "segmenter.onnx"


@dataclass(frozen=True, slots=True, kw_only=True)
class CalledTissue:
    """The call of one tissue that counts, with the second readings of it.

    Attributes
    ----------
    blind : bool
        Called without seeing the proposal.
    proposal_id : int or None
        The proposal that was shown or hidden.
    second : tuple of CallValue
        Newest second reading of each other person.
    """

    bud_id: int
    cane_id: int
    block: str
    cane: str
    node: int
    tissue: Tissue
    value: CallValue
    round: str
    blind: bool
    person_id: int
    proposal_id: int | None
    added_at: str
    second: tuple[CallValue, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What a model measured and said of one exposed tissue in one photograph."""

    bud_id: int
    photo_id: int
    sha256: str
    cut: int
    proposal_id: int
    model: str
    tissue: Tissue
    verdict: str
    p_dead: float | None
    features: Mapping[str, float]


def called_tissues(conn: Connection) -> list[CalledTissue]:
    """Return every call that counts, in the order of buds."""
    standing = current_rows()
    second: dict[tuple[int, str], dict[int, str]] = defaultdict(dict)
    for row in conn.execute(
        select(call.c.bud_id, call.c.tissue, call.c.person_id, call.c.value)
        .where(call.c.round == "second").order_by(call.c.id)
    ):
        second[row.bud_id, row.tissue][row.person_id] = row.value
    rows = conn.execute(
        select(
            standing.c.bud_id, standing.c.tissue, standing.c.value, standing.c.round,
            standing.c.blind, standing.c.person_id, standing.c.proposal_id,
            standing.c.added_at, bud.c.node, cane.c.id.label("cane_id"),
            cane.c.label.label("cane"), block.c.name.label("block"),
        )
        .join(bud, bud.c.id == standing.c.bud_id).join(cane, cane.c.id == bud.c.cane_id)
        .join(sampling, sampling.c.id == cane.c.sampling_id)
        .join(block, block.c.id == sampling.c.block_id)
        .order_by(standing.c.bud_id, standing.c.tissue)
    )
    return [
        CalledTissue(
            bud_id=row.bud_id, cane_id=row.cane_id, block=row.block, cane=row.cane, node=row.node,
            tissue=Tissue(row.tissue),
            value=CallValue(row.value), round=row.round, blind=bool(row.blind),
            person_id=row.person_id, proposal_id=row.proposal_id,
            added_at=row.added_at,
            second=tuple(
                CallValue(value)
                for person_id, value in second.get((row.bud_id, row.tissue), {}).items()
                if value != WITHDRAWN and person_id != row.person_id
            ),
        )
        for row in rows
    ]


def _fitting_models(conn: Connection, feature_version: str, segmenter: str) -> list[int]:
    """Return the models that measure alike: the same features, on the same regions."""
    out = []
    for row in conn.execute(select(model.c.id, model.c.facts)):
        facts = json.loads(row.facts)
        files = facts.get("files", {})
        if (facts.get("feature_version", feature_version) == feature_version
                and (not segmenter or files.get(SEGMENTER, segmenter) == segmenter)):
            out.append(row.id)
    return out


def measured_tissues(
    conn: Connection, *, feature_version: str, segmenter: str = "",
    proposal_ids: Collection[int] | None = None, region_ids: Collection[int] | None = None,
) -> list[Measured]:
    """Return the exposed tissues of the newest fitting proposal of each placed photograph.

    Parameters
    ----------
    feature_version : str
        Only proposals of models that measure these features.
    segmenter : str
        SHA-256 of the segmenter's file; any segmenter when empty.
    proposal_ids : collection of int, optional
        These proposals instead, whether or not newer ones stand.
    region_ids : collection of int, optional
        The proposals made with these outlines instead, whether or not newer ones stand.
    """
    placed = (
        select(assignment.c.photo_id, assignment.c.bud_id, assignment.c.cut)
        .where(current_assignment(), assignment.c.bud_id.is_not(None)).subquery("placed")
    )
    fitting = _fitting_models(conn, feature_version, segmenter)
    newer = proposal.alias("newer_proposal")
    wanted = [proposal.c.model_id.in_(fitting), proposal_tissue.c.exposed]
    if region_ids is None and proposal_ids is None:
        wanted.append(~exists().where(
            newer.c.photo_id == proposal.c.photo_id, newer.c.id > proposal.c.id,
            newer.c.model_id.in_(fitting)))
    if region_ids is not None:
        wanted.append(proposal.c.region_id.in_(region_ids))
    if proposal_ids is not None:
        wanted.append(proposal.c.id.in_(proposal_ids))
    rows = conn.execute(
        select(
            placed.c.bud_id, placed.c.photo_id, placed.c.cut, photo.c.sha256,
            proposal.c.id.label("proposal_id"), model.c.name.label("model"),
            proposal_tissue.c.tissue, proposal_tissue.c.verdict, proposal_tissue.c.p_dead,
            proposal_tissue.c.features,
        )
        .join(photo, photo.c.id == placed.c.photo_id)
        .join(proposal, proposal.c.photo_id == placed.c.photo_id)
        .join(model, model.c.id == proposal.c.model_id)
        .join(proposal_tissue, proposal_tissue.c.proposal_id == proposal.c.id)
        .where(*wanted)
        .order_by(placed.c.bud_id, placed.c.cut, placed.c.photo_id)
    )
    return [
        Measured(
            bud_id=row.bud_id, photo_id=row.photo_id, sha256=row.sha256, cut=row.cut,
            proposal_id=row.proposal_id, model=row.model,
            tissue=Tissue(row.tissue), verdict=row.verdict or "", p_dead=row.p_dead,
            features=json.loads(row.features))
        for row in rows
    ]


def redrawn_regions(conn: Connection) -> list[tuple[Region, Region]]:
    """Return a model's outlines and what stands for them, of each photograph a person redrew.

    Both have the same box and size; where a person's steps began at none there is no pair.
    """
    found = []
    redrawn = select(region.c.photo_id).where(region.c.person_id.is_not(None)).distinct()
    for photo_id in conn.scalars(redrawn.order_by(region.c.photo_id)):
        drawn = {one.id: one for one in regions_of_photo(conn, photo_id)}
        after = current_region(conn, photo_id)
        before = after
        while before is not None and before.person_id is not None:
            before = drawn.get(before.replaces_id or 0)
        if after is not None and before is not None and before is not after and (
            before.box == after.box and before.labels.shape == after.labels.shape
        ):
            found.append((before, after))
    return found


def photos_measured(
    conn: Connection, *, feature_version: str, segmenter: str = ""
) -> set[int]:
    """Return the ids of the photographs that a model that measures alike has looked at."""
    fitting = _fitting_models(conn, feature_version, segmenter)
    return set(conn.scalars(
        select(proposal.c.photo_id).where(proposal.c.model_id.in_(fitting)).distinct()))


def photos_of_calls(conn: Connection) -> list[PhotoRow]:
    """Return the photographs of the buds that have a call that counts, in order of intake."""
    standing = current_rows()
    rows = conn.execute(
        select(photo)
        .join(assignment, assignment.c.photo_id == photo.c.id)
        .where(current_assignment(), assignment.c.bud_id.in_(select(standing.c.bud_id)))
        .order_by(photo.c.id)
    )
    return [PhotoRow(**row._mapping) for row in rows]


def photos_out_of_step(
    conn: Connection, model_id: int | None, *, named_before: str = ""
) -> list[PhotoRow]:
    """Return the photographs of waiting buds whose newest proposal is not this model's.

    A bud waits until all its tissues are called; photographs that no model has looked at belong
    to these. In order of intake.

    Parameters
    ----------
    model_id : int, optional
        The model in use; without it (the season does not know it yet), every waiting one.
    named_before : str
        Moment at which the side of the cane base was set: proposals before it that doubt a
        flanker's name belong to these too. Empty where it is not known.
    """
    query = (
        select(photo).join(assignment, assignment.c.photo_id == photo.c.id)
        .where(_out_of_step(model_id, named_before, None)).order_by(photo.c.id)
    )
    return [PhotoRow(**row._mapping) for row in conn.execute(query)]


def count_out_of_step(
    conn: Connection, model_id: int | None, sampling_ids: Sequence[int], *,
    named_before: str = "",
) -> dict[int, int]:
    """Return how many photographs of each sampling `photos_out_of_step` would give."""
    called = select(sampling_count.c.sampling_id).where(
        sampling_count.c.n_buds == sampling_count.c.n_called + sampling_count.c.n_called_missing)
    whole = set(conn.scalars(called))  # nothing waits there
    buds = buds_of_samplings([key for key in sampling_ids if key not in whole])
    found: dict[int, int] = {row[0]: row[1] for row in conn.execute(
        select(cane.c.sampling_id, func.count())
        .select_from(assignment).join(bud, bud.c.id == assignment.c.bud_id)
        .join(cane, cane.c.id == bud.c.cane_id)
        .where(assignment.c.bud_id.in_(buds), _out_of_step(model_id, named_before, buds))
        .group_by(cane.c.sampling_id))}
    return {key: found.get(key, 0) for key in sampling_ids}


def _out_of_step(model_id: int | None, named_before: str, buds: Any) -> Any:
    """Return the condition on assignments that `photos_out_of_step` describes."""
    standing = current_rows(buds)
    full = select(standing.c.bud_id).group_by(standing.c.bud_id).having(
        func.count() >= len(TISSUES))
    waits = and_(current_assignment(), assignment.c.bud_id.is_not(None),
                 assignment.c.bud_id.not_in(full))
    if model_id is None:
        return waits
    newer = proposal.alias("newer_proposal")
    shown = exists().where(
        proposal.c.photo_id == assignment.c.photo_id, proposal.c.model_id == model_id,
        ~exists().where(newer.c.photo_id == proposal.c.photo_id, newer.c.id > proposal.c.id))
    if named_before:
        doubted = exists().where(
            proposal_tissue.c.proposal_id == proposal.c.id,
            proposal_tissue.c.other_name.is_not(None))
        shown = shown.where((proposal.c.added_at >= named_before) | ~doubted)
    return and_(waits, ~shown)


def buds_of_samplings(sampling_ids: Sequence[int]) -> Any:
    """Return the query of the ids of some samplings' buds."""
    return select(bud.c.id).join(cane, bud.c.cane_id == cane.c.id).where(
        cane.c.sampling_id.in_(sampling_ids))


@dataclass(frozen=True, slots=True)
class RecentLook:
    """One photograph that a model looked at lately."""

    proposal_id: int
    found: bool
    n_exposed: int
    n_unsure: int


def blind_agreement(
    conn: Connection, sampling_ids: Sequence[int]
) -> dict[int, list[tuple[str, int, str, str, int]]]:
    """Return (time, id, call, hidden verdict, model's id) of each sampling's blind certain calls.

    Oldest first. Where several cuts of the bud show the tissue, the verdict of the newest proposal
    made before the call counts.
    """
    newer, over = call.alias("newer_call"), call.alias("settled_call")

    def newest_of(row: Any) -> Any:
        return ~exists().where(
            newer.c.bud_id == row.c.bud_id, newer.c.tissue == row.c.tissue,
            newer.c.round == row.c.round, newer.c.id > row.c.id)

    # the few that are blind are asked whether they count: all calls would be ten times the work
    overruled = exists().where(
        over.c.bud_id == call.c.bud_id, over.c.tissue == call.c.tissue, over.c.round == "settled",
        over.c.value != WITHDRAWN, newest_of(over))
    standing = select(call.c.id, call.c.bud_id, call.c.tissue, call.c.value, call.c.added_at).where(
        call.c.bud_id.in_(buds_of_samplings(sampling_ids)),
        call.c.blind, call.c.value.in_(("live", "dead")), call.c.round != "second",
        newest_of(call), (call.c.round == "settled") | ~overruled,
    ).cte("blind_call").prefix_with("MATERIALIZED")
    rows = conn.execute(
        select(
            standing.c.id, standing.c.added_at, standing.c.value, proposal_tissue.c.verdict,
            proposal.c.model_id, cane.c.sampling_id,
        )
        .join(bud, bud.c.id == standing.c.bud_id).join(cane, cane.c.id == bud.c.cane_id)
        .join(assignment, assignment.c.bud_id == standing.c.bud_id)
        .join(proposal, proposal.c.photo_id == assignment.c.photo_id)
        .join(
            proposal_tissue,
            (proposal_tissue.c.proposal_id == proposal.c.id)
            & (proposal_tissue.c.tissue == standing.c.tissue),
        )
        .where(
            current_assignment(),
            proposal_tissue.c.exposed, proposal_tissue.c.verdict.is_not(None),
            proposal.c.added_at <= standing.c.added_at,
        )
        .order_by(standing.c.added_at, standing.c.id, proposal.c.id)
    )
    newest: dict[int, dict[int, tuple[str, int, str, str, int]]] = {key: {} for key in sampling_ids}
    for row in rows:
        newest[row.sampling_id][row.id] = (
            row.added_at, row.id, row.value, row.verdict, row.model_id)
    return {key: list(found.values()) for key, found in newest.items()}


def recent_looks(conn: Connection, *, most: int, sha256: str = "") -> list[RecentLook]:
    """Return the newest proposal of each photograph, newest first, with its counts of tissues.

    Parameters
    ----------
    most : int
        Photographs at most.
    sha256 : str
        Only what the model of this hash said, where it has said anything.
    """
    newer = proposal.alias("newer_proposal")
    later = newer.c.photo_id == proposal.c.photo_id, newer.c.id > proposal.c.id
    newest = select(proposal.c.id).where(~exists().where(*later))
    asked = conn.scalar(select(model.c.id).where(model.c.sha256 == sha256))
    if conn.scalar(select(proposal.c.id).where(proposal.c.model_id == asked).limit(1)) is not None:
        newest = select(proposal.c.id).where(
            proposal.c.model_id == asked,
            ~exists().where(*later, newer.c.model_id == asked))
    last = newest.order_by(proposal.c.id.desc()).limit(most).subquery("last")
    exposed = func.sum(case((proposal_tissue.c.exposed, 1), else_=0))
    unsure = func.sum(case((proposal_tissue.c.verdict == "unsure", 1), else_=0))
    rows = conn.execute(
        select(proposal.c.id, proposal.c.found, exposed.label("e"), unsure.label("u"))
        .join(last, last.c.id == proposal.c.id)
        .outerjoin(proposal_tissue, proposal_tissue.c.proposal_id == proposal.c.id)
        .group_by(proposal.c.id, proposal.c.found).order_by(proposal.c.id.desc())
    )
    return [RecentLook(r.id, bool(r.found), int(r.e or 0), int(r.u or 0)) for r in rows]


def buds_of_photos(conn: Connection) -> dict[int, int]:
    """Return the bud that each placed photograph shows, by photograph."""
    rows = conn.execute(
        select(assignment.c.photo_id, assignment.c.bud_id)
        .where(current_assignment(), assignment.c.bud_id.is_not(None))
        .order_by(assignment.c.photo_id)
    )
    return {row.photo_id: row.bud_id for row in rows}
