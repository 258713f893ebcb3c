"""Everything that was ever kept of one bud: its cuts, what models said, what people called."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection

from budvision.errors import NotFoundError
from budvision.language import say, told_text
from budvision.store.queries import blocks, calls, canes, people, photos, proposals
from budvision.store.session import Season
from budvision.workflow.review.page import sure_words

__all__ = ["history_at", "history_of_bud", "place_words", "proposal_words"]


def history_of_bud(
    season: Season, block: str, cane: str, node: int, *, sampling: str = "", vine: str = ""
) -> dict[str, Any]:
    """Return the whole history of the bud at a node of a cane.

    Parameters
    ----------
    block, cane : str
        Names as on the tag.
    node : int
        1 and up, from the cane's base.
    sampling : str
        Label of the sampling; the block's latest when left out.
    vine : str
        Where canes of several vines have this label.

    Returns
    -------
    dict
        ``block``, ``sampling``, ``cane``, ``vine``, ``node``; ``cuts``, each with its photograph,
        the ``places`` it was given and the ``proposals`` made of it, oldest first; ``calls``, each
        with who, when, in which round, and whether it ``stands``. Nothing is left out: rows are
        only ever added.

    Raises
    ------
    NotFoundError
        When there is no such block, sampling or bud.
    """
    with season.read() as conn:
        found = blocks.get_block(conn, block)
        visit = (
            blocks.get_sampling(conn, found.id, sampling) if sampling
            else blocks.latest_sampling(conn, found.id)
        )
        place = None if visit is None else canes.find_bud(conn, visit.id, cane, node, vine=vine)
        if visit is None or place is None:
            raise NotFoundError(
                f"there is no bud at node {node} of cane {cane}", code="no_bud",
                where=f"{found.name}, {visit.label}" if visit else found.name,
                expected="a cane and node that were cut",
                do="See `budvision calls export` for the buds, or name --sampling.")
        return history_at(conn, place)


def history_at(conn: Connection, place: canes.BudPlace) -> dict[str, Any]:
    """Return the history of a bud; the form is that of `history_of_bud`."""
    names = {person.id: person.name for person in people.list_people(conn)}
    return {
        "block": place.block, "sampling": place.sampling, "cane": place.cane,
        "vine": place.vine, "node": place.node,
        "cuts": [_cut(conn, one, names) for one in photos.cuts_of_bud(conn, place.id)],
        "calls": _calls(conn, place.id, names),
    }


def proposal_words(one: Mapping[str, Any]) -> str:
    """Say one proposal of `history_at` in a line."""
    if not one["found"]:
        return "; ".join(told_text(why["text"]) for why in one["reasons"]) or say(
            "no cut face found")
    parts = []
    for tissue, part in one["tissues"].items():
        if part["exposed"]:
            sure = sure_words(part["p_dead"], part["verdict"])
            parts.append(f"{say(tissue)} {say(part['verdict'])}" + (f" ({sure})" if sure else ""))
        else:
            parts.append(f"{say(tissue)} {say('not exposed')}")
    return ", ".join(parts)


def _cut(conn: Connection, one: photos.Cut, names: Mapping[int, str]) -> dict[str, Any]:
    return {
        "cut": one.cut, "photo_id": one.photo.id, "file": one.photo.file_name,
        "sha256": one.photo.sha256,
        "taken_at": one.photo.taken_at, "added_at": one.photo.added_at,
        "places": [
            {
                "bud": None if row.bud_id is None else place_words(
                    canes.bud_place(conn, row.bud_id)),
                "cut": row.cut, "by": names.get(row.person_id or 0, ""), "source": row.source,
                "note": row.note, "at": row.added_at,
            }
            for row in photos.assignment_history(conn, one.photo.id)
        ],
        "proposals": [
            {
                "model": row.model, "at": row.added_at, "found": row.found,
                "reasons": [{"code": why.code, "text": why.text} for why in row.reasons],
                "tissues": {
                    tissue.value: {
                        "exposed": part.exposed, "p_dead": part.p_dead, "why": part.why,
                        "verdict": None if part.verdict is None else part.verdict.value,
                    }
                    for tissue, part in row.tissues.items()
                },
            }
            for row in proposals.proposal_history(conn, one.photo.id)
        ],
    }


def place_words(place: canes.BudPlace, *, cut: int = 0) -> str:
    """Say where a bud stands, or where a cut of it does."""
    parts = {"block": place.block, "sampling": place.sampling, "cane": place.cane,
             "node": place.node}
    return say("{block}, {sampling}, cane {cane}, node {node}, cut {cut}", **parts, cut=cut) if (
        cut) else say("{block}, {sampling}, cane {cane}, node {node}", **parts)


def _calls(conn: Connection, bud_id: int, names: Mapping[int, str]) -> list[dict[str, Any]]:
    rows = calls.call_history(conn, bud_id)
    standing = {row.id for row in calls.current_calls_of_bud(conn, bud_id).values()}
    return [
        {
            "tissue": row.tissue.value,
            "value": "taken back" if row.value is None else row.value.value,
            "cause": row.cause.value if row.cause else "", "note": row.note,
            "person": row.person, "entered_by": names.get(row.entered_by_id or 0, ""),
            "round": row.round, "blind": row.blind, "source": row.source, "at": row.added_at,
            "stands": row.id in standing,
        }
        for row in rows
    ]
