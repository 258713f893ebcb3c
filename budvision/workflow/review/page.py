"""What the review page shows of one bud, as plain values: nothing hidden is in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Connection

from budvision.language import say, told_text
from budvision.settings import Settings
from budvision.store.queries import blocks as block_queries
from budvision.store.queries import canes
from budvision.store.queries.calls import CallRow, call_history, standing_calls
from budvision.store.queries.overview import SamplingCounts
from budvision.store.queries.people import Person
from budvision.store.queries.photos import Cut, cuts_of_bud
from budvision.store.queries.proposals import (
    ProposalRow,
    Region,
    current_region,
    latest_proposals,
)
from budvision.store.queries.states import BudState, bud_states
from budvision.vocabulary import TISSUES, CallValue, Tissue, TissueProposal
from budvision.workflow.review.outlines import outlines
from budvision.workflow.review.pictures import face_box
from budvision.workflow.review.proposed import best_proposals, proposed_value
from budvision.workflow.review.readings import disagreements_of, hidden_from, on_trial

__all__ = ["bud_page", "cane_strip", "sure_words", "tally_of", "tally_of_counts"]

Values = dict[str, Any]


def sure_words(p_dead: float | None, verdict: str) -> str:
    """Say how sure a proposal is, as a natural frequency.

    Examples
    --------
    >>> sure_words(0.97, "dead")
    '97 in 100'
    >>> sure_words(0.08, "live")
    '92 in 100'
    >>> sure_words(0.55, "unsure")
    '55 in 100 for dead'
    """
    if p_dead is None:
        return ""
    if verdict == "live":
        return say("{n} in 100", n=_hundredths(1.0 - p_dead))
    if verdict == "dead":
        return say("{n} in 100", n=_hundredths(p_dead))
    return say("{n} in 100 for dead", n=_hundredths(p_dead))


def _hundredths(p: float) -> str:
    if p > 0.995:
        return say("over 99")
    if p < 0.005:
        return say("under 1")
    return str(round(p * 100))


def bud_page(
    conn: Connection, settings: Settings, bud_id: int, *, person: Person, reading: str = "first",
    states: Sequence[BudState] | None = None, bud: canes.PlacedBud | None = None,
) -> Values:
    """Gather one bud: its cuts, outlines, proposals, standing calls and history.

    Parameters
    ----------
    conn : Connection
        The season's database.
    settings : Settings
        Gives the share of blind buds.
    bud_id : int
        The bud.
    person : Person
        Who looks.
    reading : str
        first, second or settle. A second reader gets neither proposals nor calls.
    states : sequence of BudState, optional
        Every bud of the sampling, where the caller has them.
    bud : PlacedBud, optional
        Where the bud stands, where the caller knows.

    Returns
    -------
    dict
        Ready for JSON. While `hidden` is true it holds no outline, proposal, reason or, for a
        second reader, call.
    """
    bud = bud or canes.placed_bud(conn, bud_id)
    place, sampling = bud.place, bud.sampling
    if states is None:
        states = bud_states(conn, sampling.id, doubts=False)
    own = {row.bud_id: row for row in states}[bud_id]
    history = call_history(conn, bud_id)
    hidden = hidden_from(conn, settings, place, sampling, history, reading)
    cuts = cuts_of_bud(conn, bud_id)
    latest = latest_proposals(conn, bud_id=bud_id)
    found = [(cut.cut, latest[cut.photo.id]) for cut in cuts if cut.photo.id in latest]
    best = best_proposals(found)
    regions = {cut.photo.id: current_region(conn, cut.photo.id) for cut in cuts}
    standing = {} if reading == "second" else standing_calls(history)
    photo_of = {cut.cut: cut.photo.id for cut in reversed(cuts)}
    to_settle = disagreements_of(history) if reading == "settle" else []
    shown = {
        tissue: _proposal(tissue, one, photo_of[one[0]], regions)
        for tissue, one in ({} if hidden else best).items()
    }
    return {
        "bud": _bud(place),
        "reading": reading, "hidden": hidden,
        "trial": _hidden_for_trial(conn, settings, sampling, hidden, reading),
        "to_settle": [t.value for t in to_settle],
        "seen": max((row.id for row in history), default=0),
        "shown": [row.id for _, row in found],
        "photos": [cut.photo.id for cut in cuts],
        "skipped": own.skipped, "no_bud": bool(own.node_mark),
        "cuts": [_cut(cut, regions[cut.photo.id], latest.get(cut.photo.id), hidden)
                 for cut in cuts],
        "tissues": _tissues(shown, standing, to_settle, history),
        "history": [] if reading == "second" else [_past(row) for row in history],
        "strip": cane_strip(states, place.cane_id, values=reading != "second"),
        "may_settle": len({row.person_id for row in history}) > 1,
        "person": person.name,
    }


def _tissues(
    shown: Mapping[Tissue, Values], standing: Mapping[Tissue, CallRow],
    to_settle: Sequence[Tissue], history: Sequence[CallRow],
) -> Values:
    return {
        tissue.value: {
            "proposal": shown.get(tissue),
            "call": _call(standing[tissue]) if tissue in standing else None,
            "settle": _both_calls(history, tissue) if tissue in to_settle else [],
        }
        for tissue in TISSUES
    }


def _hidden_for_trial(
    conn: Connection, settings: Settings, sampling: block_queries.Sampling, hidden: bool,
    reading: str,
) -> bool:
    return hidden and reading == "first" and on_trial(conn, settings, sampling)


def _bud(place: canes.BudPlace) -> Values:
    return {
        "id": place.id, "node": place.node, "cane": place.cane, "vine": place.vine,
        "block": place.block, "sampling": place.sampling, "sampling_id": place.sampling_id,
        "cultivar": place.cultivar,
    }


def _proposal(
    tissue: Tissue, best: tuple[int, ProposalRow, TissueProposal], photo_id: int,
    regions: Mapping[int, Region | None],
) -> Values:
    cut, row, proposed = best
    value = proposed_value(proposed)
    return {
        "value": value.value, "confirmable": value is not CallValue.UNSURE, "cut": cut,
        "photo_id": photo_id, "sure": sure_words(proposed.p_dead, value.value),
        "p_dead": proposed.p_dead, "why": proposed.why, "model": row.model,
        "p_name": proposed.p_name,
        "other_name": None if proposed.other_name is None else proposed.other_name.value,
        "doubtful": value is CallValue.UNSURE or (
            proposed.p_dead is not None and 0.15 < proposed.p_dead < 0.85
        ),
        "pictured": proposed.exposed and _shows(regions.get(photo_id), tissue.label),
    }


def _shows(region: Region | None, label: int) -> bool:
    return region is not None and bool((region.labels == label).any())


def _both_calls(history: Sequence[CallRow], tissue: Tissue) -> list[Values]:
    return [_call(row) for row in _both_readings(history, tissue.value)]


def _both_readings(history: Sequence[CallRow], tissue: str) -> list[CallRow]:
    newest: dict[tuple[str, int], CallRow] = {}
    for row in history:
        if row.tissue == tissue and row.round != "settled":
            newest["first" if row.round == "first" else "second",
                   0 if row.round == "first" else row.person_id] = row
    return [row for row in newest.values() if row.value is not None]


def _call(row: CallRow) -> Values:
    return {
        "value": row.value.value if row.value else None, "person": row.person,
        "cause": row.cause.value if row.cause else "", "note": row.note, "round": row.round,
        "blind": row.blind, "at": row.added_at,
    }


def _past(row: CallRow) -> Values:
    return {**_call(row), "tissue": row.tissue.value, "id": row.id, "batch": row.batch}


def _cut(cut: Cut, region: Region | None, proposal: ProposalRow | None, hidden: bool) -> Values:
    photo = cut.photo
    shown = {} if hidden else outlines(region)
    if region is not None and region.person_id is None and proposal is not None:
        # what the model marked but took for not exposed would only mislead
        shown = {
            tissue: one for tissue, one in shown.items()
            if tissue in proposal.tissues and proposal.tissues[tissue].exposed
        }
    return {
        "cut": cut.cut, "photo_id": photo.id, "file": photo.file_name,
        "width_px": photo.width_px, "height_px": photo.height_px,
        "box": face_box(region, photo.height_px, photo.width_px),
        "version": 0 if region is None else region.id,
        "outlines": {
            tissue.value: {"path": one.path, "letter": one.letter}
            for tissue, one in shown.items()
        },
        "drawn_by_person": region is not None and region.person_id is not None,
        **_judged(proposal, tuple(shown), hidden),
    }


def _judged(proposal: ProposalRow | None, shown: Sequence[Tissue], hidden: bool) -> Values:
    """Return what the model made of a cut as a whole; of a blind bud, no more than that it did."""
    if proposal is None:
        return {"judged": False, "found": False, "mm_per_px": None, "answer": None, "reasons": [],
                "doubted": []}
    unseen = hidden and proposal.found
    return {
        "judged": True, "found": proposal.found, "mm_per_px": proposal.mm_per_px,
        "answer": None if unseen else proposal.answer.value,
        "reasons": [] if unseen else [
            {**reason.as_dict(), "text": told_text(reason.text)} for reason in proposal.reasons
            if not (proposal.found and reason.code.endswith(("_not_exposed", "name_unclear")))
        ],  # what the cards say is left out
        "doubted": [
            tissue.value for tissue in shown
            if tissue in proposal.tissues and proposal.tissues[tissue].other_name is not None
        ],
    }


def cane_strip(
    states: Sequence[BudState], cane_id: int, *, values: bool = True
) -> list[Values]:
    """Return the buds of a cane from the base, with their state (and calls where `values`)."""
    rows = [row for row in states if row.cane_id == cane_id]
    return [
        {
            "bud_id": row.bud_id, "node": row.node, "state": _state(row), "n_cuts": row.n_cuts,
            "calls": {t.value: v.value for t, v in row.calls.items()} if values else {},
        }
        for row in rows
    ]


def _state(row: BudState) -> str:
    return "skipped" if row.skipped and row.state == "waiting" else row.state


def tally_of(states: Sequence[BudState]) -> Values:
    """Count a sampling's buds by state, for the progress line."""
    kinds = [_state(row) for row in states]
    return {
        "n_buds": sum(kind != "missing" for kind in kinds), "n_called": kinds.count("done"),
        "n_waiting": kinds.count("waiting"), "n_skipped": kinds.count("skipped"),
        "n_no_photo": kinds.count("no_photo") + kinds.count("partly"),
    }


def tally_of_counts(counted: SamplingCounts) -> Values:
    """Return the same numbers as `tally_of` from the counts kept of the sampling."""
    return {
        "n_buds": counted.n_buds - counted.n_missing, "n_called": counted.n_called,
        "n_waiting": counted.n_waiting - counted.n_skipped, "n_skipped": counted.n_skipped,
        "n_no_photo": counted.n_no_photo,
    }
