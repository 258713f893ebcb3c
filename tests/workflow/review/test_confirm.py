"""Confirming: a named person each time; two at once are both kept, and the second is told."""

from __future__ import annotations

import threading

import pytest

from budvision.errors import ConflictError, InputError, NotFoundError, UsageError
from budvision.store.queries import (
    blocks,
    calls,
    canes,
    marks,
    models,
    people,
    photos,
    proposals,
)
from budvision.store.session import Season
from budvision.vocabulary import CallValue, Proposal, Tissue, TissueProposal, Verdict
from budvision.workflow.review.confirm import confirm, undo

P, S = Tissue.PRIMARY, Tissue.SECONDARY
LIVE, DEAD = CallValue.LIVE, CallValue.DEAD


@pytest.fixture
def ready(any_season: Season) -> Season:
    with any_season.write() as conn:
        sampling = blocks.ensure_sampling(conn, blocks.ensure_block(conn, "Creek"), "feb")
        canes.ensure_bud(conn, canes.ensure_cane(conn, sampling, "1"), 1)
        for name in ("Maren Holt", "Ivo Lund"):
            people.add_person(conn, name)
    return any_season


def test_somebody_must_be_named(ready: Season) -> None:
    with pytest.raises(UsageError, match="nobody is named"):
        confirm(ready, 1, {P: LIVE}, person=" ")
    with pytest.raises(NotFoundError, match="nobody called Nobody"):
        confirm(ready, 1, {P: LIVE}, person="Nobody")
    with ready.write() as conn:
        people.set_active(conn, "Ivo Lund", False)
    with pytest.raises(InputError, match="Ivo Lund is no longer active"):
        confirm(ready, 1, {P: LIVE}, person="Ivo Lund")


def test_two_reviewers_on_one_bud(ready: Season) -> None:
    """Both opened the bud when nothing was called; both save."""
    first = confirm(ready, 1, {P: DEAD}, person="Maren Holt", seen={})
    assert first.overtaken == ()
    second = confirm(ready, 1, {P: LIVE, S: LIVE}, person="Ivo Lund", seen={})
    [row] = second.overtaken
    assert (row.tissue, row.value, row.person) == (P, DEAD, "Maren Holt")
    with ready.read() as conn:
        assert len(calls.call_history(conn, 1)) == 3
        assert calls.current_calls_of_bud(conn, 1)[P].value is LIVE
        seen = {P: calls.current_calls_of_bud(conn, 1)[P].id}
    third = confirm(ready, 1, {P: DEAD}, person="Maren Holt", seen=seen)
    assert third.overtaken == ()  # she saw it and decided otherwise


def test_two_savers_at_the_same_moment_lose_nothing(ready: Season) -> None:
    failed: list[BaseException] = []

    def save(name: str, value: CallValue) -> None:
        try:
            for _ in range(8):
                confirm(ready, 1, {P: value, S: value}, person=name)
        except BaseException as error:
            failed.append(error)

    threads = [threading.Thread(target=save, args=args)
               for args in (("Maren Holt", DEAD), ("Ivo Lund", LIVE))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    with ready.read() as conn:
        history = calls.call_history(conn, 1)
        assert len(history) == 32
        for tissue in (P, S):  # one unbroken chain, each row naming the one before
            chain = [row for row in history if row.tissue is tissue]
            assert [row.replaces_id for row in chain] == [None, *(row.id for row in chain[:-1])]


def test_a_second_reading_is_another_persons(ready: Season) -> None:
    confirm(ready, 1, {P: DEAD}, person="Maren Holt")
    with pytest.raises(ConflictError, match="Maren Holt has called the primary of this bud"):
        confirm(ready, 1, {P: LIVE}, person="Maren Holt", round="second")
    confirm(ready, 1, {P: LIVE}, person="Ivo Lund", round="second", blind=True)
    with pytest.raises(ConflictError, match="nobody has called the secondary"):
        confirm(ready, 1, {P: LIVE, S: LIVE}, person="Ivo Lund", round="settled")
    batch = confirm(ready, 1, {P: LIVE}, person="Ivo Lund", round="settled").batch
    with ready.read() as conn:
        assert calls.current_calls_of_bud(conn, 1)[P].value is LIVE
    undo(ready, batch, person="Ivo Lund")
    with ready.read() as conn:
        assert calls.current_calls_of_bud(conn, 1)[P].value is DEAD


def test_a_call_carries_the_proposal_it_was_made_beside(ready: Season) -> None:
    with ready.write() as conn:
        model = models.ensure_model(conn, "bench-1.0", "b" * 64, "bench-1.0")
        for cut, area in ((1, 100), (2, 900)):
            photo = photos.add_photo(conn, sha256=str(cut) * 64, file_name=f"{cut}.jpg",
                                     format="JPEG", n_bytes=1, width_px=700, height_px=700)
            photos.assign(conn, photo.id, 1, cut, source="manifest")
            said = Proposal("x", "", 700, 700, True, (), None, "bench-1.0", {
                P: TissueProposal(True, Verdict.DEAD, 0.9, area, (1.0, 1.0)),
                S: TissueProposal(False)})
            last = proposals.save_proposal(conn, photo.id, model, said)
    confirm(ready, 1, {P: DEAD, S: CallValue.NOT_EXPOSED}, person="Maren Holt", blind=True)
    with ready.read() as conn:
        rows = calls.current_calls_of_bud(conn, 1)
    assert rows[P].proposal_id == last
    assert rows[S].proposal_id is None
    assert rows[P].blind


def test_marks_are_no_calls(ready: Season) -> None:
    with ready.write() as conn:
        marks.set_mark(conn, 1, "node", "missing")
        marks.set_mark(conn, 1, "node", "blind")
        assert {kind: m.value for kind, m in marks.marks_of_bud(conn, 1).items()} == {
            "node": "blind"}
        marks.set_mark(conn, 1, "node", "")
        assert marks.marks_of_bud(conn, 1) == {}
        assert marks.marks_of_sampling(conn, 1) == {}
        with pytest.raises(InputError, match="node is 'gone'"):
            marks.set_mark(conn, 1, "node", "gone")
        with pytest.raises(InputError, match="the mark is 'colour'"):
            marks.set_mark(conn, 1, "colour", "red")
        assert calls.call_history(conn, 1) == []
