"""The first hour in headless Chromium: from an empty folder to proposals, by pages only."""

from __future__ import annotations

import logging
import random
import shutil
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("playwright", reason="playwright is not installed")
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect, sync_playwright

from budvision.settings import samples_folder
from budvision.web.season.begin import Doorway, begin_app

pytestmark = [pytest.mark.browser, pytest.mark.slow]

ARGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
        "--disable-component-update", "--disable-sync", "--no-first-run",
        "--disable-dev-shm-usage"]


@pytest.fixture
def address(tmp_path: Path) -> Iterator[str]:
    from werkzeug.serving import make_server

    plain = random.getstate()  # Playwright names its calls by the global generator
    (tmp_path / "winter").mkdir()
    doorway = Doorway(begin_app(tmp_path / "winter"))
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    server = make_server("127.0.0.1", 0, doorway, threaded=True)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}/"
    server.shutdown()
    thread.join()
    server.server_close()
    doorway.close()
    random.setstate(plain)


def _sound(page: Page) -> None:
    """Nothing off to the right on a phone or a desk, and no finding of axe."""
    for width, scheme in ((390, "dark"), (1280, "light")):
        page.set_viewport_size({"width": width, "height": 840})
        page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
        assert page.evaluate("document.documentElement.scrollWidth") <= width, page.url
        found = Axe().run(page).response["violations"]
        assert not [(one["id"], one["nodes"][0]["html"]) for one in found], page.url


def test_a_newcomer_reaches_proposals_in_ten_steps(
    address: str, chromium: str, tmp_path: Path
) -> None:
    card = tmp_path / "card"
    card.mkdir()
    for node in (1, 2, 3):
        shutil.copyfile(samples_folder() / f"apricot_c1_n{node}_k1.jpg",
                        card / f"Mill Row_1_n{node}_c1.jpg")
    shutil.copyfile(card / "Mill Row_1_n1_c1.jpg", card / "P1010101.jpg")
    steps = 0
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=ARGS)
        page = browser.new_page()
        page.goto(address)
        _sound(page)
        page.get_by_label("Site: the vineyard, farm or valley").fill("Orun Valley")
        page.get_by_label("Your name").fill("Élise Droz")
        page.get_by_label("left", exact=True).check()
        page.get_by_role("button", name="Make the season").click()
        steps += 1
        page.get_by_role("button", name="Élise Droz").click()
        steps += 1
        expect(page.get_by_role("heading", name="Orun Valley")).to_be_visible()
        _sound(page)
        page.get_by_role("link", name="Take photographs in").click()
        steps += 1
        _sound(page)
        page.set_input_files("#folder", str(card))
        steps += 1
        page.get_by_label("Sampling").fill("feb-cold-night")
        page.get_by_role("button", name="Look them over").click()
        steps += 1
        expect(page.get_by_text("3 of 4 photographs would be taken in")).to_be_visible()
        expect(page.get_by_text("its name does not say which bud it shows")).to_be_visible()
        _sound(page)
        page.get_by_role("button", name="Take 3 in").click()
        steps += 1
        expect(page.get_by_text("looked at 3")).to_be_visible(timeout=120_000)
        _sound(page)
        page.get_by_role("link", name="To the review").click()
        steps += 1
        expect(page.get_by_text("Mill Row").first).to_be_visible()
        assert steps <= 10
        for part in ("settings", "keep", "blocks"):
            page.goto(f"{address}season/{part}")
            _sound(page)
        browser.close()
