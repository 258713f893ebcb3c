"""The page of the trial, where a lead decides, and the page of a bud's whole history."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from flask.testing import FlaskClient

from budvision.store.queries.calls import NewCall
from budvision.store.queries.people import active_person
from budvision.store.session import Season
from budvision.vocabulary import CallValue
from budvision.web import create_app
from budvision.workflow.review.save import save, undo

ADA = "Ada Quill"


def _text(client: FlaskClient, address: str) -> str:
    plain = re.sub(r"<[^>]+>", " ", client.get(address).text)
    return " ".join(html.unescape(plain).split())


def _token(client: FlaskClient, address: str) -> str:
    found = re.search(r'name="csrf_token"[^>]*value="([^"]+)"', client.get(address).text)
    assert found is not None
    return found[1]


@pytest.fixture
def begun(tmp_path: Path, drawn: ModuleType) -> Iterator[tuple[Season, list[Any], FlaskClient]]:
    season, buds = drawn.make_season(
        tmp_path / "winter", n_buds=8, n_canes=2, side=240, trial=4)
    season.close()
    app = create_app(tmp_path / "winter", testing=True)
    client = app.test_client()
    client.post("/me", data={"csrf_token": _token(client, "/me"), "name": ADA})
    yield app.extensions["budvision.season"], buds, client
    app.extensions["budvision.season"].close()


def _call(season: Season, buds: list[Any]) -> str:
    with season.read() as conn:
        ada = active_person(conn, ADA)
    for bud in buds:
        batch = save(season, bud.bud_id, {
            tissue: NewCall(CallValue(value)) for tissue, value in bud.truth.items()},
            person=ada).batch
    return batch


@pytest.mark.slow
def test_the_trial_is_told_and_decided_by_page(
    begun: tuple[Season, list[Any], FlaskClient]
) -> None:
    season, buds, client = begun
    assert "On trial: this season, 0 of 4 buds called" in _text(client, "/review")
    assert "hidden until each bud is called" not in _text(client, "/review/trial")
    _call(season, buds[:4])
    assert "a lead decides" in _text(client, "/review")
    shown = _text(client, "/review/trial")
    assert "4 of 4 buds" in shown
    assert re.search(r"this season .* \d of \d \( ?\d+ %; \d+ to \d+ %\)", shown)
    form = {"csrf_token": _token(client, "/review/trial"), "value": "shown", "reason": "It agreed"}
    assert client.post("/review/trial", data={**form, "value": "maybe"}).status_code == 400
    assert client.post("/review/trial", data=form).status_code == 303
    assert f"{ADA} decided on" in _text(client, "/review/trial")
    later = client.get(f"/review/bud/{buds[6].bud_id}/facts").json
    assert not later["hidden"]
    assert not later["trial"]
    assert "as Ada Quill decided: in 4 buds" in _text(client, "/results/block/1")


def test_a_buds_whole_history_is_a_page_that_hides_what_is_hidden(
    begun: tuple[Season, list[Any], FlaskClient]
) -> None:
    season, buds, client = begun
    address = f"/review/bud/{buds[0].bud_id}/history"
    before = _text(client, address)
    assert "What models proposed stays hidden" in before
    assert "drawn-1" not in before
    assert "Nobody has called it yet." in before
    with season.read() as conn:
        ada = active_person(conn, ADA)
    undo(season, _call(season, buds[:1]), person=ada)
    after = _text(client, address)
    assert "drawn-1 proposed: primary" in after
    assert after.count("taken back") >= 3
    assert re.search(r"\d\d:\d\d UTC", after)
    assert not re.search(r"\d\d:\d\d (?!UTC)", after), "a time without its zone says nothing"
    assert after.count("first reading, blind, on the page") == 3
    german = _text(client, f"{address}?lang=de")
    assert german.count("Erstlesung, blind, auf der Seite") == 3
    assert "zurückgenommen" in german
    assert client.get("/review/bud/999/history").status_code == 404
