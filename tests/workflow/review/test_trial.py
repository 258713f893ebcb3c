"""A season begins on trial: the first buds are called blind, then a lead decides."""

from __future__ import annotations

from pathlib import Path

import drawn_season
import pytest

from budvision.errors import ConflictError, InputError
from budvision.report.sheet import sheet_words
from budvision.store.queries import blocks, canes, models, photos, proposals
from budvision.store.queries.blocks import list_samplings
from budvision.store.queries.calls import NewCall
from budvision.store.queries.people import Person, ensure_person
from budvision.store.queries.trust import Subject, add_trust, standing_trust
from budvision.store.session import Season
from budvision.verdict.watch import light_moved
from budvision.vocabulary import CallValue, Proposal
from budvision.workflow.answers.answers import season_answers
from budvision.workflow.answers.results import season_results
from budvision.workflow.answers.sheet_facts import block_facts
from budvision.workflow.learning import models as learned
from budvision.workflow.review import trial as work
from budvision.workflow.review.page import bud_page
from budvision.workflow.review.queue import Choice, queue
from budvision.workflow.review.save import save
from budvision.workflow.review.trial import decide, note_light, trial


@pytest.fixture
def begun(tmp_path: Path) -> tuple[Season, list[object], Person]:
    season, buds = drawn_season.make_season(
        tmp_path / "winter", n_buds=12, n_canes=3, side=240, trial=6)
    text = (season.folder / "budvision.toml").read_text("utf-8")
    (season.folder / "budvision.toml").write_text(
        text.replace("[settings]\n", "[settings]\ntrial_again_buds = 2\n"), "utf-8")
    season.close()
    season = Season.open(season.folder)
    with season.write() as conn:
        lead = ensure_person(conn, "Ada Lindqvist", "lead")
    yield season, buds, lead
    season.close()


def _next(season: Season, person: Person) -> object:
    with season.read() as conn:
        return queue(conn, season.settings, list_samplings(conn)[0], person, Choice())[0]


def _call(season: Season, buds: list[object], person: Person, n: int) -> list[str]:
    """Call the next buds as they come, by the truth; return their canes."""
    by_id = {one.bud_id: one for one in buds}
    came = []
    for _ in range(n):
        row = _next(season, person)
        truth = by_id[row.bud_id].truth
        save(season, row.bud_id, {t: NewCall(CallValue(v)) for t, v in truth.items()},
             person=person)
        came.append(row.cane)
    return came


def test_a_season_is_on_trial_until_a_lead_decides(begun: tuple[Season, list, Person]) -> None:
    season, buds, lead = begun
    with season.read() as conn:
        assert bud_page(conn, season.settings, buds[0].bud_id, person=lead)["hidden"]
        assert [part.n_called for part in trial(season, conn).parts] == [0, 0, 0]
    with pytest.raises(ConflictError, match="0 of 6"):
        decide(season, shown=True, person=lead, reason="in a hurry")
    assert sorted(_call(season, buds, lead, 3)) == ["1", "2", "3"], "one of each cane first"
    assert sorted(_call(season, buds, lead, 3)) == ["1", "2", "3"]
    with season.read() as conn:
        now = trial(season, conn)
    assert [part.subject.kind for part in now.ready] == ["season", "cultivar", "camera"]
    whole = now.parts[0].agreed
    assert whole.n_buds == 6
    assert whole.live.n + whole.dead.n + whole.unsure.n_hit == whole.unsure.n
    assert whole.live.interval is not None
    assert whole.live.interval.low < whole.live.n_hit / whole.live.n
    with pytest.raises(InputError, match="reason is empty"):
        decide(season, shown=True, person=lead, reason=" ")
    decide(season, shown=True, person=lead, reason="It agreed with us.")
    later = _next(season, lead)
    with season.read() as conn:
        assert not bud_page(conn, season.settings, later.bud_id, person=lead)["hidden"]
        assert trial(season, conn).parts == ()
        kept = standing_trust(conn)[Subject("season")]
    assert (kept.person, kept.value, kept.facts["n_buds"]) == ("Ada Lindqvist", "shown", 6)
    assert kept.facts["live"] == [whole.live.n_hit, whole.live.n]


def test_the_decision_stands_with_the_results_and_on_the_sheet(
    begun: tuple[Season, list, Person]
) -> None:
    season, buds, lead = begun
    _call(season, buds, lead, 6)
    assert "nobody has decided yet" in season_results(season)[0].trust
    decide(season, shown=True, person=lead, reason="It agreed with us.")
    told = season_results(season)[0].trust
    assert "as Ada Lindqvist decided: in 6 buds called before they were shown" in told
    words = sheet_words(block_facts(season, season_answers(season)[0], photographs=False))
    assert told in words.judged
    decide(season, shown=False, person=lead, reason="Too many slips.")
    assert season_results(season)[0].trust.startswith("The program's proposals are hidden")
    with season.read() as conn:
        assert bud_page(conn, season.settings, _next(season, lead).bud_id, person=lead)["hidden"]


def test_a_new_cultivar_camera_or_light_begins_a_shorter_trial(
    begun: tuple[Season, list, Person]
) -> None:
    season, buds, lead = begun
    _call(season, buds, lead, 6)
    decide(season, shown=True, person=lead, reason="It agreed with us.")
    with season.write() as conn:
        block = blocks.ensure_block(conn, "Upper bench", cultivar="Linnet")
        other = blocks.ensure_sampling(conn, block, "after the cold night")
        cane = canes.ensure_cane(conn, other, "1")
        strange = canes.ensure_bud(conn, cane, 1)
        photo = photos.add_photo(conn, sha256="e" * 64, file_name="e.jpg", format="JPEG",
                                 n_bytes=9, width_px=900, height_px=700, camera="Field 4")
        photos.assign(conn, photo.id, strange, 1, source="manifest")
        model = models.ensure_model(conn, "drawn-1", "d" * 64, "models/drawn-1")
        proposals.save_proposal(conn, photo.id, model, Proposal(
            file="e.jpg", sha256="e" * 64, width_px=900, height_px=700, found=False, reasons=(),
            mm_per_px=None, model="drawn-1", tissues={}))
    with season.read() as conn:
        parts = {part.subject: part for part in trial(season, conn).parts}
        assert set(parts) == {Subject("cultivar", "Linnet"), Subject("camera", "Field 4")}
        assert {part.n_wanted for part in parts.values()} == {2}
        assert bud_page(conn, season.settings, strange, person=lead)["hidden"]
    waiting = _next(season, lead).bud_id
    with season.write() as conn:
        add_trust(conn, Subject("light", "", list_samplings(conn)[0].id), "again", reason="moved")
    with season.read() as conn:
        assert bud_page(conn, season.settings, waiting, person=lead)["trial"]
    _call(season, buds, lead, 2)
    decide(season, shown=True, person=lead, reason="The new lamp does no harm.")
    with season.read() as conn:
        assert not bud_page(conn, season.settings, _next(season, lead).bud_id,
                            person=lead)["hidden"]


def test_a_promoted_model_begins_a_shorter_trial(
    begun: tuple[Season, list, Person], monkeypatch: pytest.MonkeyPatch
) -> None:
    season, buds, lead = begun
    monkeypatch.setattr(learned, "_load", lambda at, used: (None, {}, learned._verified(at, used)))
    _call(season, buds, lead, 6)
    decide(season, shown=True, person=lead, reason="It agreed with us.")
    learned.promote_model(season, "staged-1.0", person=lead.name, reason="It sees buds at one side")
    assert "Since then staged-1.0 proposes" in season_results(season)[0].trust
    _call(season, buds, lead, 2)  # beside what the model before proposed
    with season.read() as conn:
        assert bud_page(conn, season.settings, _next(season, lead).bud_id, person=lead)["trial"]
        (part,) = trial(season, conn).parts
        assert (part.subject, part.n_wanted, part.n_called) == (Subject("season"), 2, 0)
    for _ in range(2):
        bud = _next(season, lead).bud_id
        with season.write() as conn:
            model = models.ensure_model(conn, "staged-1.0", "s" * 64, "models/staged-1.0")
            for cut in photos.cuts_of_bud(conn, bud):
                said = proposals.proposal_history(conn, cut.photo.id)[-1]
                proposals.save_proposal(conn, cut.photo.id, model, Proposal(
                    file="a.jpg", sha256=cut.photo.sha256, width_px=900, height_px=700,
                    found=True, reasons=(), mm_per_px=None, model="staged-1.0",
                    tissues=said.tissues))
        _call(season, buds, lead, 1)
    decide(season, shown=True, person=lead, reason="This one does as well.")
    with season.read() as conn:
        assert trial(season, conn).parts == ()
        assert standing_trust(conn)[Subject("season")].facts["model"] == "staged-1.0"


def test_a_sampling_in_another_light_is_put_on_trial_once(
    begun: tuple[Season, list, Person], monkeypatch: pytest.MonkeyPatch
) -> None:
    season, buds, lead = begun
    _call(season, buds, lead, 6)
    day = [(-12.0, 6.0 + i % 3, 14.0) for i in range(30)]
    with season.write() as conn:
        first = list_samplings(conn)[0]
        other = blocks.ensure_sampling(conn, first.block_id, "a week later")
    casts = {first.id: day, other: [(a, b, c + 30) for a, b, c in day]}
    monkeypatch.setattr(work, "casts_of", lambda conn, key: casts[key])
    assert note_light(season, other) == "", "nothing is shown yet"
    decide(season, shown=True, person=lead, reason="It agreed with us.")
    assert note_light(season, first.id) == ""
    assert note_light(season, other) == "blue to yellow by +30"
    assert note_light(season, other) == "", "noted once"
    with season.read() as conn:
        assert standing_trust(conn)[Subject("light", "", other)].value == "again"


def test_the_light_has_moved_only_where_it_moved_far() -> None:
    day = [(-12.0 + i % 5, 6.0 + i % 3, 14.0 - i % 4) for i in range(30)]
    assert light_moved(day, [(a, b + 4, c - 3) for a, b, c in day]) == ""
    assert light_moved(day, [(a, b, c + 25) for a, b, c in day]) == "blue to yellow by +25"
    assert light_moved(day, [(a, b, c + 25) for a, b, c in day[:10]]) == ""
