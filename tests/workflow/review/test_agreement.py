"""Agreement as the page shows it, beside scikit-learn and counts made by hand."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.metrics import cohen_kappa_score

from budvision.store.queries.calls import CallRow
from budvision.store.queries.review import BlindCall
from budvision.vocabulary import CallValue, Tissue, Verdict
from budvision.workflow.review.agreement import model_agreement, reader_pairs, readers_agreement
from budvision.workflow.review.readings import disagreements_of

LIVE, DEAD = CallValue.LIVE, CallValue.DEAD
P, S = Tissue.PRIMARY, Tissue.SECONDARY


@pytest.mark.parametrize("seed", range(5))
def test_kappa_is_that_of_scikit_learn(seed: int) -> None:
    rng = np.random.default_rng(seed)
    first = rng.choice(list(CallValue), 60)
    second = np.where(rng.random(60) < 0.7, first, rng.choice(list(CallValue), 60))
    found = readers_agreement([
        (P, CallValue(a), CallValue(b)) for a, b in zip(first, second, strict=True)])
    assert found.kappa is not None
    assert found.kappa.kappa == pytest.approx(cohen_kappa_score(first, second), abs=1e-12)
    assert found.kappa.low < found.kappa.kappa < found.kappa.high
    assert found.agreed.n_hit == int((first == second).sum())


def test_kappa_of_cohens_table_as_the_page_gives_it() -> None:
    # Two readers, 50 items: 20 both yes, 5 and 10 differ, 15 both no: kappa 0.40, a worked example
    # that follows from Cohen (1960), Educ. Psychol. Meas. 20:37-46: (0.70 - 0.50) / (1 - 0.50).
    pairs = ([(P, LIVE, LIVE)] * 20 + [(P, LIVE, DEAD)] * 5 + [(P, DEAD, LIVE)] * 10
             + [(P, DEAD, DEAD)] * 15)
    found = readers_agreement(pairs, tissue=P)
    assert found.kappa is not None
    assert found.kappa.kappa == pytest.approx(0.4)
    assert found.agreed.share == pytest.approx(0.7)
    assert readers_agreement(pairs, tissue=S).kappa is None


def test_one_word_gives_a_share_and_no_kappa() -> None:
    found = readers_agreement([(P, LIVE, LIVE)] * 9)
    assert found.kappa is None
    assert found.agreed.share == 1.0
    assert found.agreed.interval is not None
    assert found.agreed.interval.low < 0.75, "nine of nine is not certain"


def blind(value: CallValue, verdict: Verdict | None, exposed: bool = True,
          tissue: Tissue = P) -> BlindCall:
    return BlindCall(bud_id=1, tissue=tissue, person_id=1, value=value, exposed=exposed,
                     verdict=verdict, model="m-1")


def test_model_agreement_counts_by_hand() -> None:
    rows = [
        *[blind(DEAD, Verdict.DEAD)] * 6, *[blind(DEAD, Verdict.LIVE)] * 2,
        *[blind(LIVE, Verdict.LIVE)] * 9, blind(LIVE, Verdict.DEAD),
        *[blind(LIVE, Verdict.UNSURE)] * 3, blind(DEAD, Verdict.UNSURE),
        blind(CallValue.UNSURE, Verdict.DEAD),
        blind(CallValue.NOT_EXPOSED, None, exposed=False), blind(LIVE, None, exposed=False),
        blind(DEAD, Verdict.LIVE, tissue=S),
    ]
    found = model_agreement(rows, tissue=P)
    assert (found.agreed.n_hit, found.agreed.n) == (15, 18)
    assert (found.dead_called_live.n_hit, found.dead_called_live.n) == (2, 8)
    assert (found.live_called_dead.n_hit, found.live_called_dead.n) == (1, 10)
    assert (found.unsure.n_hit, found.unsure.n) == (4, 22)
    assert (found.exposure.n_hit, found.exposure.n) == (23, 24)
    assert model_agreement(rows).dead_called_live.n_hit == 3
    assert model_agreement([]).agreed.share is None


def row(number: int, person: int, round: str, value: CallValue | None, *,
        blind: bool = False) -> CallRow:
    return CallRow(id=number, bud_id=1, tissue=P, value=value, cause=None, note="",
                   person_id=person, person=f"p{person}", round=round, source="page", blind=blind,
                   proposal_id=None,
                   region_id=None, batch="b", added_at="2026-01-01T00:00:00.000Z",
                   replaces_id=None, entered_by_id=None)


def test_pairs_are_two_persons_and_unseen() -> None:
    history = [row(1, 1, "first", LIVE), row(2, 2, "second", DEAD)]
    assert reader_pairs(history) == [], "the second reader had seen the proposal"
    history = [row(1, 1, "first", LIVE), row(2, 2, "second", DEAD, blind=True)]
    assert reader_pairs(history) == [(P, LIVE, DEAD)]
    assert reader_pairs([*history, row(3, 1, "settled", DEAD)]) == [(P, LIVE, DEAD)]
    assert reader_pairs([*history, row(3, 2, "second", None, blind=True)]) == []


def test_disagreements_end_when_settled_and_come_back_when_called_anew() -> None:
    history = [row(1, 1, "first", LIVE), row(2, 2, "second", DEAD)]
    assert disagreements_of(history) == [P]
    history.append(row(3, 1, "settled", DEAD))
    assert disagreements_of(history) == []
    history.append(row(4, 3, "second", LIVE))
    assert disagreements_of(history) == [P], "the other second reading differs still"
    assert disagreements_of([*history, row(5, 1, "settled", None)]) == [P]
    assert disagreements_of([row(1, 1, "first", LIVE), row(2, 2, "second", LIVE)]) == []
