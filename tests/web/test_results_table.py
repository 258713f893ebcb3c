"""A tally table by page: shown first, kept only when a person says so."""

from __future__ import annotations

import io
import random
import re
from collections.abc import Iterator
from pathlib import Path

import openpyxl
import pytest
from flask.testing import FlaskClient

from budvision.store.queries import people
from budvision.store.session import Season
from budvision.web import create_app
from budvision.workflow.answers.results import season_results

HEADER = ["block", "cane", "node", "primary", "secondary", "tertiary"]
ROWS = [["Kettle Bench", str(cane), str(node), "D" if node == 1 else "L", "L", "N"]
        for cane in range(1, 4) for node in range(1, 6)]


def token(client: FlaskClient, page: str = "/results/table") -> dict[str, str]:
    return dict(re.findall(r'name="(csrf_token)" value="([^"]+)"', client.get(page).text))


def as_csv(rows: list[list[str]]) -> bytes:
    return "\n".join(",".join(row) for row in rows).encode()


def as_book(rows: list[list[str]]) -> bytes:
    book, out = openpyxl.Workbook(), io.BytesIO()
    for row in rows:
        book.active.append(row)
    book.save(out)
    return out.getvalue()


@pytest.fixture
def season(tmp_path: Path) -> Iterator[Season]:
    with Season.create(tmp_path / "winter") as season:
        with season.write() as conn:
            people.ensure_person(conn, "Ada Quill")
        yield season


@pytest.fixture
def client(season: Season) -> Iterator[FlaskClient]:
    app = create_app(season.folder, testing=True)
    client = app.test_client()
    client.post("/me", data=token(client, "/me") | {"name": "Ada Quill"})
    yield client
    app.extensions["budvision.season"].close()


def sent(client: FlaskClient, data: bytes, name: str) -> tuple[int, str]:
    state = random.getstate()     # the boundary of a form's parts is drawn from the global one
    answer = client.post("/results/table", data=token(client) | {"file": (io.BytesIO(data), name)},
                         content_type="multipart/form-data")
    random.setstate(state)
    return answer.status_code, " ".join(answer.text.split())


@pytest.mark.slow
@pytest.mark.parametrize(("make", "name"), [(as_csv, "calls.csv"), (as_book, "calls.xlsx")])
def test_a_table_is_answered_and_kept_by_a_persons_word(
    season: Season, client: FlaskClient, make, name: str
) -> None:
    code, page = sent(client, make([HEADER, *ROWS]), name)
    assert (code, "About 20 % of the primary buds are dead" in page) == (200, True)
    assert "The calls of 15 buds would stand as yours" in page
    with season.read() as conn:
        assert conn.exec_driver_sql("SELECT COUNT(*) FROM call").scalar() == 0
    form = dict(re.findall(r'name="(packed|name|csrf_token)" value="([^"]+)"', page))
    refused = client.post("/results/table/store", data=form | {"sampling": "feb"})
    assert refused.status_code == 400
    assert f"{name}, row 2: block is" in refused.text.replace("&#39;", "'")
    assert "on the page the box" in refused.text, "a page has no --create"
    done = client.post("/results/table/store", data=form | {"sampling": "feb", "create": "yes"})
    assert done.status_code == 303
    (answer,) = season_results(season)
    assert (answer.sampling, answer.result.n_buds) == ("feb", 15)
    broken = client.post("/results/table/store", data=form | {"packed": form["packed"][:40]})
    assert broken.status_code == 400
    assert "did not come back whole" in broken.text


@pytest.mark.slow
def test_what_is_wrong_is_said_with_its_place_and_counts_are_answered_only(
    client: FlaskClient,
) -> None:
    wrong = [HEADER, *ROWS[:3], ["Kettle Bench", "1", "4", "brwn", "", ""]]
    code, page = sent(client, as_csv(wrong), "calls.csv")
    assert code == 400
    assert "calls.csv, row 5: primary is &#34;brwn&#34;; expected live, dead, unsure" in page
    counts = [["block", "cane", "buds", "primary_live", "primary_dead"],
              ["Kettle Bench", "1", "10", "7", "3"], ["Kettle Bench", "2", "10", "9", "1"]]
    code, page = sent(client, as_csv(counts), "counts.csv")
    assert (code, "About 20 % of the primary buds are dead" in page) == (200, True)
    assert 'name="packed"' not in page
    assert "counts a cane do not say which bud was dead" in page
