"""First, second and settling readings: which buds are blind or read twice, and what a call is.

A bud's lot is a hash of where it stands and of when its sampling was begun, so that it does not
depend on the photographs, on what anybody called, or on the order of work.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from hashlib import sha256

from sqlalchemy import Connection

from budvision.errors import ConflictError, InputError
from budvision.settings import Settings
from budvision.store.queries.blocks import Sampling
from budvision.store.queries.calls import CallRow
from budvision.store.queries.canes import BudPlace
from budvision.store.queries.people import Person
from budvision.store.queries.readings import ReadBud
from budvision.store.queries.states import BudState
from budvision.store.queries.trust import (
    Subject,
    cameras_of,
    has_proposal,
    standing_trust,
)
from budvision.vocabulary import TISSUES, Tissue

__all__ = [
    "READINGS", "Newest", "check_reading", "disagreements_of", "hidden_from", "is_blind", "lot",
    "newest_of", "on_trial", "rounds_of", "second_sample",
]

READINGS = ("first", "second", "settle")
Newest = Mapping[tuple[Tissue, str], CallRow]
"""Tissue and round to the newest row, withdrawn or not; of second readings, one person's own."""


def check_reading(reading: str) -> None:
    """Refuse a reading that is none of `READINGS`."""
    if reading not in READINGS:
        raise InputError(f"the reading is {reading!r}", where="review",
                         expected=f"one of {', '.join(READINGS)}")


# ---- by lot ----------------------------------------------------------------------------------


def lot(purpose: str, sampling: Sampling, cane: str, vine: str, node: int) -> float:
    """Draw a bud's lot for one purpose.

    Returns
    -------
    float
        In [0, 1), as if uniform; the same for the same bud, sampling and purpose.
    """
    parts = (purpose, sampling.block, sampling.label, sampling.added_at, vine, cane, str(node))
    digest = sha256("\0".join(parts).encode()).digest()
    return int.from_bytes(digest[:8], "big") / 2**64


def is_blind(share: float, sampling: Sampling, cane: str, vine: str, node: int) -> bool:
    """Say whether a bud's proposals stay hidden until it is called.

    Parameters
    ----------
    share : float
        Of the buds, in [0, 1]; the setting `blind_share`.
    """
    return lot("blind", sampling, cane, vine, node) < share


def second_sample(
    share: float, sampling: Sampling, states: Sequence[BudState | ReadBud]
) -> frozenset[int]:
    """Choose the buds of one sampling that a second person reads.

    Each block has its own sampling, so choosing within each is choosing by block.

    Parameters
    ----------
    share : float
        Of the photographed buds, in [0, 1]; the setting `second_read_share`.
    states : sequence of BudState or ReadBud
        Every bud of the sampling, or those of it that are pictured and not marked.

    Returns
    -------
    frozenset of int
        Ids of the chosen buds: the share, rounded up, with the lowest lots.
    """
    can = [row for row in states
           if isinstance(row, ReadBud) or (row.n_cuts and not row.node_mark)]
    drawn = sorted(can, key=lambda row: lot("second", sampling, row.cane, row.vine, row.node))
    return frozenset(row.bud_id for row in drawn[:math.ceil(share * len(can) - 1e-9)])


def on_trial(conn: Connection, settings: Settings, sampling: Sampling) -> bool:
    """Say whether proposals for a sampling are still to earn trust.

    A lead has not decided to show them for the season or the block's cultivar, or the light has
    changed since.
    """
    if not settings.trial_buds:
        return False
    standing = standing_trust(conn)
    wanted = (Subject("season"), Subject("cultivar", sampling.cultivar))
    light = standing.get(Subject("light", "", sampling.id))
    return any(one not in standing or standing[one].value != "shown" for one in wanted) or (
        light is not None and light.value != "shown")


def hidden_from(
    conn: Connection, settings: Settings, place: BudPlace, sampling: Sampling,
    history: Iterable[CallRow], reading: str,
) -> bool:
    """Say whether a bud's proposals are to be hidden from the person who looks at it.

    Hidden while a blind bud, or one whose sampling or camera is on trial, has never had a first
    call, and always from a second reader and from those who settle a disagreement.
    """
    if reading != "first":
        return True
    if any(row.round == "first" for row in history):
        return False
    if is_blind(settings.blind_share, sampling, place.cane, place.vine, place.node):
        return True
    if not settings.trial_buds or not has_proposal(conn, place.id):
        return False
    if on_trial(conn, settings, sampling):
        return True
    standing = standing_trust(conn)
    return any(
        (row := standing.get(Subject("camera", camera))) is None or row.value != "shown"
        for camera in cameras_of(conn, place.id))


# ---- what a call is --------------------------------------------------------------------------


def newest_of(history: Iterable[CallRow], person_id: int) -> dict[tuple[Tissue, str], CallRow]:
    """Return the newest row of each tissue and round of one bud; of second readings, one's own.

    Parameters
    ----------
    history : iterable of CallRow
        Every row of the bud, oldest first.
    """
    return {
        (row.tissue, row.round): row for row in history
        if row.round != "second" or row.person_id == person_id
    }


def rounds_of(
    tissues: Iterable[Tissue], newest: Newest, *, person: Person, reading: str, seen: int | None
) -> dict[Tissue, str]:
    """Say in which round a person's call of each tissue is kept.

    A first call stays one person's: where somebody else's stands that this person had not seen,
    the call is a second reading of the tissue.

    Parameters
    ----------
    tissues : iterable of Tissue
        What the person called.
    newest : mapping
        What stands, as `newest_of` gives it.
    person : Person
        Who called.
    reading : str
        first, second or settle.
    seen : int or None
        Number of the newest row that the person had seen, 0 for none; None where all was seen.

    Returns
    -------
    dict
        Tissue to first, second or settled.

    Raises
    ------
    ConflictError
        When a second reader made a first call, or there is nothing to read again or to settle.
    """
    called = {
        key: row for key, row in newest.items() if key[1] != "second" and row.value is not None
    }
    if reading == "second":
        _check_second(called, person)
        return dict.fromkeys(tissues, "second")
    rounds: dict[Tissue, str] = {}
    for tissue in tissues:
        first = called.get((tissue, "first"))
        if reading == "settle":
            if first is None:
                raise ConflictError(
                    f"nobody has called the {tissue} of this bud", where="review",
                    expected="a first call to settle", code="nothing_to_settle",
                    do="Call it as a first reader.",
                )
            rounds[tissue] = "settled"
        else:
            overtaken = (
                first is not None and seen is not None and first.id > seen
                and first.person_id != person.id
            )
            rounds[tissue] = "second" if overtaken else "first"
    return rounds


def _check_second(called: Newest, person: Person) -> None:
    if not any(round_ == "first" for _, round_ in called):
        raise ConflictError(
            "nobody has called this bud yet", where="review", code="no_first_call",
            expected="a bud with a first call", do="Call it as a first reader.",
        )
    for (tissue, round_), row in called.items():
        if row.person_id == person.id:
            did = "made the first call" if round_ == "first" else f"settled the {tissue}"
            raise ConflictError(
                f"{person.name} {did} of this bud", where="review", code="same_reader",
                expected="another person as second reader",
                do="Go on to the next bud, or let somebody else read it.",
            )


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
