"""The models' pages: how the model does, training, comparing, promoting, going back."""

from __future__ import annotations

import importlib.util
import re
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest
from flask.testing import FlaskClient

from budvision.store.queries import models
from budvision.store.session import Season
from budvision.verdict.watch import agreement_chart
from budvision.web import create_app
from budvision.web.models.pages import chart_of


def _taught() -> ModuleType:
    path = Path(__file__).parents[1] / "workflow" / "test_train.py"
    spec = importlib.util.spec_from_file_location("taught_for_pages", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


taught = _taught()
base_folder = taught.base_folder
season = taught.season


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


def test_overview_says_how_the_model_does(client: FlaskClient) -> None:
    page = client.get("/models/").text
    assert "plain-1" in page
    assert "agreement with blind calls" in page
    assert "<svg" in page
    assert any(word in page for word in ("In order:", "Look:", "Do not trust:"))


def test_train_compare_promote_and_go_back(client: FlaskClient, season: Season) -> None:
    done = client.post("/models/train", data={"csrf_token": _token(client)})
    assert done.status_code == 303
    page = client.get(done.location).text
    assert "Against plain-1, on the same blind-called buds" in page
    assert re.search("tuned-1 (makes fewer wrong calls|calls more tissues rightly), beyond", page)
    assert "What it learnt from" in page
    # training alone promotes nothing
    with season.read() as conn:
        assert models.current_model(conn) is None
    token = _token(client)
    empty = client.post("/models/one/tuned-1/promote", data={"csrf_token": token, "reason": " "})
    assert empty.status_code >= 400
    client.post("/models/one/tuned-1/promote",
                data={"csrf_token": token, "reason": "fewer wrong on blind buds"})
    page = client.get("/models/").text
    assert "fewer wrong on blind buds" in page
    with season.read() as conn:
        current = models.current_model(conn)
    assert current is not None
    assert current.name == "tuned-1"
    client.post("/models/back", data={"csrf_token": token, "reason": "the lamp was changed"})
    with season.read() as conn:
        current = models.current_model(conn)
    assert current is not None
    assert current.name == "plain-1"


def test_nothing_is_decided_without_a_token(client: FlaskClient, season: Season) -> None:
    assert client.post("/models/train").status_code == 400
    assert list(season.models_folder.iterdir()) == []


def test_slips_page(client: FlaskClient) -> None:
    page = client.get("/models/slips").text
    assert "second look" in page


def test_unknown_model_is_not_found(client: FlaskClient) -> None:
    assert client.get("/models/one/none-9").status_code == 404


def test_chart_is_to_scale() -> None:
    points = agreement_chart([str(i) for i in range(100)], [True] * 75 + [False] * 25)
    chart = chart_of(tuple(points))
    assert chart is not None
    heights = [dot[1] for dot in chart.dots]
    assert heights[0] == heights[1] == heights[2] < heights[3]
    assert chart.dots[3][2]
    assert chart.dots[0][0] < chart.dots[1][0]
    assert chart_of(()) is None
