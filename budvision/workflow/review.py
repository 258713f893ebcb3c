"""Reviewing: the queue, saving a person's calls, undoing them, putting a bud aside.

A proposal is never a call: everything here that counts comes from `save`, with a named person.
There is no way to call more than one bud at a time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from sqlalchemy import Connection

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
from budvision.store.queries.review import BudState, bud_states
from budvision.store.session import Season
from budvision.vocabulary import TISSUES, CallValue, Tissue, TissueProposal, Verdict
from budvision.workflow.readings import is_blind, lot, second_sample

__all__ = [
    "ORDERS", "READINGS", "SHOWS", "Choice", "Reveal", "Saved", "best_proposals",
    "disagreements_of", "hidden_from", "proposed_value", "queue", "save", "skip", "undo",
    "upcoming",
]

ORDERS = ("cane", "doubtful", "random")
SHOWS = ("waiting", "skipped", "called", "all")
READINGS = ("first", "second", "settle")
_ROUND = {"first": "first", "second": "second", "settle": "settled"}


@dataclass(frozen=True, slots=True)
class Choice:
    """What a reviewer wants to see next, in which order.

    Attributes
    ----------
    order : str
        cane, doubtful or random.
    show : str
        waiting, skipped, called or all.
    reading : str
        first; second, another person's buds without sight of their calls; settle, the
        disagreements.
    """

    order: str = "cane"
    show: str = "waiting"
    reading: str = "first"

    def __post_init__(self) -> None:
        for what, allowed in (("order", ORDERS), ("show", SHOWS), ("reading", READINGS)):
            value = getattr(self, what)
            if value not in allowed:
                raise InputError(f"{what} is {value!r}", expected=f"one of {', '.join(allowed)}",
                                 where="review", do="Choose again on the review page.")


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


# ---- the queue -------------------------------------------------------------------------------


def queue(
    conn: Connection, settings: Settings, sampling: Sampling, person: Person, choice: Choice, *,
    states: Sequence[BudState] | None = None,
) -> list[BudState]:
    """Return the buds that a person has in front of them, in their order.

    Buds of a node marked missing or blind, and buds without a photograph, are left out.

    Parameters
    ----------
    states : sequence of BudState, optional
        Every bud of the sampling, where the caller has them; with doubts for that order.
    """
    if states is None:
        states = bud_states(conn, sampling.id, doubts=choice.order == "doubtful")
    states = [row for row in states if row.n_cuts and not row.node_mark]
    if choice.reading == "second":
        chosen = second_sample(settings.number("second_read_share"), sampling, states)
        states = [
            row for row in states
            if row.bud_id in chosen and row.state == "done" and not row.second_read_by
            and person.id not in row.called_by
        ]
    elif choice.reading == "settle":
        states = [
            row for row in states
            if row.second_read_by and disagreements_of(call_history(conn, row.bud_id))
        ]
    elif choice.show == "waiting":
        states = [row for row in states if row.state == "waiting" and not row.skipped]
    elif choice.show == "skipped":
        states = [row for row in states if row.skipped and row.state == "waiting"]
    elif choice.show == "called":
        states = [row for row in states if row.state == "done"]
    if choice.order == "random":
        purpose = f"order of {person.id}"
        states.sort(key=lambda row: lot(purpose, sampling, row.cane, row.vine, row.node))
    elif choice.order == "doubtful":
        share = settings.number("blind_share")

        def doubt(row: BudState) -> float:
            # A blind bud's place must not tell what the model thinks of it.
            if is_blind(share, sampling, row.cane, row.vine, row.node):
                return lot("place", sampling, row.cane, row.vine, row.node)
            return row.doubt

        states.sort(key=doubt, reverse=True)
    return states


def upcoming(
    conn: Connection, settings: Settings, sampling: Sampling, person: Person, choice: Choice,
    after: int | None, *, n: int = 3, states: Sequence[BudState] | None = None,
) -> tuple[list[int], int]:
    """Return the next few buds after one, going round, and how many there are in all.

    Buds that another person has open are passed over. The bud `after` itself comes last, if at
    all, so that one is not shown the bud just left.
    """
    if states is None:
        states = bud_states(conn, sampling.id, doubts=choice.order == "doubtful")
    waiting = queue(conn, settings, sampling, person, choice, states=states)
    everything = replace(choice, show="all", reading="first")
    whole = queue(conn, settings, sampling, person, everything, states=states)
    order = [row.bud_id for row in whole]
    start = order.index(after) + 1 if after in order else 0
    wanted = {row.bud_id for row in waiting}
    taken = review_queries.open_elsewhere(conn, person.id)
    turn = [bud for bud in order[start:] + order[:start] if bud in wanted]
    free = [bud for bud in turn if bud not in taken]
    return free[:n], len(turn)


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
