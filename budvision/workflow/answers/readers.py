"""How often readers err, from buds that a second person read, and mortality with that taken out.

What is known of a bud read twice: the call on which both agree, else the one that they settled.
Errors that two readers share stay hidden. Only first readings count for the correction, since
mortality rests on them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import groupby

from sqlalchemy import Connection

from budvision.errors import InputError
from budvision.report.misread import CorrectedFacts, ReaderErrors
from budvision.stats.misreading import ReadersRight, corrected_share
from budvision.store.queries.overview import samplings_with
from budvision.store.queries.readings import TwiceRead, rows_read_twice
from budvision.vineyard.results import BlockResult
from budvision.vocabulary import CallValue, Tissue

__all__ = ["SecondReadings", "corrected", "second_readings"]

_JUDGED = (CallValue.LIVE, CallValue.DEAD)


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondReadings:
    """What second readings of primaries tell of the season's readers.

    Attributes
    ----------
    first : ReaderErrors
        Of all first readings together.
    readers : tuple of ReaderErrors
        Of each person, first and second readings alike, by name.
    n_open : int
        Primaries on which two persons differ and nobody has settled: they tell nothing yet.
    n_known : mapping of int to int
        Sampling to the number of its primaries that are known live or dead.
    """

    first: ReaderErrors
    readers: tuple[ReaderErrors, ...]
    n_open: int
    n_known: Mapping[int, int]

    @property
    def any(self) -> bool:
        """Whether any primary was read twice."""
        return bool(self.n_open or self.n_known)


@dataclass(frozen=True, slots=True)
class _Bud:
    first: TwiceRead
    seconds: tuple[TwiceRead, ...]
    known: CallValue | None


def _bud(rows: Iterable[TwiceRead]) -> _Bud | None:
    """Return one bud's readings, None where there were not two; `known` None where they differ."""
    first: TwiceRead | None = None
    settled: TwiceRead | None = None
    seconds: dict[str, TwiceRead] = {}
    for row in rows:
        if row.round == "first":
            first = row
        elif row.round == "settled":
            settled = row
        elif row.blind:
            seconds[row.person] = row
    if first is None or first.value is None:
        return None
    others = tuple(row for row in seconds.values()
                   if row.value is not None and row.person != first.person)
    if not others:
        return None
    newest = max(first.id, *(row.id for row in others))
    if settled is not None and settled.value is not None and settled.id > newest:
        return _Bud(first, others, settled.value)
    same = all(row.value is first.value for row in others)
    return _Bud(first, others, first.value if same else None)


def second_readings(conn: Connection) -> SecondReadings:
    """Count the season's readings of primaries against what two readings made known."""
    by_reader: dict[str, ReaderErrors] = {}
    first = ReaderErrors(person="")
    known: Counter[int] = Counter()
    n_open = 0
    rows = rows_read_twice(conn, Tissue.PRIMARY) if samplings_with(conn, "n_twice") else []
    for _, of_bud in groupby(rows, key=lambda row: row.bud_id):
        bud = _bud(of_bud)
        if bud is None:
            continue
        if bud.known is None:
            n_open += 1
        elif bud.known in _JUDGED:
            known[bud.first.sampling_id] += 1
            for row in (bud.first, *bud.seconds):
                if row.value is not None and row.value in _JUDGED:
                    own = by_reader.get(row.person, ReaderErrors(person=row.person))
                    by_reader[row.person] = own.with_one(row.value, bud.known)
                    if row is bud.first:
                        first = first.with_one(row.value, bud.known)
    return SecondReadings(first=first, readers=tuple(by_reader[name] for name in sorted(by_reader)),
                          n_open=n_open, n_known=dict(known))


def corrected(
    result: BlockResult, readings: SecondReadings, *, sampling_ids: Iterable[int]
) -> CorrectedFacts | None:
    """Return a block's mortality of primaries with the readers' errors taken out.

    Parameters
    ----------
    readings : SecondReadings
        Of the season: the error rates of all its first readings.
    sampling_ids : iterable of int
        The block's samplings that make up the result.

    Returns
    -------
    CorrectedFacts or None
        Without a share where too few were read twice, or readers do no better than chance; None
        where nothing is judged or nobody read a primary twice.

    Notes
    -----
    Of the block's own primaries those known from two readings count as read right, so that each
    rate of error is multiplied by the share of the block read once.
    """
    primary, errors = result.tissues[Tissue.PRIMARY], readings.first
    if primary.mortality is None or not primary.design_effect or not readings.any:
        return None
    facts = CorrectedFacts(
        dead_wrong=errors.dead_wrong, n_dead=errors.n_dead, live_wrong=errors.live_wrong,
        n_live=errors.n_live, n_open=readings.n_open, readers=readings.readers)
    n_known = sum(readings.n_known.get(key, 0) for key in sampling_ids)
    once = 1 - min(1.0, n_known / primary.n_judged)
    if not errors.enough or once <= 0:
        return facts if not errors.enough else None
    n_dead, n_live = round(errors.n_dead / once), round(errors.n_live / once)
    try:
        right = corrected_share(
            primary.mortality, primary.n_judged / primary.design_effect,
            ReadersRight(n_dead - errors.dead_wrong, n_dead, n_live - errors.live_wrong, n_live),
            confidence=primary.confidence)
    except InputError:
        return replace(facts, by_chance=True)
    return replace(facts, share=right.share, low=right.interval.low, high=right.interval.high)
