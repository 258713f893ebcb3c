"""Reviewing: saving a person's calls, undoing them, putting a bud aside.

A proposal is never a call: everything here that counts comes from `save`, with a named person.
There is no way to call more than one bud at a time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from budvision.errors import ConflictError, InputError, NotFoundError, UsageError
from budvision.settings import Settings
from budvision.store.queries import blocks as block_queries
from budvision.store.queries import calls as call_queries
from budvision.store.queries import canes, marks
from budvision.store.queries import review as review_queries
from budvision.store.queries.blocks import Sampling
from budvision.store.queries.calls import CallRow, NewCall, batch_rows, call_history
from budvision.store.queries.canes import BudPlace
from budvision.store.queries.people import Person
from budvision.store.queries.photos import cuts_of_bud
from budvision.store.queries.proposals import ProposalRow, latest_proposals
from budvision.store.session import Season
from budvision.vocabulary import TISSUES, CallValue, Tissue, TissueProposal, Verdict
from budvision.workflow.review.readings import is_blind

__all__ = [
    "READINGS", "Reveal", "Saved", "best_proposals", "disagreements_of", "hidden_from",
    "proposed_value", "save", "skip", "undo",
]

READINGS = ("first", "second", "settle")
_ROUND = {"first": "first", "second": "second", "settle": "settled"}


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
        first, second or settled: the round under which the calls were kept.
    message : str
        What the person should know, for example that somebody else saved in between.
    revealed : tuple of Reveal
        After a blind bud: the proposals beside the calls.
    """

    batch: str
    round: str
    message: str
    revealed: tuple[Reveal, ...]


# ---- what stands for a bud -------------------------------------------------------------------


def best_proposals(
    found: Sequence[tuple[int, ProposalRow]]
) -> dict[Tissue, tuple[int, ProposalRow, TissueProposal]]:
    """Choose for each tissue the cut that shows it best.

    Parameters
    ----------
    found : sequence of (cut, ProposalRow)
        The newest proposal of each cut.

    Returns
    -------
    dict
        Tissue to (cut, proposal, its part for the tissue): of the cuts that expose it, the one
        with the largest area; where none does, the deepest usable cut, which says not exposed.
        A tissue is left out where no cut could be judged.
    """
    best: dict[Tissue, tuple[int, ProposalRow, TissueProposal]] = {}
    for tissue in TISSUES:
        shown = [
            (cut, row, row.tissues[tissue]) for cut, row in found
            if row.found and tissue in row.tissues
        ]
        if not shown:
            continue
        exposed = [one for one in shown if one[2].exposed]
        best[tissue] = max(
            exposed or shown, key=lambda one: (one[2].area_px or 0, one[0])
        )
    return best


def proposed_value(proposal: TissueProposal) -> CallValue:
    """Return the call that would agree with a proposal."""
    if not proposal.exposed:
        return CallValue.NOT_EXPOSED
    if proposal.verdict is None or proposal.verdict is Verdict.UNSURE:
        return CallValue.UNSURE
    return CallValue(proposal.verdict.value)


def hidden_from(
    settings: Settings, place: BudPlace, sampling: Sampling, history: Sequence[CallRow],
    reading: str,
) -> bool:
    """Say whether a bud's proposals are to be hidden from the person who looks at it.

    Hidden while a blind bud has never had a first call, and always from a second reader and from
    those who settle a disagreement.
    """
    if reading != "first":
        return True
    if any(row.round == "first" for row in history):
        return False
    return is_blind(settings.number("blind_share"), sampling, place.cane, place.vine, place.node)


def disagreements_of(history: Sequence[CallRow]) -> list[Tissue]:
    """Return the tissues of a bud on which two persons differ and nobody has settled since.

    Parameters
    ----------
    history : sequence of CallRow
        Every row of one bud, oldest first.
    """
    found: list[Tissue] = []
    for tissue in TISSUES:
        first: CallRow | None = None
        settled: CallRow | None = None
        second: dict[int, CallRow] = {}
        for row in history:
            if row.tissue is not tissue:
                continue
            if row.round == "first":
                first = row
            elif row.round == "settled":
                settled = row
            else:
                second[row.person_id] = row
        others = [row for row in second.values() if row.value is not None]
        if first is None or first.value is None or not others:
            continue
        newest = max([first.id, *(row.id for row in others)])
        if settled is not None and settled.value is not None and settled.id > newest:
            continue
        if any(row.value != first.value and row.person_id != first.person_id for row in others):
            found.append(tissue)
    return found


# ---- saving ----------------------------------------------------------------------------------


def save(
    season: Season, bud_id: int, calls: Mapping[Tissue, NewCall], *, person: Person,
    reading: str = "first", seen: int | None = None,
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
        Who called them.
    reading : str
        first, second or settle.
    seen : int, optional
        Number of the newest row of the bud when the person's page was made, 0 for none. Where
        somebody else has called the bud since, these calls are kept as a second reading, and
        the message says so. None leaves this check out.

    Returns
    -------
    Saved
        The batch, the round, a message, and after a blind bud the proposals.

    Raises
    ------
    InputError
        When a bud whose proposals are hidden is not called in full.
    ConflictError
        When a second reader is the one who made the first call.
    """
    if reading not in READINGS:
        raise InputError(f"the reading is {reading!r}", where="review",
                         expected=f"one of {', '.join(READINGS)}")
    with season.write() as conn:
        place = canes.bud_place(conn, bud_id)
        sampling = block_queries.sampling_by_id(conn, place.sampling_id)
        history = call_history(conn, bud_id)
        hidden = hidden_from(season.settings, place, sampling, history, reading)
        round_, message = _ROUND[reading], ""
        unseen = [
            row for row in history
            if seen is not None and row.id > seen and row.round == "first"
            and row.person_id != person.id and row.value is not None
        ]
        if reading == "first" and unseen:
            round_ = "second"
            message = (
                f"{unseen[-1].person} called this bud while you had it open. Both are kept; "
                "yours stand as a second reading, and what differs is on the list to settle."
            )
            before = [row for row in history if row.id <= (seen or 0)]
            hidden = hidden_from(season.settings, place, sampling, before, reading)
        if hidden and reading != "settle" and set(calls) != set(TISSUES):
            missing = ", ".join(tissue for tissue in TISSUES if tissue not in calls)
            raise InputError(
                f"{missing} is not called", expected="a call for all three tissues of a bud whose "
                "proposals are hidden", where="review", do="Call what is missing, then save.",
            )
        standing = call_queries.current_calls_of_bud(conn, bud_id)
        if reading == "second":
            if any(row.person_id == person.id for row in standing.values()):
                raise ConflictError(
                    f"{person.name} made the first call of this bud", where="review",
                    expected="another person as second reader", do="Go on to the next bud.",
                )
            if not standing:
                raise UsageError("nobody has called this bud yet", where="review",
                                 expected="a bud with a first call",
                                 do="Call it as a first reader.")
        cuts = cuts_of_bud(conn, bud_id)
        latest = latest_proposals(conn, bud_id=bud_id)
        best = best_proposals(
            [(cut.cut, latest[cut.photo.id]) for cut in cuts if cut.photo.id in latest]
        )
        full = {
            tissue: replace(
                one, proposal_id=best[tissue][1].id if tissue in best else None,
                region_id=best[tissue][1].region_id if tissue in best else None,
            )
            for tissue, one in calls.items()
        }
        batch = call_queries.save_calls(
            conn, bud_id, full, person_id=person.id, round=round_,
            blind=hidden and reading != "settle",
        )
        if "skipped" in marks.marks_of_bud(conn, bud_id):
            marks.set_mark(conn, bud_id, "skipped", "", person_id=person.id)
        review_queries.release(conn, bud_id, person.id)
    revealed: tuple[Reveal, ...] = ()
    if hidden and reading == "first":
        revealed = tuple(
            Reveal(
                tissue, calls[tissue].value, proposed_value(best[tissue][2]).value,
                best[tissue][2].p_dead, proposed_value(best[tissue][2]) != calls[tissue].value,
            )
            for tissue in TISSUES if tissue in best
        )
    return Saved(batch, round_, message, revealed)


def undo(season: Season, batch: str, *, person: Person) -> int:
    """Take back calls that the same person saved, by new rows.

    Returns
    -------
    int
        The bud.

    Raises
    ------
    NotFoundError
        When there is no such batch.
    ConflictError
        When the calls are another person's, or were replaced since.
    """
    with season.write() as conn:
        rows = batch_rows(conn, batch)
        if not rows:
            raise NotFoundError("there is nothing to take back", where="undo",
                                do="Open the bud to see its calls.")
        if any((row.entered_by_id or row.person_id) != person.id for row in rows):
            raise ConflictError(
                f"these calls are {rows[0].person}'s", expected="your own calls", where="undo",
                do="Call the bud again instead; both calls are kept.",
            )
        call_queries.undo(conn, batch, person_id=person.id)
        return rows[0].bud_id


def skip(season: Season, bud_id: int, *, person: Person, note: str = "", on: bool = True) -> None:
    """Put a bud aside in review, or bring it back; it stays waiting and counts nowhere."""
    with season.write() as conn:
        canes.bud_place(conn, bud_id)
        marks.set_mark(conn, bud_id, "skipped", "yes" if on else "", person_id=person.id,
                       note=note)
        review_queries.release(conn, bud_id, person.id)
