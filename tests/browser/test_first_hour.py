"""The first hour in headless Chromium: from an empty folder to proposals, by pages only."""

from __future__ import annotations

import random
import re
import subprocess
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Literal

import pytest
from PIL import Image

pytest.importorskip("playwright", reason="playwright is not installed")
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect, sync_playwright

from budvision.settings import samples_folder

pytestmark = [pytest.mark.browser, pytest.mark.slow]

ARGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
        "--disable-component-update", "--disable-sync", "--no-first-run",
        "--disable-dev-shm-usage"]


@pytest.fixture
def address(tmp_path: Path) -> Iterator[str]:
    """The address that `budvision serve` says in an empty folder, as a newcomer starts it."""
    plain = random.getstate()  # Playwright names its calls by the global generator
    (tmp_path / "winter").mkdir()
    with subprocess.Popen([sys.executable, "-m", "budvision.cli.main", "serve", "--port", "0"],
                          cwd=tmp_path / "winter", stderr=subprocess.PIPE, text=True) as run:
        assert run.stderr is not None
        try:
            yield run.stderr.readline().split()[1]
        finally:
            run.kill()
    random.setstate(plain)


def _photographs(folder: Path, names: Iterable[str], *, like: str) -> Path:
    """Make a card of small photographs with names of one's own."""
    folder.mkdir()
    sources = sorted(samples_folder().glob(f"{like}_c*_k1.jpg"))
    for name, source in zip(names, sources, strict=False):
        with Image.open(source) as photo:
            photo.thumbnail((640, 640))
            photo.save(folder / name, quality=90)
    return folder


def _sound(page: Page) -> None:
    """Nothing off to the right on a phone or a desk, and no finding of axe."""
    page.wait_for_load_state()
    for width, scheme in ((390, "dark"), (1280, "light")):
        page.set_viewport_size({"width": width, "height": 840})
        page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
        page.evaluate("document.getAnimations().forEach(one => one.finish())")
        assert page.evaluate("document.documentElement.scrollWidth") <= width, page.url
        found = Axe().run(page).response["violations"]
        assert not [(one["id"], one["nodes"][0]["html"]) for one in found], page.url


def test_a_newcomer_reaches_proposals_for_twenty_photographs_in_ten_steps(
    address: str, chromium: str, tmp_path: Path
) -> None:
    card = _photographs(tmp_path / "card", like="apricot", names=[
        f"Upper Creek-{cane}-{node}.jpg" for cane in (1, 2, 3) for node in range(1, 8)][:20])
    steps = ["the install line", "budvision serve --browser"]
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=ARGS)
        page = browser.new_page()
        page.goto(address)
        _sound(page)

        def press(role: Literal["button", "link"], name: str) -> None:
            page.get_by_role(role, name=name).click()
            steps.append(name)

        page.get_by_label("Site: the vineyard, farm or valley").fill("Orun Valley")
        page.get_by_label("Your name").fill("Élise Droz")
        page.get_by_label("left", exact=True).check()
        press("button", "Make the season")
        press("button", "Élise Droz")
        expect(page.get_by_role("heading", name="Orun Valley")).to_be_visible()
        expect(page.locator(".top-season")).to_have_text("Orun Valley")
        _sound(page)
        press("link", "Take photographs in")
        expect(page.locator("#folder")).to_be_attached()  # a click waits for no page
        _sound(page)
        page.set_input_files("#folder", str(card))
        steps.append("the folder")
        page.get_by_label("Sampling").fill("feb-cold-night")
        press("button", "Look them over")
        expect(page.get_by_text("0 of 20 photographs would be taken in")).to_be_visible()
        expect(page.get_by_text("20 names are not of the pattern")).to_be_visible()
        assert "--" not in page.locator("main").inner_text(), "no option of a command on a page"
        expect(page.get_by_label("How your names are made")).to_have_value(
            "<block>-<cane>-<node>")
        _sound(page)
        press("button", "Read the names so")
        expect(page.get_by_text("20 of 20 photographs would be taken in")).to_be_visible()
        _sound(page)
        press("button", "Take 20 in")
        expect(page.get_by_text("looked at 20")).to_be_visible(timeout=120_000)
        expect(page.get_by_text(re.compile(r"\d+ with proposals"))).to_be_visible()
        assert len(steps) <= 10, steps      # the fields of a form are filled in within its step
        _sound(page)
        press("link", "To the review")
        press("button", "Review 20 waiting")
        expect(page.get_by_text("Upper Creek").first).to_be_visible()
        assert len(steps[2:]) <= 10, "pages alone, to the first bud"
        for part in ("settings", "keep"):
            page.goto(f"{address}season/{part}")
            _sound(page)
        _by_tables(page, address, tmp_path)
        browser.close()


def _by_tables(page: Page, address: str, tmp_path: Path) -> None:
    """Photographs with a camera's names and a table of one's own, then blocks, by the same form."""
    card = _photographs(tmp_path / "second", ["IMG_4100.jpg", "IMG_4101.jpg"], like="river")
    (card / "buds feb.csv").write_text(
        "Photo;Vineyard;Cane no;Position\nIMG_4100.jpg;Low;1;1\nIMG_4101.jpg;Low;1;2\n")
    page.goto(f"{address}season/photographs")
    page.get_by_label("Sampling").fill("feb-cold-night")
    look = page.get_by_role("button", name="Look them over")
    (card / "calls.csv").write_text("block,cane,node,primary\nLow,1,1,live\n")
    page.set_input_files("#folder", str(card))
    look.click()
    expect(page.locator("#sending")).to_contain_text("None of the folder's 2 tables is")
    (card / "photos.csv").write_text("File;Block;Cane;Node;Cut\nIMG_4100.jpg;Low;1;1;1\n")
    page.set_input_files("#folder", str(card))
    look.click()
    expect(page.get_by_text("1 of 1 photograph would be taken in")).to_be_visible()
    page.get_by_role("button", name="Put them all away").click()
    for name in ("calls.csv", "photos.csv"):
        (card / name).unlink()
    page.get_by_label("Sampling").fill("feb-cold-night")
    page.set_input_files("#folder", str(card))
    look.click()
    expect(page.get_by_role("heading", name="Which column is what")).to_be_visible()
    _sound(page)
    page.get_by_role("button", name="See what would happen").click()
    expect(page.get_by_text("2 of 2 photographs would be taken in")).to_be_visible()
    page.goto(f"{address}season/blocks")
    page.get_by_label("Table").fill("Parcel\tGrape\tNodes\nLow\tSaperavi\t40\n")
    page.get_by_role("button", name="See what would happen").click()
    expect(page.get_by_text("1 block would be added")).to_be_hidden()
    expect(page.locator('select[name="cultivar"]')).to_have_value("Grape")
    _sound(page)
    page.get_by_role("button", name="See what would happen").click()
    expect(page.get_by_text("1 block would be added. Nothing has happened yet.")).to_be_visible()
    _sound(page)
    page.get_by_role("button", name="Keep these blocks").click()
    expect(page.get_by_text("1 block kept.")).to_be_visible()
    page.get_by_text("Take back").click()
    page.get_by_role("button", name="Yes, give these blocks the facts they had before").click()
    expect(page.get_by_text("The table of 1 block was taken back.")).to_be_visible()
    _sound(page)
