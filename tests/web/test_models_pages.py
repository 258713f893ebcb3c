"""The models' pages: how the model does, training, comparing, promoting, going back."""

from __future__ import annotations

import html
import re
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import taught
from flask.testing import FlaskClient

from budvision.errors import NotFoundError
from budvision.language import speaking
from budvision.store.queries import models
from budvision.store.queries.photos import PhotoRow
from budvision.store.queries.proposals import latest_proposals
from budvision.store.queries.rows import add_row, stream
from budvision.store.session import Season
from budvision.verdict.watch import agreement_chart
from budvision.vocabulary import Proposal, Tissue, TissueProposal, Verdict
from budvision.web import create_app
from budvision.web.models.pages import chart_of
from budvision.workflow.intake import propose
from budvision.workflow.learning.models import Slip

base_folder = taught.base_folder


@pytest.fixture
def client(
    season: Season, base_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[FlaskClient]:
    from budvision.verdict import registry

    monkeypatch.setattr(registry, "DEFAULT_MODEL", "plain-1")
    monkeypatch.setattr(registry, "models_folder", lambda: base_folder.parent)
    taught.fill(season, n_canes=10, lamp=-0.4, blind_every=2)
    app = create_app(season.folder, testing=True)
    client = app.test_client()
    client.post("/me", data={"csrf_token": _token(client), "name": "Petra Quill"})
    yield client
    app.extensions["budvision.season"].close()


def _token(client: FlaskClient, path: str = "/me") -> str:
    match = re.search(r'name="csrf-token" content="([^"]+)"', client.get(path).text)
    assert match
    return match.group(1)


def test_overview_says_how_the_model_does(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = client.get("/models/").text
    n_points = page.count("<title>2")
    assert n_points > 1
    assert "Only the newest" not in page
    monkeypatch.setattr("budvision.web.models.pages.MOST_DOTS", 1)
    few = client.get("/models/").text
    assert few.count("<title>2") == 1
    assert f"Only the newest are drawn: 1 of {n_points}." in few
    assert "plain-1" in page
    assert "Agreement with blind calls, by the model that proposed then" in page
    assert re.search(r'data-head="agreed on live">\d+ of \d+ \(\d+ to \d+', page)
    assert "<svg" in page
    assert any(word in page for word in ("In order:", "Look:", "Do not trust:"))


@pytest.mark.slow
def test_the_overview_waits_for_no_learning_library(tmp_path: Path) -> None:
    """The shipped model is listed and watched in a program that has just begun."""
    Season.create(tmp_path / "season").close()
    code = ("import sys; from budvision.web import create_app; "
            f"page = create_app({str(tmp_path / 'season')!r}, testing=True)"
            ".test_client().get('/models/'); "
            "print(page.status_code, 'unlike training' in page.text, "
            "[m for m in ('sklearn', 'skops') if m in sys.modules])")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "200 True []"


def _ended(client: FlaskClient) -> dict[str, Any]:
    """Wait until the work of the pages has ended, and return what they tell of it."""
    until = time.monotonic() + 120
    while True:
        work = client.get("/models/work").json["work"]
        if work["state"] not in ("waiting", "running"):
            return work
        assert time.monotonic() < until, work
        time.sleep(0.05)


@pytest.fixture
def look(monkeypatch: pytest.MonkeyPatch) -> None:
    """A model that looks at photographs without their files."""
    one = TissueProposal(exposed=True, verdict=Verdict.DEAD, p_dead=0.9, area_px=100,
                         centre=(1.0, 1.0), why="brown", features={})

    def said(_: Season, waiting: list[PhotoRow], *__: object) -> Iterator[object]:
        return (propose._Judged(Proposal(
            file=row.file_name, sha256=row.sha256, width_px=9, height_px=9, found=True, reasons=(),
            mm_per_px=None, model="", tissues={Tissue.PRIMARY: one}))
            for row in waiting)

    monkeypatch.setattr(propose, "_look_with_model", said)


def _shown(season: Season) -> set[str]:
    with season.read() as conn:
        return {row.model for row in latest_proposals(conn).values()}


@pytest.mark.usefixtures("look")
def test_train_compare_promote_and_go_back(client: FlaskClient, season: Season) -> None:
    done = client.post("/models/train", data={"csrf_token": _token(client)})
    assert done.status_code == 303
    work = _ended(client)
    assert (work["state"], work["model"], work["by"]) == ("done", "tuned-1", "Petra Quill")
    assert work["total"] > 1
    page = client.get(done.location).text
    assert "tuned-1 was trained." in page
    assert "/models/one/tuned-1" in page
    page = client.get("/models/one/tuned-1").text
    assert "Against plain-1, on the same blind-called buds" in page
    assert re.search("tuned-1 (makes fewer wrong calls|calls more tissues rightly), beyond", page)
    assert "What it learnt from" in page
    german = client.get("/models/one/tuned-1?lang=de").text
    table = german[german.index("<tbody>"):german.index("</tbody>")]
    assert ">Hauptknospe</th>" in table
    assert 'data-head="Punkte mehr richtig (95 %)"' in table, "a card on a phone"
    assert re.search(r">\+\d+,\d \(", table)
    assert not re.search(r"\d\.\d", table), "decimals as the language writes them"
    client.get("/me?lang=en")
    # training alone promotes nothing
    with season.read() as conn:
        assert models.current_model(conn) is None
    token = _token(client)
    empty = client.post("/models/one/tuned-1/promote", data={"csrf_token": token, "reason": " "})
    assert empty.status_code >= 400
    assert _shown(season) == {"plain-1"}
    client.post("/models/one/tuned-1/promote",
                data={"csrf_token": token, "reason": "fewer wrong on blind buds"})
    assert "tuned-1 looked at 80 photographs of buds that wait" in _ended(client)["text"]
    assert _shown(season) == {"tuned-1"}
    page = client.get("/models/").text
    assert "fewer wrong on blind buds" in page
    with season.read() as conn:
        current = models.current_model(conn)
    assert current is not None
    assert current.name == "tuned-1"
    client.post("/models/back", data={"csrf_token": token, "reason": "the lamp was changed"})
    assert "plain-1 looked at 80 photographs" in _ended(client)["text"]
    assert _shown(season) == {"plain-1"}
    with season.read() as conn:
        current = models.current_model(conn)
        assert len(list(stream(conn, "proposal"))) == 240
    assert current is not None
    assert current.name == "plain-1"


@pytest.mark.slow
def test_second_click_trains_once(
    client: FlaskClient, season: Season, monkeypatch: pytest.MonkeyPatch
) -> None:
    from budvision.workflow.learning import train

    go_on, real = threading.Event(), train.gather_lessons

    def slow(*given: Any, **more: Any) -> Any:
        assert go_on.wait(30)
        return real(*given, **more)

    monkeypatch.setattr(train, "gather_lessons", slow)
    token = _token(client)
    for _ in range(3):
        assert client.post("/models/train", data={"csrf_token": token}).status_code == 303
    page = client.get("/models/").text
    assert "A training runs already" in page
    assert "<progress" in page
    assert re.search('<button class="button primary" type="submit" disabled>Train', page)
    # other work waits for its turn, and is told of
    client.post("/models/look-again", data={"csrf_token": token})
    assert "Next: Proposing anew for the buds that wait." in client.get("/models/").text
    go_on.set()
    _ended(client)
    assert [path.name for path in season.models_folder.glob("tuned-*")] == ["tuned-1"]


def test_why_work_failed_is_shown(
    client: FlaskClient, season: Season, monkeypatch: pytest.MonkeyPatch
) -> None:
    from budvision.workflow.learning import train

    token = _token(client)
    # the season's photographs are not there, nor is its network one
    client.post("/models/look-again", data={"csrf_token": token})
    work = _ended(client)
    assert work["state"] == "failed"
    assert work["text"] in html.unescape(client.get("/models/").text)

    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("a defect")

    monkeypatch.setattr(train, "train", broken)
    client.post("/models/train", data={"csrf_token": token})
    assert "something unexpected happened; it was logged as number" in _ended(client)["text"]
    assert "a defect" not in client.get("/models/").text
    monkeypatch.undo()
    assert client.post("/models/train", data={"csrf_token": token}).status_code == 303


def test_nothing_to_learn_from_is_said_on_the_page(
    tmp_path: Path, base_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from budvision.store.queries import people
    from budvision.verdict import registry

    monkeypatch.setattr(registry, "DEFAULT_MODEL", "plain-1")
    monkeypatch.setattr(registry, "models_folder", lambda: base_folder.parent)
    with Season.create(tmp_path / "empty") as season, season.write() as conn:
        people.ensure_person(conn, "Petra Quill")
    app = create_app(tmp_path / "empty", testing=True)
    client = app.test_client()
    client.post("/me", data={"csrf_token": _token(client), "name": "Petra Quill"})
    client.post("/models/train", data={"csrf_token": _token(client)})
    assert "there is nothing to learn from" in _ended(client)["text"]
    assert "there is nothing to learn from" in client.get("/models/").text
    app.extensions["budvision.season"].close()


def test_nothing_is_decided_without_a_token(client: FlaskClient, season: Season) -> None:
    assert client.post("/models/train").status_code == 400
    assert client.post("/models/look-again").status_code == 400
    assert client.get("/models/work").json == {"ok": True, "work": None}
    assert list(season.models_folder.iterdir()) == []


def test_slips_page_leads_to_the_buds(client: FlaskClient, season: Season) -> None:
    assert "second look" in _slips(client)
    with season.write() as conn:  # one call against its likes
        add_row(conn, "call", {
            "bud_id": 2, "tissue": "primary", "person_id": 1, "source": "page", "replaces_id": 2,
            "added_at": "2026-02-01T09:00:00.000Z",
            "value": {"live": "dead", "dead": "live"}[next(
                row["value"] for row in stream(conn, "call") if row["bud_id"] == 2)]})
    assert 'href="/review/bud/2"' in _slips(client)


def _slips(client: FlaskClient, *, status: int = 200) -> str:
    """Return the page once the search beside it has ended."""
    until = time.monotonic() + 120
    while (page := client.get("/models/slips")).text.count('id="work"'):
        assert time.monotonic() < until
        time.sleep(0.05)
    assert page.status_code == status
    return page.text


def test_the_page_of_slips_does_not_wait_for_the_search(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It loads what learns, and looks at photographs: minutes in which a page must answer."""
    go_on, n_begun = threading.Event(), []

    def search(_: Season) -> list[Slip]:
        n_begun.append(1)
        assert go_on.wait(60)
        return []

    monkeypatch.setattr("budvision.web.models.slips.find_slips", search)
    for _ in range(2):
        assert "Calls of photographed buds are being compared" in client.get("/models/slips").text
        assert client.get("/models/slips/work").json["work"]["state"] == "running"
    go_on.set()
    assert "No call of a photographed bud looks like a slip" in _slips(client)
    assert "No call of a photographed bud looks like a slip" in client.get("/models/slips").text
    assert client.get("/models/slips/work").json == {"ok": True, "work": None}
    assert n_begun == [1]


def test_why_slips_could_not_be_found_is_told_and_tried_again(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[Exception] = [NotFoundError("the model plain-1 is gone")]

    def search(_: Season) -> list[Slip]:
        if told:
            raise told.pop()
        return []

    monkeypatch.setattr("budvision.web.models.slips.find_slips", search)
    assert "plain-1 is gone" in _slips(client, status=404)
    assert "No call of a photographed bud looks like a slip" in _slips(client)


def test_unknown_model_is_not_found(client: FlaskClient) -> None:
    assert client.get("/models/one/none-9").status_code == 404


def test_the_charts_labels_stand_beside_its_lines() -> None:
    """Letters of 24 units, as on a phone, are at most 0.7 of that wide."""
    points = agreement_chart([str(i) for i in range(100)], [True, False, False, False] * 25)
    with speaking("de"):
        chart = chart_of(tuple(points))
    assert chart is not None
    assert chart.ticks[0][1] == "100\u00a0%"
    assert len(chart.ticks[0][1]) * 24 * 0.7 <= chart.left - 12
    for path in (chart.line, chart.low, chart.centre):
        assert min(float(one.split(",")[0]) for one in path.split()) >= chart.left
    heights = [at for at, _ in chart.ticks]
    assert min(b - a for a, b in pairwise(heights)) >= 24


def test_chart_is_to_scale() -> None:
    points = agreement_chart([str(i) for i in range(100)], [True] * 75 + [False] * 25)
    chart = chart_of(tuple(points))
    assert chart is not None
    heights = [dot[1] for dot in chart.dots]
    assert heights[0] == heights[1] == heights[2] < heights[3]
    assert chart.dots[3][2]
    assert chart.dots[0][0] < chart.dots[1][0]
    assert chart_of(()) is None


def test_a_models_card_is_set_as_a_page(client: FlaskClient, base_folder: Path) -> None:
    card = ("# Plain\n\n| on | right |\n| --- | --- |\n| live | 97 % |\n\n**Not** <b>real</b>, see "
            "[how](../TRAINING.md) and [the rule](https://example.org/rule)\n")
    (base_folder / "CARD.md").write_text(card, "utf-8")
    shown = client.get("/models/one/plain-1").text
    assert "<h2>Plain</h2>" in shown
    assert '<table class="stack">' in shown, "a row is a card on a phone"
    assert '<th scope="row">live</th>\n<td data-head="right">97 %</td>' in shown
    assert "see how and" in shown, "no link to a file that no page shows"
    assert '<a href="https://example.org/rule">the rule</a>' in shown
    assert "<strong>Not</strong> &lt;b&gt;real" in shown
