"""Every page at three sizes, light and dark: nothing found by axe-core (Deque Systems, WCAG 2)."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from typing import Any

import drawn_season
import pytest

pytest.importorskip("playwright", reason="playwright is not installed")
from axe_playwright_python.base import AXE_SCRIPT
from playwright.sync_api import sync_playwright
from served import served as served_app

from budvision.language import LANGUAGES
from budvision.store.queries.calls import NewCall
from budvision.store.queries.people import active_person
from budvision.vocabulary import CallValue
from budvision.web import create_app
from budvision.workflow.review.save import save

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SIZES = {"phone": (390, 844), "tablet": (820, 1180), "desk": (1440, 900)}
NO_PAGES = (
    "static", "manifest", "worker", "board", "token", "picture", "facts", "like", "face", "part",
    "why", "figure", "json", "table", "workbook", "pdf", "paper", "work", "find", "start", "stream",
    "preview", "health", "metrics",
)
"""Ends of endpoints that answer with a picture, a file, JSON or another page."""
PAGES_ALL_THE_SAME = ("bench.start", "bench.table", "results.results_table")
COLOURS = {"runOnly": {"type": "rule", "values": ["color-contrast", "link-in-text-block"]}}
"""What can differ between light and dark: the style sheets change nothing else."""
ASK = """async (options) => (await axe.run({resultTypes: ['violations'], ...options})).violations
    .map((one) => [one.id, one.nodes.slice(0, 2).map((node) => node.target)])"""
WIDER = """() => [document.documentElement,
        ...document.querySelectorAll('nav, .scroll, .desk-tools')]
    .filter((e) => e.scrollWidth > e.clientWidth
        && !e.matches('.strip'))
    .map((e) => `${e.tagName} ${e.getAttribute('aria-label')}`)"""
"""What a phone hides off to the right; the strip of a cane's buds is moved by finger."""
VALUES = {"sampling_id": 1, "block_id": 1, "bud_id": 1, "photo_id": 1, "label": "bench-1.0"}


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Any, str]]:
    folder = tmp_path_factory.mktemp("axe") / "winter"
    season, buds = drawn_season.make_season(folder, n_buds=12, n_canes=3, side=640, trial=4)
    season.close()
    app = create_app(folder)
    app.extensions["axe.buds"] = buds
    with served_app(app) as address:
        yield app, address


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    path = (os.environ.get("BUDVISION_CHROMIUM") or shutil.which("chromium")
            or shutil.which("chromium-browser"))
    with sync_playwright() as player:
        instance = player.chromium.launch(executable_path=path, args=[
            "--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"])
        yield instance
        instance.close()


def _pages(app: Any) -> list[str]:
    """Return the address of every page, by the table of routes; some say that there is nothing."""
    found = []
    with app.test_request_context():
        adapter = app.create_url_adapter(None) or app.url_map.bind("127.0.0.1")
        for rule in app.url_map.iter_rules():
            name = rule.endpoint
            if "GET" not in (rule.methods or ()) or (
                    name.rpartition(".")[2].endswith(NO_PAGES) and name not in PAGES_ALL_THE_SAME):
                continue
            if name in ("results.results_table", "first_page"):
                continue
            found.append(adapter.build(name, {key: VALUES[key] for key in rule.arguments}))
    return sorted(found)


def test_axe_finds_nothing_on_any_page_in_light_and_dark(
    served: tuple[Any, str], browser: Any
) -> None:
    app, base = served
    told: set[str] = set()
    context = browser.new_context()
    context.add_init_script(AXE_SCRIPT)
    page = context.new_page()
    page.set_default_timeout(120_000)
    page.goto(f"{base}/review")
    page.fill("input[name=name]", "Ada Quill")
    page.click("button:has-text('Begin')")
    page.wait_for_url(f"{base}/review")
    _call_half(app)
    pages = _pages(app)
    assert len(pages) > 20
    for address in pages:
        answer = page.goto(base + address)
        assert answer is not None
        assert answer.status in (200, 404), f"{address}: {answer.status}"
        page.locator("#work-bar").wait_for(state="detached")  # it loads itself again once it knows
        page.wait_for_load_state("networkidle")
        for size, (width, height) in SIZES.items():
            page.set_viewport_size({"width": width, "height": height})
            for scheme, rules in (("light", {}), ("dark", COLOURS)):
                page.emulate_media(color_scheme=scheme)
                page.evaluate("document.getAnimations().forEach(one => one.finish())")
                if size == "phone":
                    told |= {f"{address}: off to the right: {one}" for one in page.evaluate(WIDER)}
                told |= {f"{address}, {size}, {scheme}: {name} {where}"
                         for name, where in page.evaluate(ASK, rules)}
    page.set_viewport_size(dict(zip(("width", "height"), SIZES["phone"], strict=True)))
    for language in LANGUAGES:
        page.goto(f"{base}/review?lang={language}")
        lines = page.evaluate("[...document.querySelectorAll('.top nav a')].map(a => a.offsetTop)")
        told |= {f"the parts need more than a line in {language}"} if len(set(lines)) > 1 else set()
    context.close()
    assert not told, "\n".join(sorted(told))


def _call_half(app: Any) -> None:
    """Call half of the buds once, so that pages have something to show."""
    season = app.extensions["budvision.season"]
    for bud in app.extensions.pop("axe.buds", [])[:6]:
        with season.read() as conn:
            ada = active_person(conn, "Ada Quill")
        save(season, bud.bud_id, {
            tissue: NewCall(CallValue(value)) for tissue, value in bud.truth.items()}, person=ada)
