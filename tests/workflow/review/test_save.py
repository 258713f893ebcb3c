"""The door for calls: a named person each time; two at once are both kept, the second is told."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from budvision.errors import ConflictError, InputError, NotFoundError, UsageError
from budvision.store.queries import blocks, calls, canes, marks, models, people, photos, proposals
from budvision.store.queries.calls import NewCall
from budvision.store.queries.people import Person
from budvision.store.session import Season
from budvision.vocabulary import CallValue, Proposal, Tissue, TissueProposal, Verdict
from budvision.workflow.review.page import bud_page
from budvision.workflow.review.save import save, undo

P, S, T = Tissue.PRIMARY, Tissue.SECONDARY, Tissue.TERTIARY
LIVE, DEAD = NewCall(CallValue.LIVE), NewCall(CallValue.DEAD)
BATCH = "0123456789abcdef" * 2


def _ready(any_season: Season, tmp_path: Path, share: float) -> Season:
    with any_season.write() as conn:
        sampling = blocks.ensure_sampling(conn, blocks.ensure_block(conn, "Creek"), "feb")
        cane = canes.ensure_cane(conn, sampling, "1")
        for node in (1, 2):
            canes.ensure_bud(conn, cane, node)
        for name in ("Maren Holt", "Ivo Lund"):
            people.add_person(conn, name)
    config = any_season.folder / "budvision.toml"
    text = config.read_text(encoding="utf-8")
    own = f"[settings]\nblind_share = {share}\ntrial_buds = 0\n"
    config.write_text(text.replace("[settings]\n", own, 1), encoding="utf-8")
    return Season.open(any_season.folder)


@pytest.fixture
def ready(any_season: Season, tmp_path: Path) -> Iterator[Season]:
    with _ready(any_season, tmp_path, 0.0) as made:
        yield made


@pytest.fixture
def blind(any_season: Season, tmp_path: Path) -> Iterator[Season]:
    with _ready(any_season, tmp_path, 1.0) as made:
        yield made


def who(season: Season, name: str) -> Person:
    with season.read() as conn:
        return people.active_person(conn, name)


def propose(season: Season, bud: int, verdict: Verdict, *, cut: int = 1, area: int = 100,
            exposed: bool = True) -> int:
    """Keep a proposal for a cut of a bud; the secondary is not exposed."""
    with season.write() as conn:
        model = models.ensure_model(conn, "bench-1.0", "b" * 64, "bench-1.0")
        sha = f"{bud}{cut}".ljust(64, "0")
        found = photos.photo_by_sha256(conn, sha)
        if found is None:
            found = photos.photo_by_id(conn, photos.add_photo(
                conn, sha256=sha, file_name=f"{cut}.jpg", format="JPEG", n_bytes=1,
                width_px=700, height_px=700).id)
            photos.assign(conn, found.id, bud, cut, source="manifest")
        p_dead = 0.9 if verdict is Verdict.DEAD else 0.1
        said = Proposal(file="x", sha256="", width_px=700, height_px=700, found=True, reasons=(),
                        mm_per_px=None, model="bench-1.0", tissues={
            P: TissueProposal(exposed=exposed, verdict=verdict, p_dead=p_dead, area_px=area,
                              centre=(1.0, 1.0)),
            S: TissueProposal(exposed=False)})
        return proposals.save_proposal(conn, found.id, model, said)


@pytest.mark.parametrize("to", [None, 2])
def test_a_call_of_a_photograph_that_was_taken_from_its_bud_is_refused(
    ready: Season, to: int | None
) -> None:
    """An intake taken back, or a photograph moved, while the bud is open: what the person saw is
    another bud's, and would have counted as this one's."""
    propose(ready, 1, Verdict.DEAD)
    one = who(ready, "Maren Holt")
    with ready.read() as conn:
        page = bud_page(conn, ready.settings, 1, person=one)
    with ready.write() as conn:
        photos.assign(conn, page["photos"][0], to, 1, source="page")
    with pytest.raises(ConflictError, match="does not show this bud any more"):
        save(ready, 1, {P: DEAD}, person=one, shown=page["shown"], photos=page["photos"])
    with pytest.raises(ConflictError, match="does not show this bud any more"):
        save(ready, 1, {P: DEAD}, person=one, photos=[999])
    with ready.read() as conn:
        assert calls.call_history(conn, 1) == []
        page = bud_page(conn, ready.settings, 1, person=one)
    assert page["photos"] == []
    save(ready, 1, {P: DEAD}, person=one, shown=page["shown"], photos=page["photos"])


def test_a_cut_taken_again_keeps_what_was_called_of_the_first(ready: Season) -> None:
    """The same bud, photographed twice: the call that waits is of this bud all the same."""
    propose(ready, 1, Verdict.DEAD)
    one = who(ready, "Maren Holt")
    with ready.read() as conn:
        page = bud_page(conn, ready.settings, 1, person=one)
    with ready.write() as conn:
        again = photos.add_photo(conn, sha256="f" * 64, file_name="2.jpg", format="JPEG",
                                 n_bytes=1, width_px=700, height_px=700).id
        photos.assign(conn, again, 1, 1, source="bench", retake=True)
    save(ready, 1, {P: DEAD}, person=one, shown=page["shown"], photos=page["photos"])


def test_somebody_must_be_named(ready: Season) -> None:
    with ready.read() as conn:
        with pytest.raises(UsageError, match="nobody is named"):
            people.active_person(conn, " ")
        with pytest.raises(NotFoundError, match="nobody called Nobody"):
            people.active_person(conn, "Nobody")
    ivo = who(ready, "Ivo Lund")
    with ready.write() as conn:
        people.set_active(conn, "Ivo Lund", False)
    with pytest.raises(InputError, match="Ivo Lund is no longer active"):
        save(ready, 1, {P: LIVE}, person=ivo)
    with pytest.raises(NotFoundError, match="no person number 99"):
        save(ready, 1, {P: LIVE}, person=Person(99, "Nobody", "lead", None, True))


def test_two_reviewers_on_one_bud(ready: Season) -> None:
    """Both opened the bud when nothing was called; both save, and one stays the first reader."""
    maren, ivo = who(ready, "Maren Holt"), who(ready, "Ivo Lund")
    first = save(ready, 1, {P: DEAD}, person=maren, seen=0)
    assert (first.round, first.message) == ("first", "")
    second = save(ready, 1, {P: LIVE, S: LIVE}, person=ivo, seen=0)
    assert second.round == "second"
    assert "Maren Holt called this bud while you had it open" in second.message
    with ready.read() as conn:
        rows = calls.call_history(conn, 1)
        assert [(row.tissue, row.round) for row in rows] == [
            (P, "first"), (P, "second"), (S, "first")]
        assert calls.current_calls_of_bud(conn, 1)[P].value is CallValue.DEAD
        assert calls.current_calls_of_bud(conn, 1)[S].value is CallValue.LIVE
    third = save(ready, 1, {P: LIVE}, person=ivo, seen=rows[-1].id)
    assert third.round == "first"  # he saw her call and decided otherwise


def test_two_savers_at_the_same_moment_lose_nothing(ready: Season) -> None:
    failed: list[BaseException] = []

    def keep(name: str, value: NewCall) -> None:
        try:
            person = who(ready, name)
            for _ in range(8):
                save(ready, 1, {P: value, S: value}, person=person)
        except BaseException as error:
            failed.append(error)

    threads = [threading.Thread(target=keep, args=args)
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
    maren, ivo = who(ready, "Maren Holt"), who(ready, "Ivo Lund")
    with pytest.raises(ConflictError, match="nobody has called this bud yet"):
        save(ready, 1, {P: LIVE, S: LIVE, T: LIVE}, person=ivo, reading="second")
    save(ready, 1, {P: DEAD}, person=maren)
    with pytest.raises(ConflictError, match="Maren Holt made the first call of this bud"):
        save(ready, 1, {P: LIVE, S: LIVE, T: LIVE}, person=maren, reading="second")
    save(ready, 1, {P: LIVE, S: LIVE, T: LIVE}, person=ivo, reading="second")
    with pytest.raises(ConflictError, match="nobody has called the secondary"):
        save(ready, 1, {P: LIVE, S: LIVE}, person=ivo, reading="settle")
    batch = save(ready, 1, {P: LIVE}, person=ivo, reading="settle").batch
    with ready.read() as conn:
        assert calls.current_calls_of_bud(conn, 1)[P].value is CallValue.LIVE
    undo(ready, batch, person=ivo)
    with ready.read() as conn:
        assert calls.current_calls_of_bud(conn, 1)[P].value is CallValue.DEAD


def test_a_call_carries_the_proposal_it_was_made_beside(blind: Season) -> None:
    propose(blind, 1, Verdict.DEAD, cut=1, area=100)
    last = propose(blind, 1, Verdict.DEAD, cut=2, area=900)
    done = save(blind, 1, {P: LIVE, S: LIVE, T: LIVE}, person=who(blind, "Maren Holt"))
    with blind.read() as conn:
        rows = calls.current_calls_of_bud(conn, 1)
    assert (rows[P].proposal_id, rows[S].proposal_id, rows[T].proposal_id) == (last, last, None)
    assert rows[P].blind
    assert {one.tissue: (one.proposed, one.differs) for one in done.revealed} == {
        P: ("dead", True), S: ("not_exposed", True)}


def test_what_is_kept_is_the_proposal_that_was_seen(ready: Season) -> None:
    """A newer proposal arrives while the page is open: it was not on it."""
    maren = who(ready, "Maren Holt")
    old = propose(ready, 1, Verdict.DEAD)
    with ready.read() as conn:
        page = bud_page(conn, ready.settings, 1, person=maren)
    assert page["tissues"]["primary"]["proposal"]["value"] == "dead"
    new = propose(ready, 1, Verdict.LIVE)
    save(ready, 1, {P: DEAD}, person=maren, seen=page["seen"], shown=page["shown"])
    with ready.read() as conn:
        assert calls.current_calls_of_bud(conn, 1)[P].proposal_id == old
        page = bud_page(conn, ready.settings, 1, person=maren)
    save(ready, 1, {P: LIVE}, person=maren, seen=page["seen"], shown=page["shown"])
    with ready.read() as conn:
        assert calls.current_calls_of_bud(conn, 1)[P].proposal_id == new
    other = propose(ready, 2, Verdict.LIVE)
    with pytest.raises(InputError, match=f"proposal {other} is of no photograph of this bud"):
        save(ready, 1, {P: LIVE}, person=maren, shown=[new, other])


@pytest.mark.slow
def test_a_proposal_that_arrives_amid_saves_is_never_taken_for_the_one_seen(
    ready: Season
) -> None:
    maren = who(ready, "Maren Holt")
    propose(ready, 1, Verdict.DEAD)
    done = threading.Event()

    def keep_proposing() -> None:
        while not done.is_set():
            propose(ready, 1, Verdict.LIVE)

    other = threading.Thread(target=keep_proposing)
    other.start()
    try:
        for _ in range(5):
            with ready.read() as conn:
                page = bud_page(conn, ready.settings, 1, person=maren)
            save(ready, 1, {P: DEAD}, person=maren, seen=page["seen"], shown=page["shown"])
            with ready.read() as conn:
                assert calls.current_calls_of_bud(conn, 1)[P].proposal_id == page["shown"][0]
    finally:
        done.set()
        other.join()


def test_sending_twice_counts_once(ready: Season) -> None:
    maren, ivo = who(ready, "Maren Holt"), who(ready, "Ivo Lund")
    first = save(ready, 1, {P: DEAD, S: LIVE}, person=maren, seen=0, batch=BATCH)
    assert first.batch == BATCH
    assert save(ready, 1, {P: DEAD, S: LIVE}, person=maren, seen=0, batch=BATCH) == first
    save(ready, 1, {P: LIVE}, person=maren)
    assert save(ready, 1, {P: DEAD, S: LIVE}, person=maren, seen=0, batch=BATCH) == first
    with ready.read() as conn:
        assert len(calls.call_history(conn, 1)) == 3
        assert calls.current_calls_of_bud(conn, 1)[P].value is CallValue.LIVE
    for bud, person in ((2, maren), (1, ivo)):
        with pytest.raises(ConflictError, match="saved under another bud or person"):
            save(ready, bud, {P: DEAD}, person=person, batch=BATCH)
    with pytest.raises(InputError, match="the batch is 'x'; expected 32 hexadecimal digits"):
        save(ready, 1, {P: DEAD}, person=maren, batch="x")


def test_a_repeated_save_tells_the_same_of_another_reader_and_of_a_blind_bud(
    blind: Season
) -> None:
    maren, ivo = who(blind, "Maren Holt"), who(blind, "Ivo Lund")
    propose(blind, 1, Verdict.DEAD)
    whole = {P: LIVE, S: LIVE, T: LIVE}
    save(blind, 1, whole, person=maren, seen=0)
    told = save(blind, 1, whole, person=ivo, seen=0, batch=BATCH)
    assert told.round == "second"
    assert "Maren Holt called this bud" in told.message
    assert len(told.revealed) == 2
    assert save(blind, 1, whole, person=ivo, seen=0, batch=BATCH) == told


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
