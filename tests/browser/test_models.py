"""Promotion and return, played in headless Chromium as the lead would.

Accessibility is checked with axe-core (Deque Systems), which tests against WCAG 2.
"""

from __future__ import annotations

import itertools
import os
import random
import re
import shutil
import threading
import time
from collections.abc import Iterator
from typing import Any

import pytest

pytest.importorskip("playwright", reason="playwright is not installed")
import taught
from playwright.sync_api import expect
from served import served as served_app

from budvision.photo.features import FEATURE_NAMES
from budvision.store.session import Season
from budvision.verdict import registry
from budvision.vocabulary import Proposal, Tissue, TissueProposal, Verdict
from budvision.web import create_app
from budvision.workflow.intake import propose
from budvision.workflow.learning import train

WORK_MS = 120_000
"""How long work in the background may take on a busy machine."""
pytestmark = [pytest.mark.browser, pytest.mark.slow]

ARGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--no-first-run", "--disable-dev-shm-usage",
]


def _said(_: Season, waiting: list[Any], *__: object) -> Iterator[object]:
    """Look at photographs that are not there, slowly enough to be seen."""
    one = TissueProposal(exposed=True, verdict=Verdict.DEAD, p_dead=0.9, area_px=100,
                         centre=(1.0, 1.0), why="brown",
                         features=dict.fromkeys(FEATURE_NAMES, 0.3))
    for row in waiting:
        time.sleep(0.01)
        yield propose._Judged(Proposal(
            file=row.file_name, sha256=row.sha256, width_px=9, height_px=9, found=True, reasons=(),
            mm_per_px=None, model="", tissues={Tissue.PRIMARY: one}))


def _slowly(*given: Any, progress: Any = None, **more: Any) -> Any:
    """Gather lessons once the page has been seen at work."""
    turn = itertools.count()
    while progress and not SEEN.wait(0.1):
        progress("photographs", next(turn) % 30, 30)
    return _gather(*given, progress=progress, **more)


_gather = train.gather_lessons
SEEN = threading.Event()
"""The page has been seen at work: it may go on."""


@pytest.fixture
def failing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the disk be full whenever a model is written."""
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(shutil, "copyfile", full)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = taught.make_base(tmp_path_factory.mktemp("models") / "plain-1")
    patch = pytest.MonkeyPatch()
    patch.setattr(registry, "DEFAULT_MODEL", "plain-1")
    patch.setattr(registry, "models_folder", lambda: folder.parent)
    patch.setattr(propose, "_look_with_model", _said)
    patch.setattr(train, "gather_lessons", _slowly)
    winter = tmp_path_factory.mktemp("season") / "winter"
    with Season.create(winter) as season:
        taught.fill(season, n_canes=10, lamp=-0.4, blind_every=2)
    with served_app(create_app(winter)) as address:
        yield address
        SEEN.set()
    patch.undo()


@pytest.fixture
def page(served: str) -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    path = os.environ.get("BUDVISION_CHROMIUM") or shutil.which("chromium")
    if path is None:
        pytest.skip("Chromium is not installed")
    plain = random.getstate()  # Playwright names its calls by the global generator
    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path=path, args=ARGS)
        page = browser.new_page(base_url=served, viewport={"width": 1200, "height": 900})
        page.set_default_timeout(WORK_MS)
        yield page
        browser.close()
    random.setstate(plain)


def test_train_promote_and_go_back(page: Any) -> None:
    from axe_playwright_python.sync_playwright import Axe

    page.goto("/me")
    page.get_by_text("Petra Quill").first.click()
    page.wait_for_url(re.compile("/review"))
    page.goto("/models/")
    expect(page.get_by_role("heading", name="Models", exact=True)).to_be_visible()
    assert Axe().run(page).violations_count == 0
    SEEN.clear()
    page.get_by_role("button", name="Train on the season's calls").dblclick()
    # the page tells how far it is, and of the end without being asked
    expect(page.get_by_role("progressbar")).to_be_visible()
    expect(page.locator("#work-words")).to_contain_text("looking at photographs, ")
    expect(page.get_by_role("button", name="Train on the season's calls")).to_be_disabled()
    assert Axe().run(page).violations_count == 0
    SEEN.set()
    expect(page.locator("#work").get_by_role("status")).to_contain_text(
        "tuned-1 was trained.", timeout=WORK_MS)
    expect(page.get_by_role("link", name="tuned-2")).to_have_count(0)
    assert Axe().run(page).violations_count == 0
    page.get_by_role("link", name="Compare tuned-1 with the model in use").click()
    expect(page.get_by_role("heading", name="tuned-1", level=1)).to_be_visible()
    expect(page.get_by_text("beyond chance")).to_be_visible()
    assert Axe().run(page).violations_count == 0
    page.get_by_label("Why it should propose").fill("fewer wrong calls on blind buds")
    page.get_by_role("button", name="Let tuned-1 propose").click()
    expect(page.get_by_text("tuned-1 proposes from now on")).to_be_visible()
    expect(page.get_by_role("progressbar")).to_have_count(0, timeout=WORK_MS)
    expect(page.get_by_text("tuned-1 looked at 80 photographs of buds that wait")).to_be_visible()
    expect(page.get_by_role("row", name="tuned-1 in use")).to_be_visible()
    page.get_by_label("Why go back").fill("the lamp was changed")
    page.get_by_role("button", name="Go back to the model before").click()
    expect(page.get_by_role("row", name="plain-1 in use")).to_be_visible()
    expect(page.get_by_text("the lamp was changed")).to_be_visible()
    expect(page.get_by_role("progressbar")).to_have_count(0, timeout=WORK_MS)
    expect(page.get_by_text("plain-1 looked at 80 photographs of buds that wait")).to_be_visible()


@pytest.mark.usefixtures("failing")
def test_why_it_failed_stands_on_the_page(page: Any) -> None:
    page.goto("/me")
    page.get_by_text("Petra Quill").first.click()
    page.wait_for_url(re.compile("/review"))
    page.goto("/models/")
    SEEN.set()
    page.get_by_role("button", name="Train on the season's calls").click()
    expect(page.get_by_role("alert")).to_contain_text("the model could not be written")
    expect(page.get_by_role("button", name="Train on the season's calls")).to_be_enabled()
