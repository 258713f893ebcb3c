"""The bench's addresses: what they refuse, and that nothing of it is lost or trusted."""

from __future__ import annotations

import errno
import io
import os
import random
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from flask import Flask
from flask.testing import FlaskClient
from PIL import Image

from budvision import files
from budvision.settings import Settings
from budvision.store.queries import blocks
from budvision.store.queries.photos import cuts_of_sampling
from budvision.store.session import Season
from budvision.vocabulary import Proposal, Tissue, TissueProposal, Verdict
from budvision.web import create_app
from budvision.web.bench.pages import PROPOSER_KEY
from budvision.workflow.bench import model
from budvision.workflow.sampling.plan import describe_block, plan_sample, save_plan


def photograph(number: int) -> bytes:
    image = np.full((720, 960, 3), 190, np.uint8)
    cv2.putText(image, str(number), (300, 400), cv2.FONT_HERSHEY_SIMPLEX, 5, (30, 60, 90), 12)
    return cv2.imencode(".jpg", image)[1].tobytes()


def _propose(data: bytes, name: str) -> tuple[Proposal, None]:
    live = TissueProposal(exposed=True, verdict=Verdict.DEAD, p_dead=0.97)
    return Proposal(file=name, sha256="0" * 64, width_px=960, height_px=720, found=True,
                    reasons=(), mm_per_px=None, model="m", tissues={
        Tissue.PRIMARY: live, Tissue.SECONDARY: TissueProposal(exposed=False),
        Tissue.TERTIARY: TissueProposal(exposed=False)}), None


@pytest.fixture(autouse=True)
def _boundaries() -> Iterator[None]:
    """Werkzeug's test client draws form boundaries from the global generator; put it back."""
    plain = random.getstate()
    yield
    random.setstate(plain)


@pytest.fixture
def app(tmp_path: Path) -> Iterator[Flask]:
    with Season.create(tmp_path / "winter") as season:
        layout = describe_block("Lark Terrace", n_rows=6, n_vines=20)
        save_plan(season, plan_sample(layout, settings=Settings(), sampling="s1", canes=2, nodes=3,
                                      draw=3))
    app = create_app(tmp_path / "winter", testing=True)
    app.config["WTF_CSRF_ENABLED"] = False
    app.extensions[PROPOSER_KEY] = _propose
    yield app
    app.extensions["budvision.season"].close()


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    client = app.test_client()
    client.post("/me", data={"name": "Wren Adeyemi", "next": "/bench/"})
    return client


def _send(client: FlaskClient, data: bytes, **more: str):
    fields = {"cane": "1", "node": "1", "cut": "1"} | more
    return client.post("/bench/1/photo", data=fields | {"photo": (io.BytesIO(data), "a.jpg")},
                       headers={"Accept": "application/json"})


def test_a_photograph_is_answered_without_a_verdict(client: FlaskClient, app: Flask) -> None:
    told = _send(client, photograph(1)).get_json()
    assert told["ok"]
    assert told["answer"]["next"] == "deeper"
    assert told["answer"]["verdicts"] == {}
    assert "dead" not in str(told)
    assert "0.97" not in str(told)
    board = client.get("/bench/1/board").get_json()
    assert board["canes"][0]["buds"][0]["cuts"] == [
        {"cut": 1, "sha256": told["sha256"], "seen": ["primary"]}]
    assert "dead" not in str(board["canes"])
    assert client.get(f"/bench/picture/{told['sha256']}.jpg").data[:2] == b"\xff\xd8"
    # The season's setting may allow it.
    config = app.extensions["budvision.season"].folder / "budvision.toml"
    config.write_text("[settings]\nbench_verdicts = true\n", encoding="utf-8")
    again = create_app(config.parent, testing=True)
    again.config["WTF_CSRF_ENABLED"] = False
    again.extensions[PROPOSER_KEY] = _propose
    second = again.test_client()
    second.post("/me", data={"name": "Wren Adeyemi"})
    told = _send(second, photograph(2), node="2").get_json()
    assert told["answer"]["verdicts"] == {"primary": "dead"}
    again.extensions["budvision.season"].close()


@pytest.mark.parametrize(
    ("data", "fields", "status", "words"),
    [
        (b"<svg onload=alert(1)>", {}, 400, "expected"),
        (b"", {}, 400, "0 bytes"),
        (photograph(1)[:3000], {}, 400, "expected"),
        (photograph(1), {"cane": "99"}, 404, "there is no cane '99'"),
        (photograph(1), {"node": "x"}, 400, "node is 'x'"),
        (photograph(1), {"node": "900"}, 400, "node is 900"),
        (photograph(1), {"block": "Elsewhere", "label": "s1"}, 409, "it was taken for block Else"),
    ],
    ids=["svg", "empty", "cut-off", "cane", "node", "far-node", "other-season"],
)
def test_what_cannot_be_taken_is_refused_as_json_and_not_kept(
    client: FlaskClient, app: Flask, data: bytes, fields: dict[str, str], status: int, words: str
) -> None:
    found = _send(client, data, **fields)
    assert found.status_code == status
    body = found.get_json()
    assert body["ok"] is False
    assert words in f"{body['what']}; expected {body['expected']}"
    season = app.extensions["budvision.season"]
    assert list(season.photos) == []
    with season.read() as conn:
        assert cuts_of_sampling(conn, 1) == []


def test_a_disk_that_fills_keeps_no_answer_back_and_says_what_it_is(
    client: FlaskClient, app: Flask, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The answer was "a mistake of this program"; the photograph's picture an error of ours."""
    season = app.extensions["budvision.season"]
    full: list[str] = ["cache"]
    plain = files.writing

    def writing(path: Path, **more: Any) -> Any:
        if path.relative_to(season.folder).parts[0] in full:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return plain(path, **more)

    monkeypatch.setattr(files, "writing", writing)
    told = _send(client, photograph(1)).get_json()
    assert (told["answer"]["next"], told["remarks"]) == ("deeper", [])
    assert client.get(f"/bench/picture/{told['sha256']}.jpg").data[:2] == b"\xff\xd8"
    full.append("photos")
    refused = _send(client, photograph(2), node="2")
    assert refused.status_code == 507                 # the page keeps it and sends it again
    assert "No space left on device" in refused.get_json()["what"]
    full.clear()
    assert _send(client, photograph(2), node="2").get_json()["new"]


@pytest.mark.parametrize("node", ["abc", "", None, "²", -1])
def test_a_mark_on_no_node_is_refused(client: FlaskClient, node: object) -> None:
    found = client.post("/bench/1/mark", headers={"Accept": "application/json"},
                        json={"cane": "1", "node": node, "kind": "node", "value": "blind"})
    assert (found.status_code, found.get_json()["where"]) == (400, "bench")


def test_the_bench_goes_onto_a_phone(client: FlaskClient, app: Flask) -> None:
    """A code with the address where a phone can reach it, and what a home screen needs."""
    alone = client.get("/bench/").get_data(as_text=True)
    assert "this computer only" in alone
    app.config["TRUSTED_HOSTS"] = ["127.0.0.1", "bench-laptop"]
    known = client.get("/bench/", headers={"Host": "bench-laptop:8765"}).get_data(as_text=True)
    assert "http://bench-laptop:8765/bench/" in known
    assert "<svg" in known.split("bench-code")[1]
    by_number = client.get("/bench/", headers={"Host": "127.0.0.1:8765"}).get_data(as_text=True)
    assert "http://bench-laptop:8765/bench/" in by_number, "it listens on the network all the same"
    assert "this computer only" not in by_number
    app.config["TRUSTED_HOSTS"] = None
    manifest = client.get("/bench/manifest.webmanifest")
    assert manifest.mimetype == "application/manifest+json"
    told = manifest.get_json(force=True)
    assert told["start_url"] == "/bench/"
    touch = re.search(r'rel="apple-touch-icon" href="([^"]+)"', alone)
    assert touch, "phones that take no SVG"
    pictures = [one for one in told["icons"] if one["type"] == "image/png"]
    assert [one["sizes"] for one in pictures] == ["180x180", "512x512"]
    assert touch[1] == pictures[0]["src"]
    for one in pictures:
        with client.get(one["src"]) as answer, Image.open(io.BytesIO(answer.data)) as icon:
            assert icon.format == "PNG"
            assert f"{icon.width}x{icon.height}" == one["sizes"]


def test_the_board_says_whether_the_model_is_still_being_loaded(
    client: FlaskClient, app: Flask, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert client.get("/bench/1/board").get_json()["model_loading"] is False, "one is given"
    app.extensions.pop(PROPOSER_KEY)
    loaded: list[str] = []
    monkeypatch.setattr(model, "run", lambda _, name, **__: loaded.append(name))
    monkeypatch.setattr(model, "_loaded", set())
    model._load.cache_clear()
    assert client.get("/bench/1/board").get_json()["model_loading"] is True
    assert not loaded, "asking loads nothing"
    model.season_model(app.extensions["budvision.season"])
    assert loaded
    assert client.get("/bench/1/board").get_json()["model_loading"] is False
    model._load.cache_clear()


def test_ready_is_told_in_words(client: FlaskClient) -> None:
    client.post("/bench/1/soak", data={"now": "in_water_at"})
    text = client.get("/bench/1/soak").get_data(as_text=True)
    assert re.search(r"Ready at <time datetime=[^>]+>\w+day \d\d \w+, \d\d:\d\d</time>", text)


def test_nobody_writes_without_a_name_and_no_token(app: Flask) -> None:
    stranger = app.test_client()
    asked = stranger.get("/bench/1")
    assert (asked.status_code, asked.location) == (302, "/me?next=/bench/1")
    assert _send(stranger, photograph(1)).status_code == 401
    app.config["WTF_CSRF_ENABLED"] = True
    known = app.test_client()
    page = known.get("/me").get_data(as_text=True)
    token = page.split('name="csrf-token" content="')[1].split('"')[0]
    known.post("/me", data={"name": "Wren Adeyemi", "csrf_token": token})
    refused = _send(known, photograph(1))
    assert (refused.status_code, refused.get_json()["code"]) == (400, "old_page")
    fresh = known.get("/bench/token", headers={"Accept": "application/json"}).get_json()["token"]
    sent = known.post(
        "/bench/1/photo", headers={"Accept": "application/json", "X-CSRFToken": fresh},
        data={"cane": "1", "node": "1", "cut": "1",
              "photo": (io.BytesIO(photograph(1)), "../../a.jpg")})
    assert sent.get_json()["ok"]


def test_pages_say_what_to_be_careful_of(client: FlaskClient) -> None:
    for path in ("/bench/", "/bench/plan", "/bench/1", "/bench/1/plan", "/bench/1/soak"):
        text = client.get(path).get_data(as_text=True)
        assert "Razor blades cut people" in text
        assert "sharps container" in text


def test_the_list_is_shown_a_page_at_a_time_and_finds_a_block(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    with client.application.extensions["budvision.season"].write() as conn:
        for number in range(3):
            blocks.ensure_sampling(conn, blocks.ensure_block(conn, f"Étage {number}"), "feb")
    monkeypatch.setattr("budvision.web.bench.pages.ROWS_A_PAGE", 2)

    def shown(address: str) -> list[str]:
        return re.findall(r"<h2>(.+?) <span", client.get(address).text)

    first, second = shown("/bench/"), shown("/bench/?page=2")
    assert (len(first), len(second), len({*first, *second})) == (2, 2, 4)
    assert shown("/bench/?page=9") == second, "past the end is the last page"
    assert shown("/bench/?block=ÉTAGE 1") == ["Étage 1"]
    assert shown("/bench/?block=nowhere") == []
    assert "No sampling yet" not in client.get("/bench/?block=nowhere").text
    assert "page=2&amp;block=%C3%A9tage" in client.get("/bench/?block=étage").text


def test_paper_and_pictures_come_only_where_there_are_some(client: FlaskClient) -> None:
    for kind in ("walk", "tags", "card", "tally"):
        assert client.get(f"/bench/1/paper/{kind}.pdf").data.startswith(b"%PDF")
    assert client.get("/bench/1/paper/poster.pdf").status_code == 404
    assert client.get("/bench/1/paper/walk.pdf?paper=a3").status_code == 400
    assert client.get("/bench/9/board").status_code == 404
    assert client.get("/bench/picture/" + "0" * 64 + ".jpg").status_code == 404
    assert client.get("/bench/picture/..%2Fbudvision.toml.jpg").status_code == 404


def test_a_wrong_plan_shows_the_form_again_with_what_was_typed(client: FlaskClient) -> None:
    found = client.post("/bench/plan", data={"block": "North Fan", "sampling": "s2", "rows": "4",
                                             "vines": "9", "zones": "top=1-9"})
    text = found.get_data(as_text=True)
    assert found.status_code == 400
    assert "zone top goes to row 9" in text
    assert 'value="North Fan"' in text
    made = client.post("/bench/plan", data={"block": "North Fan", "sampling": "s2", "rows": "4",
                                            "vines": "9", "canes": "3", "nodes": "4"})
    assert made.status_code == 302
    sure = client.post("/bench/plan", data={
        "block": "South Fan", "sampling": "s2", "rows": "40", "vines": "9", "nodes": "10",
        "edge": "35", "margin": "15", "sure": "80"}, follow_redirects=True)
    assert "enough to be 80% sure of the side of 35%" in sure.get_data(as_text=True)
    bad = client.post("/bench/plan", data={"block": "X", "sampling": "s", "rows": "4",
                                           "vines": "9", "edge": "a third", "sure": "80"})
    assert "edge is &#39;a third&#39;" in bad.get_data(as_text=True)
    assert "North Fan" in client.get("/bench/").get_data(as_text=True)
    german = client.get(f"{made.location}?lang=de").get_data(as_text=True)
    assert "einer Rute sich um 0,25 ähneln" in german


def test_times_are_kept_from_the_soaking_form(client: FlaskClient) -> None:
    client.post("/bench/1/soak", data={"now": "in_water_at"})
    assert "Too early" in client.get("/bench/1/soak").get_data(as_text=True)
    assert "Too early" in client.get("/bench/1").get_data(as_text=True)
    bad = client.post("/bench/1/soak", data={"room_temp_c": "warm"})
    assert bad.status_code == 400
    assert "the room is" in bad.get_data(as_text=True)
