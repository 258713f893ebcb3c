"""Reference pictures: the confirmed tissues of this season that look most like one in doubt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from sqlalchemy import Connection

from budvision.language import say
from budvision.settings import Settings
from budvision.store.queries import blocks as block_queries
from budvision.store.queries import canes
from budvision.store.queries.blocks import list_samplings
from budvision.store.queries.calls import call_history
from budvision.store.queries.people import Person
from budvision.store.queries.photos import cuts_of_bud, cuts_of_sampling
from budvision.store.queries.proposals import latest_proposals
from budvision.store.queries.states import bud_states
from budvision.vocabulary import TISSUES, CallValue, Tissue, TissueProposal
from budvision.workflow.review.proposed import best_proposals
from budvision.workflow.review.readings import hidden_from

__all__ = ["Example", "confirmed_examples", "nearest"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Example:
    """A confirmed tissue to compare with.

    Attributes
    ----------
    distance : float
        Root mean square difference of the features, each in units of its spread over the
        season's confirmed tissues of this kind; 0 where nothing is compared.
    """

    bud_id: int
    photo_id: int
    region_id: int
    tissue: Tissue
    value: CallValue
    place: str
    distance: float


def confirmed_examples(
    conn: Connection, tissue: Tissue | None = None
) -> list[tuple[Example, TissueProposal]]:
    """Return every confirmed live or dead tissue that has an outline and features.

    Parameters
    ----------
    tissue : Tissue, optional
        One tissue only.
    """
    wanted = TISSUES if tissue is None else (tissue,)
    rows: list[tuple[Example, TissueProposal]] = []
    for sampling in list_samplings(conn):
        latest = latest_proposals(conn, sampling_id=sampling.id)
        cuts: dict[int, list[tuple[int, int]]] = {}
        for cut in cuts_of_sampling(conn, sampling.id):
            cuts.setdefault(cut.bud_id, []).append((cut.cut, cut.photo.id))
        for state in bud_states(conn, sampling.id, doubts=False):
            if not state.calls:
                continue
            best = best_proposals([
                (cut, latest[photo]) for cut, photo in cuts.get(state.bud_id, [])
                if photo in latest
            ])
            for one in wanted:
                value = state.calls.get(one)
                if one not in best or value not in (CallValue.LIVE, CallValue.DEAD):
                    continue
                _, row, proposal = best[one]
                if not proposal.exposed or not proposal.features or row.region_id is None:
                    continue
                place = say("{block}, cane {cane}, node {node}", block=sampling.block,
                            cane=state.cane, node=state.node)
                rows.append((
                    Example(bud_id=state.bud_id, photo_id=row.photo_id, region_id=row.region_id,
                            tissue=one, value=value, place=place, distance=0.0),
                    proposal,
                ))
    return rows


def nearest(
    conn: Connection, settings: Settings, bud_id: int, tissue: Tissue, *, person: Person
) -> dict[str, list[Example]]:
    """Find the two nearest confirmed live and the two nearest confirmed dead tissues.

    Parameters
    ----------
    bud_id : int
        The bud in doubt; it is never its own reference.
    tissue : Tissue
        Which tissue; references are of the same kind.
    person : Person
        Who looks.

    Returns
    -------
    dict
        ``live`` and ``dead``, the nearest first; both empty while the bud's proposals are
        hidden, or where it has no features. When the bud stands alone with few references, the
        spread is poorly known and the order is rough.
    """
    nothing: dict[str, list[Example]] = {"live": [], "dead": []}
    place = canes.bud_place(conn, bud_id)
    sampling = block_queries.sampling_by_id(conn, place.sampling_id)
    if hidden_from(conn, settings, place, sampling, call_history(conn, bud_id), "first"):
        return nothing
    latest = latest_proposals(conn, bud_id=bud_id)
    best = best_proposals([
        (cut.cut, latest[cut.photo.id]) for cut in cuts_of_bud(conn, bud_id)
        if cut.photo.id in latest
    ])
    if tissue not in best or not best[tissue][2].features:
        return nothing
    own = best[tissue][2].features
    others = [
        (example, proposal) for example, proposal in confirmed_examples(conn, tissue)
        if example.bud_id != bud_id and set(own) <= set(proposal.features)
    ]
    if not others:
        return nothing
    names = sorted(own)
    table = np.array(
        [[proposal.features[name] for name in names] for _, proposal in others], np.float64)
    spread = table.std(axis=0)
    use = spread > 1e-9
    if not use.any():
        return nothing
    mine = np.array([own[name] for name in names], np.float64)
    steps = (table[:, use] - mine[use]) / spread[use]
    distance = np.sqrt(np.mean(np.clip(steps, -5.0, 5.0) ** 2, axis=1))
    for position in np.argsort(distance, kind="stable"):
        example = others[int(position)][0]
        side = nothing[example.value.value]
        if len(side) < 2:
            side.append(Example(
                bud_id=example.bud_id, photo_id=example.photo_id, region_id=example.region_id,
                tissue=tissue, value=example.value,
                place=example.place, distance=float(distance[position]),
            ))
    return nothing
