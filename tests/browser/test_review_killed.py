"""The server is killed again and again while a reader works: no call lost or doubled, always told.

The long form is run by hand: ``BUDVISION_KILLS=100 pytest tests/browser/test_review_killed.py``.
"""

from __future__ import annotations

import operator
import os
import random
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("playwright", reason="playwright is not installed")
import drawn_season
from playwright.sync_api import expect

from budvision.store.queries.calls import call_history
from budvision.store.session import Season

pytestmark = pytest.mark.browser

KILLS = int(os.environ.get("BUDVISION_KILLS", "3"))
SERVE = "import sys; from budvision.web.serving import serve_season; " \
    "serve_season(sys.argv[1], port=int(sys.argv[2]))"


class Server:
    """`budvision serve` in a process of its own, on one port."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.kills = folder, 0
        # stays bound, so that no other program is given the port while the server is down
        self.held = socket.socket()
        self.held.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self.held.bind(("127.0.0.1", 0))
        self.port = int(self.held.getsockname()[1])
        self.base = f"http://127.0.0.1:{self.port}"
        self.start()

    def start(self) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-c", SERVE, str(self.folder), str(self.port)],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        for _ in range(600):
            try:
                urllib.request.urlopen(f"{self.base}/me", timeout=2).close()
                return
            except OSError:
                time.sleep(0.1)
        raise AssertionError("the server did not start")

    def kill(self) -> None:
        self.kills += self.process.poll() is None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[Server, list[Any]]]:
    season, buds = drawn_season.make_season(tmp_path / "winter", n_buds=2 * KILLS + 2,
                                            n_canes=1 + KILLS // 50, side=320, blind=0.0)
    season.close()
    server = Server(tmp_path / "winter")
    yield server, buds
    server.kill()
    server.held.close()


@pytest.mark.slow
def test_killing_the_server_while_a_reader_works(
    served: tuple[Server, list[Any]], browser: Any
) -> None:
    server, buds = served
    rng = random.Random(11)
    wanted: dict[int, str] = {}
    told_of = 0
    page = browser.new_page()
    page.goto(f"{server.base}/review")
    page.fill("input[name=name]", "Ada Moreau")
    page.click("button:has-text('Begin')")
    page.wait_for_url(f"{server.base}/review")
    page.goto(f"{server.base}/review/bud/{buds[0].bud_id}")
    for number, bud in enumerate(buds[:2 * KILLS]):
        expect(page.locator("body")).to_have_attribute("data-bud", str(bud.bud_id),
                                                       timeout=30_000)
        page.wait_for_timeout(rng.uniform(0, 700))
        down = number % 2 == 0
        for position, key in enumerate((rng.choice("ld"), "l", "l", "Enter")):
            if position == 0:
                wanted[bud.bud_id] = {"l": "live", "d": "dead"}[key]
            if down and position == 3 and rng.random() < 0.5:
                server.kill()  # before it is saved
            assert page.get_attribute("body", "data-bud") == str(bud.bud_id), (
                f"after {server.kills} kills the page left bud {bud.bud_id} before {key}")
            page.keyboard.press(key)
        if down:
            page.wait_for_timeout(rng.uniform(0, 60))
            server.kill()  # while it is saved, or after
            told = page.locator("#unsaved")
            page.wait_for_timeout(300)
            waits = page.evaluate(
                "Object.keys(localStorage).some(k => k.startsWith('unsaved'))")
            if waits:
                told_of += 1
                expect(told).to_contain_text("not saved yet")
            server.start()
            if page.get_attribute("body", "data-bud") != str(buds[number + 1].bud_id):
                expect(told).to_be_hidden(timeout=30_000)
                if page.get_attribute("body", "data-bud") == str(bud.bud_id):
                    page.keyboard.press("Space")  # the next bud was not here yet: go on now
    expect(page.locator("#unsaved")).to_be_hidden(timeout=30_000)
    page.close()
    with Season.open(server.folder) as season, season.read() as conn:
        kept = {bud: [row.value.value for row in call_history(conn, bud)] for bud in wanted}
    wrong = {bud: rows for bud, rows in kept.items() if rows != [wanted[bud], "live", "live"]}
    lost, doubled = (sum(compare(len(rows), 3) for rows in wrong.values())
                     for compare in (operator.lt, operator.gt))
    print(f"{server.kills} kills: {len(wanted)} buds called, {lost} lost, {doubled} doubled, "
          f"{len(wrong) - lost - doubled} with another value; calls waited in the browser after "
          f"{told_of}, and the page said so each time")
    assert not wrong
