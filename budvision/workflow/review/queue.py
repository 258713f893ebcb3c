"""What a reviewer has in front of them: which buds, in which order, and what comes next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from sqlalchemy import Connection

from budvision.errors import InputError
from budvision.settings import Settings
from budvision.store.queries import review as review_queries
from budvision.store.queries.blocks import Sampling
from budvision.store.queries.calls import call_history
from budvision.store.queries.people import Person
from budvision.store.queries.review import BudState, bud_states
from budvision.workflow.review.readings import (
    READINGS,
    disagreements_of,
    is_blind,
    lot,
    second_sample,
)

__all__ = ["ORDERS", "SHOWS", "Choice", "queue", "upcoming"]

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
