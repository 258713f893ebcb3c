"""Every route by method and role, as the table says; visits, throttling and closing people."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient
from werkzeug.security import generate_password_hash

from budvision.errors import UsageError
from budvision.store.queries import people
from budvision.store.session import Season
from budvision.web import create_app
from budvision.web.current import SEASON_KEY
from budvision.web.roles import PERMISSIONS, may

PASSWORD = "four plain words here"
NAMES = {"technician": "Wren Adeyemi", "reviewer": "Tom Reyes", "lead": "Ilse Brandl"}
ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def hashed() -> str:
    """Hashed at little cost: twenty guesses have to fit into the minute they are counted in."""
    return generate_password_hash(PASSWORD, method="scrypt:1024:8:1")


@pytest.fixture
def season(tmp_path: Path, hashed: str) -> Iterator[Season]:
    with Season.create(tmp_path / "winter") as made:
        with made.write() as conn:
            for role, name in NAMES.items():
                people.add_person(conn, name, role, password_hash=hashed)
        yield made


@pytest.fixture
def network(season: Season) -> Iterator[Flask]:
    app = create_app(season.folder, loopback=False, hosts=["lab-pc.local"])
    yield app
    app.extensions[SEASON_KEY].close()


@pytest.fixture
def loopback(season: Season) -> Iterator[Flask]:
    app = create_app(season.folder)
    yield app
    app.extensions[SEASON_KEY].close()


def token(client: FlaskClient) -> str:
    match = re.search(r'name="csrf-token" content="([^"]+)"', client.get("/me").text)
    assert match
    return match.group(1)


def log_in(client: FlaskClient, name: str, *, address: str = "10.0.0.9", password: str = PASSWORD,
           forwarded: str = "") -> int:
    headers = {"X-Forwarded-For": forwarded} if forwarded else {}
    return client.post("/me", data={"csrf_token": token(client), "name": name,
                                    "password": password, "next": "/me"},
                       environ_base={"REMOTE_ADDR": address}, headers=headers).status_code


def test_the_table_of_the_docs_is_the_one_that_holds() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("## Permissions")[1]
    rows = re.findall(r"^\| `([^`]+)` \| (GET|POST) \| ([a-z, ]+) \|$", text, re.MULTILINE)
    assert [(route, method, tuple(roles.split(", "))) for route, method, roles in rows] == list(
        PERMISSIONS)


@pytest.mark.slow
def test_every_route_stands_in_the_table_and_answers_as_it_says(network: Flask) -> None:
    from fnmatch import fnmatchcase

    network.config["WTF_CSRF_ENABLED"] = False
    clients: dict[str | None, FlaskClient] = {None: network.test_client()}
    for role, name in NAMES.items():
        clients[role] = network.test_client()
        assert log_in(clients[role], name) == 302
    n_shut = 0
    for rule in network.url_map.iter_rules():
        path = re.sub(r"<int:[^>]+>", "999999", rule.rule)
        path = re.sub(r"<[^>]+>", "x", path)
        for method in sorted(rule.methods & {"GET", "POST", "PUT", "PATCH", "DELETE"}):
            if rule.endpoint in ("people.leave", "people.enter"):
                continue  # they end or begin the visit that is tried here
            assert any(fnmatchcase(rule.endpoint, pattern) and method == allowed
                       for pattern, allowed, _ in PERMISSIONS), (
                f"{method} {rule.rule} ({rule.endpoint}) stands in no row of PERMISSIONS")
            for role, client in clients.items():
                status = client.open(path, method=method, json={} if method == "POST" else None,
                                     headers={"Accept": "application/json"}).status_code
                open_ = may(rule.endpoint, method, role)
                shut = 401 if role is None else 403
                assert (status != shut) is open_, (rule.rule, method, role, status)
                n_shut += not open_
    assert n_shut > 40


def test_a_technician_confirms_no_call(network: Flask) -> None:
    client = network.test_client()
    log_in(client, NAMES["technician"])
    answer = client.post("/review/bud/1/calls", json={"calls": {"primary": {"value": "dead"}}},
                         headers={"X-CSRFToken": token(client)})
    assert answer.status_code == 403


def test_logging_out_ends_the_visit_on_the_server(network: Flask) -> None:
    client, thief = network.test_client(), network.test_client()
    log_in(client, NAMES["lead"])
    for cookie in client._cookies.values():
        thief.set_cookie(cookie.key, cookie.value, domain=cookie.domain)
    assert thief.get("/people").status_code == 200
    other = network.test_client()
    log_in(other, NAMES["lead"])
    client.post("/leave", data={"csrf_token": token(client)})
    assert thief.get("/people").status_code == 302, "the old cookie opens nothing any more"
    assert other.get("/people").status_code == 200, "another visit of the same person goes on"


@pytest.mark.slow
def test_guessing_is_slowed_by_account_from_however_many_addresses(network: Flask) -> None:
    client = network.test_client()
    tried = [log_in(client, "tom  REYES" if n % 2 else "Tom Reyes", address=f"10.0.1.{n}",
                    password="guess") for n in range(21)]
    assert tried == [302] * 20 + [429]
    assert log_in(client, NAMES["lead"], address="10.0.1.99") == 302


@pytest.mark.slow
def test_addresses_are_a_proxys_word_only_where_one_is_said_to_be_there(season: Season) -> None:
    for https, last in ((True, 302), (False, 429)):
        app = create_app(season.folder, loopback=False, hosts=["lab-pc.local"], https=https)
        app.config["WTF_CSRF_ENABLED"] = False
        client = app.test_client()
        tried = [client.post("/me", data={"name": NAMES["reviewer"], "password": "x"},
                             environ_base={"REMOTE_ADDR": "10.0.7.7"},
                             headers={"X-Forwarded-For": f"192.0.2.{n}"}).status_code
                 for n in range(11)]
        assert tried[-1] == last
        app.extensions[SEASON_KEY].close()


def test_a_network_is_refused_while_nobody_could_log_in(tmp_path: Path) -> None:
    with Season.create(tmp_path / "new") as made, made.write() as conn:
        people.add_person(conn, "No Password", "lead")
    with pytest.raises(UsageError, match="nobody has a password yet"):
        create_app(tmp_path / "new", loopback=False, hosts=["lab-pc.local"])


def test_https_alone_once_a_proxy_speaks_it(season: Season, network: Flask) -> None:
    assert "Strict-Transport-Security" not in network.test_client().get("/me").headers
    app = create_app(season.folder, loopback=False, hosts=["lab-pc.local"], https=True)
    assert app.test_client().get("/me").headers["Strict-Transport-Security"] == "max-age=31536000"
    app.extensions[SEASON_KEY].close()


def test_secrets_are_their_owners_alone(network: Flask, season: Season) -> None:
    network.test_client().get("/me")
    secret = season.folder / "cache" / "cookie-secret"
    assert secret.stat().st_mode & 0o777 == 0o600


def test_only_a_lead_closes_people_with_confirmation_and_never_himself(
    loopback: Flask, season: Season
) -> None:
    def close(who: str, name: str, **more: str) -> int:
        client = loopback.test_client()
        log_in(client, who, address="127.0.0.1")
        with season.read() as conn:
            found = people.find_person(conn, name)
        assert found is not None
        return client.post(f"/people/{found.id}/active", data={
            "csrf_token": token(client), "active": "no", **more}).status_code

    def open_to() -> set[str]:
        with season.read() as conn:
            return {row.name for row in people.list_people(conn) if row.active}

    assert close(NAMES["reviewer"], NAMES["technician"], sure="yes") == 403
    assert close(NAMES["lead"], NAMES["technician"]) == 400
    assert close(NAMES["lead"], NAMES["lead"], sure="yes") == 409
    assert open_to() == set(NAMES.values())
    assert close(NAMES["lead"], NAMES["technician"], sure="yes") == 302
    assert open_to() == {NAMES["reviewer"], NAMES["lead"]}


def test_a_form_that_fails_keeps_what_was_typed(loopback: Flask) -> None:
    client = loopback.test_client()
    log_in(client, NAMES["lead"], address="127.0.0.1")
    answer = client.post("/people", data={"csrf_token": token(client), "name": "tom reyes",
                                          "role": "technician", "password": ""})
    assert answer.status_code == 400
    assert "Tom Reyes is there already" in answer.text
    assert 'value="tom reyes"' in answer.text
    assert re.search(r'value="technician"\s+checked', answer.text)
