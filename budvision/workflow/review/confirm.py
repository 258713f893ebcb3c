"""A person's calls: saved, taken back, read a second time, settled. There is no "accept all"."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import Connection

from budvision.errors import ConflictError, InputError, NotFoundError, UsageError
from budvision.store.queries import calls as queries
from budvision.store.queries import people, proposals
from budvision.store.queries.calls import CallRow, NewCall, Undone
from budvision.store.queries.people import Person
from budvision.store.session import Season
from budvision.vocabulary import CallValue, Tissue
from budvision.workflow.review.calls_table import ImportReport, export_calls, import_calls

__all__ = ["Confirmed", "ImportReport", "confirm", "export_calls", "import_calls", "undo"]


@dataclass(frozen=True, slots=True)
class Confirmed:
    """What saving did.

    Attributes
    ----------
    batch : str
        Name of the rows saved together, for `undo`.
    overtaken : tuple of CallRow
        Calls that another person saved since this one opened the bud. Both are kept; these no
        longer count, and the person is told.
    """

    batch: str
    overtaken: tuple[CallRow, ...]


def confirm(
    season: Season, bud_id: int, calls: Mapping[Tissue, CallValue | NewCall], *,
    person: str, round: str = "first", blind: bool = False,
    shown: Mapping[Tissue, int] | None = None, seen: Mapping[Tissue, int] | None = None,
) -> Confirmed:
    """Save one person's calls of one bud.

    Parameters
    ----------
    season : Season
        The season.
    bud_id : int
        The bud.
    calls : mapping of Tissue to CallValue or NewCall
        One entry for each tissue that the person called.
    person : str
        Name of an active person of the season; there is no default person.
    round : str
        first, second or settled. A second reading is another person's than the first; settled
        takes a first call to settle.
    blind : bool
        True where the proposals were hidden until the call.
    shown : mapping of Tissue to int, optional
        The proposals shown or hidden; found from the bud's photographs when left out.
    seen : mapping of Tissue to int, optional
        Ids of the calls that the person saw standing when opening the bud (an empty mapping:
        none). With it, calls saved by others in the meantime are told of.

    Returns
    -------
    Confirmed

    Raises
    ------
    UsageError
        When no person is named.
    NotFoundError
        When the person or the bud is not of this season.
    ConflictError
        When a second reading is by the first reader, or nothing is there to settle.
    """
    with season.write() as conn:
        who = named_person(conn, person)
        standing = {
            tissue: row for tissue in calls
            if (row := queries.newest_row(conn, bud_id, tissue, "first")) is not None
        }
        _check_round(round, who, standing, calls)
        overtaken = tuple(
            row for tissue, row in standing.items()
            if seen is not None and round == "first" and row.person_id != who.id
            and row.value is not None and seen.get(tissue) != row.id
        )
        batch = queries.save_calls(
            conn, bud_id, calls, person_id=who.id, round=round, blind=blind,
            proposals=shown if shown is not None else shown_proposals(conn, bud_id),
        )
    return Confirmed(batch, overtaken)


def _check_round(
    round: str, who: Person, standing: Mapping[Tissue, CallRow],
    calls: Mapping[Tissue, CallValue | NewCall],
) -> None:
    if round == "second":
        own = [t for t, row in standing.items() if row.person_id == who.id and row.value]
        if own:
            raise ConflictError(
                f"{who.name} has called the {own[0]} of this bud already", where="second reading",
                expected="another person than the first reader", code="same_reader",
                do="Let somebody else read it.",
            )
    if round == "settled":
        lacking = [t for t in calls if t not in standing or standing[t].value is None]
        if lacking:
            raise ConflictError(
                f"nobody has called the {lacking[0]} of this bud", where="settling",
                expected="a first call to settle", code="nothing_to_settle",
                do="Call it first.",
            )


def undo(season: Season, batch: str, *, person: str) -> Undone:
    """Take calls back that were saved together, by new rows; what stood before stands again.

    Raises
    ------
    NotFoundError
        When there is no such batch or person.
    ConflictError
        When other calls have replaced every one of them since.
    """
    with season.write() as conn:
        return queries.undo(conn, batch, person_id=named_person(conn, person).id)


def named_person(conn: Connection, name: str) -> Person:
    """Return the active person of that name; nobody is made up.

    Raises
    ------
    UsageError
        When the name is empty.
    NotFoundError
        When the season does not know the person.
    InputError
        When the person is no longer active.
    """
    if not name.strip():
        raise UsageError("nobody is named", where="calls", expected="the name of the person "
                         "whose calls these are", do="Give the name first.")
    found = people.find_person(conn, name)
    if found is None:
        raise NotFoundError(f"there is nobody called {name}", where="calls", code="no_person",
                            do="Add them with `budvision people add`.")
    if not found.active:
        raise InputError(f"{found.name} is no longer active", where="calls", code="not_active",
                         expected="an active person",
                         do="Open the person with `budvision people open`.")
    return found


def shown_proposals(conn: Connection, bud_id: int) -> dict[Tissue, int]:
    """Return, for each tissue of a bud, the proposal that a page shows first.

    Of the bud's cuts it is the newest proposal in which the tissue is exposed with the largest
    area; None of a tissue that is exposed in no cut.
    """
    best: dict[Tissue, tuple[int, int]] = {}
    for row in proposals.latest_proposals(conn, bud_id=bud_id).values():
        for tissue, one in row.tissues.items():
            area = one.area_px or 0
            if one.exposed and (tissue not in best or area > best[tissue][0]):
                best[tissue] = (area, row.id)
    return {tissue: key for tissue, (_, key) in best.items()}
