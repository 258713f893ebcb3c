"""The review pages in headless Chromium, played as a reviewer would, from what the page shows.

Accessibility is checked with axe-core (Deque Systems), which tests against WCAG 2.
"""

from __future__ import annotations

import os
import re
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("playwright", reason="playwright is not installed")
import drawn_season
from flask import Flask
from playwright.sync_api import expect
from served import served

from budvision.store.queries import proposals
from budvision.store.queries.blocks import list_samplings
from budvision.store.queries.calls import call_history, current_calls
from budvision.store.session import Season
from budvision.vocabulary import Proposal, Reason, Tissue
from budvision.web import create_app

pytestmark = pytest.mark.browser

KEYS = {"live": "l", "dead": "d", "unsure": "u", "not_exposed": "n"}
GRAVE = ("serious", "critical")


READER_S = float(os.environ.get("BUDVISION_READER_S", "0"))
"""Seconds that the scripted reader takes to judge one tissue."""
N_MANY = int(os.environ.get("BUDVISION_BUDS", "24"))
SEASONS = {
    "plain": {"n_buds": 8, "n_canes": 2, "blind": 0.0},
    "blind": {"n_buds": 4, "n_canes": 1, "blind": 1.0, "second": 1.0},
    "trial": {"n_buds": 8, "n_canes": 2, "blind": 0.0, "trial": 4},
    "many": {"n_buds": N_MANY, "n_canes": 10, "blind": 0.0, "two_cuts_every": 10},
}


@pytest.fixture(scope="module")
def template(
    tmp_path_factory: pytest.TempPathFactory
) -> Callable[[str], tuple[Path, list[Any]]]:
    """Draw each season once, when first asked for; each test works on a copy."""
    made: dict[str, tuple[Path, list[Any]]] = {}

    def get(name: str) -> tuple[Path, list[Any]]:
        if name not in made:
            folder = tmp_path_factory.mktemp(name) / "winter"
            season, buds = drawn_season.make_season(folder, side=640, **SEASONS[name])
            season.close()
            made[name] = (folder, buds)
        return made[name]

    return get


class Played:
    """A served season, the people at it, and what to look up."""

    def __init__(
        self, folder: Path, buds: list[Any], browser: Any, app: Flask, base: str
    ) -> None:
        self.folder, self.buds, self.browser = folder, buds, browser
        self.app, self.base = app, base
        self.season: Season = self.app.extensions["budvision.season"]
        self.faults: list[str] = []
        self.contexts: list[Any] = []

    def person(self, name: str, **facts: Any) -> Any:
        """Open a browser window as a person who gives their name first."""
        context = self.browser.new_context(**{"viewport": {"width": 1366, "height": 768}, **facts})
        self.contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: self.faults.append(str(error)))
        page.on("console", lambda m: m.type == "error" and self.faults.append(m.text))
        page.goto(f"{self.base}/review")
        assert "/me" in page.url
        page.fill("input[name=name]", name)
        page.click("button:has-text('Begin')")
        page.wait_for_url(f"{self.base}/review")
        return page

    def open(self, page: Any, bud: int, query: str = "") -> None:
        page.goto(f"{self.base}/review/bud/{bud}{query}")
        page.wait_for_selector(".card.front")
        expect(page.locator("body")).to_have_attribute("data-bud", str(bud))

    def open_and_next(self, page: Any, at: int) -> None:
        """Open a bud and wait until the next two are in the browser, with their pictures."""
        self.open(page, self.buds[at].bud_id)
        for bud in self.buds[at + 1:at + 3]:
            expect(page.locator("body")).to_have_attribute(
                "data-ahead", re.compile(rf"\b{bud.bud_id}\b"))

    def calls(self) -> dict[int, Any]:
        with self.season.read() as conn:
            return {row.node + 100 * int(row.cane): row for row in current_calls(conn)}

    def history(self, bud: int) -> list[Any]:
        with self.season.read() as conn:
            return call_history(conn, bud)

    def close(self) -> None:
        for context in self.contexts:
            context.close()


@pytest.fixture
def play(
    request: pytest.FixtureRequest, tmp_path: Path, browser: Any,
    template: Callable[[str], tuple[Path, list[Any]]],
) -> Iterator[Played]:
    folder, buds = template(getattr(request, "param", "plain"))
    shutil.copytree(folder, tmp_path / "winter")
    app = create_app(tmp_path / "winter")
    with served(app) as base:
        played = Played(tmp_path / "winter", buds, browser, app, base)
        yield played
        played.close()
    assert not played.faults, played.faults


def at(page: Any, bud: int) -> None:
    expect(page.locator("body")).to_have_attribute("data-bud", str(bud))
    expect(page.locator("body")).not_to_have_attribute("data-saving", re.compile("[1-9]"))


def press_what_the_page_says(page: Any, truth: dict[str, str]) -> str:
    """Look at the page as a reviewer does and press one key; return it."""
    front = page.get_attribute(".card.front", "data-tissue")
    if page.is_enabled("#save"):
        key = "Space"
    else:
        shown = page.query_selector(".card.front .calls .proposed")
        proposed = shown.get_attribute("data-value") if shown else None
        key = "Space" if proposed == truth[front] else KEYS[truth[front]]
    page.keyboard.press(key)
    return key


@pytest.mark.slow
def test_one_bud_by_keyboard_changes_the_result(play: Played) -> None:
    page = play.person("Ada Moreau")
    play.open(page, play.buds[0].bud_id)
    assert play.calls() == {}
    for key in ("d", "l", "n"):
        page.keyboard.press(key)
    assert play.calls() == {}, "nothing is kept before it is saved"
    page.keyboard.press("Enter")
    at(page, play.buds[1].bud_id)
    kept = play.calls()[101]
    assert (kept.primary, kept.secondary, kept.tertiary) == ("dead", "live", "not_exposed")
    assert page.inner_text("#progress") == "1 of 8 called, 7 waiting"
    assert {row.person for row in play.history(play.buds[0].bud_id)} == {"Ada Moreau"}


@pytest.mark.slow
@pytest.mark.parametrize("play", ["many"], indirect=True)
def test_many_buds_from_the_keyboard_alone(play: Played) -> None:
    """BUDVISION_BUDS of them: 100 for the figures that are told, fewer by default.

    ``BUDVISION_BUDS=100 BUDVISION_READER_S=1.2 pytest -s tests/browser/test_review.py -k many``
    takes as long as such a reader does.
    """
    page = play.person("Ada Moreau")
    play.open(page, play.buds[0].bud_id)
    truth = {bud.bud_id: {t.value: v for t, v in bud.truth.items()} for bud in play.buds}
    keys, waits, began = 0, [], time.monotonic()
    for position, bud in enumerate(play.buds):
        used = 0
        for _ in range(8):
            if used < 3:
                page.wait_for_timeout(READER_S * 1000)  # three tissues to judge
            key = press_what_the_page_says(page, truth[bud.bud_id])
            keys, used = keys + 1, used + 1
            if used == 4 and key == "Space":
                break
        if position + 1 < len(play.buds):
            at(page, play.buds[position + 1].bud_id)
            waits.append(float(page.evaluate("document.body.dataset.nextMs")))
            page.wait_for_timeout(150)  # a reviewer looks before the first key
    page.wait_for_url(re.compile("/review/sampling/"))
    assert "Nothing left here" in page.inner_text("h1")
    calls = play.calls()
    assert len(calls) == N_MANY
    for bud, (_, kept) in zip(play.buds, sorted(calls.items()), strict=True):
        assert {t.value: str(kept.call(t)) for t in Tissue} == truth[bud.bud_id]
    waits.sort()
    median, most = waits[len(waits) // 2], waits[int(0.95 * len(waits))]
    print(f"keystrokes a bud: {keys / N_MANY:.2f}; next bud shown after {median:.0f} ms (median), "
          f"{most:.0f} ms (95 %); {(time.monotonic() - began) / 60:.1f} minutes with "
          f"{READER_S:g} s a judgement")
    assert keys / N_MANY <= 4.2


@pytest.mark.slow
def test_a_held_key_calls_one_tissue_only(play: Played) -> None:
    page = play.person("Ada Moreau")
    play.open(page, play.buds[0].bud_id)
    for _ in range(30):  # the second and later ones carry `repeat`, as a held key's do
        page.keyboard.down("Space")
    page.keyboard.up("Space")
    assert page.locator(".calls [aria-pressed=true]").count() <= 1
    assert play.calls() == {}


@pytest.mark.slow
def test_undo_goes_back_and_keeps_every_row(play: Played) -> None:
    page = play.person("Ada Moreau")
    first = play.buds[0].bud_id
    play.open(page, first)
    page.keyboard.press("d")
    page.keyboard.press("Backspace")
    assert page.locator(".calls [aria-pressed=true]").count() == 0, "the draft is taken back"
    for key in ("d", "l", "l", "Enter"):
        page.keyboard.press(key)
    at(page, play.buds[1].bud_id)
    page.keyboard.press("Backspace")
    at(page, first)
    expect(page.locator("#notice")).to_contain_text("Taken back")
    assert play.calls() == {}
    assert len(play.history(first)) == 6


@pytest.mark.slow
def test_a_reload_keeps_the_draft_and_the_place(play: Played) -> None:
    page = play.person("Ada Moreau")
    play.open(page, play.buds[0].bud_id)
    for key in ("l", "l", "l", "Enter"):
        page.keyboard.press(key)
    at(page, play.buds[1].bud_id)
    page.keyboard.press("d")
    with page.expect_response(f"**/bud/{play.buds[1].bud_id}/open*"):  # the season keeps the place
        page.reload()
    page.wait_for_selector(".card.front")
    assert f"/review/bud/{play.buds[1].bud_id}" in page.url
    assert page.locator(".card-primary [data-value=dead][aria-pressed=true]").count() == 1
    page.goto(f"{play.base}/review")
    page.click("text=Go on there")
    page.wait_for_selector(".card.front")
    assert f"/review/bud/{play.buds[1].bud_id}" in page.url


@pytest.mark.slow
def test_a_draft_does_not_pass_to_the_next_person(play: Played) -> None:
    page = play.person("Ada Moreau")
    bud = play.buds[0].bud_id
    play.open(page, bud)
    page.keyboard.press("d")
    page.click("button:has-text('change')")
    page.fill("input[name=name]", "Tom Reyes")
    page.click("button:has-text('Begin')")
    page.wait_for_url(f"{play.base}/review")
    play.open(page, bud)
    assert page.locator(".calls [aria-pressed=true]").count() == 0


@pytest.mark.slow
def test_space_after_a_click_calls_and_does_not_press_the_button_again(play: Played) -> None:
    page = play.person("Ada Moreau")
    play.open(page, play.buds[0].bud_id)
    page.click("#skip")
    at(page, play.buds[1].bud_id)
    page.keyboard.press("Space")
    expect(page.locator(".card-primary [aria-pressed=true]")).to_have_count(1)
    expect(page.locator("body")).to_have_attribute("data-bud", str(play.buds[1].bud_id))


@pytest.mark.slow
def test_a_second_tab_of_the_same_person(play: Played) -> None:
    page = play.person("Ada Moreau")
    bud = play.buds[0].bud_id
    play.open(page, bud)
    other = page.context.new_page()
    play.open_and_next(other, 0)  # it has asked what is new before anything is
    for key in ("l", "l", "l", "Enter"):
        page.keyboard.press(key)
    at(page, play.buds[1].bud_id)
    for key in ("d", "l", "l", "Enter"):
        other.keyboard.press(key)
    at(other, play.buds[1].bud_id)
    expect(other.locator("#notice")).to_contain_text("You called this bud in another window")
    assert play.calls()[101].primary == "dead", "the same person's later call counts"
    assert len(play.history(bud)) == 6


@pytest.mark.slow
def test_without_scripts_the_page_says_so_in_sight(play: Played) -> None:
    page = play.person("Ada Moreau", java_script_enabled=False)
    page.goto(f"{play.base}/review/bud/{play.buds[0].bud_id}")
    told = page.locator("noscript p")
    expect(told).to_be_in_viewport()
    assert "needs scripts" in (told.text_content() or "")
    page.goto(f"{play.base}/bench/1")
    told = page.locator("noscript p")
    expect(told).to_be_in_viewport()
    assert "needs JavaScript" in (told.text_content() or "")


class Away:
    """The network between a reader's browser and the season, cut and mended."""

    def __init__(self, page: Any) -> None:
        self.page = page

    def cut(self, how: str = "away") -> None:
        """Reach nothing any more; or lose the answers, or their ends; or another answers."""

        def lose(route: Any) -> None:
            if how == "another answers":
                route.fulfill(status=200, content_type="text/html", body="<h1>Log in here</h1>")
            elif how == "answers cut off":
                route.fulfill(response=route.fetch(), body='{"ok": tr')
            else:
                if how == "answers lost":
                    route.fetch()
                route.abort()

        self.page.route("**/calls?**" if how.startswith("answers") else "**/review/**", lose)

    def mend(self) -> None:
        self.page.unroute_all(behavior="ignoreErrors")


def called(page: Any, *keys: str) -> None:
    for key in (*keys, "Enter"):
        page.keyboard.press(key)


@pytest.mark.slow
@pytest.mark.parametrize("how", ["away", "answers lost", "answers cut off", "another answers"])
def test_calls_made_while_the_season_is_away_are_told_of_and_saved_once(
    play: Played, how: str
) -> None:
    """With the server gone, or its answers lost, two buds go on with the sign in plain sight."""
    page = play.person("Ada Moreau")
    play.open_and_next(page, 0)
    away = Away(page)
    away.cut(how)
    called(page, "d", "l", "l")
    expect(page.locator("body")).to_have_attribute("data-bud", str(play.buds[1].bud_id))
    expect(page.locator("#unsaved")).to_contain_text("1 bud not saved yet")
    expect(page.locator("#unsaved")).to_contain_text("does not answer")
    called(page, "l", "d", "l")
    expect(page.locator("#unsaved")).to_contain_text("2 buds not saved yet")
    away.mend()
    page.reload()  # a restart of the tab keeps them too
    expect(page.locator("#unsaved")).to_be_hidden()
    calls = play.calls()
    assert (calls[101].primary, calls[102].secondary) == ("dead", "dead")
    for bud in play.buds[:2]:
        assert len(play.history(bud.bud_id)) == 3, "sent again, counted once"
    play.faults = [one for one in play.faults if "Failed to load resource" not in one]


@pytest.mark.slow
def test_a_proposal_for_a_photograph_that_cannot_be_shown_is_not_confirmed(play: Played) -> None:
    page = play.person("Ada Moreau")
    page.route("**/face/**", lambda route: route.fulfill(status=404))
    play.open(page, play.buds[0].bud_id)
    expect(page.locator("figcaption").first).to_contain_text("cannot be shown now")
    page.keyboard.press("Space")
    expect(page.locator("#hint")).to_contain_text("What is not seen is not confirmed")
    assert page.locator('.calls [aria-pressed="true"]').count() == 0
    page.unroute_all()
    page.reload()
    page.wait_for_load_state("networkidle")
    expect(page.locator("figcaption").first).not_to_contain_text("cannot be shown")
    page.keyboard.press("Space")
    expect(page.locator('.calls [aria-pressed="true"]')).to_have_count(1)
    play.faults = [one for one in play.faults if "Failed to load resource" not in one]


@pytest.mark.slow
def test_what_a_closed_tab_had_not_saved_is_sent_from_the_next_page(play: Played) -> None:
    page = play.person("Ada Moreau")
    play.open_and_next(page, 0)
    away = Away(page)
    away.cut()
    called(page, "d", "l", "l")
    expect(page.locator("#unsaved")).to_contain_text("1 bud not saved yet")
    context = page.context
    page.close()
    assert play.calls() == {}
    other = context.new_page()
    other.goto(f"{play.base}/review")
    expect(other.locator("#unsaved")).to_be_hidden()
    assert play.calls()[101].primary == "dead"
    play.faults = [one for one in play.faults if "Failed to load resource" not in one]


@pytest.mark.slow
def test_calls_of_one_person_are_not_saved_as_anothers(play: Played) -> None:
    page = play.person("Ada Moreau")
    play.open_and_next(page, 0)
    other = page.context.new_page()
    other.goto(f"{play.base}/review")
    other.click("button:has-text('change')")
    other.fill("input[name=name]", "Tom Reyes")
    other.click("button:has-text('Begin')")
    other.wait_for_url(f"{play.base}/review")
    called(page, "d", "l", "l")
    expect(page.locator("#unsaved")).to_contain_text("Tom Reyes is at this browser now")
    assert play.calls() == {}
    play.faults = [one for one in play.faults if "Failed to load resource" not in one]


@pytest.mark.slow
def test_the_best_cut_is_large_and_the_others_a_strip(play: Played) -> None:
    page = play.person("Ada Moreau")
    play.open(page, play.buds[1].bud_id)  # two cuts
    page.keyboard.press("3")
    best, other = page.locator(".cut.best").bounding_box(), page.locator(
        ".cut:not(.best)").bounding_box()
    stage = page.locator("#stage").bounding_box()
    assert best["width"] > 0.7 * stage["width"]
    assert best["width"] > 3 * other["width"]
    shown = page.get_attribute(".cut.best .cut-view", "aria-label")
    page.keyboard.press(",")
    assert page.get_attribute(".cut.best .cut-view", "aria-label") != shown
    page.focus("#cut-slider")
    page.keyboard.press("ArrowRight")
    assert page.get_attribute(".cut.best .cut-view", "aria-label") == shown
    page.keyboard.press("l")  # letters call all the same
    assert page.locator("#cards [data-value=live][aria-pressed=true]").count() == 1
    page.keyboard.press("f")
    best, other = page.locator(".cut.best").bounding_box(), page.locator(
        ".cut:not(.best)").bounding_box()
    assert best["width"] < 1.2 * other["width"]


@pytest.mark.slow
def test_a_photograph_that_shows_no_bud_is_put_out_of_the_queue(play: Played) -> None:
    page = play.person("Ada Moreau")
    play.open(page, play.buds[0].bud_id)
    page.click("#no-bud")
    at(page, play.buds[1].bud_id)
    expect(page.locator("#progress")).to_contain_text("0 of 7 called, 7 waiting")
    page.keyboard.press("ArrowLeft")
    at(page, play.buds[0].bud_id)
    page.click("#no-bud")
    expect(page.locator("#progress")).to_contain_text("0 of 8 called, 8 waiting")


@pytest.mark.slow
def test_leaving_corrections_asks_first_and_the_tissue_in_front_stays(play: Played) -> None:
    page = play.person("Ada Moreau")
    play.open(page, play.buds[0].bud_id)
    page.keyboard.press("2")
    page.keyboard.press("e")
    page.wait_for_selector(".editor-view svg")
    assert page.is_checked("input[name=tissue][value=secondary]")
    asked: list[str] = []
    page.on("dialog", lambda dialog: (asked.append(dialog.type), dialog.accept()))
    page.click("#delete")
    expect(page.locator("#steps li")).to_have_count(1)
    page.goto(f"{play.base}/review")
    assert asked == ["beforeunload"]


def doubt_the_secondary(play: Played, bud: Any) -> int:
    """Let the newest proposal of a bud doubt the secondary's name, and ask for a look."""
    photo = bud.photo_ids[0]
    with play.season.write() as conn:
        row = proposals.latest_proposals(conn, photo_ids=[photo])[photo]
        tissues = dict(row.tissues)
        tissues[Tissue.SECONDARY] = replace(
            tissues[Tissue.SECONDARY], p_name=0.62, other_name=Tissue.TERTIARY)
        reasons = (Reason("glare", "A reflection may hide part of the tissue.", look=True,
                          place=(200.0, 150.0, 330.0, 320.0)),)
        proposals.save_proposal(conn, photo, row.model_id, Proposal(
            file="x", sha256="", width_px=640, height_px=640, found=True, reasons=reasons,
            mm_per_px=row.mm_per_px, model=row.model, tissues=tissues),
            region_id=row.region_id)
    return photo


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_doubtful_flanker_is_asked_for_its_name(
    play: Played, scheme: str, tmp_path: Path
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    bud = play.buds[2]  # no tertiary shows
    photo = doubt_the_secondary(play, bud)
    page = play.person("Ada Moreau", color_scheme=scheme, bypass_csp=True)
    play.open(page, bud.bud_id)
    expect(page.locator(".card-secondary .proposal")).to_contain_text("; secondary or tertiary?")
    expect(page.locator(".card-tertiary .proposal")).to_contain_text("if the other is the second")
    expect(page.locator(".line-secondary .line-letter")).to_have_text("S?")
    expect(page.locator(".reason.look")).to_contain_text("Look yourself: A reflection")
    frame = page.locator(".frame-ink")
    assert [frame.get_attribute(a) for a in ("x", "y", "width", "height")] == [
        "150", "200", "170", "130"]
    page.keyboard.press("d")
    expect(page.locator("#hint")).to_contain_text("Y: it is the secondary. X: the tertiary.")
    page.keyboard.press("l")  # the verdict first, then the name
    page.keyboard.press("2")
    page.wait_for_timeout(300)
    page.screenshot(path=str(tmp_path / f"asked_{scheme}.png"))
    found = Axe().run(page).response["violations"]
    assert not found, [(one["id"], [n["html"][:100] for n in one["nodes"][:2]]) for one in found]

    with page.expect_response(re.compile("/outlines$"), timeout=30_000) as kept_name:
        page.keyboard.press("x")
    assert kept_name.value.ok, kept_name.value.text()
    expect(page.locator(".card-tertiary [data-value=live][aria-pressed=true]")).to_have_count(1)
    expect(page.locator(".line-tertiary .line-letter")).to_have_text("T")
    expect(page.locator(".name:not([hidden])")).to_have_count(0)
    with play.season.read() as conn:
        kept = proposals.current_region(conn, photo)
    assert kept.person_id is not None
    assert (kept.labels == 3).any()
    assert not (kept.labels == 2).any()

    page.keyboard.press("Backspace")  # the name is open again, the calls go back with it
    expect(page.locator(".card-secondary [data-value=live][aria-pressed=true]")).to_have_count(1)
    expect(page.locator(".card-secondary .proposal")).to_contain_text("secondary or tertiary?")
    with play.season.read() as conn:
        assert proposals.current_region(conn, photo).person_id is None

    page.click(".card-secondary .card-pick")
    page.click(".card-secondary [data-name=other]")
    expect(page.locator(".card-tertiary [data-value=live][aria-pressed=true]")).to_have_count(1)
    page.keyboard.press("n")
    page.keyboard.press("Enter")
    expect(page.locator("body")).not_to_have_attribute("data-bud", str(bud.bud_id))
    expect(page.locator("#unsaved")).to_be_hidden()
    rows = {row.tissue: row for row in play.history(bud.bud_id)}
    assert [rows[t].value for t in Tissue] == ["dead", "not_exposed", "live"]
    with play.season.read() as conn:
        beside = proposals.proposals_by_id(conn, [rows[Tissue.TERTIARY].proposal_id])[0]
    assert beside.tissues[Tissue.TERTIARY].exposed
    assert not beside.tissues[Tissue.SECONDARY].exposed
    assert [r.code for r in beside.reasons] == ["glare"], "the look asked for stays"


@pytest.mark.slow
def test_a_doubtful_name_may_stay_open(play: Played) -> None:
    """Four keys a bud, as ever: the call is kept under the tissue as called, the doubt stays."""
    bud = play.buds[2]
    photo = doubt_the_secondary(play, bud)
    page = play.person("Ada Moreau")
    play.open(page, bud.bud_id)
    for key in ("d", "l", "n", "Enter"):
        page.keyboard.press(key)
    expect(page.locator("body")).not_to_have_attribute("data-bud", str(bud.bud_id))
    expect(page.locator("#unsaved")).to_be_hidden()
    assert [row.value for row in play.history(bud.bud_id)] == ["dead", "live", "not_exposed"]
    with play.season.read() as conn:
        now = proposals.latest_proposals(conn, photo_ids=[photo])[photo]
    assert now.tissues[Tissue.SECONDARY].other_name is Tissue.TERTIARY


@pytest.mark.slow
@pytest.mark.parametrize("play", ["blind"], indirect=True)
def test_a_blind_bud_shows_no_doubt_of_a_name(play: Played) -> None:
    doubt_the_secondary(play, play.buds[2])
    page = play.person("Ada Moreau")
    play.open(page, play.buds[2].bud_id)
    assert "secondary or tertiary" not in page.inner_text("main").lower()
    assert page.locator(".frame-ink, .name:not([hidden])").count() == 0
    text = page.evaluate("document.getElementById('facts').textContent")
    assert "other_name" not in text
    assert "glare" not in text


@pytest.mark.slow
def test_two_reviewers_open_one_bud(play: Played) -> None:
    ada, tom = play.person("Ada Moreau"), play.person("Tom Reyes")
    bud = play.buds[0].bud_id
    play.open_and_next(ada, 0)
    play.open(tom, bud)
    expect(tom.locator("#notice")).to_contain_text("Ada Moreau has this bud open")
    with ada.expect_response(f"**/bud/{play.buds[3].bud_id}/facts*"):
        for key in ("l", "l", "l", "Enter"):
            ada.keyboard.press(key)
        at(ada, play.buds[1].bud_id)
    for key in ("d", "l", "l", "Enter"):
        tom.keyboard.press(key)
    expect(tom.locator("#notice")).to_contain_text("called this bud while you had it open")
    at(tom, play.buds[4].bud_id)  # Ada has the second, and the next two were handed to her
    assert play.calls()[101].primary == "live"
    assert sorted({row.person for row in play.history(bud)}) == ["Ada Moreau", "Tom Reyes"]


@pytest.mark.slow
@pytest.mark.parametrize("play", ["blind"], indirect=True)
def test_a_blind_bud_shows_the_proposal_only_after_the_call(play: Played) -> None:
    page = play.person("Ada Moreau")
    bud = play.buds[0]
    play.open(page, bud.bud_id)
    text = page.inner_text(".panel")
    assert "called blind" in text
    assert "in 100" not in text
    assert page.locator(".lines path").count() == 0
    page.keyboard.press("Space")
    assert page.locator(".calls [aria-pressed=true]").count() == 0, "there is nothing to confirm"
    wrong = {"live": "d", "dead": "l", "not_exposed": "l", "unsure": "l"}
    page.keyboard.press(wrong[bud.proposed[Tissue.PRIMARY]])
    page.keyboard.press(KEYS[bud.proposed[Tissue.SECONDARY]])
    page.keyboard.press(KEYS[bud.proposed[Tissue.TERTIARY]])
    page.keyboard.press("Enter")
    expect(page.locator("#hint")).to_contain_text("the program says")
    assert page.locator(".lines path").count() > 0
    page.keyboard.press("Space")
    at(page, play.buds[1].bud_id)
    rows = play.history(bud.bud_id)
    assert len(rows) == 3
    assert all(row.blind for row in rows)
    page.goto(f"{play.base}/review/agreement")
    assert "1 bud was called blind" in page.inner_text("main")


@pytest.mark.slow
@pytest.mark.parametrize("play", ["blind"], indirect=True)
def test_second_reading_and_settling(play: Played) -> None:
    ada = play.person("Ada Moreau")
    play.open(ada, play.buds[0].bud_id)
    for key in ("l", "l", "l", "Enter"):
        ada.keyboard.press(key)
    at(ada, play.buds[1].bud_id)
    tom = play.person("Tom Reyes")
    tom.click("text=again as second person")
    tom.wait_for_selector(".card.front")
    text = tom.inner_text("main")
    assert "second reading" in text
    assert "Ada" not in text
    assert tom.locator(".lines path").count() == 0
    for key in ("d", "l", "l", "Enter"):
        tom.keyboard.press(key)
    tom.wait_for_url(re.compile("/review/sampling/"))
    ada.goto(f"{play.base}/review")
    ada.click("text=Settle 1 disagreement")
    ada.wait_for_selector(".card.front")
    assert "Tom Reyes" in ada.inner_text(".settle")
    ada.keyboard.press("d")
    ada.keyboard.press("Enter")
    ada.wait_for_url(re.compile("/review/sampling/"))
    assert play.calls()[101].primary == "dead"
    with play.season.read() as conn:
        assert len(list_samplings(conn)) == 1
    assert len(play.history(play.buds[0].bud_id)) == 7


@pytest.mark.slow
@pytest.mark.parametrize("play", ["blind"], indirect=True)
def test_a_bud_opened_late_is_not_held_after_its_call(play: Played) -> None:
    """"It is open here" came after the call: for five minutes nobody else was handed the bud."""
    views, kept = play.app.view_functions, threading.Event()
    opened, saved = (next(name for name in views if name.endswith(end))
                     for end in (".open_bud", ".calls"))
    plain_open, plain_save = views[opened], views[saved]

    def open_late(**given: Any) -> Any:
        kept.wait(1)
        return plain_open(**given)

    def save(**given: Any) -> Any:
        try:
            return plain_save(**given)
        finally:
            kept.set()

    views.update({opened: open_late, saved: save})
    ada = play.person("Ada Moreau")
    play.open(ada, play.buds[0].bud_id)
    called(ada, "l", "l", "l")
    at(ada, play.buds[1].bud_id)
    tom = play.person("Tom Reyes")
    tom.click("text=again as second person")
    tom.wait_for_selector(".card.front")
    assert f"/review/bud/{play.buds[0].bud_id}" in tom.url


@pytest.mark.slow
def test_a_region_is_redrawn(play: Played, monkeypatch: pytest.MonkeyPatch) -> None:
    page = play.person("Ada Moreau")
    bud = play.buds[0]
    play.open(page, bud.bud_id)
    before = page.get_attribute(".line-primary .line-ink", "d")
    page.keyboard.press("e")
    page.wait_for_selector(".editor-view svg")
    page.check("input[value=draw]")
    frame = page.locator(".editor-view svg").bounding_box()
    middle = (frame["x"] + frame["width"] / 2, frame["y"] + frame["height"] / 2)
    for dx, dy in ((-60, -60), (60, -60), (60, 60), (-60, 60)):
        page.mouse.click(middle[0] + dx, middle[1] + dy)
    page.keyboard.press("Enter")
    expect(page.locator("#steps li")).to_have_count(1)
    with page.expect_response(re.compile("/outlines$")) as kept:
        page.click("#save")
    assert kept.value.ok
    page.wait_for_url(re.compile(f"/review/bud/{bud.bud_id}"))  # the page goes back by itself
    page.wait_for_selector(".card.front")
    after = page.get_attribute(".line-primary .line-ink", "d")
    assert after != before
    assert "corrected by hand" in page.inner_text(".stage")


@pytest.mark.slow
def test_a_region_is_redrawn_from_the_keyboard_alone(play: Played) -> None:
    page = play.person("Ada Moreau")
    bud = play.buds[0]
    play.open(page, bud.bud_id)
    before = page.get_attribute(".line-primary .line-ink", "d")
    page.keyboard.press("e")
    page.wait_for_selector(".editor-view svg")
    page.focus("input[value=grow]")
    page.keyboard.press("ArrowDown")  # draw round it
    page.keyboard.press("Shift+Tab")
    page.keyboard.press("Shift+Tab")  # over the tissues to the photograph
    assert page.evaluate("() => document.activeElement.matches('.cut-view')")
    for way in ("ArrowLeft", "ArrowUp", "ArrowRight", "ArrowDown"):
        for _ in range(4 if way == "ArrowLeft" else 6):
            page.keyboard.press(way)
        page.keyboard.press("Space")
    assert page.text_content("#state") == "4 points on the line"
    shape = page.get_attribute(".mark-line", "d")
    page.keyboard.press("[")
    assert page.text_content("#state") == "Point 4 of 4: the arrows move it"
    page.keyboard.press("Shift+ArrowRight")
    assert page.get_attribute(".mark-line", "d") != shape
    page.screenshot(path=play.folder.parent / "cross.png")
    page.keyboard.press("Enter")
    expect(page.locator("#steps li")).to_have_count(1)
    page.focus("#save")
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(f"/review/bud/{bud.bud_id}"))
    page.wait_for_selector(".card.front")
    assert page.get_attribute(".line-primary .line-ink", "d") != before


@pytest.mark.slow
def test_looking_closer_fetches_full_resolution(play: Played) -> None:
    page = play.person("Ada Moreau")
    play.open(page, play.buds[0].bud_id)
    with page.expect_response(re.compile("part.jpg")) as answer:
        for _ in range(4):
            page.keyboard.press("+")
    assert answer.value.status == 200
    page.keyboard.press("0")
    page.keyboard.down("h")
    assert not page.locator(".lines").first.is_visible()
    page.keyboard.up("h")
    assert page.locator(".lines").first.is_visible()
    with page.expect_response(re.compile("tone=even")) as balanced:
        page.keyboard.press("w")
    assert balanced.value.status == 200
    page.keyboard.press("?")
    assert page.locator("dialog#keys").is_visible()
    page.keyboard.press("d")
    page.keyboard.press("Escape")
    assert page.locator(".calls [aria-pressed=true]").count() == 0, "no call behind the dialog"


@pytest.mark.slow
def test_two_fingers_zoom_the_photograph_and_not_the_page(play: Played) -> None:
    page = play.person("Ada Moreau", viewport={"width": 390, "height": 844}, has_touch=True)
    play.open(page, play.buds[0].bud_id)
    box = page.locator(".best .cut-view, .cut-view").first.bounding_box()
    hand, middle = page.context.new_cdp_session(page), box["y"] + box["height"] / 2

    def fingers(kind: str, apart: float) -> None:
        x = box["x"] + box["width"] / 2
        hand.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [
            {"x": x + side * apart / 2, "y": middle, "id": i}
            for i, side in enumerate((-1, 1)) if apart]})

    def wide() -> float:
        return float(page.locator(".cut-view").first.get_attribute("viewBox").split()[2])

    before = wide()
    fingers("touchStart", 60)
    for apart in (80, 110, 140, 180):
        fingers("touchMove", apart)
    fingers("touchEnd", 0)
    assert wide() < 0.5 * before
    assert page.evaluate("() => visualViewport.scale") == 1


@pytest.mark.slow
def test_by_touch_alone(play: Played) -> None:
    page = play.person("Ada Moreau", viewport={"width": 390, "height": 844}, has_touch=True,
                       is_mobile=True)
    play.open(page, play.buds[0].bud_id)
    for tissue in ("primary", "secondary", "tertiary"):
        page.tap(f".card-{tissue} [data-value=live]")
    page.tap("#save")
    at(page, play.buds[1].bud_id)
    assert play.calls()[101].tertiary == "live"
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    small = page.eval_on_selector_all(
        ".calls button, #save, #cards .front .card-pick",
        "all => all.map(e => e.getBoundingClientRect()).filter(r => r.height < 36).length")
    assert small == 0


@pytest.mark.slow
@pytest.mark.parametrize(("size", "scheme"), [
    ((1366, 768), "light"), ((1366, 768), "dark"), ((834, 1112), "light"), ((390, 844), "light"),
])
def test_no_serious_fault_of_access(
    play: Played, size: tuple[int, int], scheme: str
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    page = play.person("Ada Moreau", viewport={"width": size[0], "height": size[1]},
                       color_scheme=scheme, bypass_csp=True)
    axe = Axe()
    bud = play.buds[1].bud_id
    # The other pages, and these as they first show: test_axe.py.
    for path in (f"/review/bud/{bud}", f"/review/cut/{play.buds[1].photo_ids[0]}/outlines",
                 "/nothing"):
        play.app.config["PROPAGATE_EXCEPTIONS"] = False
        page.goto(play.base + path)
        if "/bud/" in path:
            page.wait_for_selector(".card.front")
            page.keyboard.press("d")
        found = axe.run(page).response["violations"]
        grave = [
            f"{path}: {one['id']} {[n['html'][:120] for n in one['nodes'][:3]]}"
            for one in found if one["impact"] in GRAVE
        ]
        assert not grave, grave
    play.faults = [fault for fault in play.faults if "404" not in fault]


@pytest.mark.slow
@pytest.mark.parametrize("play", ["trial"], indirect=True)
def test_a_season_earns_trust_before_proposals_are_seen(play: Played) -> None:
    page = play.person("Ada Moreau")
    truth = {bud.bud_id: {t.value: v for t, v in bud.truth.items()} for bud in play.buds}
    expect(page.locator("#trial")).to_contain_text("this season, 0 of 4 buds called")
    page.click("button:has-text('Review 8 waiting')")
    canes = []
    for _ in range(4):
        page.wait_for_selector(".card.front")
        bud = int(page.get_attribute("body", "data-bud"))
        canes.append((bud - 1) // 4)
        expect(page.locator(".card.front .proposal")).to_have_text("on trial: proposal hidden")
        for tissue in ("primary", "secondary", "tertiary"):
            page.keyboard.press(KEYS[truth[bud][tissue]])
        page.keyboard.press("Enter")
        page.wait_for_function(
            "bud => document.body.dataset.bud !== bud"
            " || document.getElementById('save').textContent === 'Keep mine'", arg=str(bud))
        if page.inner_text("#save") == "Keep mine":  # they differ: now it says what it had proposed
            page.keyboard.press("Space")
        expect(page.locator("body")).not_to_have_attribute("data-bud", str(bud))
    assert sorted(canes) == [0, 0, 1, 1], "both canes in turn"
    at(page, int(page.get_attribute("body", "data-bud")))
    page.goto(f"{play.base}/review")
    page.click("text=Look and decide")
    expect(page.locator("main")).to_contain_text("4 of 4 buds")
    page.check("input[value=shown]")
    page.fill("input[name=reason]", "It agreed with us")
    page.click("text=Keep this decision")
    expect(page.locator("main")).to_contain_text("Ada Moreau decided on")
    page.goto(f"{play.base}/review")
    page.click("button:has-text('Review 4 waiting')")
    page.wait_for_selector(".card.front")
    expect(page.locator(".card.front .proposal")).not_to_contain_text("hidden")
    page.click("#whole-history")
    expect(page.locator("main")).to_contain_text("drawn-1 proposed")
