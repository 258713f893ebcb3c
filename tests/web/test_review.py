"""Reviewing: who sees what, what a save keeps, what counts, pictures, corrections."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import cv2
import numpy as np
import pytest
from flask import Flask
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import event

from budvision.errors import ConflictError, InputError
from budvision.language import speaking
from budvision.photo.colour import find_neutral
from budvision.store.queries import blocks, people, photos, proposals
from budvision.store.queries.calls import NewCall, call_history, current_calls
from budvision.store.queries.canes import bud_place, update_cane
from budvision.store.queries.people import Person
from budvision.store.queries.states import bud_states
from budvision.store.queries.undoing import undo as plain_undo
from budvision.store.session import Season
from budvision.vocabulary import TISSUES, CallValue, Proposal, Tissue, TissueProposal, Verdict
from budvision.web import create_app
from budvision.workflow.intake.propose import ModelInUse
from budvision.workflow.review import pictures, regions
from budvision.workflow.review import queue as review_queue
from budvision.workflow.review import save as review
from budvision.workflow.review.agreement import agreement
from budvision.workflow.review.page import bud_page, sure_words
from budvision.workflow.review.queue import Choice
from budvision.workflow.review.steps import Step

LIVE = {tissue: NewCall(CallValue.LIVE) for tissue in TISSUES}
DEAD = {tissue: NewCall(CallValue.DEAD) for tissue in TISSUES}


@pytest.fixture(scope="module")
def template(
    tmp_path_factory: pytest.TempPathFactory, drawn: ModuleType
) -> tuple[Path, list[Any]]:
    """Draw one season for all tests of this module; each works on a copy."""
    folder = tmp_path_factory.mktemp("template") / "winter"
    season, buds = drawn.make_season(folder, n_buds=8, n_canes=2, side=640)
    season.close()
    return folder, buds


@pytest.fixture
def small(tmp_path: Path, template: tuple[Path, list[Any]]) -> Iterator[tuple[Season, list[Any]]]:
    shutil.copytree(template[0], tmp_path / "winter")
    season = Season.open(tmp_path / "winter")
    yield season, template[1]
    season.close()


@pytest.fixture
def blind(tmp_path: Path, drawn: ModuleType) -> Iterator[tuple[Season, list[Any]]]:
    season, buds = drawn.make_season(
        tmp_path / "winter", n_buds=4, n_canes=1, side=640, blind=1.0, second=1.0)
    yield season, buds
    season.close()


def person(season: Season, name: str) -> Person:
    with season.write() as conn:
        return people.ensure_person(conn, name)


def page(season: Season, bud_id: int, who: Person, reading: str = "first") -> dict[str, Any]:
    with season.read() as conn:
        return bud_page(conn, season.settings, bud_id, person=who, reading=reading)


def queue(season: Season, who: Person, **choice: str) -> list[int]:
    with season.read() as conn:
        from budvision.store.queries.blocks import list_samplings

        sampling = list_samplings(conn)[0]
        rows = review_queue.queue(conn, season.settings, sampling, who, Choice(**choice))
        return [row.bud_id for row in rows]


def history(season: Season, bud_id: int) -> list[Any]:
    with season.read() as conn:
        return call_history(conn, bud_id)


def test_a_proposal_is_no_call(small: tuple[Season, list[Any]]) -> None:
    season, buds = small
    ada = person(season, "Ada")
    shown = page(season, buds[0].bud_id, ada)
    assert shown["tissues"]["primary"]["proposal"]["value"] in ("live", "dead")
    assert shown["tissues"]["primary"]["call"] is None
    with season.read() as conn:
        assert current_calls(conn) == []


def test_the_best_exposed_cut_of_each_tissue_is_in_front(small: tuple[Season, list[Any]]) -> None:
    season, buds = small
    shown = page(season, buds[1].bud_id, person(season, "Ada"))
    assert [cut["cut"] for cut in shown["cuts"]] == [1, 2]
    assert shown["tissues"]["tertiary"]["proposal"]["cut"] == 2
    assert shown["tissues"]["tertiary"]["proposal"]["value"] != "not_exposed"
    assert set(shown["cuts"][0]["outlines"]) == {"primary", "secondary"}


def test_outlines_lie_where_the_tissue_was_drawn(small: tuple[Season, list[Any]]) -> None:
    season, buds = small
    shown = page(season, buds[0].bud_id, person(season, "Ada"))
    path = shown["cuts"][0]["outlines"]["primary"]["path"]
    points = np.array(re.findall(r"-?[\d.]+", path), float).reshape(-1, 2)
    # drawn at row 450, col 470 of 900 with radius 95 (a) and 106 (b), in a photograph of 640
    middle, size = np.array([470, 450]) * 640 / 900, np.array([95, 106.4]) * 640 / 900
    assert np.allclose((points.min(0) + points.max(0)) / 2, middle, atol=13)
    assert np.allclose((points.max(0) - points.min(0)) / 2, size, atol=4)


def test_a_tissue_said_to_be_hidden_is_not_outlined(small: tuple[Season, list[Any]]) -> None:
    season, buds = small
    photo = buds[0].photo_ids[0]
    with season.write() as conn:
        last = proposals.latest_proposals(conn, photo_ids=[photo])[photo]
        said = Proposal(file="p", sha256="", width_px=640, height_px=640, found=True, reasons=(),
                        mm_per_px=None, model=last.model, tissues={
            **last.tissues, Tissue.SECONDARY: TissueProposal(exposed=False)})
        proposals.save_proposal(conn, photo, last.model_id, said, region_id=last.region_id)
    shown = page(season, buds[0].bud_id, person(season, "Ada"))
    assert set(shown["cuts"][0]["outlines"]) == {"primary", "tertiary"}


def test_blind_buds_send_nothing_of_the_proposal(blind: tuple[Season, list[Any]]) -> None:
    season, buds = blind
    ada = person(season, "Ada")
    shown = page(season, buds[0].bud_id, ada)
    assert shown["hidden"] is True
    assert all(one["proposal"] is None for one in shown["tissues"].values())
    assert all(cut["outlines"] == {} for cut in shown["cuts"])
    assert all(cut["reasons"] == [] for cut in shown["cuts"])
    with pytest.raises(InputError, match="secondary, tertiary is not called"):
        review.save(season, buds[0].bud_id, {Tissue.PRIMARY: NewCall(CallValue.LIVE)}, person=ada)
    saved = review.save(season, buds[0].bud_id, LIVE, person=ada)
    assert {one.tissue for one in saved.revealed} == set(TISSUES)
    assert all(row.blind and row.proposal_id for row in history(season, buds[0].bud_id))
    assert page(season, buds[0].bud_id, ada)["hidden"] is False
    review.save(season, buds[0].bud_id, {Tissue.PRIMARY: NewCall(CallValue.DEAD)}, person=ada)
    assert [row.blind for row in history(season, buds[0].bud_id)] == [True] * 3 + [False]


def test_the_lots_fall_the_same_and_at_about_the_share() -> None:
    from budvision.store.queries.blocks import Sampling
    from budvision.workflow.review.readings import is_blind, lot

    sampling = Sampling(id=1, block_id=1, block="Kestrel bench", label="jan", collected_at=None,
                        in_water_at=None, out_of_water_at=None, room_temp_c=None, plan={}, note="",
                        added_at="2026-01-20T09:00:00.000Z")
    drawn = [is_blind(0.1, sampling, str(c), "", n) for c in range(100) for n in range(1, 11)]
    assert drawn == [
        is_blind(0.1, sampling, str(c), "", n) for c in range(100) for n in range(1, 11)]
    assert 70 <= sum(drawn) <= 130  # binomial(1000, 0.1) lies within this in 99.8 %
    later = replace(sampling, added_at="2027-01-20T09:00:00.000Z")
    assert lot("blind", sampling, "1", "", 1) != lot("blind", later, "1", "", 1)


def test_second_reading_is_another_persons_and_sees_neither(
    blind: tuple[Season, list[Any]]
) -> None:
    season, buds = blind
    ada, tom = person(season, "Ada"), person(season, "Tom")
    bud = buds[0].bud_id
    review.save(season, bud, LIVE, person=ada)
    assert queue(season, ada, reading="second") == []
    assert queue(season, tom, reading="second") == [bud]
    shown = page(season, bud, tom, "second")
    assert shown["hidden"] is True
    assert shown["history"] == []
    assert all(one["call"] is None and one["proposal"] is None
               for one in shown["tissues"].values())
    assert all(row["calls"] == {} for row in shown["strip"])
    with pytest.raises(ConflictError, match="Ada made the first call of this bud"):
        review.save(season, bud, LIVE, person=ada, reading="second")
    calls = {**LIVE, Tissue.PRIMARY: NewCall(CallValue.DEAD)}
    review.save(season, bud, calls, person=tom, reading="second")
    with season.read() as conn:
        assert current_calls(conn)[0].primary is CallValue.LIVE, "a second reading never counts"
    assert queue(season, ada, reading="settle") == [bud]
    settle = page(season, bud, ada, "settle")
    assert settle["to_settle"] == ["primary"]
    assert [one["value"] for one in settle["tissues"]["primary"]["settle"]] == ["live", "dead"]
    review.save(season, bud, {Tissue.PRIMARY: NewCall(CallValue.DEAD)}, person=ada,
                reading="settle")
    with season.read() as conn:
        assert current_calls(conn)[0].primary is CallValue.DEAD
    assert queue(season, ada, reading="settle") == []
    assert len(history(season, bud)) == 7, "all of it is kept"
    found = agreement(season)
    assert (found.readers[0].agreed.n_hit, found.readers[0].agreed.n) == (2, 3)
    assert found.n_read_twice == 1
    assert found.n_to_settle == 0


def test_second_sample_is_a_share_of_each_block(tmp_path: Path, drawn: ModuleType) -> None:
    season, _ = drawn.make_season(tmp_path / "w", n_buds=12, n_canes=2, side=640, second=0.25)
    from budvision.store.queries.blocks import list_samplings
    from budvision.workflow.review.readings import second_sample

    with season.read() as conn:
        sampling = list_samplings(conn)[0]
        states = bud_states(conn, sampling.id)
    assert len(second_sample(0.25, sampling, states)) == 3
    assert len(second_sample(0.1, sampling, states)) == 2, "rounded up"
    assert second_sample(0.1, sampling, states) <= second_sample(0.25, sampling, states)
    assert second_sample(0.0, sampling, states) == frozenset()
    season.close()


def test_two_reviewers_on_one_bud_both_stay(small: tuple[Season, list[Any]]) -> None:
    season, buds = small
    ada, tom = person(season, "Ada"), person(season, "Tom")
    bud = buds[0].bud_id
    seen = page(season, bud, tom)["seen"]
    review.save(season, bud, LIVE, person=ada, seen=page(season, bud, ada)["seen"])
    saved = review.save(season, bud, DEAD, person=tom, seen=seen)
    assert saved.round == "second"
    assert "Ada called this bud while you had it open" in saved.message
    with season.read() as conn:
        assert current_calls(conn)[0].primary is CallValue.LIVE
    assert queue(season, ada, reading="settle") == [bud]
    again = review.save(season, bud, DEAD, person=tom, seen=page(season, bud, tom)["seen"])
    assert again.round == "first", "who has seen the call may change it, by a new row"
    with season.read() as conn:
        assert current_calls(conn)[0].primary is CallValue.DEAD


def test_undo_writes_rows_and_is_ones_own(small: tuple[Season, list[Any]]) -> None:
    season, buds = small
    ada, tom = person(season, "Ada"), person(season, "Tom")
    bud = buds[0].bud_id
    batch = review.save(season, bud, LIVE, person=ada).batch
    with pytest.raises(ConflictError, match="these calls are Ada's"):
        review.undo(season, batch, person=tom)
    assert review.undo(season, batch, person=ada).bud_ids == (bud,)
    assert len(history(season, bud)) == 6
    with season.read() as conn:
        assert current_calls(conn) == []
    assert bud in queue(season, ada)


def test_skipped_buds_wait_elsewhere_and_count_nowhere(small: tuple[Season, list[Any]]) -> None:
    season, buds = small
    ada = person(season, "Ada")
    review.skip(season, buds[2].bud_id, person=ada)
    assert buds[2].bud_id not in queue(season, ada)
    assert queue(season, ada, show="skipped") == [buds[2].bud_id]
    review.save(season, buds[2].bud_id, LIVE, person=ada)
    assert queue(season, ada, show="skipped") == []


def test_the_next_bud_is_handed_to_one_person_alone(
    small: tuple[Season, list[Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    season, buds = small
    walk = [bud.bud_id for bud in buds]
    ada, tom = person(season, "Ada"), person(season, "Tom")

    def ask(who: Person, after: int | None = None, **choice: str) -> list[int]:
        from budvision.store.queries.blocks import list_samplings

        chosen = Choice(**choice)
        with season.read() as conn:
            sampling = list_samplings(conn)[0]
            coming = review_queue.turn(conn, season.settings, sampling, who, chosen, after)
        with season.write(of_the_moment=True) as conn:
            return review_queue.hand_out(conn, coming, who, chosen, after=after)

    assert ask(ada) == walk[:3]
    assert ask(tom) == walk[3:6], "what was handed to Ada ahead is hers too"
    assert ask(ada, after=walk[0]) == [walk[1], walk[2], walk[6]]
    assert ask(tom, show="all") == walk[:3], "who asks to see all of them sees all of them"
    review.save(season, walk[0], LIVE, person=ada)
    later = "2999-01-01T00:00:00.000Z"
    monkeypatch.setattr("budvision.store.queries.review.now", lambda: later)
    assert ask(tom, after=walk[3]) == [walk[4], walk[5], walk[6]], "what lapsed goes back"


def test_a_bud_called_while_the_order_was_made_is_not_handed_out(
    small: tuple[Season, list[Any]]
) -> None:
    from budvision.store.queries.blocks import list_samplings

    season, buds = small
    ada, tom = person(season, "Ada"), person(season, "Tom")
    with season.read() as conn:
        coming = review_queue.turn(conn, season.settings, list_samplings(conn)[0], tom, Choice(),
                                   None)
    review.save(season, buds[0].bud_id, LIVE, person=ada)
    with season.write(of_the_moment=True) as conn:
        handed = review_queue.hand_out(conn, coming, tom, Choice())
    assert handed == [b.bud_id for b in buds[1:4]]


@pytest.mark.slow
@pytest.mark.parametrize("database", ["sqlite", pytest.param("postgres",
                                                             marks=pytest.mark.postgres)])
def test_reviewers_at_once_never_get_the_same_bud(
    tmp_path: Path, drawn: ModuleType, database: str, request: pytest.FixtureRequest
) -> None:
    import threading

    from budvision.store.queries.blocks import list_samplings

    url = request.getfixturevalue("postgres_url") if database == "postgres" else None
    season, buds = drawn.make_season(tmp_path / "w", n_buds=24, n_canes=2, side=320,
                                     database_url=url)
    called: list[tuple[int, str]] = []
    failed: list[BaseException] = []

    def work(name: str) -> None:
        try:
            who, after = person(season, name), None
            while True:
                with season.read() as conn:
                    coming = review_queue.turn(
                        conn, season.settings, list_samplings(conn)[0], who, Choice(), after)
                with season.write(of_the_moment=True) as conn:
                    handed = review_queue.hand_out(conn, coming, who, Choice(), after=after, n=2)
                if not handed:
                    return
                after = handed[0]
                done = review.save(season, after, LIVE, person=who, seen=0)
                called.append((after, done.round))
        except BaseException as error:
            failed.append(error)

    threads = [threading.Thread(target=work, args=(f"Reader {n}",)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    season.close()
    assert failed == []
    assert sorted(bud for bud, _ in called) == sorted(bud.bud_id for bud in buds)
    assert {round for _, round in called} == {"first"}


def test_a_node_without_a_bud_waits_for_nobody(small: tuple[Season, list[Any]]) -> None:
    season, buds = small
    ada = person(season, "Ada")
    bud = buds[2].bud_id
    review.mark_no_bud(season, bud, person=ada)
    assert bud not in queue(season, ada)
    assert page(season, bud, ada)["no_bud"] is True
    with season.read() as conn:
        assert current_calls(conn) == []
    review.mark_no_bud(season, bud, person=ada, on=False)
    assert bud in queue(season, ada)
    review.save(season, bud, LIVE, person=ada)
    with pytest.raises(ConflictError, match="this bud has been called"):
        review.mark_no_bud(season, bud, person=ada)


def test_orders(small: tuple[Season, list[Any]]) -> None:
    season, buds = small
    ada, tom = person(season, "Ada"), person(season, "Tom")
    walk = [bud.bud_id for bud in buds]
    assert queue(season, ada) == walk
    assert queue(season, ada, order="doubtful")[0] == buds[3].bud_id, "its primary is unsure"
    first, second = queue(season, ada, order="random"), queue(season, tom, order="random")
    assert sorted(first) == walk
    assert first == queue(season, ada, order="random")
    assert first != second
    with pytest.raises(InputError, match="order is 'best'"):
        Choice(order="best")


def test_doubtful_first_does_not_tell_of_blind_buds(blind: tuple[Season, list[Any]]) -> None:
    season, buds = blind
    order = queue(season, person(season, "Ada"), order="doubtful")
    with season.read() as conn:
        from budvision.store.queries.blocks import list_samplings
        from budvision.workflow.review.readings import lot

        sampling = list_samplings(conn)[0]
    by_lot = sorted(buds, key=lambda b: -lot("place", sampling, "1", "",
                                             1 + buds.index(b)))
    assert order == [bud.bud_id for bud in by_lot]


@pytest.mark.postgres
def test_reviewing_on_postgresql(tmp_path: Path, drawn: ModuleType, postgres_url: str) -> None:
    season, buds = drawn.make_season(
        tmp_path / "w", n_buds=3, n_canes=1, side=640, blind=1.0, second=1.0,
        database_url=postgres_url)
    ada, tom = person(season, "Ada"), person(season, "Tom")
    bud = buds[0].bud_id
    assert queue(season, ada, order="doubtful") != []
    review.save(season, bud, LIVE, person=ada, seen=page(season, bud, ada)["seen"])
    review.save(season, bud, DEAD, person=tom, reading="second")
    review.save(season, bud, {Tissue.PRIMARY: NewCall(CallValue.DEAD)}, person=ada,
                reading="settle")
    found = agreement(season)
    assert found.n_blind_buds == 1
    assert (found.readers[0].agreed.n_hit, found.readers[0].agreed.n) == (0, 3)
    with season.read() as conn:
        (kept,) = current_calls(conn)
    assert (kept.primary, kept.secondary) == (CallValue.DEAD, CallValue.LIVE)
    season.close()


# ---- nothing is counted that was not confirmed, and no row disappears ---------------------------

ACTS = st.lists(st.tuples(
    st.sampled_from(["propose", "call", "call", "undo", "correct", "second", "settle"]),
    st.integers(0, 1), st.integers(0, 1), st.sampled_from(list(CallValue)),
    st.sampled_from(list(Tissue)),
), max_size=14)


@pytest.mark.slow
@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(acts=ACTS)
def test_results_depend_on_the_current_calls_alone(
    acts: list[tuple[str, int, int, CallValue, Tissue]], tmp_path_factory: pytest.TempPathFactory,
) -> None:
    """Play random sequences beside a model in plain Python: what counts is what it says."""
    from budvision.store.queries import blocks, canes, models, photos

    season = Season.create(tmp_path_factory.mktemp("s") / "w")
    who = [person(season, "Ada"), person(season, "Tom")]
    with season.write() as conn:
        block = blocks.ensure_block(conn, "b")
        sampling = blocks.ensure_sampling(conn, block, "s")
        cane = canes.ensure_cane(conn, sampling, "1")
        buds = [canes.ensure_bud(conn, cane, n) for n in (1, 2)]
        model = models.ensure_model(conn, "m-1", "a" * 64, "m")
        shots = []
        for n, bud in enumerate(buds):
            shot = photos.add_photo(conn, sha256=str(n) * 64, file_name="p.jpg", format="JPEG",
                                    n_bytes=9, width_px=64, height_px=64).id
            photos.assign(conn, shot, bud, 1, source="manifest")
            shots.append(shot)
    first: dict[tuple[int, Tissue], list[CallValue | None]] = {}
    settled: dict[tuple[int, Tissue], list[CallValue | None]] = {}
    batches: list[tuple[str, int, Tissue]] = []
    rows_before: list[Any] = []
    for kind, b, p, value, tissue in acts:
        one = {tissue: NewCall(value)}
        key = (b, tissue)
        if kind == "propose":
            said = Proposal(file="p", sha256="", width_px=64, height_px=64, found=True, reasons=(),
                            mm_per_px=None, model="m-1", tissues={
                tissue: TissueProposal(exposed=True, verdict=Verdict.DEAD, p_dead=0.99, area_px=9,
                                       centre=(1.0, 1.0), why="", features={"a": 1.0})})
            with season.write() as conn:
                proposals.save_proposal(conn, shots[b], model, said)
        elif kind == "correct":
            with season.write() as conn:
                proposals.save_region(conn, shots[b], np.ones((8, 8), np.uint8), (0, 0, 8, 8),
                                      person_id=who[p].id)
        elif kind == "call":
            try:
                done = review.save(season, buds[b], one, person=who[p])
            except InputError:
                continue  # a blind bud wants all three; nothing was kept
            first.setdefault(key, []).append(value)
            batches.append((done.batch, b, tissue))
        elif kind == "undo" and batches:
            batch, at, what = batches.pop()
            with season.write() as conn:
                plain_undo(conn, batch, person_id=who[p].id)
            first[at, what].pop()
        elif kind == "second":
            with season.write() as conn:
                from budvision.store.queries.calls import save_calls

                save_calls(conn, buds[b], one, person_id=who[p].id, round="second", blind=True)
        elif kind == "settle":
            if not first.get(key):
                with pytest.raises(ConflictError, match="nobody has called the"):
                    review.save(season, buds[b], one, person=who[p], reading="settle")
                continue
            review.save(season, buds[b], one, person=who[p], reading="settle")
            settled.setdefault(key, []).append(value)
        with season.read() as conn:
            rows = [row for bud in buds for row in call_history(conn, bud)]
            counted = {(n - 1, t): calls.call(t) for calls in current_calls(conn)
                       for n in [calls.node] for t in TISSUES if calls.call(t) is not None}
        known = {row.id: row for row in rows}
        assert all(known.get(row.id) == row for row in rows_before), "a row changed or vanished"
        rows_before = rows
        wanted = {key: values[-1] for key, values in first.items() if values}
        wanted |= {key: values[-1] for key, values in settled.items() if values}
        assert counted == wanted
    season.close()


# ---- pages, pictures, corrections ----------------------------------------------------------------


@pytest.fixture
def client(small: tuple[Season, list[Any]]) -> Iterator[FlaskClient]:
    app: Flask = create_app(small[0].folder, testing=True)
    client = app.test_client()
    mark = re.search(r'csrf-token" content="([^"]+)"', client.get("/me").text)
    assert mark
    client.post("/me", data={"csrf_token": mark.group(1), "name": "Ada", "next": "/review"})
    client.environ_base["HTTP_X_CSRFTOKEN"] = mark.group(1)
    client.environ_base["HTTP_ACCEPT"] = "application/json, text/html;q=0.9"
    yield client
    app.extensions["budvision.season"].close()


def test_the_name_is_asked_first(small: tuple[Season, list[Any]]) -> None:
    app = create_app(small[0].folder, testing=True)
    answer = app.test_client().get("/review")
    assert answer.status_code == 302
    assert answer.headers["Location"] == "/me?next=/review"
    assert app.test_client().get("/review/").status_code == 302  # as typed beside /bench/
    app.extensions["budvision.season"].close()


@pytest.mark.parametrize("path", [
    "/review", "/review/bud/1", "/review/agreement", "/review/reference", "/people", "/me",
    "/review/cut/1/outlines", "/review/sampling/1?show=skipped",
])
def test_pages_answer(client: FlaskClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 200
    assert 'lang="en"' in answer.text
    assert "<style" not in answer.text
    assert " style=" not in answer.text


def test_the_overview_shows_fifty_samplings_at_a_time_and_finds_a_block(
    client: FlaskClient, small: tuple[Season, list[Any]]
) -> None:
    def shown(address: str) -> list[str]:
        answer = client.get(address, follow_redirects=True)
        assert answer.status_code == 200
        return re.findall(r'id="sampling-\d+">(.+?) <span', answer.text)

    assert shown("/review") == ["Kestrel bench"]
    assert 'name="waiting"' not in client.get("/review").text, "nothing to choose from"
    with small[0].write() as conn:
        for number in range(54):
            blocks.ensure_sampling(
                conn, blocks.ensure_block(conn, f"Étage {number:02d}_%"), "late winter")
    first, second = shown("/review"), shown("/review?page=2")
    assert (len(first), len(second)) == (50, 5)
    assert sorted({*first, *second}) == sorted(
        ["Kestrel bench", *(f"Étage {number:02d}_%" for number in range(54))])
    assert shown("/review?page=9") == second, "past the end is the last page"
    assert shown("/review?block=ÉTAGE 07") == ["Étage 07_%"]
    assert shown("/review?block=7_%25") == [f"Étage {n}7_%" for n in range(5)], "as it is written"
    assert shown("/review?waiting=yes") == ["Kestrel bench"]
    assert shown("/review?block=nowhere") == []
    assert "Nothing to review yet" not in client.get("/review?block=nowhere").text
    kept = client.get("/review?block=étage").text
    assert "page=2&amp;block=%C3%A9tage" in kept, "from page to page"


def test_states_that_are_remembered_are_those_of_the_rows(
    small: tuple[Season, list[Any]]
) -> None:
    season, buds = small
    ada, tom = person(season, "Ada"), person(season, "Tom")
    first, second = buds[0].bud_id, buds[1].bud_id

    def check() -> None:
        with season.read() as conn:
            for doubts in (False, True):
                assert review_queue.states_of(season, conn, 1, doubts=doubts) == bud_states(
                    conn, 1, doubts=doubts)

    deeds: list[Callable[[], object]] = [
        lambda: None, lambda: review.save(season, first, LIVE, person=ada),
        lambda: review.save(season, first, DEAD, person=tom, reading="second"),
        lambda: review.skip(season, second, person=ada),
        lambda: review.mark_no_bud(season, second, person=ada),
    ]
    for deed in deeds:
        deed()
        check()
    with season.write() as conn:
        photos.assign(conn, buds[2].photo_ids[0], None, 1, source="page")
    check()
    with season.write() as conn:
        update_cane(conn, bud_place(conn, first).cane_id, label="another name")
    check()


def test_what_is_asked_of_the_database_at_every_bud_stays_little(
    client: FlaskClient, small: tuple[Season, list[Any]]
) -> None:
    season: Season = client.application.extensions["budvision.season"]
    asked: list[str] = []

    @event.listens_for(season.engine, "before_cursor_execute")
    def _note(_conn: object, _cursor: object, statement: str, *_: object) -> None:
        asked.append(statement)

    def count(answer: Any) -> int:
        assert answer.status_code == 200
        n = len(asked)
        asked.clear()
        return n

    def one_bud(bud_id: int) -> tuple[int, int, int]:
        asked.clear()
        facts = client.get(f"/review/bud/{bud_id}/facts")
        n_facts, given = count(facts), facts.json
        n_open = count(client.post(f"/review/bud/{bud_id}/open", json={}))
        calls = {tissue.value: {"value": "live"} for tissue in TISSUES}
        return n_facts, n_open, count(client.post(
            f"/review/bud/{bud_id}/calls",
            json={"calls": calls, "seen": given["seen"], "shown": given["shown"]}))

    one_bud(small[1][0].bud_id)
    n_facts, n_open, n_save = one_bud(small[1][3].bud_id)
    assert n_facts <= 12, "17 before"
    assert n_open <= 12, "16 before"
    assert n_save <= 32, "38 before, 65 before that"


def picture(data: bytes) -> np.ndarray:
    image = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert image is not None
    return image[..., ::-1]


def test_pictures_show_the_face_a_part_and_the_browned_area(
    client: FlaskClient, small: tuple[Season, list[Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    season, buds = small
    face = client.get("/review/cut/1/face/1000.jpg")
    assert face.mimetype == "image/jpeg"
    assert max(picture(face.data).shape) <= 1000
    kept = list((season.folder / "cache" / "pictures").rglob("*.jpg"))
    assert len(kept) == 1
    part = picture(client.get("/review/cut/1/part.jpg?box=100,120,180,200&side=64").data)
    assert part.shape[:2] == (64, 64)
    full = cv2.imread(str(season.photos.path(_sha(season, 1))))[100:180, 120:200, ::-1]
    small_full = cv2.resize(full, (64, 64), interpolation=cv2.INTER_AREA)
    assert np.abs(part.astype(int) - small_full.astype(int)).mean() < 4
    assert client.get("/review/cut/1/part.jpg?box=0,0,9000,9000").status_code == 400
    assert client.get("/review/cut/1/part.jpg?box=a").status_code == 400
    assert client.get("/review/cut/99/face/1000.jpg").status_code == 404
    assert client.get("/review/cut/1/face/777.jpg").status_code == 400
    dead = next(b for b in buds if b.truth[Tissue.PRIMARY] == "dead")
    live = next(b for b in buds if b.truth[Tissue.PRIMARY] == "live")
    looked = 0

    def find(crop: Any, labels: Any) -> Any:
        nonlocal looked
        looked += 1
        return find_neutral(crop, labels)

    monkeypatch.setattr(pictures, "find_neutral", find)
    hatched = [
        picture(client.get(f"/review/cut/{bud.photo_ids[0]}/why/primary.jpg").data)
        for bud in (dead, live)
    ]
    white = [float((one.min(axis=2) > 235).mean()) for one in hatched]
    assert white[0] > 3 * white[1], "the dead one is hatched, the live one is not"
    assert client.get(f"/review/cut/{dead.photo_ids[0]}/why/secondary.jpg").status_code == 200
    assert looked == 2, "once a photograph"


def _sha(season: Season, photo_id: int) -> str:
    from budvision.store.queries.photos import photo_by_id

    with season.read() as conn:
        return photo_by_id(conn, photo_id).sha256


def test_saving_over_the_page(client: FlaskClient, small: tuple[Season, list[Any]]) -> None:
    season, buds = small
    bud = buds[0].bud_id
    calls = {"primary": {"value": "dead", "cause": "mites", "note": "galls"},
             "secondary": {"value": "live"}, "tertiary": {"value": "not_exposed"}}
    done = client.post(f"/review/bud/{bud}/calls", json={"calls": calls, "seen": 0})
    assert done.status_code == 200
    assert done.json["next"][0] == buds[1].bud_id
    rows = history(season, bud)
    assert (rows[0].value, rows[0].cause, rows[0].person) == ("dead", "mites", "Ada")
    bad = client.post(f"/review/bud/{bud}/calls", json={"calls": {"primary": {"value": "brwn"}}})
    assert bad.status_code == 400
    assert "brwn" in bad.json["what"]
    back = client.post("/review/undo", json={"batch": done.json["batch"]})
    assert back.json == {"ok": True, "bud_id": bud}
    assert client.post("/review/undo", json={"batch": "none"}).status_code == 404


def test_there_is_no_way_to_call_many_buds_at_once(client: FlaskClient) -> None:
    writing = sorted(
        rule.rule for rule in client.application.url_map.iter_rules()
        if "POST" in (rule.methods or ()) and rule.rule.startswith("/review")
    )
    assert writing == [
        "/review/bud/<int:bud_id>/calls", "/review/bud/<int:bud_id>/no-bud",
        "/review/bud/<int:bud_id>/open",
        "/review/bud/<int:bud_id>/skip", "/review/cut/<int:photo_id>/outlines",
        "/review/cut/<int:photo_id>/outlines/preview",
        "/review/cut/<int:photo_id>/outlines/undo", "/review/trial", "/review/undo",
    ]  # the trial's: whether readers see proposals, no call


def test_reference_pictures_are_the_nearest_confirmed(
    client: FlaskClient, small: tuple[Season, list[Any]]
) -> None:
    season, buds = small
    ada = person(season, "Ada")
    for bud in buds[1:]:
        review.save(season, bud.bud_id, {
            tissue: NewCall(CallValue(bud.truth[tissue])) for tissue in TISSUES}, person=ada)
    found = client.get(f"/review/bud/{buds[0].bud_id}/like/primary").json
    wanted = {side: sum(bud.truth[Tissue.PRIMARY] == side for bud in buds[1:])
              for side in ("live", "dead")}
    for side in ("live", "dead"):
        assert len(found[side]) == min(2, wanted[side])
        assert all(one["value"] == side for one in found[side])
        away = [one["distance"] for one in found[side]]
        assert away == sorted(away)
        assert buds[0].bud_id not in [one["bud_id"] for one in found[side]]


USED = ModelInUse("drawn-2", "e" * 64, "models/drawn-2")


def _judge(data: bytes, labels: np.ndarray, box: tuple[int, ...], name: str) -> Proposal:
    area = int((labels == 1).sum())
    return Proposal(file=name, sha256="", width_px=640, height_px=640, found=True, reasons=(),
                    mm_per_px=None, model="drawn-2", tissues={
        Tissue.PRIMARY: TissueProposal(exposed=True, verdict=Verdict.DEAD, p_dead=0.9,
                                       area_px=area, centre=(1.0, 1.0), why="again", features={})})


def test_a_redrawn_region_is_kept_beside_the_original(small: tuple[Season, list[Any]]) -> None:
    season, buds = small
    ada = person(season, "Ada")
    photo = buds[0].photo_ids[0]
    square = ((100.0, 100.0), (100.0, 160.0), (160.0, 160.0), (160.0, 100.0))
    step = Step("draw", Tissue.PRIMARY, points=square)
    done = regions.correct(season, photo, [step], person=ada, judge=_judge, used=USED)
    with season.read() as conn:
        kept = proposals.regions_of_photo(conn, photo)
        now = proposals.current_region(conn, photo)
        latest = proposals.latest_proposals(conn, photo_ids=[photo])[photo]
    assert [region.person_id for region in kept] == [None, ada.id]
    assert now is not None
    assert now.id == done.region_id
    assert now.replaces_id == kept[0].id
    per_label_px = ((now.box[2] - now.box[0]) / now.labels.shape[0]) ** 2
    assert float((now.labels == 1).sum()) * per_label_px == pytest.approx(60 * 60, rel=0.05)
    assert (now.labels == 2).sum() > 0, "the other tissues stay"
    assert (latest.id, latest.region_id, latest.model) == (
        done.proposal_id, done.region_id, "drawn-2")
    back = regions.correct(season, photo, [Step("original")], person=ada, judge=_judge,
                           used=USED)
    with season.read() as conn:
        again = proposals.regions_of_photo(conn, photo)[-1]
    assert again.id == back.region_id
    assert np.array_equal(again.labels, kept[0].labels)
    assert again.person_id == ada.id


def test_one_click_grows_a_missed_tissue(small: tuple[Season, list[Any]]) -> None:
    season, buds = small
    photo = buds[0].photo_ids[0]
    with season.read() as conn:
        truth = proposals.current_region(conn, photo)
    assert truth is not None
    wanted = truth.labels == 2
    rows, cols = np.nonzero(wanted)
    scale = (truth.box[2] - truth.box[0]) / 256
    click = (truth.box[0] + (rows.mean() + 0.5) * scale, truth.box[1] + (cols.mean() + 0.5) * scale)
    steps = [Step("delete", Tissue.SECONDARY),
             Step("grow", Tissue.SECONDARY, points=(click,))]
    labels, _ = regions.preview(season, photo, steps)
    grown = labels == 2
    overlap = (grown & wanted).sum() / (grown | wanted).sum()
    assert overlap > 0.6
    with season.read() as conn:
        assert len(proposals.regions_of_photo(conn, photo)) == 1, "a preview keeps nothing"


def test_an_outline_can_change_its_tissue(small: tuple[Season, list[Any]]) -> None:
    season, buds = small
    photo = buds[0].photo_ids[0]
    step = Step("rename", Tissue.PRIMARY, Tissue.SECONDARY)
    labels, _ = regions.preview(season, photo, [step])
    with season.read() as conn:
        before = proposals.current_region(conn, photo)
    assert before is not None
    assert np.array_equal(labels == 2, before.labels == 1)
    assert np.array_equal(labels == 1, before.labels == 2)


@pytest.mark.parametrize(("facts", "text"), [
    ({"kind": "paint", "tissue": Tissue.PRIMARY}, "the step is 'paint'"),
    ({"kind": "draw", "tissue": Tissue.PRIMARY, "points": ((1.0, 1.0),)}, "has 1 point;"),
    ({"kind": "grow", "tissue": Tissue.PRIMARY}, "grow has 0 points"),
    ({"kind": "rename", "tissue": Tissue.PRIMARY}, "names no other tissue"),
    ({"kind": "delete"}, "names no tissue"),
    ({"kind": "grow", "tissue": Tissue.PRIMARY, "points": ((float("nan"), 1.0),)}, "no number"),
])
def test_steps_that_mean_nothing_are_refused(facts: dict[str, Any], text: str) -> None:
    with pytest.raises(InputError, match=text):
        Step(**facts)


def test_blind_buds_cannot_be_corrected_before_they_are_called(
    blind: tuple[Season, list[Any]]
) -> None:
    season, buds = blind
    app = create_app(season.folder, testing=True)
    client = app.test_client()
    mark = re.search(r'csrf-token" content="([^"]+)"', client.get("/me").text)
    assert mark
    client.post("/me", data={"csrf_token": mark.group(1), "name": "Ada", "next": "/review"})
    path = f"/review/cut/{buds[0].photo_ids[0]}/outlines"
    assert client.get(path).status_code == 409
    review.save(season, buds[0].bud_id, LIVE, person=person(season, "Ada"))
    assert client.get(path).status_code == 200
    app.extensions["budvision.season"].close()


def test_one_goes_to_a_bud_by_cane_and_node(
    client: FlaskClient, small: tuple[Season, list[Any]]
) -> None:
    _, buds = small
    answer = client.get("/review/sampling/1/find?cane=1&node=2")
    assert answer.headers["Location"].startswith(f"/review/bud/{buds[1].bud_id}?")
    assert client.get("/review/sampling/1/find?cane=77&node=2").status_code == 404
    assert client.get("/review/sampling/1/find?cane=1&node=two").status_code == 400


def test_the_end_of_the_queue_leads_to_the_result(
    client: FlaskClient, small: tuple[Season, list[Any]]
) -> None:
    season, buds = small
    for bud in buds:
        review.save(season, bud.bud_id, LIVE, person=person(season, "Ada"))
    text = client.get("/review/sampling/1").text
    assert "See the result" in text
    assert "/results/block/1" in text


def test_how_sure_a_proposal_is_stands_in_the_pages_language() -> None:
    with speaking("de"):
        assert sure_words(0.999, "dead") == "über 99 von 100"
        assert sure_words(0.55, "unsure") == "55 von 100 für tot"
    assert sure_words(0.08, "live") == "92 in 100"
