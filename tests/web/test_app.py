"""The frame round every page: hosts, tokens, headers, errors, log-in."""

from __future__ import annotations

import re

import pytest
from flask import Flask
from flask.testing import FlaskClient
from werkzeug.security import generate_password_hash

from budvision.errors import InputError, UsageError
from budvision.store.queries import people
from budvision.store.session import Season
from budvision.web import create_app
from budvision.web.guard import is_loopback_address
from budvision.web.people import hash_password

PASSWORD = "four plain words here"
CHEAP = generate_password_hash(PASSWORD, method="scrypt:1024:8:1")
"""Hashed at little cost: ten guesses have to fit into the minute they are counted in."""


@pytest.fixture
def app(season: Season) -> Flask:
    app = create_app(season.folder)
    yield app
    app.extensions["budvision.season"].close()


@pytest.fixture
def network(season: Season) -> Flask:
    with season.write() as conn:
        people.add_person(conn, "Ilse Brandl", "lead", password_hash=CHEAP)
        people.add_person(conn, "Tom Reyes", "reviewer", password_hash=CHEAP)
        people.add_person(conn, "No Password", "reviewer")
    app = create_app(season.folder, loopback=False, hosts=["lab-pc.local"])
    yield app
    app.extensions["budvision.season"].close()


def token(client: FlaskClient, path: str = "/me") -> str:
    match = re.search(r'name="csrf-token" content="([^"]+)"', client.get(path).text)
    assert match
    return match.group(1)


def log_in(client: FlaskClient, name: str, password: str = PASSWORD, next: str = "/me") -> object:
    return client.post("/me", data={
        "csrf_token": token(client), "name": name, "password": password, "next": next,
    })


def test_only_named_hosts_are_answered(app: Flask) -> None:
    client = app.test_client()
    assert client.get("/me", headers={"Host": "127.0.0.1:8765"}).status_code == 200
    answer = client.get("/me", headers={"Host": "evil.example"})
    assert answer.status_code == 400
    assert "evil.example" in answer.text


def test_headers_shut_out_foreign_scripts(app: Flask) -> None:
    headers = app.test_client().get("/me").headers
    assert "script-src 'self'" in headers["Content-Security-Policy"]
    assert "unsafe" not in headers["Content-Security-Policy"]
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Cache-Control"] == "no-store"


def test_a_form_without_the_pages_token_changes_nothing(app: Flask, season: Season) -> None:
    client = app.test_client()
    answer = client.post("/me", data={"name": "Ada"}, headers={"Accept": "application/json"})
    assert answer.status_code == 400
    assert answer.json["code"] == "old_page"
    with season.read() as conn:
        assert people.list_people(conn) == []


def test_a_name_suffices_on_this_machine_and_leads_only_to_this_site(
    app: Flask, season: Season
) -> None:
    client = app.test_client()
    for target in ("https://evil.example/", "//evil.example/", "/\\evil.example", "javascript:x"):
        answer = client.post("/me", data={
            "csrf_token": token(client), "name": "Ada  Moreau", "next": target,
        })
        assert answer.headers["Location"] == "/"
    cookie = answer.headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Lax" in cookie
    with season.read() as conn:
        assert [row.name for row in people.list_people(conn)] == ["Ada Moreau"]


def test_errors_have_one_form_as_json_and_as_page(app: Flask) -> None:
    @app.get("/fails")
    def fails() -> str:
        raise InputError("the value is 7", expected="at most 5", do="Lower it.", where="x")

    @app.get("/breaks")
    def breaks() -> str:
        raise RuntimeError("secret detail")

    client = app.test_client()
    as_json = client.get("/fails", headers={"Accept": "application/json"})
    assert as_json.status_code == 400
    assert as_json.json == {
        "ok": False, "code": "bad_input", "where": "x", "what": "the value is 7",
        "expected": "at most 5", "do": "Lower it.",
    }
    page = client.get("/fails").text
    assert "x: the value is 7; expected at most 5. Lower it." in page
    assert "Nothing that the season keeps was lost." in page
    assert "lost" not in client.get("/breaks").text, "nobody knows what was done by then"
    broken = client.get("/breaks", headers={"Accept": "application/json"})
    assert broken.status_code == 500
    assert re.fullmatch("[0-9a-f]{8}", broken.json["number"])
    assert "secret" not in broken.text


def test_unexpected_errors_are_logged_whole_with_their_number(
    app: Flask, caplog: pytest.LogCaptureFixture
) -> None:
    @app.get("/breaks")
    def breaks() -> str:
        raise RuntimeError("secret detail")

    number = app.test_client().get("/breaks", headers={"Accept": "application/json"}).json["number"]
    assert number in caplog.text
    assert "secret detail" in caplog.text


def test_nothing_is_written_by_nobody(app: Flask) -> None:
    client = app.test_client()
    answer = client.post("/people", data={"csrf_token": token(client), "name": "X", "role": "lead"})
    assert answer.status_code == 302
    assert answer.headers["Location"].startswith("/me")


def test_a_network_needs_a_password(network: Flask) -> None:
    client = network.test_client()
    assert client.get("/").headers["Location"].startswith("/me")
    assert client.get("/people").headers["Location"].startswith("/me")
    assert "Ilse Brandl" not in client.get("/me").text, "names are not shown to strangers"
    log_in(client, "Ilse Brandl", "wrong password")
    log_in(client, "No Password", "")
    log_in(client, "Nobody", "")
    assert client.get("/people").status_code == 302
    log_in(client, "Ilse Brandl")
    assert client.get("/people").status_code == 200


def test_only_the_lead_adds_people_over_a_network(network: Flask) -> None:
    client = network.test_client()
    log_in(client, "Tom Reyes")
    assert client.get("/people").status_code == 403


def test_a_new_password_ends_old_visits(network: Flask, season: Season) -> None:
    client = network.test_client()
    log_in(client, "Ilse Brandl")
    assert client.get("/people").status_code == 200
    with season.write() as conn:
        people.set_password_hash(conn, "Ilse Brandl", hash_password("another set of words"))
    assert client.get("/people").status_code == 302


def test_a_person_no_longer_active_is_shut_out_at_once(network: Flask, season: Season) -> None:
    client = network.test_client()
    log_in(client, "Ilse Brandl")
    with season.write() as conn:
        people.set_active(conn, "Ilse Brandl", False)
    assert client.get("/people").status_code == 302


@pytest.mark.slow
def test_guessing_passwords_is_slowed(network: Flask) -> None:
    client = network.test_client()
    mark = token(client)
    answers = [
        client.post("/me", data={"csrf_token": mark, "name": "Tom Reyes", "password": "guess"},
                    environ_base={"REMOTE_ADDR": "10.0.0.9"}).status_code
        for _ in range(11)
    ]
    assert answers == [302] * 10 + [429]


def test_passwords_are_kept_as_scrypt_and_not_short() -> None:
    assert hash_password(PASSWORD).startswith("scrypt:")
    with pytest.raises(InputError, match="the password has 5 characters; expected at least 10"):
        hash_password("short")


def test_a_network_without_host_names_is_refused(season: Season) -> None:
    with pytest.raises(UsageError, match="no host name is given"):
        create_app(season.folder, loopback=False)


@pytest.mark.parametrize(("host", "expected"), [
    ("127.0.0.1", True), ("127.8.9.1", True), ("::1", True), ("[::1]", True), ("localhost", True),
    ("0.0.0.0", False), ("::", False), ("192.168.1.4", False), ("lab-pc.local", False),
])
def test_loopback_is_told_from_networks(host: str, expected: bool) -> None:
    assert is_loopback_address(host) is expected
