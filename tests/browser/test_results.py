"""The results pages in headless Chromium, asked as a program lead would ask them.

Accessibility is checked with axe-core (Deque Systems), which tests against WCAG 2.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("playwright", reason="playwright is not installed")
from playwright.sync_api import expect
from served import served as served_app

from budvision.language import LANGUAGES
from budvision.store.queries import blocks, calls, canes, people
from budvision.store.session import Season
from budvision.vocabulary import TISSUES, CallValue
from budvision.web import create_app

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SIZES = {"phone": (390, 844), "tablet": (820, 1180), "desk": (1440, 900)}
BLOCKS = {"Kettle Bench": [3, 4, 2, 5, 3, 4], "Orchard Draw": [9, 8, 9, 9, 8, 9],
          "Creek Flat": [0, 1, 0, 0, 1, 0]}


def fill(folder: Path) -> None:
    with Season.create(folder) as season, season.write() as conn:
        reader = people.ensure_person(conn, "Ada Quill").id
        for name, dead in BLOCKS.items():
            block = blocks.ensure_block(conn, name, cultivar="Riesling")
            blocks.update_block(conn, block, row_spacing_m=2.5, vine_spacing_m=2.0)
            for label, day in (("early", "2026-01-05"), ("late", "2026-02-02")):
                sampling = blocks.ensure_sampling(
                    conn, block, label, collected_at=f"{day}T09:00:00Z")
                for number, n_dead in enumerate(dead):
                    cane = canes.ensure_cane(conn, sampling, str(number),
                                             zone=("top", "low")[number % 2])
                    for node in range(1, 11):
                        bud = canes.ensure_bud(conn, cane, node)
                        if (name, label, number, node) == ("Kettle Bench", "late", 0, 10):
                            continue
                        first = CallValue.DEAD if node <= n_dead else CallValue.LIVE
                        calls.save_calls(
                            conn, bud, {TISSUES[0]: first, TISSUES[1]: CallValue.LIVE,
                                        TISSUES[2]: CallValue.LIVE}, person_id=reader)
        blocks.ensure_block(conn, "Never sampled")


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("results") / "winter"
    fill(folder)
    with served_app(create_app(folder)) as address:
        yield address


@pytest.fixture
def page(browser: Any) -> Iterator[Any]:
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    faults: list[str] = []
    opened = context.new_page()
    opened.on("pageerror", lambda error: faults.append(str(error)))
    opened.on("console", lambda m: m.type == "error" and faults.append(m.text))
    yield opened
    context.close()
    assert faults == []


def test_two_questions_are_answered_by_clicking(page: Any, served: str) -> None:
    page.goto(f"{served}/results/")
    first = page.locator("tbody th a").first
    expect(first).to_have_text("Orchard Draw")
    page.get_by_role("link", name="Which blocks to prune last").click()
    expect(page.locator("tbody tr").first).to_contain_text("Orchard Draw")
    expect(page.locator("tbody tr").first).to_contain_text("Leave it until bud break")
    page.goto(f"{served}/results/")
    page.get_by_role("link", name="Kettle Bench", exact=True).click()
    expect(page.locator("h1")).to_have_text("Kettle Bench")
    page.get_by_label("What if I had cut so many more?").fill("250")
    page.locator("section[aria-labelledby=sure] button").click()
    expect(page.locator("#what-if")).to_contain_text("With 250 more buds")
    expect(page.get_by_text("1 bud waits")).to_be_visible()


def test_figures_are_shown_and_bars_lie_where_the_numbers_say(page: Any, served: str) -> None:
    page.goto(f"{served}/results/")
    row = page.locator("tbody tr", has_text="Orchard Draw")
    words = row.locator("svg.bar").get_attribute("aria-label")
    assert "87 % dead" in words
    frame, point = (row.locator(f"svg.bar .{name}").bounding_box() for name in ("frame", "point"))
    middle = point["x"] + point["width"] / 2
    assert (middle - frame["x"]) / frame["width"] == pytest.approx(52 / 60, abs=0.01)
    page.get_by_role("link", name="Orchard Draw").click()
    page.wait_for_url("**/results/block/*")  # with its pictures: a click waits for no page
    shown = page.locator("figure.paper img")
    assert shown.count() >= 3
    for at in range(shown.count()):
        assert shown.nth(at).evaluate("image => image.complete && image.naturalWidth > 200")
        assert "% dead" in shown.nth(at).get_attribute("alt")


def test_a_sheet_and_a_workbook_can_be_taken_away(page: Any, served: str) -> None:
    page.goto(f"{served}/results/")
    with page.expect_download() as workbook:
        page.get_by_role("link", name="Workbook").click()
    assert workbook.value.suggested_filename == "results.xlsx"
    page.get_by_role("link", name="Creek Flat").click()
    page.get_by_label("Paper").select_option("us-letter")
    with page.expect_download() as sheet:
        page.get_by_role("button", name="Grower sheet").click()
    assert sheet.value.suggested_filename == "Creek Flat - sheet.pdf"
    assert Path(sheet.value.path()).read_bytes().startswith(b"%PDF")


def test_a_harvest_is_entered_and_the_loop_closed(page: Any, served: str) -> None:
    page.goto(f"{served}/me")
    page.fill("input[name=name]", "Ada Quill")
    page.click("button:has-text('Begin')")
    page.wait_for_url(f"{served}/review")
    page.goto(f"{served}/results/")
    page.get_by_role("link", name="Creek Flat").click()
    page.get_by_role("link", name="The season after").click()
    page.wait_for_url("**/season-after")
    for kind, values in (("clusters_per_vine|per vine", "40 44 36"),
                         ("cluster_weight_harvest|g", "110 118 102"), ("harvest|t/ha", "9.2")):
        page.get_by_label("What, and in which unit").select_option(kind)
        page.get_by_label("Values, one a vine or sample").fill(values)
        with page.expect_navigation():  # else the answer to the one before would be found
            page.get_by_role("button", name="Keep").click()
        expect(page.get_by_role("status")).to_have_text("Kept.")
    # 2000 vines x 40 clusters x 0.11 kg = 8.8 t/ha, 4 % below 9.2.
    expect(page.get_by_text("8.8 t/ha", exact=True)).to_be_visible()
    expect(page.locator("tr", has_text="predicted against harvested")).to_contain_text("-4 %")


@pytest.mark.parametrize("size", SIZES)
def test_pages_are_accessible_and_fit_the_screen(browser: Any, served: str, size: str) -> None:
    """Told by axe at one size here (a filled season); every page at every size in test_axe.py."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    width, height = SIZES[size]
    context = browser.new_context(viewport={"width": width, "height": height})
    page = context.new_page()
    for address in ("/results/", "/results/block/1", "/results/block/4", "/results/prune-last",
                    "/results/compare?one=1:late&two=all", "/results/over-all",
                    "/results/block/1/season-after", "/results/cold", "/results/table"):
        page.goto(served + address)
        told = axe.run(page).response["violations"] if size == "desk" else []
        assert told == [], (address, [(one["id"], one["nodes"][0]["html"]) for one in told])
        wide = page.evaluate(
            "document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert wide <= 0, address
    context.close()


WIDER = """() => Math.max(document.documentElement.scrollWidth - innerWidth,
    ...[...document.querySelectorAll('.scroll')].map(e => e.scrollWidth - e.clientWidth))"""


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("width", [1024, 1366])
def test_no_column_is_cut_on_a_small_desk(
    served: str, browser: Any, width: int, language: str
) -> None:
    page = browser.new_page(viewport={"width": width, "height": 768})
    for path in ("/results/", *(f"/results/block/{number}" for number in (1, 2, 3))):
        page.goto(f"{served}{path}?lang={language}")
        assert page.evaluate(WIDER) <= 0, path
    page.close()


@pytest.mark.parametrize("path", ["/results/", "/results/block/1", "/results/block/2"])
def test_a_phone_shows_the_answer_first_and_hides_nothing_to_the_right(
    served: str, browser: Any, path: str
) -> None:
    page = browser.new_page(viewport={"width": 390, "height": 844})
    page.goto(served + path)
    assert page.evaluate(WIDER) <= 0
    first = page.get_by_text("nodes a vine").first if "block" in path else (
        page.get_by_role("link", name="Orchard Draw"))
    assert first.bounding_box()["y"] < 844
    page.close()


@pytest.mark.parametrize("path", ["/results/", "/results/block/1", "/results/block/2"])
def test_results_and_block_pages_print_on_one_page(
    served: str, browser: Any, path: str, tmp_path: Path
) -> None:
    page = browser.new_page()
    page.goto(served + path)
    page.pdf(path=tmp_path / "print.pdf", format="A4")
    page.close()
    told = subprocess.run(["pdfinfo", tmp_path / "print.pdf"], capture_output=True, text=True,
                          check=True).stdout
    assert re.search(r"Pages:\s+1\b", told), told


def test_a_bud_that_is_named_leads_to_it(served: str, browser: Any) -> None:
    page = browser.new_page()
    page.goto(f"{served}/results/block/1")
    page.get_by_role("link", name="cane 0 node 10").click()
    page.wait_for_url(re.compile(r"/review|/who"))
    page.close()
