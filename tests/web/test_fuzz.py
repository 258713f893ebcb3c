"""Every route, asked for in ways that nobody means: no error 500, nothing without log-in.

The long run, with its figures printed::

    BUDVISION_FUZZ=50000 pytest -s tests/web/test_fuzz.py
"""

from __future__ import annotations

import io
import json
import logging
import os
import random
import re
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient

import budvision.web
from budvision.store.queries import people
from budvision.web import create_app
from budvision.web.people import hash_password
from budvision.workflow.jobs.queue import Runner

PASSWORD = "four plain words here"
N = int(os.environ.get("BUDVISION_FUZZ", "400"))
WEB = Path(budvision.web.__file__).parent
NAMES = sorted({
    name for path in (*WEB.rglob("*.py"), *WEB.rglob("*.html"), *WEB.rglob("*.js"))
    for name in re.findall(r"""["']([a-z][a-z_]{1,24})["']""", path.read_text(encoding="utf-8"))
})
"""Words that the pages use: among them every name of a field."""
ODD = [
    "", " ", "abc", "-1", "0", "1", "2", "7.0", "1e309", "nan", "inf", "-0", "1_0", "١", "²", "½",
    "9" * 400, str(2**63), str(-(2**63) - 1), "1,5", "true", "null", "\r", "a\rb", "\0", "a\0b",
    "\n\n", "<script>", "{{7*7}}", "../../etc/passwd", "%s%n", "'; drop table call; --", "é" * 3000,
    "\u202e", "\U0001f600", "İ", "ß", "A" * 20_000, "2026-02-30", "2026-02-14T25:00", "0000-00-00",
    "9999-12-31T23:59:59+14:00", "-25,5", "1 2 3", "1;2", "live", "dead", "unsure", "first",
    "second", "primary", "tertiary", "Kiln Bench", "s1", "A1", "us", "metric", "UTC",
    "-15 -20", "[]", "{}",
]
ODD_JSON: list[Any] = [
    *ODD, None, True, False, 0, 1, -1, 2**63, 10**30, 1.5, -0.0, [], {}, [None], [[]], {"": None},
    [1, "a", {}], {"primary": "live"}, {"primary": {"value": "dead"}}, [{"x": 1}] * 3, [[1, 2]] * 3,
    ["primary", "live"],
]
TABLES = [
    b"", b"\xff\xfe", b"\r\r\r", b"a\rb\nc", b"time,temp\n2026-01-01 00:00,-25,5\n",
    b"time,temp\n2026-01-01 00:00,-25\n2026-01-01 06:00,-12\n", b"K\xe4se,temp\n1,2\n", b"sep=;\n",
    b"block,kind,values,unit,measured_on,note\nB,harvest,9,t/ha,2026-10-01,x\n",
    b"," * 100_000, b"PK\x03\x04" + bytes(60), b"\xff\xd8\xff" + bytes(60), b"x" * 300_000,
]


class Asker:
    """Makes requests up."""

    def __init__(self, app: Flask, rng: random.Random) -> None:
        self.rng = rng
        self.rules = [rule for rule in app.url_map.iter_rules()
                      if not rule.endpoint.endswith("static")]

    def value(self) -> str:
        return self.rng.choice(ODD)

    def names(self) -> list[str]:
        return self.rng.sample(NAMES, self.rng.randint(0, 12))

    def form(self) -> dict[str, Any]:
        told: dict[str, Any] = {name: self.value() for name in self.names()}
        if self.rng.random() < 0.6:
            content = self.rng.choice(TABLES)
            told[self.rng.choice(["file", "photo"])] = (io.BytesIO(content), self.value() or "x")
        return told

    def body(self) -> dict[str, Any]:
        kind = self.rng.random()
        if kind < 0.4:
            return {"data": self.form(), "content_type": "multipart/form-data"}
        if kind < 0.5:
            return {"data": self.rng.choice([b"{", b"\xff", b"[1", b'"', b"NaN", b""]),
                    "content_type": "application/json"}
        told: Any = {name: self.rng.choice(ODD_JSON) for name in self.names()}
        if kind > 0.9:
            told = self.rng.choice(ODD_JSON)
        return {"data": json.dumps(told), "content_type": "application/json"}

    def path(self, rule: Any) -> str:
        def part(match: re.Match[str]) -> str:
            if match[1] == "int:":
                return self.rng.choice(["1", "1", "2", "3", "5", "0", "900", str(2**63), "9" * 30])
            word = self.rng.choice([*ODD, "labels", "nodes", "tissues", "0" * 64, "tags", "sheet"])
            return "".join(f"%{byte:02x}" for byte in word[:200].encode("utf-8", "surrogatepass")
                           ) or "x"

        return re.sub(r"<(int:)?[^>]+>", part, str(rule))

    def request(self) -> tuple[str, str, dict[str, Any]]:
        rule = self.rng.choice(self.rules)
        method = self.rng.choice(sorted(rule.methods - {"HEAD", "OPTIONS"}))
        given: dict[str, Any] = {}
        if method == "POST":
            given = self.body()
        if self.rng.random() < 0.7:
            given["query_string"] = {name: self.value() for name in self.names()}
        return method, self.path(rule), given


@pytest.fixture
def app(
    drawn: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Flask]:
    season, _ = drawn.make_season(tmp_path / "w", n_buds=6, n_canes=2, side=640)
    with season.write() as conn:
        people.add_person(conn, "Ilse Brandl", "lead", password_hash=hash_password(PASSWORD))
    season.close()
    monkeypatch.setattr(Runner, "wake", lambda *_: None)  # what takes minutes is not begun
    app = create_app(tmp_path / "w")
    app.config.update(WTF_CSRF_ENABLED=False, RATELIMIT_ENABLED=False)
    yield app
    app.extensions["budvision.season"].close()


def come_in(app: Flask) -> FlaskClient:
    client = app.test_client()
    season = app.extensions["budvision.season"]
    with season.write() as conn:
        who = people.ensure_person(conn, "Ilse Brandl", "lead")
        people.set_active(conn, who.name, True)
    client.post("/me", data={"name": "Ilse Brandl", "password": PASSWORD})
    return client


@pytest.mark.slow
def test_no_request_is_an_error_of_ours(
    app: Flask, caplog: pytest.LogCaptureFixture, record_property: Callable[[str, object], None]
) -> None:
    caplog.set_level(logging.ERROR)
    state = random.getstate()  # the test client draws the seams of its forms from it
    asker = Asker(app, random.Random(20261126))
    told: Counter[int] = Counter()
    broken: dict[str, str] = {}
    slowest = (0.0, "")
    for number in range(N):
        if number % 100 == 0:
            client = come_in(app)
        method, path, given = asker.request()
        start = time.monotonic()
        answer = client.open(path, method=method, **given)
        answer.get_data()
        slowest = max(slowest, (time.monotonic() - start, f"{method} {path[:60]}"))
        told[answer.status_code] += 1
        if answer.status_code >= 500 and answer.status_code != 507:
            frames = re.findall(r'File ".*/(budvision/.*)", line (\d+)', caplog.text)
            at = ":".join(frames[-1]) if frames else answer.text[-300:]
            broken.setdefault(at, f"{method} {path[:80]} {given.get('query_string', '')!s:.300} "
                              f"{given.get('data', '')!s:.300}\n{caplog.text[-1200:]}")
        caplog.clear()
    random.setstate(state)
    print(f"{N:,} requests over {len(asker.rules)} routes: {dict(sorted(told.items()))}; "
          f"slowest {slowest[0]:.2f} s ({slowest[1]}); {len(broken)} places answer 500")
    record_property("fuzzed requests; answers 500", f"{N}; {len(broken)} places")
    assert not broken, "\n\n".join(broken.values())
    assert told[200] > N / 20


OPEN = frozenset({"people.me", "people.enter", "observed.health", None})
"""What answers somebody without log-in: the page that asks for it, and the watchdog's address, that
says that the server lives and no more. None is no route at all."""
COOKIES = ["", "session=abc", "remember_token=1|abc", "session=eyJfdXNlcl9pZCI6IjEuYS5iIn0.x.y"]


@pytest.mark.slow
def test_nothing_is_told_or_changed_without_log_in(
    app: Flask, record_property: Callable[[str, object], None]
) -> None:
    """Served to a network: whatever is asked, the answer is the log-in page or a refusal."""
    app.extensions["budvision.season"].close()
    served = create_app(app.config["SEASON_FOLDER"], loopback=False, hosts=["lab-pc.local"])
    served.config.update(WTF_CSRF_ENABLED=False, RATELIMIT_ENABLED=False)
    season = served.extensions["budvision.season"]

    def state() -> object:
        with season.read() as conn:
            return [conn.exec_driver_sql(f"SELECT * FROM {name} ORDER BY 1").all()
                    for name in ("seal", "lease", "bookmark", "job")]

    before, random_state = state(), random.getstate()
    asker, told = Asker(served, random.Random(17)), Counter[int]()
    for _ in range(max(N // 2, 1)):
        method, path, given = asker.request()
        client = served.test_client(use_cookies=False)
        given["headers"] = {"Cookie": asker.rng.choice(COOKIES)}
        answer = client.open(path, method=method, base_url="http://lab-pc.local", **given)
        told[answer.status_code] += 1
        with served.test_request_context(path, base_url="http://lab-pc.local", method=method) as at:
            endpoint = at.request.endpoint
        if endpoint in OPEN:
            continue
        shut = answer.status_code in (400, 401, 403, 404, 405, 413) or (
            answer.status_code == 302 and answer.location.startswith("/me"))
        assert shut, f"{method} {path[:100]} answered {answer.status_code} to nobody"
    random.setstate(random_state)
    print(f"{sum(told.values()):,} requests without log-in: {dict(sorted(told.items()))}")
    record_property("requests without log-in", str(dict(told)))
    assert state() == before, "somebody without log-in changed the season"
    season.close()
