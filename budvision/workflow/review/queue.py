"""What a reviewer has in front of them: which buds, in which order, and what comes next."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from sqlalchemy import Connection

from budvision.errors import InputError
from budvision.settings import Settings
from budvision.store import counts
from budvision.store.queries import review as review_queries
from budvision.store.queries.blocks import Sampling
from budvision.store.queries.calls import call_histories
from budvision.store.queries.overview import SamplingCounts
from budvision.store.queries.people import Person
from budvision.store.queries.readings import read_buds
from budvision.store.queries.states import BudState, KnownBuds, bud_states, known_buds
from budvision.store.remembered import Form
from budvision.store.session import Season
from budvision.workflow.review.readings import (
    READINGS,
    disagreements_of,
    is_blind,
    lot,
    on_trial,
    second_sample,
)

__all__ = [
    "LEASE_MIN", "ORDERS", "SHOWS", "Choice", "Turn", "hand_out", "open_readings", "queue",
    "states_of", "turn",
]

LEASE_MIN = 5.0
"""How long a bud that was handed out is one person's, min."""
_AT_ONCE = 200
_SAMPLINGS_AT_HAND = 100
OpenReadings = tuple[tuple[tuple[tuple[int, ...], int], ...], int]
"""Buds to be read again, by who called them and how many, and the number to settle."""
_OPEN_READINGS: Form[OpenReadings] = Form(
    put=lambda value: value,
    take=lambda kept: (tuple((tuple(callers), n) for callers, n in kept[0]), kept[1]))
ORDERS = ("cane", "doubtful", "random")
SHOWS = ("waiting", "skipped", "called", "all")


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



def queue(
    conn: Connection, settings: Settings, sampling: Sampling, person: Person, choice: Choice, *,
    states: Sequence[BudState] | None = None, trial: bool | None = None,
) -> list[BudState]:
    """Return the buds that a person has in front of them, in their order.

    Buds of a node marked missing or blind, and buds without a photograph, are left out.

    Parameters
    ----------
    states : sequence of BudState, optional
        Every bud of the sampling, where the caller has them; with doubts for that order.
    trial : bool, optional
        Whether the sampling is on trial, where the caller knows.
    """
    if states is None:
        states = bud_states(conn, sampling.id, doubts=choice.order == "doubtful")
    if trial is None:
        trial = on_trial(conn, settings, sampling)
    pictured = [row for row in states if row.n_cuts and not row.node_mark]
    shown = _shown(conn, settings, sampling, person, choice, pictured)
    if choice.reading == "first" and trial:
        return _spread(shown, pictured, sampling)
    return _ordered(shown, settings, sampling, person, choice)


def _spread(
    states: list[BudState], pictured: list[BudState], sampling: Sampling
) -> list[BudState]:
    """Put one bud of each cane before the second of any, by lot: whoever stops has seen them all.

    The places are drawn among all pictured buds, so that what is called does not move the rest.
    """
    of_cane: dict[int, list[tuple[float, int]]] = {}
    for row in pictured:
        drawn = lot("trial", sampling, row.cane, row.vine, row.node)
        of_cane.setdefault(row.cane_id, []).append((drawn, row.bud_id))
    place = {
        bud_id: (rank, drawn) for rows in of_cane.values()
        for rank, (drawn, bud_id) in enumerate(sorted(rows))
    }
    return sorted(states, key=lambda row: place[row.bud_id])


def _shown(
    conn: Connection, settings: Settings, sampling: Sampling, person: Person, choice: Choice,
    states: list[BudState],
) -> list[BudState]:
    if choice.reading == "second":
        return [row for row in _once_read(settings, sampling, states)
                if person.id not in row.called_by]
    if choice.reading == "settle":
        return _differing(conn, states)
    if choice.show == "all":
        return states
    if choice.show == "called":
        return [row for row in states if row.state == "done"]
    return [row for row in states
            if row.skipped == (choice.show == "skipped") and row.state == "waiting"]


def _once_read(
    settings: Settings, sampling: Sampling, states: Sequence[BudState]
) -> list[BudState]:
    """Return the buds chosen for a second reading that nobody has read again yet."""
    chosen = second_sample(settings.second_read_share, sampling, states)
    return [row for row in states
            if row.bud_id in chosen and row.state == "done" and not row.second_read_by]


def _differing(conn: Connection, states: Sequence[BudState]) -> list[BudState]:
    """Return the buds on which two persons differ and nobody has settled."""
    twice = call_histories(conn, [row.bud_id for row in states if row.second_read_by])
    return [row for row in states if disagreements_of(twice.get(row.bud_id, ()))]


def open_readings(
    season: Season, conn: Connection, samplings: Sequence[Sampling],
    far: Mapping[int, SamplingCounts], person: Person,
) -> dict[int, tuple[int, int]]:
    """Return how many buds of each sampling wait for a person's second reading, and for settling.

    Only samplings that were written to since they were last asked for are looked at.

    Parameters
    ----------
    samplings : sequence of Sampling
    far : mapping of int to SamplingCounts
        How far each sampling is.
    person : Person
        Nobody reads again what he called himself.
    """
    by_id = {one.id: one for one in samplings if far[one.id].n_called or far[one.id].n_twice}
    share = season.settings.second_read_share

    def work_out(ids: list[int]) -> dict[int, OpenReadings]:
        found: dict[int, OpenReadings] = {}
        for start in range(0, len(ids), _AT_ONCE):
            part = read_buds(conn, ids[start:start + _AT_ONCE])
            twice = [row.bud_id for rows in part.values() for row in rows if row.second]
            differ = {bud_id for bud_id, history in call_histories(conn, twice).items()
                      if disagreements_of(history)}
            for key, rows in part.items():
                chosen = second_sample(share, by_id[key], rows)
                once = Counter(row.called_by for row in rows
                               if row.bud_id in chosen and row.called_by and not row.second)
                found[key] = (tuple(sorted(once.items())),
                              sum(row.bud_id in differ for row in rows))
        return found

    states = {key: (far[key].version, one.block, one.label, one.added_at)
              for key, one in by_id.items()}
    found = season.remembered.each(
        ("open readings", share), states, work_out, conn=conn, form=_OPEN_READINGS)
    return {
        one.id: (sum(n for callers, n in found[one.id][0] if person.id not in callers),
                 found[one.id][1])
        if one.id in found else (0, 0) for one in samplings
    }


def _ordered(
    states: list[BudState], settings: Settings, sampling: Sampling, person: Person, choice: Choice
) -> list[BudState]:
    def by_lot(row: BudState, purpose: str) -> float:
        return lot(purpose, sampling, row.cane, row.vine, row.node)

    if choice.order == "random":
        return sorted(states, key=lambda row: by_lot(row, f"order of {person.id}"))
    if choice.order == "doubtful":
        share = settings.blind_share

        def doubt(row: BudState) -> float:
            # A blind bud's place must not tell what the model thinks of it.
            blind = is_blind(share, sampling, row.cane, row.vine, row.node)
            return by_lot(row, "place") if blind else row.doubt

        return sorted(states, key=doubt, reverse=True)
    return list(states)


@dataclass(frozen=True, slots=True)
class Turn:
    """The buds in front of a person after one bud, going round, and what was known then.

    Attributes
    ----------
    bud_ids : tuple of int
        The bud just left comes last, if at all.
    known : int
        Number of the newest call when the order was made.
    """

    bud_ids: tuple[int, ...]
    known: int


def turn(
    conn: Connection, settings: Settings, sampling: Sampling, person: Person, choice: Choice,
    after: int | None, *, states: Sequence[BudState] | None = None, known: int | None = None,
) -> Turn:
    """Return the buds that a person has in front of them after one, going round.

    Parameters
    ----------
    states, known : sequence of BudState and int, optional
        As for `queue`, and the number of the newest call, where the caller has them.
    """
    if known is None:
        known = review_queries.newest_call(conn)
    if states is None:
        states = bud_states(conn, sampling.id, doubts=choice.order == "doubtful")
    trial = on_trial(conn, settings, sampling)
    waiting = queue(conn, settings, sampling, person, choice, states=states, trial=trial)
    everything = replace(choice, show="all", reading="first")
    whole = queue(conn, settings, sampling, person, everything, states=states, trial=trial)
    order = [row.bud_id for row in whole]
    start = order.index(after) + 1 if after in order else 0
    wanted = {row.bud_id for row in waiting}
    return Turn(tuple(bud for bud in order[start:] + order[:start] if bud in wanted), known)


def hand_out(
    conn: Connection, coming: Turn, person: Person, choice: Choice, *, after: int | None = None,
    n: int = 3,
) -> list[int]:
    """Hand the next few buds to one person alone, for `LEASE_MIN` minutes.

    What is not called by then goes back to everybody. Buds that were called before are handed to
    everybody who asks to see them.

    Parameters
    ----------
    conn : Connection
        The season's database, open for writing (`of_the_moment` will do).
    coming : Turn
        What the person has in front of them.
    after : int, optional
        The bud that the person looks at, which is no next one.

    Returns
    -------
    list of int
    """
    wanted = [bud for bud in coming.bud_ids if bud != after]
    if choice.reading == "first" and choice.show in ("called", "all"):
        return wanted[:n]
    return review_queries.lease_first(conn, wanted, person.id, n=n, known=coming.known,
                                      minutes=LEASE_MIN)


def states_of(
    season: Season, conn: Connection, sampling_id: int, *, doubts: bool,
    version: int | None = None,
) -> list[BudState]:
    """Return what `bud_states` does; only buds of which something was written are read again.

    Parameters
    ----------
    conn : Connection
        Open for reading: what is not committed yet is nobody's to remember.
    version : int, optional
        Of the sampling (`store.counts.version_of`), where the caller has it.
    """
    if version is None:
        version = counts.version_of(conn, sampling_id)
    if not version:  # written past the program
        return bud_states(conn, sampling_id, doubts=doubts)
    seen = season.remembered.each(
        ("buds", doubts), {sampling_id: None}, lambda ids: {key: _Seen() for key in ids},
        most=_SAMPLINGS_AT_HAND)[sampling_id]
    with seen.turn:
        if seen.version != version:
            seen.buds = known_buds(conn, sampling_id, doubts=doubts, before=seen.buds)
            seen.version = version
        return [state for _, state in seen.buds.values()]


@dataclass(slots=True)
class _Seen:
    """The buds of a sampling as they were seen last, at which version of it."""

    version: int = 0
    buds: KnownBuds = field(default_factory=dict)
    turn: threading.Lock = field(default_factory=threading.Lock)
