"""Wood as well as buds: cuts kept, their mortality, and advice that changes by them."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from sqlalchemy.exc import DatabaseError

from budvision.errors import InputError
from budvision.report.answer import AnswerWords, answer_words
from budvision.report.sheet import sheet_words
from budvision.stats.proportions import clopper_pearson
from budvision.store import seal
from budvision.store.queries import blocks, calls, canes, people
from budvision.store.session import Season
from budvision.store.tables import wood_cut
from budvision.vineyard.wood import WoodCut, wood_results
from budvision.vocabulary import TISSUES, CallValue
from budvision.web import create_app
from budvision.workflow.after.wood import add_cut, block_cuts, import_cuts
from budvision.workflow.answers.answers import answer_of
from budvision.workflow.answers.results import results
from budvision.workflow.answers.sheet_facts import line_facts
from budvision.workflow.archive.export import export_archive
from budvision.workflow.archive.incoming import rows_of
from budvision.workflow.archive.merge import import_archive

L, D, U = CallValue.LIVE, CallValue.DEAD, CallValue.UNSURE
HEAD = "block,part,vine,position,phloem,cambium,cut_on\n"


@pytest.fixture
def season(tmp_path: Path) -> Season:
    """One block, 8 canes of 5 live buds: by its buds it is pruned as usual."""
    with Season.create(tmp_path / "winter") as season:
        with season.write() as conn:
            block = blocks.ensure_block(conn, "Harrow Slope")
            sampling = blocks.ensure_sampling(conn, block, "first")
            ada = people.ensure_person(conn, "Ada Quill").id
            for number in range(8):
                cane = canes.ensure_cane(conn, sampling, str(number + 1))
                for node in range(1, 6):
                    bud = canes.ensure_bud(conn, cane, node)
                    calls.save_calls(conn, bud, dict.fromkeys(TISSUES, L), person_id=ada)
        yield season


def table(n_dead: int, n: int, *, part: str = "trunk", tissue: str = "cambium") -> str:
    rows = []
    for vine in range(n):
        call = "D" if vine < n_dead else "live"
        cells = ("", call) if tissue == "cambium" else (call, "live")
        rows.append(f"Harrow Slope,{part},{vine},30 cm,{cells[0]},{cells[1]},2026-02-03")
    return HEAD + "\n".join(rows) + "\n"


def words_of(season: Season) -> AnswerWords:
    return answer_words(line_facts(season, answer_of(season, "Harrow Slope")))


def test_one_cut_a_vine_is_clopper_pearson() -> None:
    """3 of 10 trunks dead: 6.67 to 65.25 % (Clopper and Pearson's interval, as for buds)."""
    (found,) = wood_results([WoodCut(part="trunk", vine=str(i), cambium=D if i < 3 else L)
                             for i in range(10)])
    wanted = clopper_pearson(3, 10, confidence=0.95)
    assert (found.low, found.high) == (pytest.approx(wanted.low, abs=2e-4),
                                       pytest.approx(wanted.high, abs=2e-4))
    assert (found.low, found.high) == (pytest.approx(0.0667, abs=5e-4),
                                       pytest.approx(0.6525, abs=5e-4))
    assert (found.n_dead, found.n_live, found.n_vines) == (3, 7, 10)


def test_cuts_of_one_vine_do_not_count_as_many_vines() -> None:
    cuts = [WoodCut(part="cordon", vine=str(i % 2), position=str(i), cambium=D if i % 2 else L)
            for i in range(10)]
    (found,) = wood_results([*cuts, WoodCut(part="cordon", vine="9", cambium=U)])
    assert (found.n_vines, found.few_vines, found.n_unsure) == (2, True, 1)
    assert found.low is not None
    assert found.high is not None
    assert found.high - found.low > 0.9


def test_dead_wood_under_live_buds_changes_the_advice(season: Season) -> None:
    assert words_of(season).action == "Prune as usual."
    assert not words_of(season).choices
    ada = 1
    assert import_cuts(season, table(7, 10), person_id=ada) == 10
    words = words_of(season)
    assert words.first[0].startswith("Wood is dead under live buds: cambium of trunks (7 of 10: "
                                     "70 %")
    assert words.action.startswith("Renew from below the dead wood")
    assert words.next_step == words.action
    assert words.choices[0].when == "If trunks or cordons are dead"
    assert not any("trunks are sound" in one.when for one in words.choices)
    assert results(season)["blocks"][0]["wood"][0]["n_dead"] == 7      # type: ignore[index]
    told = sheet_words(line_facts(season, answer_of(season, "Harrow Slope")))
    assert told.answer.first[0] == words.first[0]
    app = create_app(season.folder, testing=True)
    page = app.test_client().get("/results/block/1").text
    app.extensions["budvision.season"].close()
    assert page.index("Wood is dead under live buds") < page.index("nodes a vine")
    assert "trunk of vine 0, 30 cm" in page


def test_sound_wood_and_hurt_phloem_are_said_and_change_nothing(season: Season) -> None:
    import_cuts(season, table(6, 10, tissue="phloem"), person_id=1)
    words = words_of(season)
    assert words.action == "Prune as usual."
    assert not any("ood is dead" in text for text in words.first)
    assert any("phloem of trunks (6 of 10: 60 %" in text and "renewed each year" in text
               for text in words.found)


def test_one_dead_trunk_leaves_the_number_to_the_sound_vines(season: Season) -> None:
    import_cuts(season, table(1, 10), person_id=1)
    words = words_of(season)
    assert words.action == ("Prune as usual. That is for vines whose wood is sound; renew the "
                            "others from below the dead wood.")


def test_a_cut_entered_again_counts_instead_and_nothing_is_lost(season: Season) -> None:
    cells = {"block": "harrow slope", "part": "Trunk", "vine": "12", "phloem": "dead",
             "cambium": "U", "cut_on": "2026-02-03"}
    add_cut(season, cells, person_id=1)
    add_cut(season, cells | {"cambium": "live"}, person_id=1)
    told, counted = block_cuts(season, "Harrow Slope")
    assert len(told) == 2
    assert [one.cut.cambium for one in counted] == [L]
    add_cut(season, cells | {"phloem": "", "cambium": ""}, person_id=1)
    assert block_cuts(season, "Harrow Slope")[1] == []
    with pytest.raises(DatabaseError, match="append-only"), season.write() as conn:
        conn.execute(wood_cut.delete())
    with season.read() as conn:
        assert seal.verify(conn) == []


@pytest.mark.parametrize(("rows", "match"), [
    ("Harrow Slope,root,1,,live,live,2026-02-03", 'row 2: part is "root"; expected trunk or'),
    ("Harrow Slope,trunk,1,,green,live,2026-02-03", 'row 2: phloem is "green"; expected live'),
    ("Harrow Slope,trunk,,,live,live,2026-02-03", "row 2: the vine is ''"),
    ("Harrow Slope,trunk,1,,live,live,soon", 'row 2: the day is "soon"'),
    ("Harrow Slope,trunk,1,,L,L,2026-02-03\nHarrow Slope,trunk,1,,D,D,2026-02-03",
     "row 3: this part of this vine stands twice"),
])
def test_a_wrong_line_is_refused_and_nothing_is_imported(
    season: Season, rows: str, match: str
) -> None:
    with pytest.raises(InputError, match=match):
        import_cuts(season, HEAD + rows + "\n", person_id=1, name="wood.csv")
    assert block_cuts(season, "Harrow Slope") == ([], [])


def test_cuts_go_into_archives_and_come_back(season: Season, tmp_path: Path) -> None:
    import_cuts(season, table(2, 4), person_id=1)
    export_archive(season, tmp_path / "bag", whole=True)
    with Season.create(tmp_path / "again") as again:
        import_archive(again, tmp_path / "bag")
        assert [one.cut for one in block_cuts(again, "Harrow Slope")[1]] == [
            one.cut for one in block_cuts(season, "Harrow Slope")[1]]
        assert not import_archive(again, tmp_path / "bag").added
    lines = (tmp_path / "bag/data/rows/wood_cut.jsonl").read_text(encoding="utf-8").splitlines()
    assert json.loads(lines[0])["cambium"] == "dead"
    assert list(rows_of(tmp_path, "wood_cut")) == []      # an archive of an earlier version


def test_the_page_keeps_a_cut(season: Season) -> None:
    app = create_app(season.folder, testing=True)
    client = app.test_client()

    def token(page: str) -> str:
        found = re.search(r'name="csrf_token" value="([^"]+)"', client.get(page).text)
        assert found
        return found[1]

    client.post("/me", data={"csrf_token": token("/me"), "name": "Ada Quill"})
    kept = client.post("/results/block/1/wood", data={
        "csrf_token": token("/results/block/1"), "part": "cordon", "vine": "7",
        "position": "", "phloem": "dead", "cambium": "dead", "cut_on": "2026-02-03",
        "note": "brown"})
    app.extensions["budvision.season"].close()
    assert kept.status_code == 302
    assert block_cuts(season, "Harrow Slope")[1][0].cut == WoodCut(
        part="cordon", vine="7", phloem=D, cambium=D)
