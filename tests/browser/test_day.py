"""A day's end as it is done: read, read again, settled by the lead, and the sheet printed."""

from __future__ import annotations

import re
import shutil
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

pytest.importorskip("playwright", reason="playwright is not installed")
import drawn_season
from playwright.sync_api import expect

from budvision.web import create_app

pytestmark = [pytest.mark.browser, pytest.mark.slow]

KEYS = {"live": "l", "dead": "d", "unsure": "u", "not_exposed": "n"}
OTHER = {"live": "dead", "dead": "live"}
MARGIN_MM, DPI = 5, 60


class Lab:
    """A served season of drawn buds whose truth is known, and the people who sit at it."""

    def __init__(self, folder: Path, browser: Any) -> None:
        from werkzeug.serving import make_server

        season, buds = drawn_season.make_season(folder, n_buds=12, n_canes=4, second=0.5, side=640)
        season.close()
        self.truth = {bud.bud_id: {one.value: value for one, value in bud.truth.items()}
                      for bud in buds}
        self.browser, self.contexts, self.faults = browser, [], []
        self.app = create_app(folder)
        self.server = make_server("127.0.0.1", 0, self.app, threaded=True)
        self.base = f"http://127.0.0.1:{self.server.server_port}"
        self.thread = threading.Thread(target=self.server.serve_forever, daemon=True)
        self.thread.start()

    def person(self, name: str, role: str) -> Any:
        context = self.browser.new_context()
        self.contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: self.faults.append(str(error)))
        page.goto(f"{self.base}/me?next=/review")
        page.fill("input[name=name]", name)
        page.check(f"input[value={role}]")
        page.click("button:has-text('Begin')")
        page.wait_for_url(f"{self.base}/review")
        return page

    def read_all(self, page: Any, start: str, *, differ_on: int = 0) -> list[int]:
        """Read buds as the page hands them out, by the truth; the primary of one otherwise."""
        page.get_by_role("button", name=re.compile(start)).or_(
            page.get_by_role("link", name=re.compile(start))).first.click()
        page.wait_for_selector(".card.front")
        read: list[int] = []
        while "/review/sampling/" not in page.url or not read:
            bud = int(page.get_attribute("body", "data-bud") or 0)
            read.append(bud)
            for tissue in ("primary", "secondary", "tertiary"):
                value = self.truth[bud][tissue]
                if tissue == "primary" and len(read) == differ_on:
                    value = OTHER[value]
                page.keyboard.press(KEYS[value])
            page.keyboard.press("Enter")
            page.wait_for_function(
                "bud => document.body.dataset.bud !== bud && document.body.dataset.saving === '0'",
                arg=str(bud))
        return read

    def close(self) -> None:
        for context in self.contexts:
            context.close()
        self.server.shutdown()
        self.thread.join()
        self.server.server_close()
        self.app.extensions["budvision.season"].close()


@pytest.fixture
def lab(tmp_path: Path, browser: Any) -> Iterator[Lab]:
    at_work = Lab(tmp_path / "winter", browser)
    yield at_work
    at_work.close()
    assert not at_work.faults, at_work.faults


def _seen(sheet: Path) -> tuple[str, Any]:
    """Return the words of a printed page and its picture, BGR."""
    subprocess.run(["pdftoppm", "-r", str(DPI), "-png", "-singlefile", sheet.name, "page"],
                   cwd=sheet.parent, check=True)
    words = subprocess.run(["pdftotext", "-layout", sheet.name, "-"], cwd=sheet.parent, check=True,
                           capture_output=True, text=True).stdout
    return " ".join(words.split()), cv2.imread(str(sheet.parent / "page.png"))


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="needs pdftoppm")
def test_a_day_is_read_read_again_settled_and_printed(lab: Lab, tmp_path: Path) -> None:
    ada = lab.person("Ada Moreau", "reviewer")
    assert len(lab.read_all(ada, "Review 12 waiting")) == 12
    tom = lab.person("Tom Reyes", "reviewer")
    again = lab.read_all(tom, "Read 6 again as second person", differ_on=2)
    assert len(set(again)) == len(again) == 6
    odd = again[1]

    # ---- nobody is told who is right before the lead has settled it
    lena = lab.person("Lena Sorokin", "lead")
    lena.goto(f"{lab.base}/review/agreement")
    expect(lena.locator("main")).to_contain_text("6 read twice so far; 1 to settle")
    expect(lena.get_by_role("row", name="primary").last).to_contain_text("83 % (5 of 6;")
    perfect = lena.get_by_role("row", name="tertiary").last
    expect(perfect).to_contain_text("1.00 (too few to tell)")  # and no range of 1.00 to 1.00
    n_dead = sum(one["primary"] == "dead" for one in lab.truth.values())
    block = f"{lab.base}/results/block/1"
    lena.goto(block)
    expect(lena.locator("main")).to_contain_text(f"{n_dead} of the 12 primary buds")
    lena.goto(f"{lab.base}/review")
    lena.get_by_role("link", name="Settle 1 disagreement").or_(
        lena.get_by_role("button", name="Settle 1 disagreement")).click()
    lena.wait_for_selector(".card.front")
    assert lena.get_attribute("body", "data-bud") == str(odd)
    for name in ("Ada Moreau", "Tom Reyes"):
        expect(lena.locator(".settle").first).to_contain_text(name)
    lena.keyboard.press(KEYS[OTHER[lab.truth[odd]["primary"]]])    # the second reader was right
    lena.keyboard.press("Enter")
    lena.wait_for_url(re.compile("/review/sampling/"))
    lena.goto(f"{lab.base}/review/agreement")
    expect(lena.locator("main")).to_contain_text("6 read twice so far; 0 to settle")

    # ---- the settled call counts, and the sheet says what the page says
    n_dead += 1 if lab.truth[odd]["primary"] == "live" else -1
    lena.goto(block)
    found = f"{n_dead} of the 12 primary buds that could be judged were dead, on 4 canes."
    expect(lena.locator("main")).to_contain_text(found)
    answer = lena.get_by_text(re.compile("^About .* of the primary buds are dead")).inner_text()
    with lena.expect_download() as sheet:
        lena.get_by_role("button", name="Grower sheet").click()
    sheet.value.save_as(tmp_path / "sheet.pdf")
    words, picture = _seen(tmp_path / "sheet.pdf")
    plain = words.replace("\u00a0", " ")
    assert answer.replace("\u00a0", " ") in plain
    assert found in plain
    assert "Razor blades cut people" in plain
    assert not list(tmp_path.glob("page-*.png")), "one page"

    # ---- as a picture: A4, margins without ink, words, and photographs in colour
    rows, columns = picture.shape[:2]
    assert (columns / DPI * 25.4, rows / DPI * 25.4) == pytest.approx((210, 297), abs=1)
    edge = round(MARGIN_MM / 25.4 * DPI)
    inner = picture[edge:-edge, edge:-edge]
    outside = picture.astype(int).sum() - inner.astype(int).sum()
    assert outside == 3 * 255 * (picture[..., 0].size - inner[..., 0].size), "ink in the margin"
    assert 0.02 < (inner.min(axis=2) < 200).mean() < 0.5
    spread = np.ptp(inner.astype(int), axis=2)
    coloured = cv2.connectedComponentsWithStats((spread > 40).astype(np.uint8))[2][1:]
    assert (coloured[:, cv2.CC_STAT_AREA] > 300).sum() >= 2, "photographs of live and dead"
