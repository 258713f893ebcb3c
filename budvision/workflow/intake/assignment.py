"""The assignment page: what has no place yet, and where a person puts it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from budvision.errors import InputError
from budvision.store.queries.blocks import list_samplings
from budvision.store.queries.canes import ensure_bud, find_cane, list_buds, list_canes
from budvision.store.queries.photos import (
    assign,
    cuts_of_sampling,
    photo_by_sha256,
)
from budvision.store.session import Season
from budvision.tables import whole
from budvision.workflow.intake.sorting import ASIDE_NOTE, loose_photos, noted

__all__ = ["AssignmentBoard", "Strip", "assign_from_page", "assignment_board"]


@dataclass(frozen=True, slots=True)
class Strip:
    """A film strip of the assignment page: photographs that belong together, perhaps."""

    title: str
    why: str
    photos: tuple[dict[str, Any], ...]
    sampling_id: int | None
    cane: str


@dataclass(frozen=True, slots=True)
class AssignmentBoard:
    """What the assignment page shows."""

    strips: tuple[Strip, ...]
    samplings: tuple[dict[str, Any], ...]


def assignment_board(season: Season) -> AssignmentBoard:
    """Return the photographs without a place, as film strips, and the places there are."""
    with season.read() as conn:
        loose = {row.sha256: row for row in loose_photos(conn)}
        samplings = [
            {"id": s.id, "block": s.block, "label": s.label,
             "nodes": int(s.plan.get("nodes", 10)) if s.plan else 10,
             "canes": [cane.label for cane in list_canes(conn, s.id)],
             "taken": _taken(conn, s.id)}
            for s in list_samplings(conn)
        ]
    strips: list[Strip] = []
    for run in noted(season):
        here = [sha for sha in run["sha256"] if sha in loose]
        if not here:
            continue
        guess = _guess(run)
        strips.append(Strip(
            title=f"Cane {run['cane']}" if run["cane"] else "Without a tag", why=run["why"],
            photos=tuple(_photo(loose.pop(sha), guess.get(sha)) for sha in here),
            sampling_id=run["sampling_id"], cane=run["cane"]))
    if loose:
        strips.append(Strip(
            title="Other photographs", why="They came without a tag and without a list.",
            photos=tuple(_photo(row, None) for row in loose.values()), sampling_id=None, cane=""))
    return AssignmentBoard(tuple(strips), tuple(samplings))


def _taken(conn: Connection, sampling_id: int) -> dict[str, dict[int, int]]:
    """Return the deepest cut that each node has already, by cane."""
    buds = {bud.id: bud for bud in list_buds(conn, sampling_id=sampling_id)}
    found: dict[str, dict[int, int]] = {}
    for cut in cuts_of_sampling(conn, sampling_id):
        nodes = found.setdefault(buds[cut.bud_id].cane, {})
        node = buds[cut.bud_id].node
        nodes[node] = max(nodes.get(node, 0), cut.cut)
    return found


def _guess(row: Mapping[str, Any]) -> dict[str, str]:
    """Return the likeliest node and cut of each photograph, as a hint in words."""
    hints: dict[str, str] = {}
    shas = iter(row["sha256"])
    for node, n_cuts in enumerate(row.get("buds", ()), start=1):
        for cut in range(1, n_cuts + 1):
            sha = next(shas, None)
            if sha is not None:
                hints[sha] = f"{node}.{cut}"
    return hints


def _photo(row: Any, hint: str | None) -> dict[str, Any]:
    return {"sha256": row.sha256, "name": row.file_name, "taken_at": row.taken_at or "",
            "hint": hint or ""}


def _place(place: Mapping[str, Any], name: str, most: int) -> int:
    value = whole(str(place.get(name, "")))
    if value is None or not 1 <= value <= most:
        raise InputError(f"{name} is {str(place.get(name))[:60]!r}", where="assignment",
                         expected=f"a whole number, 1 to {most}", do="Correct it.")
    return value


def assign_from_page(
    season: Season, places: object, *, person_id: int
) -> int:
    """Place photographs as a person laid them out; all of them or none.

    Parameters
    ----------
    places : sequence of mapping
        sha256 and either ``aside`` true, or sampling_id, cane, node, cut and perhaps ``retake``.
    person_id : int
        Who laid them out.

    Returns
    -------
    int
        How many were placed.

    Raises
    ------
    InputError
        When a place is impossible; nothing is placed then.
    ConflictError
        When a cut has another photograph, or two were given one place; nothing is placed then.
    """
    if not isinstance(places, list) or not all(isinstance(place, dict) for place in places):
        raise InputError("no places came", where="assignment", do="Load the page again.",
                         expected="a list of places")
    n = 0
    with season.write() as conn:
        for place in places:
            row = photo_by_sha256(conn, str(place.get("sha256", "")))
            if row is None:
                raise InputError(f"there is no photograph {str(place.get('sha256'))[:12]!r}",
                                 where="assignment", do="Load the page again.")
            if place.get("aside"):
                assign(conn, row.id, None, 1, source="page", person_id=person_id, note=ASIDE_NOTE)
                continue
            sampling_id, node, cut = (_place(place, name, most) for name, most in (
                ("sampling_id", 2**53), ("node", 200), ("cut", 50)))
            cane = find_cane(conn, sampling_id, str(place.get("cane", "")))
            if cane is None:
                raise InputError(f"there is no cane {str(place.get('cane'))[:60]!r}",
                                 where="assignment", expected="a cane of the sampling",
                                 do="Choose another.")
            bud_id = ensure_bud(conn, cane.id, node)
            assign(conn, row.id, bud_id, cut, source="page", person_id=person_id,
                   retake=bool(place.get("retake")))
            n += 1
    return n
