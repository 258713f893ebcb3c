"""A day at the bench, played in Chromium with a phone's viewport over rendered photographs."""

from __future__ import annotations

import base64
import csv
import random
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pytest
from flask import Flask
from served import served
from sqlalchemy import select

from budvision.photo.read import read_photo
from budvision.settings import samples_folder
from budvision.store import tables
from budvision.store.queries.canes import list_buds
from budvision.store.queries.marks import marks_of_sampling
from budvision.store.queries.people import list_people
from budvision.store.queries.photos import cuts_of_sampling, unassigned_photos
from budvision.store.session import Season
from budvision.vocabulary import TISSUES, Proposal, Reason, TissueProposal, Verdict
from budvision.web import create_app
from budvision.web.bench.pages import PROPOSER_KEY

pytestmark = [pytest.mark.browser, pytest.mark.slow]
playwright_sync = pytest.importorskip("playwright.sync_api")

PHONE = {"width": 390, "height": 844}


@dataclass
class Bench:
    """A served season, and what its stand-in model was asked."""

    season: Season
    address: str
    asked: list[str]


def _stand_in(asked: list[str]):
    """Return a model that knows the sample photographs' truth; it keeps the test off the network.

    What the real model says is tested where the model is; here the page is.
    """
    with (samples_folder() / "truth.csv").open(encoding="utf-8") as file:
        rows = {row["file"]: row for row in csv.DictReader(file)}
    by_hash = {read_photo(samples_folder() / name, max_side_px=64).sha256: row
               for name, row in rows.items()}

    def propose(data: bytes, name: str) -> tuple[Proposal, np.ndarray | None]:
        photo = read_photo(data, max_side_px=900, name=name)
        asked.append(name)
        row = by_hash.get(photo.sha256, {"usable": "1", "primary": "live", "secondary": "live",
                                         "tertiary": "live"})
        if name.startswith("doubt"):
            row = row | {"doubt": "1"}
        if row["usable"] != "1":
            why = (Reason("blurred", "Too blurred. Hold still and take it again."),)
            return Proposal(file=name, sha256=photo.sha256, width_px=photo.width_px,
                            height_px=photo.height_px, found=False, reasons=why, mm_per_px=None,
                            model="stand-in", tissues={}), None
        rows_px, cols_px = photo.image.shape[:2]
        labels = np.zeros((rows_px, cols_px), np.uint8)
        tissues = {}
        for i, tissue in enumerate(TISSUES):
            here = row[tissue.value] in ("live", "dead")
            tissues[tissue] = TissueProposal(exposed=here, verdict=Verdict.LIVE if here else None,
                                             p_dead=0.1 if here else None)
            if here:
                cv2.circle(labels, (cols_px // 2 + (0, -90, 90)[i], rows_px // 2), 40, i + 1, -1)
        doubt = Reason("glare", "A reflection may hide part of the tissue.", look=True,
                       place=(300.0, 400.0, 500.0, 640.0))
        return Proposal(file=name, sha256=photo.sha256, width_px=photo.width_px,
                        height_px=photo.height_px, found=True,
                        reasons=(doubt,) if row.get("doubt") else (), mm_per_px=None,
                        model="stand-in", tissues=tissues), labels

    return propose


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    Season.create(tmp_path / "winter").close()
    app: Flask = create_app(tmp_path / "winter")
    asked: list[str] = []
    app.extensions[PROPOSER_KEY] = _stand_in(asked)
    with served(app) as address:
        yield Bench(app.extensions["budvision.season"], address, asked)


def _frames(tmp_path: Path) -> Path:
    """Write rendered frames as motion JPEG for Chromium's fake camera, each a little different."""
    image = cv2.imread(str(samples_folder() / "apricot_c1_n1_k1.jpg"))
    image = cv2.resize(image, (960, 720))
    path = tmp_path / "frames.mjpeg"
    with path.open("wb") as file:
        for i in range(30):
            frame = image.copy()
            cv2.rectangle(frame, (8 * i, 4), (8 * i + 6, 10), (255, 255, 255), -1)
            file.write(cv2.imencode(".jpg", frame)[1].tobytes())
    return path


def _unusable() -> str:
    with (samples_folder() / "truth.csv").open(encoding="utf-8") as file:
        return next(row["file"] for row in csv.DictReader(file) if row["usable"] == "0")


def _sample(cane: int, node: int, cut: int) -> Path:
    """Return a photograph of its own for each bud and cut: shallow ones first, then deep ones."""
    names = sorted(path.name for path in samples_folder().glob("*_k1.jpg"))
    with (samples_folder() / "truth.csv").open(encoding="utf-8") as file:
        truth = {row["file"]: row for row in csv.DictReader(file)}
    good = [name for name in names if truth[name]["usable"] == "1"]
    shallow = [n for n in good if truth[n]["tertiary"] == "not_exposed"]
    deep = sorted(path.name for path in samples_folder().glob("*.jpg")
                  if truth[path.name]["usable"] == "1"
                  and truth[path.name]["tertiary"] in ("live", "dead"))
    return samples_folder() / (shallow if cut == 1 else deep)[(cane - 1) * 10 + node - 1]


def _copy(source: Path, folder: Path, tail: bytes) -> Path:
    """Copy a photograph with bytes after its end, so that it is a photograph of its own."""
    target = folder / f"{source.stem}-{tail.decode()}.jpg"
    target.write_bytes(source.read_bytes() + tail)
    return target


@pytest.fixture
def page(chromium: str, tmp_path: Path) -> Iterator[object]:
    plain = random.getstate()       # Playwright names its calls by the global generator
    with playwright_sync.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=[
            "--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream",
            f"--use-file-for-fake-video-capture={_frames(tmp_path)}", "--no-sandbox",
            "--disable-dev-shm-usage",
        ])
        context = browser.new_context(viewport=PHONE, has_touch=True, is_mobile=True,
                                      permissions=["camera"])
        context.set_default_timeout(60_000)
        yield context.new_page()
        browser.close()
    random.setstate(plain)


def _shoot(page, file: Path) -> float:
    """Send a photograph as the camera would, wait for the answer, return the seconds it took."""
    before = page.get_attribute("#bench", "data-answered") or ""
    start = time.perf_counter()
    page.set_input_files("#bench-file", str(file))
    page.wait_for_function(
        "before => document.getElementById('bench').dataset.answered !== before"
        " && (document.getElementById('bench').dataset.answered ?? '') !== ''", arg=before)
    return time.perf_counter() - start


def _where(page) -> tuple[str, str, str]:
    return tuple(page.text_content(f"#bench-{part}") for part in ("cane", "node", "cut"))


def _targets_too_small(page) -> list[str]:
    return page.evaluate("""() => {
      const all = '#bench button, #bench label.button, #bench select, #bench summary';
      return [...document.querySelectorAll(all)]
        .filter((e) => e.checkVisibility() && !e.closest('details:not([open]) > div'))
        .filter((e) => {
          const box = e.getBoundingClientRect();
          return box.width < 48 || box.height < 48;
        })
        .map((e) => e.id || e.textContent.trim());
    }""")


def test_a_day_at_the_bench(bench: Bench, page, tmp_path: Path, record_property) -> None:
    times: list[float] = []
    page.goto(f"{bench.address}/me?next=/bench/")
    page.fill("input[name=name]", "Wren Adeyemi")
    page.locator("form:has(input[name=name]) button[type=submit]").first.click()
    page.wait_for_url(f"{bench.address}/bench/")
    # ---- plan and print
    page.goto(f"{bench.address}/bench/plan")
    for name, value in {"block": "Lark Terrace", "sampling": "2026-01-15", "rows": "12",
                        "vines": "30", "canes": "3", "nodes": "10", "zones": "top=1-6,foot=7-12",
                        "sizes": "small=20%,medium=60%,large=20%"}.items():
        page.fill(f"input[name={name}]", value)
    page.click("text=Draw the vines")
    page.wait_for_selector("text=What samples can tell")
    for kind in ("walk", "tags", "card", "tally"):
        href = page.get_attribute(f"a[href$='{kind}.pdf']", "href")
        answer = page.request.get(bench.address + href)
        assert answer.ok
        assert answer.body().startswith(b"%PDF")
    page.goto(f"{bench.address}/bench/1/soak")
    page.click("text=Into water now")
    page.wait_for_selector("main:has-text('Too early')")
    # ---- the bench
    page.goto(f"{bench.address}/bench/1")
    page.wait_for_selector("#bench[data-ready=yes]")
    page.wait_for_selector("#bench[data-shelved=yes]")
    assert _where(page) == ("1", "1", "1")
    assert _targets_too_small(page) == []
    page.screenshot(path=tmp_path / "bench-start.png", full_page=True)
    # Cane 1: ten buds of two cuts, one blurred cut taken again, one node blind, one cause.
    for node in range(1, 11):
        assert _where(page) == ("1", str(node), "1")
        if node == 4:
            blurred = samples_folder() / _unusable()
            times.append(_shoot(page, blurred))
            assert "Take it again" in page.text_content("#bench-headline")
            assert "Take cut 1 again" in page.text_content("#bench-shoot-word")
        times.append(_shoot(page, _sample(1, node, 1)))
        assert "Cut deeper" in page.text_content("#bench-headline")
        assert _where(page) == ("1", str(node), "2")
        times.append(_shoot(page, _sample(1, node, 2)))
        assert "next bud" in page.text_content("#bench-headline")
        assert page.text_content("#bench-next") in ("Skip this bud", "Next bud")
        if node == 1:
            page.screenshot(path=tmp_path / "bench-answer.png", full_page=True)
            text = page.text_content("#bench-answer").lower()
            assert "live" not in text            # the reviewer is not to be led
            assert "dead" not in text
    # Cane 2: a lost network from the third bud on, a reload, and one mark.
    assert _where(page) == ("2", "1", "1")
    for node in range(1, 11):
        if node == 3:
            page.context.set_offline(True)
        if node == 6:
            assert page.get_attribute("#bench", "data-waiting") == "6"
            assert "kept in this browser" in page.text_content("#bench-net")
            page.screenshot(path=tmp_path / "bench-offline.png", full_page=True)
            page.reload()                       # still without a network
            page.wait_for_selector("#bench[data-ready=yes]")
            assert page.get_attribute("#bench", "data-waiting") == "6"
            assert _where(page) == ("2", "6", "1")
            page.context.set_offline(False)
            page.reload()
            page.wait_for_selector("#bench[data-ready=yes]")
            page.wait_for_function("() => document.getElementById('bench').dataset.waiting === '0'")
            # Back on the same bud and cut after the reload.
            assert _where(page) == ("2", "6", "1")
        offline = 3 <= node < 6
        if node == 9:
            page.click("text=Dead, but not from cold")
            page.click("button[data-value=mites]")
            page.wait_for_function("() => document.getElementById('bench').dataset.waiting === '0'")
        for cut in (1, 2):
            if offline:
                page.set_input_files("#bench-file", str(_sample(2, node, cut)))
                page.wait_for_function(
                    "n => Number(document.getElementById('bench').dataset.waiting) === n",
                    arg=2 * (node - 3) + cut)
                if cut == 2:
                    page.click("#bench-next")
            else:
                times.append(_shoot(page, _sample(2, node, cut)))
    # Cane 3: the live camera, space bar; node 2 has no bud, node 5 is blind.
    assert _where(page) == ("3", "1", "1")
    page.click("#bench-camera")
    page.wait_for_function("() => document.getElementById('bench-video').videoWidth > 0")
    page.wait_for_timeout(600)
    page.screenshot(path=tmp_path / "bench-live.png", full_page=True)
    for node in range(1, 11):
        if node in (2, 5):
            page.click("text=No bud here" if node == 2 else "text=Blind node")
            continue
        for cut in (1, 2):
            page.wait_for_function(
                "([n, c]) => document.getElementById('bench-node').textContent === n"
                " && document.getElementById('bench-cut').textContent === c",
                arg=[str(node), str(cut)])
            before = page.get_attribute("#bench", "data-answered")
            start = time.perf_counter()
            page.keyboard.press("Space")
            page.wait_for_function(
                "b => document.getElementById('bench').dataset.answered !== b", arg=before)
            times.append(time.perf_counter() - start)
            if cut == 1:        # all three are seen, so the page went on; one more cut is wanted
                page.click(f"#bench-nodes button:nth-child({node})")
    page.wait_for_function("() => document.getElementById('bench').dataset.waiting === '0'")
    page.screenshot(path=tmp_path / "bench-end.png", full_page=True)
    # ---- who leaves leaves no page behind that opens without a network
    assert page.evaluate("caches.has('budvision-bench-1')")
    page.click("form[action$='/leave'] button")
    page.wait_for_selector("html[data-forgotten=yes]", state="attached")
    assert not page.evaluate("caches.has('budvision-bench-1')")
    # ---- everything is in its place
    with bench.season.read() as conn:
        buds = {bud.id: bud for bud in list_buds(conn, sampling_id=1)}
        cuts = cuts_of_sampling(conn, 1)
        marks = marks_of_sampling(conn, 1)
        loose = unassigned_photos(conn)
    found: dict[tuple[str, int], list[int]] = {}
    for cut in cuts:
        bud = buds[cut.bud_id]
        found.setdefault((bud.cane, bud.node), []).append(cut.cut)
    wanted = {(c, n): [1, 2] for c in "123" for n in range(1, 11) if (c, n) not in
              (("3", 2), ("3", 5))}
    assert found == wanted
    put = {(buds[i].cane, buds[i].node): {k: m.value for k, m in row.items()}
           for i, row in marks.items()}
    assert put == {("2", 9): {"cause": "mites"}, ("3", 2): {"node": "missing"},
                   ("3", 5): {"node": "blind"}}
    assert [photo.file_name for photo in loose] == [_unusable()]    # the blurred one
    names = {(buds[c.bud_id].cane, buds[c.bud_id].node, c.cut): c.photo.file_name for c in cuts}
    for (cane, node, cut), name in names.items():
        if cane in "12":
            assert name == _sample(int(cane), node, cut).name
    record_property("seconds_median", float(np.median(times)))
    record_property("seconds_max", max(times))
    print(f"{len(times)} photographs: median {np.median(times):.2f} s, longest {max(times):.2f} s")


def test_the_same_photograph_twice_is_one_and_a_taken_cut_is_asked_about(
    bench: Bench, page, tmp_path: Path
) -> None:
    from budvision.settings import Settings
    from budvision.workflow.sampling.plan import describe_block, plan_sample, save_plan

    layout = describe_block("Lark Terrace", n_rows=4, n_vines=9)
    save_plan(bench.season, plan_sample(layout, settings=Settings(), sampling="s", canes=2,
                                        nodes=3, draw=1))
    page.goto(f"{bench.address}/me?next=/bench/1")
    page.fill("input[name=name]", "Wren Adeyemi")
    page.locator("form:has(input[name=name]) button[type=submit]").first.click()
    page.wait_for_selector("#bench[data-ready=yes]")
    _shoot(page, _sample(1, 1, 1))
    page.click("#bench-again")
    _shoot(page, _sample(1, 1, 1))              # the very same file
    with bench.season.read() as conn:
        assert len(cuts_of_sampling(conn, 1)) == 1
    # A second station has photographed cut 2 meanwhile; this page does not know it yet.
    from budvision.workflow.bench.bench import take_photo

    take_photo(bench.season, _sample(1, 2, 1).read_bytes(), sampling_id=1, cane="1", node=1, cut=2,
               person_id=None, name="other.jpg")
    page.set_input_files("#bench-file", str(_sample(1, 3, 1)))
    page.wait_for_selector("text=Keep it as the next cut")
    page.screenshot(path=tmp_path / "bench-clash.png", full_page=True)
    page.click("text=Keep it as the next cut")
    page.wait_for_function("() => document.getElementById('bench').dataset.waiting === '0'")
    with bench.season.read() as conn:
        assert [c.cut for c in cuts_of_sampling(conn, 1)] == [1, 2, 3]
    # What is no photograph is refused with the reason, and can be discarded.
    bad = tmp_path / "note.jpg"
    bad.write_text("this is no photograph")
    page.set_input_files("#bench-file", str(bad))
    page.wait_for_selector("text=Discard it")
    page.click("text=Discard it")
    page.wait_for_function("() => document.getElementById('bench').dataset.waiting === '0'")


def test_while_the_model_is_being_loaded_the_page_says_so(
    bench: Bench, page, tmp_path: Path
) -> None:
    _planned(bench, page)
    loading = [True]

    def board(route) -> None:
        answer = route.fetch()
        route.fulfill(response=answer, json=answer.json() | {"model_loading": loading[0]})

    held = []
    page.route("**/bench/1/board", board)
    page.route("**/bench/1/photo", lambda route: held.append(route))
    page.set_input_files("#bench-file", str(_sample(1, 1, 1)))
    page.wait_for_selector("#bench-headline:has-text('The model is being loaded; the photograph "
                           "is kept')")
    assert page.evaluate("document.getElementById('bench').dataset.waiting") == "1", "it is kept"
    page.screenshot(path=tmp_path / "bench-loading.png")
    loading[0] = False
    page.wait_for_selector("#bench-headline:has-text('Looking…')")
    assert page.is_hidden("#bench-picture"), "no picture of another photograph beside it"
    assert page.is_hidden("#bench-net"), "the network is there: it is being looked at"
    assert page.inner_text("#bench-kept") == ""
    held[0].continue_()
    page.wait_for_function("() => document.getElementById('bench').dataset.waiting === '0'")
    assert page.inner_text("#bench-headline") not in ("Looking…", "")
    page.unroute_all(behavior="wait")


def test_why_a_photograph_was_not_sent_stays_in_sight(bench: Bench, page) -> None:
    _planned(bench, page)
    logged_in = page.context.cookies()
    page.context.clear_cookies()
    page.set_input_files("#bench-file", str(_sample(1, 1, 1)))
    page.wait_for_selector("#bench-kept:has-text('1 not sent yet')")
    assert "Nobody is logged in" in page.inner_text("#bench-net")
    assert page.get_attribute("#bench-hold a", "href") == "/season/settings#set-cane_base"
    page.context.add_cookies(logged_in)
    page.evaluate("dispatchEvent(new Event('online'))")
    page.wait_for_function("() => document.getElementById('bench').dataset.waiting === '0'")
    assert page.is_hidden("#bench-net")
    full = {"ok": False, "code": "storage", "where": "photos", "what": "the disk is full",
            "expected": "", "do": "Make room."}
    page.route("**/bench/1/photo", lambda route: route.fulfill(status=507, json=full))
    page.set_input_files("#bench-file", str(_sample(1, 1, 2)))
    page.wait_for_selector("#bench-net:has-text('the disk is full. Make room.')")
    page.unroute_all(behavior="wait")           # there is room: it is sent without another deed
    page.wait_for_function("() => document.getElementById('bench').dataset.waiting === '0'")
    assert page.is_hidden("#bench-net")


def test_what_waits_is_sent_under_its_makers_name_alone(bench: Bench, page) -> None:
    """Left at the bench by one person and found there by the next."""
    _planned(bench, page)
    page.route("**/bench/1/photo", lambda route: route.abort())
    page.set_input_files("#bench-file", str(_sample(1, 1, 1)))
    page.wait_for_selector("#bench-net:has-text('will be sent when the network is back')")
    here = page.context.new_page()
    here.goto(f"{bench.address}/bench/")
    here.click("form[action$='/leave'] button")
    here.fill("input[name=name]", "Tom Reyes")
    here.click("button:has-text('Begin')")
    here.wait_for_url(lambda url: "/me" not in url)  # a page asked for sooner would take its place
    here.goto(f"{bench.address}/bench/1")
    told = "1 picture or mark of Wren Adeyemi waits in this browser"
    here.wait_for_selector(f"#bench-others:has-text('{told}')")
    assert here.get_attribute("#bench", "data-waiting") == "0", "none of it is his"
    page.unroute_all()                          # her page is still open beside it
    page.evaluate("dispatchEvent(new Event('online'))")
    page.wait_for_selector("#bench-net:has-text('Tom Reyes is at this browser now')")
    with bench.season.read() as conn:
        assert cuts_of_sampling(conn, 1) == []
    here.click("form[action$='/leave'] button")
    here.click("button[value='Wren Adeyemi']")
    here.wait_for_url(lambda url: "/me" not in url)
    here.goto(f"{bench.address}/bench/1")
    here.wait_for_selector("#bench[data-ready=yes][data-waiting='0']")  # sent by one of her pages
    with bench.season.read() as conn:
        wren = {one.name: one.id for one in list_people(conn)}["Wren Adeyemi"]
        assert conn.execute(select(tables.assignment.c.person_id)).scalars().all() == [wren]


def _planned(bench: Bench, page, *, nodes: int = 3) -> None:
    """Plan two canes, give a name and open the bench."""
    from budvision.settings import Settings
    from budvision.workflow.sampling.plan import describe_block, plan_sample, save_plan

    layout = describe_block("Lark Terrace", n_rows=4, n_vines=9)
    save_plan(bench.season, plan_sample(layout, settings=Settings(), sampling="s", canes=2,
                                        nodes=nodes, draw=1))
    page.goto(f"{bench.address}/me?next=/bench/1")
    page.fill("input[name=name]", "Wren Adeyemi")
    page.locator("form:has(input[name=name]) button[type=submit]").first.click()
    page.wait_for_selector("#bench[data-ready=yes]")


def test_again_and_deeper_act_on_the_photograph_in_sight(
    bench: Bench, page, tmp_path: Path
) -> None:
    _planned(bench, page)
    deep = tmp_path / "one.jpg"
    deep.write_bytes(_sample(1, 1, 2).read_bytes())
    _shoot(page, deep)                                  # all three seen: the page goes on
    assert _where(page) == ("1", "2", "1")
    assert "node 1" in page.text_content("#bench-of")
    assert page.text_content("#bench-again") == "Take node 1 cut 1 again"
    page.click("#bench-again")
    assert _where(page) == ("1", "1", "1")
    other = tmp_path / "two.jpg"
    other.write_bytes(_sample(1, 2, 2).read_bytes())
    _shoot(page, other)
    with bench.season.read() as conn:
        buds = {bud.id: bud.node for bud in list_buds(conn, sampling_id=1)}
        found = [(buds[c.bud_id], c.cut, c.photo.file_name) for c in cuts_of_sampling(conn, 1)]
    assert found == [(1, 1, "two.jpg")]
    page.click("#bench-deeper")
    assert _where(page) == ("1", "1", "2")
    page.click("#bench-nodes button:nth-child(3)")      # elsewhere by hand: the buttons follow
    assert page.text_content("#bench-again") == "Take node 3 cut 1 again"


def test_a_refused_file_leaves_no_cut_behind(bench: Bench, page, tmp_path: Path) -> None:
    _planned(bench, page)
    bad = tmp_path / "note.jpg"
    bad.write_text("this is no photograph")
    page.set_input_files("#bench-file", str(bad))
    page.wait_for_selector("text=Discard it")
    assert _where(page) == ("1", "1", "1")
    assert page.text_content("#bench-headline") == "Not kept"
    box = page.locator("#bench-net").bounding_box()
    page.evaluate("window.scrollTo(0, 400)")            # no notice may lie over a button
    page.screenshot(path=tmp_path / "bench-notice.png")
    assert page.locator("#bench-net").evaluate("e => getComputedStyle(e).position") == "static"
    assert box["height"] > 0
    page.click("text=Discard it")
    page.wait_for_function("() => document.getElementById('bench').dataset.waiting === '0'")
    assert page.text_content("#bench-kept") == ""


def test_a_doubtful_photograph_is_shown_large_and_a_person_decides(
    bench: Bench, page, tmp_path: Path
) -> None:
    _planned(bench, page)
    doubt = tmp_path / "doubt.jpg"
    doubt.write_bytes(_sample(1, 1, 2).read_bytes())
    _shoot(page, doubt)
    page.wait_for_selector("#bench-look[open]")
    page.wait_for_function(
        "() => document.getElementById('bench-look-picture').naturalWidth > 1000")
    assert "reflection" in page.text_content("#bench-look-why")
    page.screenshot(path=tmp_path / "bench-look.png")
    assert page.locator("#bench-look-picture").bounding_box()["width"] > 0.85 * PHONE["width"]
    page.click("#bench-look-again")
    assert _where(page) == ("1", "1", "1")
    assert "again" in page.text_content("#bench-shoot-word")
    second = tmp_path / "doubt2.jpg"
    second.write_bytes(_sample(1, 2, 2).read_bytes())
    _shoot(page, second)
    page.wait_for_selector("#bench-look[open]")
    page.click("#bench-look-good")
    assert _where(page) == ("1", "2", "1")              # what the answer says is done after all


@pytest.mark.slow
def test_the_viewfinder_says_what_to_mend_before_the_picture_is_taken(bench: Bench, page) -> None:
    page.goto(f"{bench.address}/bench/")
    said = page.evaluate("""async () => {
        const { measure, moved, guidance } = await import("/bench/static/camera.js");
        const seen = (filter, alpha) => {
            const canvas = document.createElement("canvas"), context = canvas.getContext("2d");
            canvas.width = canvas.height = 200;
            context.filter = filter;
            for (let y = 0; y < 200; y += 8) for (let x = 0; x < 200; x += 8) {
                context.fillStyle = (x + y) % 16 ? "#404040" : "#c0c0c0";
                context.fillRect(x, y, 8, 8);
            }
            context.filter = "none";
            context.fillStyle = `rgb(255 255 255 / ${alpha})`;
            context.fillRect(0, 0, 200, 100);
            return measure(context, 200, 200);
        };
        const good = seen("none", 0), soft = seen("blur(6px)", 0);
        const still = moved(good.grey, good.grey);
        return [still, moved(good.grey, seen("invert(1)", 0).grey), guidance(good, still),
                guidance(soft, still), guidance(seen("none", 1), still),
                guidance(seen("brightness(0.2)", 0), still), guidance(good, 0.5),
                guidance(good, still, "nearer"), guidance(good, still, "near")];
    }""")
    still, hand, *told = said
    assert (still, hand > 0.06) == (0, True)
    assert [(one["steady"], one["words"].split(":")[0].split(".")[0]) for one in told] == [
        (True, "Sharp, still, well lit"), (False, "Not sharp yet"), (False, "Too bright"),
        (False, "Too dark"), (False, "Hold still"), (False, "Come nearer"),
        (True, "Near enough, sharp, still, well lit")]


@pytest.mark.slow
def test_the_picture_is_taken_by_itself_once_until_another_lies_there(bench: Bench, page) -> None:
    page.goto(f"{bench.address}/bench/")
    taken = page.evaluate("""async () => {
        const { shutter } = await import("/bench/static/camera.js");
        const due = shutter(), cut = [100, 50, 100], next = [20, 200, 20];
        const steady = (grey, n) => Array.from({ length: n }, () => due(true, grey));
        return [steady(cut, 3), [due(false, cut)], steady(cut, 6), [due(false, next)],
                steady(next, 4), [due(false, cut)], steady(cut, 3), [due(true, cut, false)],
                steady(cut, 2)];
    }""")
    held = [[False], [False] * 3, [False], [True, False]]  # taken once it may be, not forgotten
    assert taken == [[False] * 3, [False], [False] * 3 + [True] + [False] * 2, [False],
                     [False] * 3 + [True], *held]


@pytest.mark.slow
def test_from_too_far_away_no_picture_is_taken_by_itself(bench: Bench, page) -> None:
    page.goto(f"{bench.address}/bench/")

    picture = cv2.imread(str(samples_folder() / "apricot_c1_n1_k1.jpg"))
    picture = cv2.resize(picture, (640, 480), interpolation=cv2.INTER_AREA)

    def seen(share: float, held: str | None = None) -> tuple[str, int]:
        """Hold the cut before the camera: what is said by eight readings, how often taken."""
        move = np.array([[share, 0, 320 * (1 - share)], [0, share, 240 * (1 - share)]], float)
        image = cv2.warpAffine(picture, move, (640, 480), flags=cv2.INTER_AREA,
                               borderMode=cv2.BORDER_REPLICATE)
        sent = base64.b64encode(cv2.imencode(".jpg", image)[1].tobytes()).decode()
        return tuple(page.evaluate("""async ([sent, why]) => {
            const image = new Image();
            image.src = "data:image/jpeg;base64," + sent;
            await image.decode();
            const canvas = document.createElement("canvas");
            [canvas.width, canvas.height] = [640, 480];
            const draw = () => canvas.getContext("2d").drawImage(image, 0, 0);
            draw();
            setInterval(draw, 100);
            navigator.mediaDevices.getUserMedia = async () => canvas.captureStream(10);
            const { start, stop } = await import("/bench/static/camera.js");
            const made = (name) => document.createElement(name);
            const video = made("video"), words = made("p");
            let taken = 0, read = 0, said = "";
            const meter = { set value(sharp) {
                read = words.textContent === said ? read + 1 : 0;
                said = words.textContent;
            } };
            await start({ video, select: made("select"), meter, words, ring: made("span"),
                          onSteady: () => { taken += 1; }, held: () => why });
            while (read < 8 || !said) await new Promise((done) => setTimeout(done, 50));
            stop(video);
            return [words.textContent, taken];
        }""", [sent, held]))

    far, near = seen(0.3), seen(1)
    assert (far[0].split(":")[0], far[1]) == ("Come nearer", 0)
    assert (near[0].split(",")[0], near[1]) == ("Near enough", 1)
    assert seen(1, "Not yet.") == ("Not yet.", 0)


@pytest.mark.slow
def test_without_an_answer_no_further_picture_is_taken_by_itself(bench: Bench, page) -> None:
    """Whether it shows the same bud, cut deeper, or the next one is not known yet."""
    _planned(bench, page)
    page.route("**/bench/1/photo", lambda route: route.abort())
    page.add_init_script("""
        window.canvas = document.createElement("canvas");
        [canvas.width, canvas.height] = [640, 480];
        let turn = 0;
        window.another = () => { turn += 1; };
        setInterval(() => {
            const context = canvas.getContext("2d");
            for (let x = 0; x < 640; x += 8) for (let y = 0; y < 480; y += 8) {
                context.fillStyle = ((x + y) / 8 + turn) % 2 ? "#404040" : "#c0c0c0";
                context.fillRect(x, y, 8, 8);
            }
        }, 100);
        navigator.mediaDevices.getUserMedia = async () => canvas.captureStream(10);
    """)
    page.goto(f"{bench.address}/bench/1")
    page.wait_for_selector("#bench[data-ready=yes]")
    page.click("#bench-camera")
    page.check("#bench-alone")
    page.wait_for_selector("#bench[data-waiting='1']")
    page.evaluate("another()")
    page.wait_for_selector("#bench-light:has-text('The last picture has no answer yet')")
    page.wait_for_timeout(1500)  # as long as it takes to be steady
    assert page.get_attribute("#bench", "data-waiting") == "1"
    page.click("#bench-grab")
    page.wait_for_selector("#bench[data-waiting='2']")


def test_the_bench_speaks_the_language_of_the_page(bench: Bench, page, tmp_path: Path) -> None:
    _planned(bench, page)
    page.goto(f"{bench.address}/bench/1?lang=de")
    page.wait_for_selector("#bench[data-ready=yes]")
    assert page.text_content("#bench-shoot-word") == "Knoten 1, Schnitt 1 fotografieren"
    _shoot(page, _sample(1, 1, 1))
    assert page.text_content("#bench-headline") == "Tiefer schneiden: dritte Knospe"
    _shoot(page, samples_folder() / _unusable())
    assert page.text_content("#bench-chips li") == "✗ noch einmal aufnehmen"
    page.screenshot(path=tmp_path / "bench-german.png", full_page=True)


def test_photographs_without_a_place_are_laid_out_by_hand(
    bench: Bench, page, tmp_path: Path
) -> None:
    from budvision.settings import Settings
    from budvision.workflow.intake.sorting import sort_files
    from budvision.workflow.sampling.plan import describe_block, plan_sample, save_plan

    layout = describe_block("Lark Terrace", n_rows=4, n_vines=9)
    save_plan(bench.season, plan_sample(layout, settings=Settings(), sampling="s", canes=2,
                                        nodes=4, draw=1))
    loose = [_sample(1, n, 1) for n in range(1, 5)]
    sort_files(bench.season, loose)
    page = page.context.browser.new_page(viewport={"width": 1100, "height": 900})
    page.set_default_timeout(60_000)
    page.goto(f"{bench.address}/me?next=/bench/assign")
    page.fill("input[name=name]", "Wren Adeyemi")
    page.locator("form:has(input[name=name]) button[type=submit]").first.click()
    page.wait_for_selector(".slot")
    assert page.is_disabled("#assign-keep")
    names = [photo.name for photo in sorted(loose, key=lambda path: path.name)]

    def frame(name: str):
        return page.locator(f".frame:has(.frame-name:text-is('{name}'))")

    # By touch: the photograph, then the node. Two on one node are cuts 1 and 2.
    for name, node in ((names[0], 2), (names[1], 2)):
        frame(name).click()
        page.click(f".slot[data-node='{node}'] > button")
    # By dragging.
    start, end = frame(names[2]).bounding_box(), page.locator(
        ".slot[data-node='4']").bounding_box()
    page.mouse.move(start["x"] + 60, start["y"] + 60)
    page.mouse.down()
    page.mouse.move(start["x"] + 80, start["y"] + 80, steps=4)
    page.mouse.move(end["x"] + 40, end["y"] + 40, steps=6)
    page.mouse.up()
    page.wait_for_selector(".slot[data-node='4'] .frame")
    frame(names[3]).click()
    page.click("text=Put the chosen one aside")
    page.screenshot(path=tmp_path / "assign.png", full_page=True)
    page.click("#assign-keep")
    page.wait_for_selector("text=Every photograph has its place")
    with bench.season.read() as conn:
        buds = {bud.id: bud.node for bud in list_buds(conn, sampling_id=1)}
        found = {c.photo.file_name: (buds[c.bud_id], c.cut) for c in cuts_of_sampling(conn, 1)}
    assert found == {names[0]: (2, 1), names[1]: (2, 2), names[2]: (4, 1)}
    for path, name in (("/bench/", "start"), ("/bench/1/plan", "plan"), ("/bench/plan", "form"),
                       ("/bench/1/soak", "soak")):
        page.goto(bench.address + path)
        page.screenshot(path=tmp_path / f"page-{name}.png", full_page=True)
