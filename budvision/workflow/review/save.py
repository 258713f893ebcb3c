"""Saving a person's calls, undoing them, putting a bud aside: the only door.

A proposal is never a call: everything that counts comes from here, with a named person. A bud is
called at a time (`save`), or a person's own table is recorded (`save_table`), by the same rules.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from sqlalchemy import Connection

from budvision.errors import ConflictError, InputError, NotFoundError
from budvision.store.queries import blocks as block_queries
from budvision.store.queries import calls as call_queries
from budvision.store.queries import canes, marks, people
from budvision.store.queries import photos as photo_queries
from budvision.store.queries import review as review_queries
from budvision.store.queries.calls import CallRow, NewCall, NewRow
from budvision.store.queries.people import Person
from budvision.store.queries.proposals import proposals_by_id
from budvision.store.queries.undoing import Undone
from budvision.store.queries.undoing import undo as undo_batch
from budvision.store.session import Season
from budvision.vocabulary import TISSUES, BudCalls, CallValue, Tissue
from budvision.workflow.review.proposed import Best, proposals_shown, proposed_value
from budvision.workflow.review.readings import check_reading, hidden_from, newest_of, rounds_of

__all__ = ["Reveal", "Saved", "TableSaved", "mark_no_bud", "save", "save_table", "skip", "undo"]

_CHUNK = 5000  # buds of a table whose standing calls are in memory at once


@dataclass(frozen=True, slots=True)
class Reveal:
    """What the model had proposed for a tissue that was called without seeing it."""

    tissue: Tissue
    called: CallValue
    proposed: str
    p_dead: float | None
    differs: bool


@dataclass(frozen=True, slots=True)
class Saved:
    """What a save did.

    Attributes
    ----------
    batch : str
        For `undo`.
    round : str
        first, second or settled: the round under which the calls were kept; second where that
        holds for one of them.
    message : str
        What the person should know, for example that somebody else saved in between.
    revealed : tuple of Reveal
        After a blind bud: the proposals beside the calls.
    """

    batch: str
    round: str
    message: str
    revealed: tuple[Reveal, ...]


@dataclass(frozen=True, slots=True)
class TableSaved:
    """What saving a table did; `batch` is empty where nothing changed.

    Attributes
    ----------
    n_calls, n_second : int
        Calls written; of these, second readings.
    n_unchanged, n_empty : int
        Calls that this person had made already with the same value; empty cells.
    """

    batch: str
    n_calls: int
    n_second: int
    n_unchanged: int
    n_empty: int


# ---- a bud at a time -------------------------------------------------------------------------


def save(
    season: Season, bud_id: int, calls: Mapping[Tissue, NewCall], *, person: Person,
    reading: str = "first", seen: int | None = None, shown: Sequence[int] | None = None,
    photos: Sequence[int] = (), batch: str | None = None,
) -> Saved:
    """Keep one person's calls of one bud.

    Parameters
    ----------
    season : Season
        The season.
    bud_id : int
        The bud.
    calls : mapping of Tissue to NewCall
        The tissues that the person called.
    person : Person
        Who called them; an active person of the season.
    reading : str
        first, second or settle.
    seen : int, optional
        Number of the newest row of the bud when the person's page was made, 0 for none. Where
        somebody else has called a tissue since, this call of it is kept as a second reading, and
        the message says so. None leaves this check out.
    shown : sequence of int, optional
        Numbers of the proposals that the page showed or hid: those are kept with the calls, not
        ones that came since. The newest when left out.
    photos : sequence of int
        Numbers of the photographs that the page showed as this bud's: each has to be the bud's
        still, or have been taken again.
    batch : str, optional
        A name for what is saved, 32 hexadecimal digits; what was saved under it before is not
        saved again. A new one when left out.

    Returns
    -------
    Saved
        The batch, the round, a message, and after a blind bud the proposals.

    Raises
    ------
    InputError
        When a bud whose proposals are hidden is not called in full, or the person is not active.
    ConflictError
        When a second reader is the one who made the first call, when there is nothing to settle,
        when a photograph was taken from the bud meanwhile, or when the batch is another bud's or
        person's.
    """
    check_reading(reading)
    with season.read() as conn:  # what other saves leave as it is: they all wait for the next part
        _check_person(conn, person)
        place = canes.bud_place(conn, bud_id)
        if batch is not None:
            _check_batch(conn, batch, bud_id, person)
        sampling = block_queries.sampling_by_id(conn, place.sampling_id)
        best = proposals_shown(conn, bud_id, shown)
        skipped = "skipped" in marks.marks_of_bud(conn, bud_id)
    with season.write() as conn:
        history = call_queries.call_history(conn, bud_id)
        if any(batch and row.batch == batch for row in history):
            return _saved(conn, batch, history, reading, seen)
        _check_photos(conn, bud_id, photos)
        newest = newest_of(history, person.id)
        rounds = rounds_of(calls, newest, person=person, reading=reading, seen=seen)
        known = history
        if reading == "first" and "second" in rounds.values():
            known = [row for row in history if row.id <= (seen or 0)]
        hidden = hidden_from(conn, season.settings, place, sampling, known, reading)
        blind = hidden and reading != "settle"
        if blind:
            _check_all_called(calls)
        batch = call_queries.save_calls(
            conn, bud_id, {tissue: _beside(one, best, tissue) for tissue, one in calls.items()},
            person_id=person.id, rounds=rounds, blind=blind, batch=batch, newest=newest)
        if skipped:
            marks.set_mark(conn, bud_id, "skipped", "", person_id=person.id)
        review_queries.release(conn, bud_id, person.id)
    with season.read() as conn:  # what is told of it is the same whatever was written since
        return _saved(conn, batch, call_queries.call_history(conn, bud_id), reading, seen)


def _check_person(conn: Connection, person: Person) -> None:
    known = people.person_by_id(conn, person.id)
    if known is None:
        raise NotFoundError(f"there is no person number {person.id}", where="people",
                            do="Add them with `budvision people add`.", code="no_person")
    people.check_active(known)


def _check_all_called(calls: Mapping[Tissue, NewCall]) -> None:
    missing = [tissue for tissue in TISSUES if tissue not in calls]
    if missing:
        raise InputError(
            f"{', '.join(missing)} is not called", expected="a call for all three tissues of "
            "a bud whose proposals are hidden", where="review",
            do="Call what is missing, then save.",
        )


def _check_photos(conn: Connection, bud_id: int, shown: Sequence[int]) -> None:
    """Refuse calls of what is no photograph of this bud: somebody has put it right meanwhile."""
    if shown and (gone := set(shown) - photo_queries.still_of_bud(conn, bud_id, shown)):
        raise ConflictError(
            f"photograph {min(gone)} does not show this bud any more; it was taken from it after "
            "this page was opened", where="review", code="photo_gone",
            expected="photographs of this bud", do="Look at the bud as it is now.")


def _beside(one: NewCall, best: Best, tissue: Tissue) -> NewCall:
    if tissue not in best:
        return replace(one, proposal_id=None, region_id=None)
    _, row, _ = best[tissue]
    return replace(one, proposal_id=row.id, region_id=row.region_id)


def _check_batch(conn: Connection, batch: str, bud_id: int, person: Person) -> None:
    if not re.fullmatch(r"[0-9a-f]{32}", batch):
        raise InputError(f"the batch is {batch[:40]!r}", where="review",
                         expected="32 hexadecimal digits", do="Load the page again.")
    rows = call_queries.batch_rows(conn, batch)
    if any(row.bud_id != bud_id or row.person_id != person.id for row in rows):
        raise ConflictError("these calls were saved under another bud or person", where="review",
                            expected="a batch of one's own", do="Load the page again.")


def _saved(
    conn: Connection, batch: str | None, history: Sequence[CallRow], reading: str,
    seen: int | None,
) -> Saved:
    """Tell what was saved under one batch of one bud, the same however often it is asked."""
    rows = [row for row in history if row.batch == batch]
    me = rows[0].person_id
    before = [row for row in history if row.id < rows[0].id and row.round == "first"]
    overtaken = reading == "first" and any(row.round == "second" for row in rows)
    message = ""
    if reading == "first" and seen is not None and any(
        row.id > seen and row.person_id == me and row.value is not None for row in before
    ):
        message = (
            "You called this bud in another window after this page was opened. Both are kept; "
            "what you saved last counts."
        )
    if overtaken:
        others = [row.person for row in before if row.person_id != me]
        message = (
            f"{others[-1]} called this bud while you had it open. Both are kept; "
            "yours stand as a second reading, and what differs is on the list to settle."
        )
    revealed = _reveal(conn, rows) if reading == "first" and rows[0].blind else ()
    return Saved(rows[0].batch, "second" if overtaken else rows[0].round, message, revealed)


def _reveal(conn: Connection, rows: Sequence[CallRow]) -> tuple[Reveal, ...]:
    """Put the proposal that was hidden beside each call made without it."""
    known = [row.proposal_id for row in rows if row.proposal_id is not None]
    parts = {proposal.id: proposal.tissues for proposal in proposals_by_id(conn, known)}
    revealed = []
    for row in rows:
        if row.proposal_id is not None and row.value is not None:
            one = parts[row.proposal_id][row.tissue]
            value = proposed_value(one)
            revealed.append(Reveal(row.tissue, row.value, value.value, one.p_dead,
                                   value is not row.value))
    return tuple(revealed)


# ---- a person's own table --------------------------------------------------------------------


def save_table(
    conn: Connection, buds: Sequence[tuple[int, BudCalls]], *, person: Person,
    reading: str = "first", blind: bool = False, entered_by: Person | None = None,
) -> TableSaved:
    """Keep the calls of a table that one person made away from the pages.

    The person had seen nobody's calls: a tissue that somebody else has called first is read a
    second time. An empty cell says nothing; a cell with the value that this person's newest call
    has already changes nothing.

    Parameters
    ----------
    conn : Connection
        A season's database, open for writing; all is kept or, on an error, nothing.
    buds : sequence of (int, BudCalls)
        Number of each bud, at most once, and its calls.
    person : Person
        Whose calls they are.
    reading : str
        first or second.
    blind : bool
        True where the person had not seen the proposals.
    entered_by : Person, optional
        Who typed them in, where it was not the person.

    Raises
    ------
    ConflictError
        When a second reader is the one who made the first call, or nobody has called a bud.
    """
    check_reading(reading)
    _check_person(conn, person)
    batch, n_calls, n_second, n_unchanged, n_empty = "", 0, 0, 0, 0
    for start in range(0, len(buds), _CHUNK):
        part = buds[start:start + _CHUNK]
        ids = [bud_id for bud_id, _ in part]
        newest = call_queries.newest_rows(conn, ids, person_id=person.id)
        rows: list[NewRow] = []
        for bud_id, bud in part:
            standing = newest.get(bud_id, {})
            calls = {
                tissue: NewCall(value, cause=bud.causes.get(tissue)) for tissue in TISSUES
                if (value := bud.call(tissue)) is not None
            }
            n_empty += len(TISSUES) - len(calls)
            if not calls:
                continue
            if blind:  # nobody was led: the model can be measured by them
                best = proposals_shown(conn, bud_id, None)
                calls = {tissue: _beside(one, best, tissue) for tissue, one in calls.items()}
            rounds = rounds_of(calls, standing, person=person, reading=reading, seen=0)
            for tissue, one in calls.items():
                old = standing.get((tissue, rounds[tissue]))
                if old is not None and (old.value, old.cause, old.person_id) == (
                    one.value, one.cause, person.id
                ):
                    n_unchanged += 1
                    continue
                n_second += rounds[tissue] == "second"
                rows.append(NewRow(bud_id, tissue, one, rounds[tissue],
                                   None if old is None else old.id))
        if rows:
            batch = call_queries.add_calls(
                conn, rows, person_id=person.id, source="import", blind=blind,
                batch=batch or None, entered_by_id=None if entered_by is None else entered_by.id,
            )
            n_calls += len(rows)
    return TableSaved(batch, n_calls, n_second, n_unchanged, n_empty)


# ---- taking back and putting aside -----------------------------------------------------------


def undo(season: Season, batch: str, *, person: Person) -> Undone:
    """Take back calls that the same person wrote, by new rows; what stood before stands again.

    Raises
    ------
    NotFoundError
        When there is no such batch.
    ConflictError
        When the calls are another person's, or all were replaced since.
    """
    with season.write() as conn:
        _check_person(conn, person)
        rows = call_queries.batch_rows(conn, batch)
        if not rows:
            raise NotFoundError("there is nothing to take back", where="undo", code="no_batch",
                                do="Open the bud to see its calls.")
        strangers = [row for row in rows if (row.entered_by_id or row.person_id) != person.id]
        if strangers:
            raise ConflictError(
                f"these calls are {strangers[0].person}'s", expected="your own calls",
                where="undo", do="Call the bud again instead; both calls are kept.",
            )
        return undo_batch(conn, batch, person_id=person.id)


def skip(season: Season, bud_id: int, *, person: Person, note: str = "", on: bool = True) -> None:
    """Put a bud aside in review, or bring it back; it stays waiting and counts nowhere."""
    with season.write() as conn:
        canes.bud_place(conn, bud_id)
        marks.set_mark(conn, bud_id, "skipped", "yes" if on else "", person_id=person.id,
                       note=note)
        review_queries.release(conn, bud_id, person.id)


def mark_no_bud(season: Season, bud_id: int, *, person: Person, on: bool = True) -> None:
    """Say that the photographs at this node show no bud, or take that back.

    Such a node waits for nobody and counts nowhere; its photographs stay.

    Raises
    ------
    ConflictError
        When the bud has calls: they are to be taken back first.
    """
    with season.write() as conn:
        canes.bud_place(conn, bud_id)
        if on and call_queries.current_calls_of_bud(conn, bud_id):
            raise ConflictError("this bud has been called", where="review",
                                expected="no standing call", do="Take the calls back first.")
        marks.set_mark(conn, bud_id, "node", "missing" if on else "", person_id=person.id)
        review_queries.release(conn, bud_id, person.id)
