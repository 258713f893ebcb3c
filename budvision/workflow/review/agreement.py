"""How often the model agrees with people, people with each other, and people with themselves.

The model is judged on blind calls alone: those made before the person saw what it proposed. People
are compared on second readings, made without sight of the proposal or of the first call.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Connection

from budvision.errors import InputError
from budvision.stats.agreement import Kappa, agreement_table, cohen_kappa, kappa_words
from budvision.stats.proportions import wilson
from budvision.store.queries.calls import CallRow, call_histories
from budvision.store.queries.review import BlindCall, blind_calls, buds_read_twice
from budvision.store.session import Season
from budvision.vocabulary import TISSUES, CallValue, Interval, Tissue, Verdict
from budvision.workflow.review.readings import disagreements_of

__all__ = [
    "Agreement", "Changes", "ModelAgreement", "ReaderAgreement", "Share", "agreement",
    "model_agreement", "reader_pairs", "readers_agreement", "share_of",
]

WORDS = tuple(value.value for value in CallValue)


@dataclass(frozen=True, slots=True)
class Share:
    """A count out of another with its interval; `interval` is None where `n` is 0."""

    n_hit: int
    n: int
    interval: Interval | None

    @property
    def share(self) -> float | None:
        """The share, None where nothing was counted."""
        return self.n_hit / self.n if self.n else None


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelAgreement:
    """The model beside blind calls, for one tissue or (`tissue` None) for all.

    Attributes
    ----------
    agreed : Share
        Of the tissues called live or dead for which the model proposed live or dead.
    dead_called_live, live_called_dead : Share
        Of those that people called dead (live), the model proposed live (dead).
    unsure : Share
        Of the tissues that people called live or dead and the model saw exposed, it was unsure.
    exposure : Share
        Of all blind calls but unsure, model and person agree on whether the cut reached it.
    """

    tissue: Tissue | None
    agreed: Share
    dead_called_live: Share
    live_called_dead: Share
    unsure: Share
    exposure: Share


@dataclass(frozen=True, slots=True)
class ReaderAgreement:
    """Two readings of the same tissues.

    Attributes
    ----------
    table : tuple of tuple of int
        Counts, rows first reading and columns second, in the order live, dead, unsure,
        not exposed.
    kappa : Kappa or None
        None where there are no pairs, or both readers used one word only.
    word : str
        Customary word for the kappa.
    """

    tissue: Tissue | None
    agreed: Share
    table: tuple[tuple[int, ...], ...]
    kappa: Kappa | None
    word: str


@dataclass(frozen=True, slots=True)
class Changes:
    """Blind calls that the same person changed after seeing the proposal.

    Attributes
    ----------
    changed : Share
        Of all tissues called blind with a proposal.
    towards_model : int
        Of the changed ones, those that ended where the model was.
    """

    changed: Share
    towards_model: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """Everything that the agreement page shows."""

    models: tuple[str, ...]
    model: tuple[ModelAgreement, ...]
    readers: tuple[ReaderAgreement, ...]
    changes: Changes
    n_blind_buds: int
    n_read_twice: int
    n_to_settle: int


def share_of(n_hit: int, n: int, confidence: float) -> Share:
    """Return a count out of another with Wilson's interval."""
    return Share(n_hit, n, wilson(n_hit, n, confidence=confidence) if n else None)


def model_agreement(
    rows: Sequence[BlindCall], *, tissue: Tissue | None = None, confidence: float = 0.95
) -> ModelAgreement:
    """Compare the model with blind calls.

    Parameters
    ----------
    rows : sequence of BlindCall
        Blind calls with their proposals.
    tissue : Tissue, optional
        One tissue only.
    confidence : float
        Of Wilson's interval. Buds of one cane being alike, the true interval is wider.
    """
    mine = [row for row in rows if tissue is None or row.tissue is tissue]
    judged = [
        row for row in mine
        if row.exposed and row.value in (CallValue.LIVE, CallValue.DEAD)
    ]
    decided = [row for row in judged if row.verdict in (Verdict.LIVE, Verdict.DEAD)]
    dead = [row for row in decided if row.value is CallValue.DEAD]
    live = [row for row in decided if row.value is CallValue.LIVE]
    dead_live = sum(row.verdict is Verdict.LIVE for row in dead)
    live_dead = sum(row.verdict is Verdict.DEAD for row in live)
    known = [row for row in mine if row.value is not CallValue.UNSURE]
    same = sum(row.exposed == (row.value is not CallValue.NOT_EXPOSED) for row in known)
    return ModelAgreement(
        tissue=tissue,
        agreed=share_of(len(decided) - dead_live - live_dead, len(decided), confidence),
        dead_called_live=share_of(dead_live, len(dead), confidence),
        live_called_dead=share_of(live_dead, len(live), confidence),
        unsure=share_of(len(judged) - len(decided), len(judged), confidence),
        exposure=share_of(same, len(known), confidence),
    )


def reader_pairs(history: Sequence[CallRow]) -> list[tuple[Tissue, CallValue, CallValue]]:
    """Pair the first call of each tissue with a second reader's that was made without seeing it.

    Parameters
    ----------
    history : sequence of CallRow
        Every row of one bud, oldest first.

    Returns
    -------
    list of (Tissue, first, second)
        At most one pair a tissue: the standing first call and the earliest second reading of
        another person. A settled call does not change what the two had said.
    """
    pairs = []
    for tissue in TISSUES:
        first = [row for row in history if row.tissue is tissue and row.round == "first"]
        if not first or first[-1].value is None:
            continue
        standing = first[-1]
        newest: dict[int, CallRow] = {}
        for row in history:
            if row.tissue is tissue and row.round == "second" and row.blind:
                newest[row.person_id] = row
        others = [
            row for row in newest.values()
            if row.value is not None and row.person_id != standing.person_id
        ]
        if others and standing.value is not None and others[0].value is not None:
            pairs.append((tissue, standing.value, others[0].value))
    return pairs


def readers_agreement(
    pairs: Sequence[tuple[Tissue, CallValue, CallValue]], *, tissue: Tissue | None = None,
    confidence: float = 0.95,
) -> ReaderAgreement:
    """Return how well two readers agree: the share, and Cohen's kappa with its interval."""
    mine = [(first, second) for one, first, second in pairs if tissue is None or one is tissue]
    table = agreement_table(
        [first.value for first, _ in mine], [second.value for _, second in mine], WORDS
    ) if mine else None
    kappa: Kappa | None = None
    if table is not None:
        try:
            kappa = cohen_kappa(table, confidence=confidence)
        except InputError as error:
            if error.code != "one_word":
                raise
    agreed = sum(first == second for first, second in mine)
    rows = [[0] * len(WORDS) for _ in WORDS] if table is None else table.tolist()
    return ReaderAgreement(
        tissue, share_of(agreed, len(mine), confidence), tuple(tuple(row) for row in rows), kappa,
        "" if kappa is None else kappa_words(kappa.kappa, n=len(mine)),
    )


def agreement(season: Season, *, sampling_id: int | None = None) -> Agreement:
    """Measure the season's agreement.

    Parameters
    ----------
    sampling_id : int, optional
        Blind calls of one sampling only.
    """
    confidence = season.settings.confidence
    with season.read() as conn:
        blind = blind_calls(conn, sampling_ids=None if sampling_id is None else [sampling_id])
        changes = _changes(conn, blind, confidence)
        pairs: list[tuple[Tissue, CallValue, CallValue]] = []
        twice = buds_read_twice(conn)
        to_settle = 0
        for history in call_histories(conn, twice).values():
            pairs.extend(reader_pairs(history))
            to_settle += bool(disagreements_of(history))
    which: tuple[Tissue | None, ...] = (None, *TISSUES)
    return Agreement(
        models=tuple(sorted({row.model for row in blind})),
        model=tuple(model_agreement(blind, tissue=one, confidence=confidence) for one in which),
        readers=tuple(readers_agreement(pairs, tissue=one, confidence=confidence) for one in which),
        changes=changes, n_blind_buds=len({row.bud_id for row in blind}), n_read_twice=len(twice),
        n_to_settle=to_settle,
    )


def _changes(conn: Connection, blind: Sequence[BlindCall], confidence: float) -> Changes:
    changed = towards = 0
    histories = call_histories(conn, sorted({row.bud_id for row in blind}))
    for row in blind:
        mine = [
            one for one in histories[row.bud_id]
            if one.tissue is row.tissue and one.round == "first"
            and one.person_id == row.person_id
        ]
        last = mine[-1].value
        if last is None or last == row.value:
            continue
        changed += 1
        model_said = (
            CallValue(row.verdict.value) if row.exposed and row.verdict is not None
            else CallValue.NOT_EXPOSED
        )
        towards += last == model_said
    return Changes(share_of(changed, len(blind), confidence), towards)
