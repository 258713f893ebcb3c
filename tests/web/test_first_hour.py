"""From an empty folder to a season, its settings and a backup by pages only."""

from __future__ import annotations

import html
import io
import json
import random
import re
import time
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from werkzeug.test import Client, TestResponse

from budvision.errors import ConflictError, NothingToDoError
from budvision.settings import SETTINGS, Settings, samples_folder
from budvision.store.queries import overview
from budvision.store.queries.blocks import (
    Block,
    ensure_sampling,
    list_blocks,
    update_block,
)
from budvision.store.queries.calls import save_calls
from budvision.store.queries.canes import list_buds
from budvision.store.queries.people import list_people
from budvision.store.queries.photos import cuts_of_bud
from budvision.store.queries.undoing import undo as undo_batch
from budvision.store.session import Season
from budvision.vocabulary import CallValue, Tissue
from budvision.web import create_app
from budvision.web.season.begin import Doorway, begin_app, may_begin
from budvision.workflow.intake.sorting import loose_photos
from budvision.workflow.intake.undo import undo_intake
from budvision.workflow.season.block_table import undo_blocks
from budvision.workflow.season.check import check

FIRST = {"site": "Orun Valley", "lab": "Lab of the valley", "lead": "Élise Droz",
         "units": "us", "paper": "us-letter", "cane_base": "right"}


class Person:
    """Somebody with a browser, who counts each form that is sent."""

    def __init__(self, served: Any) -> None:
        self.client = Client(served)
        self.text, self.n_sent = "", 0

    def open(self, path: str) -> TestResponse:
        answer = self.client.get(path, follow_redirects=True)
        self.text = html.unescape(answer.get_data(as_text=True))
        return answer

    def send(self, path: str, data: dict[str, Any]) -> TestResponse:
        token = re.search(r'name="csrf_token" value="([^"]+)"', self.text)
        assert token, "the page before has no form"
        self.n_sent += 1
        answer = self.client.post(path, data=data | {"csrf_token": token.group(1)},
                                  follow_redirects=True)
        self.text = html.unescape(answer.get_data(as_text=True))
        return answer

    def wait(self, path: str) -> None:
        until = time.monotonic() + 120
        while True:
            self.open(path)
            if 'id="work-bar"' not in self.text:
                return
            assert time.monotonic() < until
            time.sleep(0.1)


@pytest.fixture
def doorway(tmp_path: Path) -> Any:
    place = tmp_path / "place"
    place.mkdir()
    made = Doorway(begin_app(place))
    plain = random.getstate()  # the test client draws the seams of its forms from it
    yield made
    random.setstate(plain)
    made.close()


def begin(doorway: Doorway) -> Person:
    person = Person(doorway)
    assert person.open("/").status_code == 200
    person.send("/", FIRST)
    person.send("/me", {"name": "Élise Droz", "next": "/season/"})
    return person


@pytest.mark.slow
def test_an_empty_place_becomes_a_season_in_the_same_process(
    doorway: Doorway, tmp_path: Path
) -> None:
    place = tmp_path / "place"
    person = Person(doorway)
    person.open("/")
    assert not list(place.iterdir()), "looking writes nothing"
    for side in ("left", "right", "top", "bottom", "unknown"):
        assert f'value="{side}"' in person.text
    assert person.send("/", FIRST | {"site": " "}).status_code == 400
    assert "site: the site is" in person.text
    assert "expected 1 to 120 printable characters" in person.text
    assert 'value="Élise Droz"' in person.text, "a failed form keeps what was typed"
    assert person.send("/", FIRST | {"units": "cubits"}).status_code == 400
    assert not list(place.iterdir()), "a refused form makes nothing"
    answer = person.send("/", FIRST)
    assert answer.status_code == 200
    assert "Who are you?" in person.text
    assert 'value="Élise Droz"' in person.text
    person.send("/me", {"name": "Élise Droz", "next": "/season/"})
    assert "Orun Valley" in person.text
    assert str(place) in person.text
    with Season.open(place) as season:
        assert all(getattr(season.settings, name) == FIRST[name]
                   for name in ("lab", "units", "paper", "cane_base"))
    for page in ("/bench/", "/review", "/results/", "/models/", "/season/settings",
                 "/season/keep"):
        assert person.open(page).status_code == 200, page


def test_where_other_files_lie_the_season_gets_a_folder_of_its_own(tmp_path: Path) -> None:
    (tmp_path / "letters.txt").write_text("x", encoding="utf-8")
    doorway = Doorway(begin_app(tmp_path))
    person = Person(doorway)
    person.open("/")
    for name in ("", "../up", "/tmp/x", ".hidden", "a/b"):
        assert person.send("/", FIRST | {"folder": name}).status_code == 400, name
    assert [path.name for path in tmp_path.iterdir()] == ["letters.txt"]
    asked = FIRST | {"folder": "winter 2026", "language": "de"}
    assert person.send("/", asked | {"language": "la"}).status_code == 400
    assert person.send("/", asked).status_code == 200
    with Season.open(tmp_path / "winter 2026") as season:
        assert season.settings.language == "de"
    doorway.close()
    assert may_begin(tmp_path)
    assert not may_begin(tmp_path / "winter 2026")
    assert not may_begin(tmp_path / "no such")


def test_settings_by_page_are_checked_kept_and_spare_what_others_changed(
    doorway: Doorway, tmp_path: Path
) -> None:
    person = begin(doorway)
    config = tmp_path / "place" / "budvision.toml"
    person.open("/season/settings")
    told = re.sub("</?code>", "`", person.text)
    for one in SETTINGS:
        assert one.help in told
    shown = dict(re.findall(r'name="was-(\w+)" value="([^"]*)"', person.text))
    assert set(shown) == {one.name for one in SETTINGS}
    form = {f"was-{name}": value for name, value in shown.items()} | shown
    before = config.read_bytes()
    assert person.send("/season/settings", form | {"confidence": "95", "lab": "New"}
                       ).status_code == 400
    assert "confidence is 95.0; expected a number from 0.5 to 0.999" in person.text
    assert 'value="New"' in person.text
    assert config.read_bytes() == before
    config.write_text(config.read_text(encoding="utf-8") + "# by hand\n", encoding="utf-8")
    person.send("/season/settings", form | {"confidence": "0.9", "cold_only": "yes"})
    assert "Kept: Confidence of intervals, Cold injury alone." in person.text
    assert "# by hand" in config.read_text(encoding="utf-8")
    assert Settings.load(config).confidence == 0.9
    assert person.text.count("· set here") == 6     # and the four of the first form
    person.open("/season/settings?lang=de")
    assert "· hier gesetzt" in person.text
    person.open("/season/settings?lang=en")
    person.send("/season/settings", form | {"lab": "Late"})   # a page from before the change
    assert Settings.load(config).confidence == 0.9
    assert Settings.load(config).lab == "Late"
    assert Settings.load(config).secondary_crop == 1 / 3


@pytest.mark.slow
def test_backup_check_and_archive_say_what_came_of_them(doorway: Doorway, tmp_path: Path) -> None:
    person = begin(doorway)
    person.open("/season/keep")
    assert "No backup of this season is known" in person.text
    assert person.send("/season/keep/backup", {"backup_folder": "usb"}).status_code == 400
    assert "expected its whole path" in person.text
    assert 'value="usb"' in person.text
    person.send("/season/keep/backup", {"backup_folder": str(tmp_path / "usb")})
    person.wait("/season/keep")
    assert "is verified: 0 photographs" in person.text
    assert (tmp_path / "usb" / "generations").is_dir()
    person.send("/season/keep/check", {})
    person.wait("/season/keep")
    assert "The season is sound." in person.text
    person.send("/season/keep/archive", {"archive_folder": str(tmp_path / "archive")})
    person.wait("/season/keep")
    assert "people stand under pseudonyms" in person.text
    assert (tmp_path / "archive" / "bagit.txt").exists()
    person.send("/season/keep/backup", {"backup_folder": str(tmp_path / "place" / "inside")})
    person.wait("/season/keep")
    assert "the backup would lie in the season itself" in person.text


@pytest.fixture
def network(tmp_path: Path) -> Any:
    from budvision.store.queries.people import add_person
    from budvision.web.people import hash_password

    with Season.create(tmp_path / "winter") as season, season.write() as conn:
        add_person(conn, "Ada Quill", "lead", password_hash=hash_password("several plain words"))
    app = create_app(tmp_path / "winter", loopback=False, hosts=("lab.example",))
    yield app
    app.extensions["budvision.season"].close()


def test_over_a_network_no_folder_of_the_server_is_named(network: Flask, tmp_path: Path) -> None:
    network.config["WTF_CSRF_ENABLED"] = False
    client = network.test_client()
    client.post("/me", data={"name": "Ada Quill", "password": "several plain words"})
    for what in ("backup", "archive"):
        answer = client.post(f"/season/keep/{what}", data={
            f"{what}_folder": str(tmp_path / "elsewhere")})
        assert answer.status_code == 400
        assert "a folder of the server cannot be named" in answer.text
    assert not (tmp_path / "elsewhere").exists()


SAMPLES = samples_folder()
ROWS = "file,block,cane,node,cut\n"


def photo(name: str) -> tuple[io.BytesIO, str]:
    return io.BytesIO((SAMPLES / f"apricot_c1_n{name}_k1.jpg").read_bytes()), f"apricot_{name}.jpg"


@pytest.mark.slow
def test_from_an_empty_folder_to_proposals_by_pages_in_ten_steps(
    doorway: Doorway, tmp_path: Path
) -> None:
    person = begin(doorway)                                                  # 1 begin, 2 name
    person.open("/season/photographs")
    table = (ROWS + "apricot_1.jpg,Mill Row,1,1,1\napricot_2.jpg,Mill Row,1,2,1\n"
             "apricot_9.jpg,Mill Row,1,9,1\napricot_3.jpg,Mill Row,1,x,1\n").encode()
    person.send("/season/photographs", {                                     # 3 send
        "photographs": [photo("1"), photo("2"), photo("3")], "sampling": "feb-cold-night",
        "manifest": (io.BytesIO(table), "list.csv")})
    assert "2 of 4 photographs would be taken in" in person.text
    assert "there is no file 'apricot_9.jpg'" in person.text
    assert "node is 'x'; expected a whole number, 1 to 200" in person.text
    with Season.open(tmp_path / "place") as season, season.read() as conn:
        assert overview.count_rows(conn).n_photos == 0, "a preview takes nothing in"
    person.send("/season/photographs/take", {})                              # 4 take in
    person.wait("/season/photographs")
    assert "Sampling feb-cold-night: 2 new" in person.text
    assert "looked at 2" in person.text
    assert "Proposals are not calls" in person.text
    assert "/review" in person.text
    assert person.n_sent <= 10
    with Season.open(tmp_path / "place") as season, season.read() as conn:
        counts = overview.count_rows(conn)
        assert (counts.n_photos, counts.n_without_proposal, counts.n_calls) == (2, 0, 0)
    assert person.open("/review").status_code == 200
    assert "Mill Row" in person.text
    person.open("/season/photographs")
    again = {"sampling": "feb-cold-night", "photographs": [photo("1")]}
    row = f"{ROWS}apricot_1.jpg,Mill Row,1,7,1\n".encode()
    person.send("/season/photographs", again | {"manifest": (io.BytesIO(row), "list.csv")})
    assert "refused: it has another place in the season" in person.text
    person.open("/season/photographs/preview?lang=de")
    assert "abgelehnt: es hat in der Saison einen anderen Platz" in person.text
    person.open("/season/photographs/preview?lang=en")
    person.open("/season/photographs")
    person.send("/season/photographs", {"sampling": "feb-cold-night", "move": "yes"})
    assert "moved here from its place in the season" in person.text
    person.send("/season/photographs/take", {})
    person.wait("/season/photographs")
    assert "Sampling feb-cold-night: 1 moved" in person.text


def test_what_pages_send_stays_in_the_tray_and_no_manifest_reaches_out_of_it(
    doorway: Doorway, tmp_path: Path
) -> None:
    person = begin(doorway)
    secret = tmp_path / "secret.jpg"
    secret.write_bytes((SAMPLES / "apricot_c1_n4_k1.jpg").read_bytes())
    person.open("/season/photographs")
    table = f"{ROWS}{secret},Mill Row,1,1,1\n../../../../secret.jpg,Mill Row,1,2,1\n"
    answer = person.send("/season/photographs", {
        "photographs": [(io.BytesIO(photo("1")[0].read()), "../../../up_3_n5_c1.jpg")],
        "sampling": "feb", "manifest": (io.BytesIO(table.encode()), "list.csv")})
    assert answer.status_code == 200
    assert "0 of 2 photographs would be taken in" in person.text
    place = tmp_path / "place"
    outside = [path for path in tmp_path.rglob("*up_3_n5*")
               if not path.is_relative_to(place / "cache" / "tray")]
    assert not outside
    person.send("/season/photographs/clear", {})
    assert not list((place / "cache" / "tray").rglob("*.jpg"))
    answer = person.send("/season/photographs", {
        "photographs": [photo("1"), (io.BytesIO(b"MZ"), "run.exe")], "sampling": "kept words"})
    assert answer.status_code == 400
    assert "run.exe: it is neither a photograph nor a table" in person.text
    assert 'value="kept words"' in person.text
    person.send("/season/photographs", {"sampling": "feb", "pattern": "<cane>_<node>",
                                        "block": "Mill Row"})
    assert "1 of 1 photograph would be taken in" in person.text


def _told(place: Path) -> dict[str, Block]:
    with Season.open(place) as season, season.read() as conn:
        return {one.name: one for one in list_blocks(conn)}


def test_a_pasted_table_of_blocks_is_shown_first_and_kept_whole_or_not_at_all(
    doorway: Doorway, tmp_path: Path
) -> None:
    person, place = begin(doorway), tmp_path / "place"
    person.open("/season/blocks")
    good = "block\tcultivar\tnormal_nodes\ttraining_system\nMill Row\tSaperavi\t40\tcanes\n"
    answer = person.send("/season/blocks", {"table": f"{good}Long Slope\tAligoté\tmany\t\n"})
    assert answer.status_code == 400
    assert "table of blocks, row 3: normal_nodes is 'many'; expected a number" in person.text
    assert "Aligoté" in person.text, "what was pasted stays"
    assert person.send("/season/blocks", {"table": f"{good}Low\tX\t9000\t\n"}).status_code == 400
    assert "row 3: normal_nodes is 9000; expected 1 to 1000" in person.text
    whole = {"table": f"{good}Long Slope\tAligoté\t36\t\n"}
    person.send("/season/blocks", whole)
    assert "2 blocks would be added." in person.text
    assert not _told(place), "a preview keeps nothing"
    person.send("/season/blocks/keep", whole)
    assert "2 blocks kept." in person.text
    change = {"table": "block;vine_spacing_m;normal_nodes\nMill Row;1,5;36\nLong Slope;;36\n"}
    person.send("/season/blocks", change)
    assert "1 block would be changed." in person.text
    assert "1 row changes nothing." in person.text
    assert "Nodes a vine keeps in a normal year: 40 becomes 36" in person.text
    person.send("/season/blocks/keep", change)
    told = _told(place)
    assert (told["Mill Row"].normal_nodes, told["Mill Row"].vine_spacing_m) == (36, 1.5)
    assert told["Long Slope"].cultivar == "Aligoté"
    person.send("/season/blocks/undo", {})
    assert "The table of 2 blocks was taken back." in person.text
    told = _told(place)
    assert (told["Mill Row"].normal_nodes, told["Mill Row"].vine_spacing_m) == (40, None)
    assert "Take back" not in person.text


def test_a_table_of_blocks_with_columns_of_its_own_is_chosen_for_and_taken_back(
    doorway: Doorway, tmp_path: Path
) -> None:
    person, place = begin(doorway), tmp_path / "place"
    person.open("/season/blocks")
    table = {"table": "Parcela;Uva;Yemas\nMill Row;Saperavi;40\nLong Slope;Aligoté;36\n"}
    person.send("/season/blocks", table)
    assert "Which column is what" in person.text
    for column, cell in (("block", "Parcela"), ("cultivar", "")):
        chosen = re.search(rf'<select name="{column}">(.*?)</select>', person.text, re.DOTALL)
        assert chosen
        assert re.findall(r'value="([^"]*)" selected', chosen[1]) == [cell][:bool(cell)]
    answer = person.send("/season/blocks", table | {"chosen": "yes", "cultivar": "Uva"})
    assert answer.status_code == 400
    assert "no column was chosen for block" in person.text
    person.send("/season/blocks", table | {"chosen": "yes", "block": "Parcela"})
    assert "2 columns of your table are not read" in person.text
    assert "nothing: Uva, Yemas." in person.text
    chosen_all = table | {"chosen": "yes", "block": "Parcela", "cultivar": "Uva",
                          "normal_nodes": "Yemas", "fixed-training_system": "canes of 12"}
    person.send("/season/blocks", chosen_all)
    assert "2 blocks would be added." in person.text
    assert "not read" not in person.text
    kept = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)">', person.text))
    assert kept.pop("csrf_token")
    person.send("/season/blocks", kept | {"then": "columns"})
    assert '<option value="Uva" selected>' in person.text, "the choice stands"
    person.send("/season/blocks/keep", kept)
    told = _told(place)
    assert (told["Mill Row"].cultivar, told["Mill Row"].training_system) == (
        "Saperavi", "canes of 12")
    with Season.open(place) as season:
        with season.write() as conn:
            update_block(conn, told["Mill Row"].id, cultivar="Rkatsiteli")
        with pytest.raises(ConflictError, match="cultivar is 'Rkatsiteli' by now"):
            undo_blocks(season)
        with season.write() as conn:
            update_block(conn, told["Mill Row"].id, cultivar="Saperavi")
            ensure_sampling(conn, told["Mill Row"].id, "feb")
    person.send("/season/blocks/undo", {})
    told = _told(place)
    assert list(told) == ["Mill Row"], "a sampling hangs on it; the other goes"
    assert (told["Mill Row"].cultivar, told["Mill Row"].normal_nodes) == ("", None)
    with Season.open(place) as season:
        assert check(season).ok
        with pytest.raises(NothingToDoError, match="no table to take back"):
            undo_blocks(season)


@pytest.mark.slow
def test_columns_of_other_names_are_chosen_and_a_wrong_intake_is_taken_back(
    doorway: Doorway, tmp_path: Path
) -> None:
    person = begin(doorway)
    person.open("/season/photographs")
    table = "Foto;Fila;Sarmiento;Yema\napricot_1.jpg;Mill Row;1;1\napricot_2.jpg;Mill Row;1;2\n"
    person.send("/season/photographs", {
        "photographs": [photo("1"), photo("2")], "sampling": "feb",
        "manifest": (io.BytesIO(table.encode()), "lista.csv")})
    assert "Which column is what" in person.text
    for column, cell in (("file", "Foto"), ("cane", "Sarmiento"), ("node", "Yema")):
        assert re.search(rf'<select name="{column}">.*?<option value="{cell}" selected>',
                         person.text), "what resembles a name is offered"
    chosen = {"file": "Foto", "cane": "Sarmiento", "node": "Yema"}
    answer = person.send("/season/photographs/columns", chosen | {"block": "Fila"})
    assert answer.status_code == 400
    assert "no column was chosen for cut" in person.text
    person.send("/season/photographs/columns", chosen | {"block": "Fila", "fixed-cut": "1"})
    assert "2 of 2 photographs would be taken in" in person.text
    person.send("/season/photographs/take", {})
    person.wait("/season/photographs")
    (note,) = re.findall(r'name="note" value="([^"]+)"', person.text)
    with Season.open(tmp_path / "place") as season, season.read() as conn:
        buds = list_buds(conn, sampling_id=1)
        assert [(bud.node, len(cuts_of_bud(conn, bud.id))) for bud in buds] == [(1, 1), (2, 1)]
        lead = list_people(conn)[0].id
    with Season.open(tmp_path / "place") as season:
        with season.write() as conn:
            save_calls(conn, buds[1].id, {Tissue.PRIMARY: CallValue.DEAD}, person_id=lead,
                       batch="one")
        with pytest.raises(ConflictError, match="1 of its buds are called, the first block Mill"):
            undo_intake(season, note, person_id=lead)
        with season.write() as conn:
            undo_batch(conn, "one", person_id=lead)
    person.send("/season/photographs/undo", {"note": note})
    assert "2 photographs were taken back" in person.text
    assert "Take back" not in person.text
    with Season.open(tmp_path / "place") as season, season.read() as conn:
        assert not cuts_of_bud(conn, buds[0].id)
        assert overview.count_rows(conn).n_photos == 2, "nothing is lost"
        assert not loose_photos(conn), "nobody is asked to place them"
    with Season.open(tmp_path / "place") as season, pytest.raises(NothingToDoError, match="stands"):
        undo_intake(season, note, person_id=lead)


def test_without_a_manifest_the_page_of_columns_leads_to_the_form(doorway: Doorway) -> None:
    person = begin(doorway)
    assert person.open("/season/photographs/columns").status_code == 200
    assert "Take photographs in" in person.text


@pytest.mark.parametrize("columns", [
    "x", "[1]", "null", '{"file": 3}', '{"file": ["a"]}', "[" * 9000])
def test_a_choice_of_columns_that_is_none_is_asked_for_again(
    doorway: Doorway, tmp_path: Path, columns: str
) -> None:
    """Sent by hand, or damaged on the disk, it made every page of the tray an error of ours."""
    person = begin(doorway)
    person.open("/season/photographs")
    person.send("/season/photographs", {
        "sampling": "feb", "columns": columns,
        "manifest": (io.BytesIO(b"Foto;Fila\np.jpg;Mill Row\n"), "lista.csv")})
    assert "Which column is what" in person.text
    [kept] = (tmp_path / "place").glob("cache/tray/*/asked.json")
    for text in (json.dumps({"sampling": None, "columns": columns}), columns, "[1]", "3"):
        kept.write_text(text, encoding="utf-8")
        for page in ("", "/columns", "/preview"):
            assert person.open(f"/season/photographs{page}").status_code in (200, 400)
