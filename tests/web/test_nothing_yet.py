"""What pages say of a season that holds nothing yet: no share of nothing, no verdict, a way on."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from sqlalchemy import update

import budvision.web
from budvision.store.queries import jobs
from budvision.store.session import Season, as_utc
from budvision.store.tables import job
from budvision.vocabulary import CallValue, Cause, Tissue
from budvision.web import create_app
from budvision.web.season.begin import begin_app


@pytest.fixture
def client(tmp_path: Path) -> Iterator[FlaskClient]:
    Season.create(tmp_path / "winter").close()
    app = create_app(tmp_path / "winter", testing=True)
    made = app.test_client()
    token = re.search(r'name="csrf-token" content="([^"]+)"', made.get("/me").text)
    assert token
    made.post("/me", data={"csrf_token": token[1], "name": "Petra Quill"})
    yield made
    app.extensions["budvision.season"].close()


def _text(client: FlaskClient, path: str) -> str:
    return re.sub(r"\s+", " ", html.unescape(client.get(path).text))


def test_the_model_has_no_share_of_no_photograph(client: FlaskClient) -> None:
    page = _text(client, "/models/")
    assert "0.0 %" not in page
    assert page.count("not known yet") == 4


def test_no_call_is_cleared_before_there_is_one(client: FlaskClient) -> None:
    page = _text(client, "/models/slips")
    assert "looks like a slip" not in page
    assert "Nobody has called a bud yet." in page


def test_nothing_was_changed_of_nothing(client: FlaskClient) -> None:
    page = _text(client, "/review/agreement")
    assert "changed <span" not in page
    assert "No tissue was called blind yet." in page
    assert "Both calls are kept" not in page


@pytest.mark.parametrize("path", ["/bench/", "/review"])
def test_who_began_by_pages_is_sent_to_a_page(client: FlaskClient, path: str) -> None:
    page = _text(client, path)
    assert 'href="/season/photographs"' in page
    assert "budvision intake" not in page
    assert "budvision propose" not in page


@pytest.mark.parametrize(("language", "side"), [
    ("de", "rechts"), ("fr", "droite"), ("es", "derecha")])
def test_the_right_side_is_a_side(tmp_path: Path, language: str, side: str) -> None:
    """"right" stood for "correct", too, and was translated so."""
    page = begin_app(tmp_path).test_client().get(f"/?lang={language}").text
    label = re.search(r'value="right"[^>]*>\s*(.*?)\s*</span>', page)
    assert label
    assert label[1] == side


def test_what_is_said_to_change_later_can_be_changed(client: FlaskClient, tmp_path: Path) -> None:
    page = _text(begin_app(tmp_path).test_client(), "/")
    assert "All of this can be changed later" not in page, "the site cannot"
    assert "Lab, cane base, units, paper and language can be changed later" in page
    settings = client.get("/season/settings").text
    assert "at once, for everybody on these pages." in settings, "other stations have their own"
    for name in ("lab", "cane_base", "units", "paper", "language"):
        assert f'name="{name}"' in settings


def test_scripts_know_the_words_of_the_trade_in_the_pages_language(client: FlaskClient) -> None:
    """They say them by a name that is worked out, which nobody can gather from the script."""
    told = re.search(r'id="words">(.*?)</script>', client.get("/me?lang=de").text, re.DOTALL)
    assert told
    words = json.loads(told[1])
    for one in (*Tissue, *CallValue, *Cause):
        assert words[str(one).replace("_", " ")], one
    assert words["primary"] == "Hauptknospe"
    assert words["wait"] == "offen"


def test_the_letters_on_the_drawing_of_a_bud_are_seen_in_the_dark_too() -> None:
    """They are dark at any time, so what they stand on has to be light at any time."""
    css = Path(budvision.web.__file__).with_name("bench") / "static" / "bench.css"
    assert re.search(r"\.hold-part \{ fill: #f", css.read_text())
    assert re.search(r"nth-child\(-n\+3\) \{ fill: #2", css.read_text())


def test_killed_work_is_not_said_to_go_on(client: FlaskClient, tmp_path: Path) -> None:
    with Season.open(tmp_path / "winter") as season:
        with season.write() as conn:
            jobs.add_job(conn, "check", {}, asked_by="Petra Quill", station=season.station)
            jobs.take_job(conn, season.station, lost_after_s=90)
        page = _text(client, "/season/keep")
        assert "It goes on while you use other pages" in page
        assert "No sign of it" not in page
        ago = as_utc((datetime.now(UTC) - timedelta(seconds=45)).isoformat())
        with season.write() as conn:
            conn.execute(update(job).values(seen_at=ago))
    page = _text(client, "/season/keep")
    assert f"No sign of it since {ago[11:16]} UTC" in page
    assert "begins again after 90 seconds" in page
    assert "It goes on" not in page
