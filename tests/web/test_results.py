"""The results pages: the numbers of the tally, what waits, and answers to two questions."""

from __future__ import annotations

import csv
import io
import json
import random
import re
import subprocess
import xml.etree.ElementTree as ET
from pathlib import Path

import openpyxl
import pytest
from flask.testing import FlaskClient
from typer.testing import CliRunner
from werkzeug.test import TestResponse

from budvision.cli.main import app
from budvision.errors import NothingToDoError
from budvision.report.spreadsheet import as_csv, as_xlsx
from budvision.store.queries import blocks, calls, canes, people
from budvision.store.queries.states import bud_states
from budvision.store.session import Season
from budvision.vineyard.buds import BudTable
from budvision.vineyard.mortality import summarise_table
from budvision.vocabulary import TISSUES, CallValue, Tissue
from budvision.web import create_app
from budvision.workflow.answers.answers import answer_of, sampled_buds, season_answers, what_if
from budvision.workflow.answers.comparison import compare_answers
from budvision.workflow.answers.tally import results_as_dict

L, D, U = CallValue.LIVE, CallValue.DEAD, CallValue.UNSURE


def sample(
    season: Season, block: str, dead: list[int], *, label: str = "first", nodes: int = 10,
    day: str = "2026-01-22", called: bool = True, **facts: object,
) -> int:
    """Put a sampling in: `dead` primaries on each cane, the basal ones; return the block's id."""
    with season.write() as conn:
        block_id = blocks.ensure_block(conn, block, cultivar="Riesling")
        if facts:
            blocks.update_block(conn, block_id, **facts)
        sampling = blocks.ensure_sampling(conn, block_id, label, collected_at=f"{day}T09:00:00Z")
        reader = people.ensure_person(conn, "Ada Quill").id
        for number, n_dead in enumerate(dead, start=1):
            zone = "top" if number % 2 else "low"
            cane = canes.ensure_cane(conn, sampling, str(number), zone=zone)
            for node in range(1, nodes + 1):
                bud = canes.ensure_bud(conn, cane, node)
                if called:
                    first = D if node <= n_dead else L
                    calls.save_calls(conn, bud, dict(zip(TISSUES, (first, L, L), strict=True)),
                                     person_id=reader)
    return block_id


@pytest.fixture
def client(season: Season) -> FlaskClient:
    app = create_app(season.folder, testing=True)
    yield app.test_client()
    app.extensions["budvision.season"].close()


def test_an_empty_season_says_what_to_do(client: FlaskClient) -> None:
    page = client.get("/results/").text
    assert "There is no block yet" in page
    assert "take photographs in" in page
    assert "tally table" in page
    assert client.get("/results/summary.pdf").status_code == 409
    assert "not two samplings" in client.get("/results/compare").text
    assert "there is no order" in client.get("/results/prune-last").text


def test_worst_that_the_buds_allow_comes_first_and_unread_blocks_lead(
    season: Season, client: FlaskClient
) -> None:
    sample(season, "Mild", [0, 1, 1, 0, 1, 1])
    sample(season, "Hard", [8, 9, 7, 9, 8, 9])
    sample(season, "Unread", [0, 0], called=False)
    page = client.get("/results/").text
    places = [page.index(f">{name}</a>") for name in ("Unread", "Hard", "Mild")]
    assert places == sorted(places)
    assert "20 buds wait for a person" in page


@pytest.mark.slow
def test_pages_files_and_the_tally_give_the_same_numbers(
    season: Season, client: FlaskClient
) -> None:
    block = sample(season, "Kettle Bench", [3, 4, 2, 5, 3, 4, 4, 3, 4, 3])
    table = BudTable.from_calls(sampled_buds(season, answer_of(season, "Kettle Bench"))[1])
    told = results_as_dict(summarise_table(table))["blocks"][0]
    from_page = json.loads(client.get("/results/results.json").text)["blocks"][0]
    assert from_page["waiting"]["n_buds"] == 0
    assert {**from_page, **told} == from_page
    row = next(csv.DictReader(io.StringIO(client.get("/results/results.csv").text)))
    assert float(row["primary_mortality"]) == told["primary"]["mortality"] == 0.35
    assert float(row["primary_low"]) == told["primary"]["low"]
    book = openpyxl.load_workbook(io.BytesIO(client.get("/results/results.xlsx").data))
    assert book.sheetnames == ["blocks", "tissues", "nodes", "buds"]
    assert book["tissues"].max_row == 4
    assert book["buds"].max_row == 101
    page = client.get(f"/results/block/{block}").text
    assert "About 35 % of the primary buds are dead" in page
    assert f"{told['nodes']['by_rule']['exact']['retain']}" in page


@pytest.mark.slow
def test_a_blocks_own_policy_nodes_and_crop_are_used(season: Season, client: FlaskClient) -> None:
    block = sample(season, "Own", [3, 4, 3, 4], policy="add-share-20-to-80", normal_nodes=50.0,
                   secondary_crop=0.0)
    told = json.loads(client.get("/results/results.json").text)["blocks"][0]
    assert told["policy"] == "add-share-20-to-80"
    # Additive rule: 50 x (1 + 0.35) = 67.5, halves up (northern New York grape update, 2014).
    assert told["nodes"]["retain"] == 68
    assert told["crop_potential"]["share"] == pytest.approx(0.65)
    assert "northern new york" in client.get(f"/results/block/{block}").text.lower()


@pytest.mark.slow
def test_what_if_another_hundred_is_answered(season: Season, client: FlaskClient) -> None:
    block = sample(season, "Kettle Bench", [3, 4, 2, 5, 3, 4, 4, 3, 4, 3])
    answer = answer_of(season, block)
    now, later = what_if(answer, 0), what_if(answer, 100)
    primary = answer.result.tissues[TISSUES[0]]
    assert (now.low, now.high) == pytest.approx((primary.low, primary.high))
    assert now.band_probabilities == pytest.approx(dict(answer.result.band_probabilities))
    assert later.high - later.low < now.high - now.low
    page = client.get(f"/results/block/{block}?more=100").text
    assert "With 100 more buds like these the range would be about" in page
    assert "after 100 more" in page
    page = client.get(f"/results/block/{block}?more=100", headers={"Accept-Language": "de"}).text
    after = re.findall(r'<td class="number" data-head="[^"]*100[^"]*">([^<]*)</td>', page)
    assert len(after) == 4
    assert all(after), "bands stood under their English names, the page asked for them in German"


@pytest.mark.slow
@pytest.mark.parametrize("more", ["-1", "many", "5001"])
def test_a_senseless_question_is_refused(season: Season, client: FlaskClient, more: str) -> None:
    block = sample(season, "Kettle Bench", [3, 4])
    answer = client.get(f"/results/block/{block}?more={more}")
    assert answer.status_code == 400
    assert "expected a whole number from 0 to 5000" in answer.text


def test_what_if_needs_a_judged_bud(season: Season) -> None:
    block = sample(season, "Unread", [0], called=False)
    with pytest.raises(NothingToDoError, match="no primary"):
        what_if(answer_of(season, block), 100)


@pytest.mark.slow
def test_the_block_to_prune_last_stands_first(season: Season, client: FlaskClient) -> None:
    sample(season, "Mild", [0, 1, 1, 0, 1, 1])
    sample(season, "Middle", [4, 5, 4, 5, 4, 5])
    sample(season, "Hard", [8, 9, 7, 9, 8, 9])
    page = client.get("/results/prune-last").text
    places = [page.index(f">{name}</a>") for name in ("Hard", "Middle", "Mild")]
    assert places == sorted(places)
    assert "Leave it until bud break" in page


@pytest.mark.slow
def test_many_comparisons_are_adjusted(season: Season) -> None:
    """Holm (1979): adjusted values are never smaller, and one comparison stays as it is."""
    for name, dead in (("A", [5] * 6), ("B", [3] * 6), ("C", [3] * 6), ("D", [4] * 6)):
        sample(season, name, dead)
    first, *others = season_answers(season)
    alone = compare_answers(season, first, others[:1])[0]
    among = compare_answers(season, first, others)[0]
    assert alone.p_adjusted == alone.p_value == pytest.approx(among.p_value, rel=1e-9)
    assert among.p_adjusted > among.p_value
    assert (alone.difference, alone.low) == (among.difference, among.low)
    assert alone.difference == pytest.approx(0.2)


@pytest.mark.slow
def test_the_comparison_page_shows_both_and_says_what_is_missing(
    season: Season, client: FlaskClient
) -> None:
    one = sample(season, "One", [8] * 7)
    two = sample(season, "Two", [1] * 8)
    sample(season, "Unread", [0], called=False)
    page = client.get(f"/results/compare?one={one}:first&two={two}:first").text
    assert "more dead in the first" in page
    both = client.get(f"/results/compare?one={one}:first&two=all").text
    assert "Unread · first: no primary has been called" in both
    assert client.get("/results/compare?one=x&two=y").status_code == 400
    assert client.get(f"/results/compare?one={one}:never&two={two}:first").status_code == 404


@pytest.mark.slow
def test_history_is_told_with_the_change(season: Season, client: FlaskClient) -> None:
    block = sample(season, "Kettle Bench", [0, 1, 0, 1, 0, 1], label="early", day="2026-01-05")
    sample(season, "Kettle Bench", [6, 7, 6, 7, 6, 7], label="late", day="2026-02-05")
    page = client.get(f"/results/block/{block}").text
    assert "Over time" in page
    assert "+60 points" in page
    assert "sampling “late”" in page
    assert "collected 5 February 2026" in page
    assert '<td data-head="collected">5 January 2026</td>' in page
    for path in (f"/results/block/{block}", "/results/"):
        german = client.get(f"{path}?lang=de").text
        assert "5. Februar 2026" in german
        assert "2026-02-05<" not in german
    client.get("/me?lang=en")
    early = client.get(f"/results/block/{block}?sampling=early").text
    assert "About 5 % of the primary buds" in early


def test_over_all_blocks_by_cultivar_and_node(season: Season, client: FlaskClient) -> None:
    assert "Nobody has called a bud of this sampling yet" in client.get("/results/over-all").text
    sample(season, "One", [2, 2], nodes=4)
    other = sample(season, "Two", [0, 0], nodes=4)
    with season.write() as conn:
        blocks.update_block(conn, other, cultivar="Foch")
    page = client.get("/results/over-all").text
    form = (r'<th scope="row">([^<]+?)(?: <span class="place">[^<]*</span>)?</th>\s*'
            r'<td class="share"><strong>([^<]+)<')
    rows = dict(re.findall(form, page))
    assert (rows["Riesling"], rows["Foch"]) == ("50 %", "0 %")
    assert (rows["1"], rows["3"]) == ("50 %", "0 %")
    assert "Every bud that was cut counts alike" in page, "a block's own answer may leave some out"


def test_what_waits_leads_to_its_review(season: Season, client: FlaskClient) -> None:
    block = sample(season, "Unread", [0, 0], called=False)
    target = re.search(r'href="(/review/sampling/\d+)"', client.get("/results/").text)[1]
    assert target in client.get(f"/results/block/{block}").text
    assert client.get(target).status_code in (200, 302)


@pytest.mark.slow
def test_figures_of_a_block_are_svg_with_words(season: Season, client: FlaskClient) -> None:
    block = sample(season, "Kettle Bench", [3, 4, 2, 5])
    for kind in ("tissues", "positions", "zones"):
        answer = client.get(f"/results/block/{block}/figure/{kind}.svg")
        assert answer.mimetype == "image/svg+xml"
        assert ET.fromstring(answer.text).get("aria-label")
    assert client.get(f"/results/block/{block}/figure/nonsense.svg").status_code == 404


@pytest.mark.slow
def test_positions_count_each_node_alone(season: Season, client: FlaskClient) -> None:
    block = sample(season, "Kettle Bench", [3, 3, 3, 3])
    words = ET.fromstring(client.get(f"/results/block/{block}/figure/positions.svg").text)
    alt = words.get("aria-label").split("secondary:")[0]
    assert alt.count("100 % dead") == 3
    assert alt.count("0 % dead (0 to") == 7


def test_unknown_blocks_and_samplings_are_said(season: Season, client: FlaskClient) -> None:
    block = sample(season, "Kettle Bench", [3])
    assert client.get("/results/block/999").status_code == 404
    answer = client.get(f"/results/block/{block}?sampling=never")
    assert answer.status_code == 404
    assert "expected one of first" in answer.text


@pytest.mark.slow
def test_one_cane_only_is_warned_of(season: Season, client: FlaskClient) -> None:
    block = sample(season, "Kettle Bench", [3])
    page = client.get(f"/results/block/{block}").text
    assert "Warning." in page
    assert "one cane" in page
    for language, words in (("de", "Alle Knospen stammen"), ("en", "All buds come from one")):
        page = client.get(f"/results/block/{block}?lang={language}").text
        assert words in page, "what is remembered of an answer is said in each one's language"


@pytest.mark.slow
def test_seventy_unsure_of_a_hundred_are_said_first_on_page_command_and_sheet(
    season: Season, client: FlaskClient, tmp_path: Path
) -> None:
    """Ten of thirty judged are dead: 33 %; the others could make it 10 or 80 %."""
    block = sample(season, "Kettle Bench", [1] * 10)
    with season.write() as conn:
        reader = people.ensure_person(conn, "Ada Quill").id
        for one in bud_states(conn, 1, doubts=False):
            if one.node > 3:
                calls.save_calls(conn, one.bud_id, {Tissue.PRIMARY: U}, person_id=reader)
    told = ("Only 30 of 100 primaries could be judged. If all the others were live 10 % would be "
            "dead, if all were dead 80 %.")
    page = " ".join(client.get(f"/results/block/{block}").text.split())
    assert page.index(told) > page.index("Read this first.")
    shown = CliRunner().invoke(app, ["results", "--season", str(season.folder)])
    assert told in " ".join(shown.stdout.split())
    (tmp_path / "sheet.pdf").write_bytes(client.get(f"/results/block/{block}/sheet.pdf").data)
    sheet = subprocess.run(["pdftotext", "-raw", tmp_path / "sheet.pdf", "-"],
                           capture_output=True, text=True, check=True).stdout
    assert told in " ".join(sheet.split())


@pytest.mark.slow
def test_names_cannot_become_markup(season: Season, client: FlaskClient) -> None:
    block = sample(season, "<script>alert(1)</script>", [3, 2])
    for address in ("/results/", f"/results/block/{block}", "/results/prune-last"):
        assert "<script>alert" not in client.get(address).text


def test_formulas_stay_text_in_csv_and_workbook() -> None:
    rows = [{"block": "=HYPERLINK(1)", "n": 3, "share": 0.5, "none": None, "odd": "a\x07b"}]
    assert as_csv(rows).splitlines()[1].startswith("'=HYPERLINK(1),3,0.5,,")
    page = openpyxl.load_workbook(io.BytesIO(as_xlsx({"blocks": rows})))["blocks"]
    assert page["A2"].value == "=HYPERLINK(1)"
    assert page["A2"].data_type == "s"
    assert (page["B2"].value, page["C2"].value, page["D2"].value) == (3, 0.5, None)
    assert page["E2"].value == "a b"


@pytest.mark.slow
def test_sheets_come_as_pdf_in_the_paper_asked_for(season: Season, client: FlaskClient) -> None:
    block = sample(season, "Kettle Bench", [3, 4, 2])
    answer = client.get(f"/results/block/{block}/sheet.pdf?paper=us-letter&units=us")
    assert answer.mimetype == "application/pdf"
    assert b"612 792" in answer.data
    assert "Kettle Bench - sheet.pdf" in answer.headers["Content-Disposition"]
    assert client.get(f"/results/block/{block}/every-bud.pdf").data.startswith(b"%PDF")
    assert client.get(f"/results/block/{block}/sheet.pdf?units=miles").status_code == 400


def test_a_page_of_a_hundred_blocks_goes_on(season: Season, client: FlaskClient) -> None:
    with season.write() as conn:
        for number in range(101):
            blocks.ensure_block(conn, f"Block {number:03}")
    assert "Page 1 of 2" in client.get("/results/").text
    assert client.get("/results/?page=3").status_code == 400
    assert len(season_answers(season)) == 101


def token(client: FlaskClient, page: str) -> str:
    return re.search(r'name="csrf-token" content="([^"]+)"', client.get(page).text)[1]


def send(client: FlaskClient, address: str, data: dict[str, object]) -> TestResponse:
    """Post a form with a file; the test client draws its boundary from the global generator."""
    state = random.getstate()
    answer = client.post(address, data=data)
    random.setstate(state)
    return answer


@pytest.fixture
def ada(client: FlaskClient) -> FlaskClient:
    client.post("/me", data={"csrf_token": token(client, "/me"), "name": "Ada Quill"})
    return client


@pytest.mark.slow
def test_the_season_after_is_entered_and_answered(season: Season, ada: FlaskClient) -> None:
    block = sample(season, "Kettle Bench", [3, 4], row_spacing_m=2.5, vine_spacing_m=2.0)
    page = f"/results/block/{block}/season-after"
    assert "Nothing is recorded yet" in ada.get(page).text
    for kind, values in (("clusters_per_vine|per vine", "32 41 38"),
                         ("cluster_weight_lag|g", "60"), ("harvest|t/ha", "9")):
        answer = ada.post(page, data={
            "csrf_token": token(ada, page), "kind": kind, "values": values,
            "measured_on": "2026-07-20", "note": "row 4"})
        assert answer.status_code == 302
    text = ada.get(page).text
    assert "37 per vine (standard error 2.6) (3 counted)" in text
    assert "Ada Quill" in text
    # 2000 vines x 37 x 0.12 kg = 8.88 t/ha, 1 % below the harvest.
    assert "8.9 t/ha" in text
    assert "inside the prediction&#39;s range" in text
    assert "Needs wanted yield." in text
    assert "tons/acre" in ada.get(f"{page}?units=us").text


def test_a_bad_entry_changes_nothing_and_says_why(season: Season, ada: FlaskClient) -> None:
    block = sample(season, "Kettle Bench", [3, 4])
    page = f"/results/block/{block}/season-after"
    answer = ada.post(page, data={"csrf_token": token(ada, page), "kind": "harvest|kg",
                                  "values": "9", "measured_on": "2026-10-01"})
    assert answer.status_code == 400
    assert "expected t/ha or tons/acre" in answer.text
    assert "Nothing is recorded yet" in ada.get(page).text
    assert ada.get(f"{page}?canopy=round").status_code == 400


def test_nobody_enters_without_a_name(season: Season, client: FlaskClient) -> None:
    block = sample(season, "Kettle Bench", [3, 4])
    page = f"/results/block/{block}/season-after"
    answer = client.post(page, data={"csrf_token": token(client, page), "kind": "harvest|t/ha",
                                     "values": "9", "measured_on": "2026-10-01"})
    assert "/me" in answer.headers["Location"]
    assert "Nothing is recorded yet" in client.get(page).text


@pytest.mark.slow
def test_tables_of_records_and_temperatures_come_in_by_page(
    season: Season, ada: FlaskClient
) -> None:
    block = sample(season, "Kettle Bench", [3, 4])
    page = f"/results/block/{block}/season-after"
    table = b"block,kind,values,unit,measured_on\nKettle Bench,harvest,9.1,t/ha,2026-10-01\n"
    answer = send(ada, "/results/season-after/import", {
        "csrf_token": token(ada, page), "block_id": str(block),
        "file": (io.BytesIO(table), "h.csv")})
    assert answer.headers["Location"].endswith(page)
    assert "9.1 t/ha" in ada.get(page).text
    assert "No temperatures are kept yet" in ada.get("/results/cold").text
    readings = b"time,temp\n2026-01-12 02:00,-14\n2026-01-12 03:00,-22\n"
    send(ada, "/results/cold", {
        "csrf_token": token(ada, page), "file": (io.BytesIO(readings), "t.csv"),
        "station": "Bench road", "unit": "C", "zone": "UTC"})
    text = ada.get("/results/cold?below=-20").text
    assert "-22.0 °C" in text
    assert "0.2 h below -20.0 °C" in text
    assert "Background only" in text
    assert "-7.6 °F" in ada.get("/results/cold?units=us").text
    assert ada.get("/results/cold?below=cold").status_code == 400
    assert ada.get("/results/cold?start=January").status_code == 400
    assert ada.get("/results/cold?station=Hill").status_code == 404
