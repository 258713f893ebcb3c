"""What an answer is of: the nodes that pruning keeps, the block by its zones, the judged alone."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from budvision.errors import InputError, NotFoundError
from budvision.report.answer import AnswerWords, answer_words
from budvision.store.queries import blocks, calls, canes, people
from budvision.store.session import Season
from budvision.vineyard.training import Training, read_training
from budvision.vocabulary import TISSUES, CallValue
from budvision.web import create_app
from budvision.workflow.answers.answers import answer_of
from budvision.workflow.answers.report import grower_sheet
from budvision.workflow.answers.results import results
from budvision.workflow.answers.sheet_facts import block_facts, line_facts
from budvision.workflow.season.make import set_block

L, D, U = CallValue.LIVE, CallValue.DEAD, CallValue.UNSURE


def sampled(season: Season, primaries: list[list[CallValue]], zones: tuple[str, ...] = ()) -> None:
    """One block, a list of primaries for each cane from the base up."""
    with season.write() as conn:
        block = blocks.ensure_block(conn, "Harrow Slope")
        sampling = blocks.ensure_sampling(conn, block, "first")
        ada = people.ensure_person(conn, "Ada Quill").id
        for number, values in enumerate(primaries):
            cane = canes.ensure_cane(conn, sampling, str(number + 1),
                                     zone=zones[number] if zones else "")
            for node, value in enumerate(values, start=1):
                bud = canes.ensure_bud(conn, cane, node)
                calls.save_calls(conn, bud, {TISSUES[0]: value}, person_id=ada)


def words_of(season: Season) -> AnswerWords:
    return answer_words(line_facts(season, answer_of(season, "Harrow Slope")))


def spur_canes() -> list[list[CallValue]]:
    """24 canes of 8 nodes: 4 of 48 dead at nodes 1 and 2 (8 %), 95 of 120 from node 4 on (79 %)."""
    grown = [[L] * 8 for _ in range(24)]
    for cane in range(4):
        grown[cane * 6][cane % 2] = D
    for cane in range(12):
        grown[cane][2] = D
    for k in range(95):
        grown[k % 24][3 + k // 24 if k < 72 else 6 + (k - 72) // 24] = D
    return grown


def test_a_spur_pruned_block_is_judged_by_the_nodes_its_spurs_keep(season: Season) -> None:
    """It was told "57 %, prune minimally, 46 spurs of 2"; its spurs are nearly unhurt."""
    sampled(season, spur_canes())
    assert "About 58 % of the primary buds are dead" in words_of(season).headline
    set_block(season, "Harrow Slope", training_system="spurs of 2")
    words = words_of(season)
    assert words.headline.startswith("About 8 % of the primary buds are dead")
    assert words.action == "Prune as usual."
    assert words.nodes[0].retain == "40"
    assert words.arrangement == "40 nodes are 20 spurs of 2 nodes."
    assert "Only nodes 1 to 2 count, those that pruning keeps." in words.found
    assert any("144 primaries further out, which pruning takes off, 74 % were dead" in text
               for text in words.found)
    told = results(season)["blocks"][0]
    assert (told["n_buds"], told["beyond"]["n_judged"]) == (48, 144)


def test_a_zone_reads_alike_wherever_it_stands_on_a_page(season: Season) -> None:
    """"Each zone by itself" was of the two nodes kept (none dead), "By zone" of all six (67 %)."""
    sampled(season, [[L] * 2 + [D] * 4] * 8, zones=("hollow", "rise") * 4)
    set_block(season, "Harrow Slope", training_system="spurs of 2")
    app = create_app(season.folder, testing=True)
    page = app.test_client().get("/results/block/1").text
    figure = app.test_client().get("/results/block/1/figure/zones.svg").text
    app.extensions["budvision.season"].close()
    assert "67 %" not in page
    assert "67 %" not in figure
    assert "100 %" in page, "further out all are dead, which stands by node"


@pytest.mark.parametrize(("text", "told"), [
    ("spurs", Training("spur", 2)), ("Spurs of 3", Training("spur", 3)),
    ("canes", Training("cane", 10)), ("cane 12", Training("cane", 12)),
    ("high wire", None), ("", None), ("spurs and canes", None), ("canes of 90", None),
])
def test_training_is_read_from_words(text: str, told: Training | None) -> None:
    assert read_training(text) == told


def test_a_training_system_that_says_nothing_of_pruning_is_refused(season: Season) -> None:
    sampled(season, [[L]])
    with pytest.raises(InputError, match='training system is "high wire"; expected spurs or canes'):
        set_block(season, "Harrow Slope", training_system="high wire")


@pytest.mark.slow
def test_zones_are_weighted_by_their_rows_and_advised_each_by_itself(season: Season) -> None:
    """A fifth of the rows 80 % dead, the rest 10 %: 24 % of the block, and two answers."""
    hurt, well = [D] * 8 + [L] * 2, [D] + [L] * 9
    sampled(season, [hurt] * 10 + [well] * 10, zones=("hollow",) * 10 + ("rise",) * 10)
    words = words_of(season)
    assert "About 45 % of the primary buds are dead" in words.headline
    unknown = ("How much of the block each zone is, is not known: the zones count by the buds that "
               "were cut in them.")
    assert unknown in words.found
    rows = [{"label": str(n), "n_vines": 50, "zone": "hollow" if n < 2 else "rise", "missing": []}
            for n in range(10)]
    set_block(season, "Harrow Slope", layout={"block": "Harrow Slope", "shares": {}, "rows": rows})
    words = words_of(season)
    assert unknown not in words.found
    # 0.2 x 80 % + 0.8 x 10 % = 24 %.
    assert words.headline.startswith("About 24 % of the primary buds are dead")
    assert ("Weighted by zones (hollow 20 %, rise 80 % of the vines), that is 24 %." in words.found)
    assert "Shares of the table are weighted too, its counts are not." in words.found
    assert any(one.severe for one in words.choices), "the hollow is 80 % dead"
    assert words.choices_for == "For hollow:"
    told = results(season)["blocks"][0]
    assert told["weighting"]["weights"] == pytest.approx({"hollow": 0.2, "rise": 0.8})
    assert told["zones_differ"], "scripts too are told that one number fits no zone"
    assert len(told["edges"]) == len(answer_of(season, "Harrow Slope").result.edges)
    hollow, rise = words.zones
    assert (hollow.weight, hollow.line.share, rise.weight, rise.line.share) == (
        "20 %", "80 %", "80 %", "10 %")
    assert rise.action == "Prune as usual."
    assert hollow.action.startswith("Prune minimally or not at all")
    assert words.action == "Prune each zone by its own answer."
    assert words.first[0] == ("The zones need different pruning: hollow 80 % dead and rise 10 % "
                              "dead. One number for the whole block fits none of them.")
    app = create_app(season.folder, testing=True)
    page = app.test_client().get("/results/block/1").text
    app.extensions["budvision.season"].close()
    assert page.index("The zones need different pruning") < page.index("nodes a vine")


def told_of_the_order(season: Season) -> str:
    app = create_app(season.folder, testing=True)
    page = app.test_client().get("/results/prune-last").text
    app.extensions["budvision.season"].close()
    return " ".join(page.split())


@pytest.mark.slow
def test_a_block_with_one_zone_dead_is_not_said_to_be_settled(season: Season) -> None:
    """24 % of the block, all of it in one band: "prune when it suits" stood there."""
    hurt, well = [D] * 8 + [L] * 2, [D] + [L] * 9
    sampled(season, [hurt] * 15 + [well] * 15, zones=("hollow",) * 15 + ("rise",) * 15)
    rows = [{"label": str(n), "n_vines": 50, "zone": "hollow" if n < 2 else "rise", "missing": []}
            for n in range(10)]
    set_block(season, "Harrow Slope", layout={"block": "Harrow Slope", "shares": {}, "rows": rows})
    assert answer_of(season, "Harrow Slope").judged.more_buds == 0
    page = told_of_the_order(season)
    assert "prune when it suits" not in page
    assert "hollow: “minimal” over 99 % likely" in page
    assert "Prune each zone by its own answer." in page


@pytest.mark.slow
def test_a_band_that_the_unjudged_could_change_is_not_said_to_be_settled(season: Season) -> None:
    """No bud of 250 judged dead, 250 unsure: "the sample is large enough" stood there."""
    sampled(season, [[L] * 5 + [U] * 5] * 50)
    words = words_of(season)
    assert words.sure[-1] == ("The whole range lies in one band, but what nobody judged could put "
                              "the block into another.")
    assert words.next_step == ("What nobody judged could put it into another band: judge that "
                               "first.")
    page = told_of_the_order(season)
    assert "prune when it suits" not in page
    assert "Only 250 of 500 primaries could be judged." in page


def test_a_zone_of_which_nothing_is_known_is_said_first(season: Season) -> None:
    """Three quarters of the vines unjudged: "20 % dead, weighted by zones", the rest far below."""
    sampled(season, [[D] * 2 + [L] * 8] * 30 + [[U] * 5], zones=("hollow",) * 30 + ("rise",))
    rows = [{"label": zone, "n_vines": n, "zone": zone, "missing": []}
            for zone, n in (("hollow", 100), ("rise", 300))]
    set_block(season, "Harrow Slope", layout={"block": "Harrow Slope", "shares": {}, "rows": rows})
    words = words_of(season)
    assert words.first[0] == ("Nothing was judged in rise, 75 % of the block. The answer is of the "
                              "rest.")
    assert words.found[0] == ("60 of the 300 primary buds that could be judged were dead, on 30 "
                              "canes.")
    assert not any(text.startswith("Weighted by zones") for text in words.found)
    assert words.next_step == ("What nobody judged could put it into another band: judge that "
                               "first.")
    sheet = Path(season.folder / "sheet.pdf")
    sheet.write_bytes(grower_sheet(season, "Harrow Slope"))
    if shutil.which("pdftotext"):
        text = subprocess.run(["pdftotext", "-raw", sheet, "-"], capture_output=True, text=True,
                              check=True).stdout
        assert "rise (75 % of the vines): no result." in " ".join(text.split())


@pytest.mark.slow
def test_seventy_of_a_hundred_unsure_are_said_first_with_both_bounds(season: Season) -> None:
    """10 dead and 20 live of 100: 33 %, and anything from 10 to 80 %."""
    sampled(season, [[D] + [L] * 2 + [U] * 7] * 10)
    words = words_of(season)
    assert words.first[0] == ("Only 30 of 100 primaries could be judged. If all the others were "
                              "live 10 % would be dead, if all were dead 80 %.")


def test_a_hopeless_block_is_not_given_canes_to_count(season: Season) -> None:
    """"No number" beside "10 canes of 10" was a number all the same."""
    sampled(season, [[D] * 9 + [L]] + [[D] * 10] * 9)
    set_block(season, "Harrow Slope", training_system="canes")
    words = words_of(season)
    assert (words.nodes[0].retain, words.arrangement) == ("no number", "")
    assert (words.nodes[1].retain, words.nodes[1].span) == ("100", "the practical maximum")
    assert words.disagreement.startswith("No published rule gives a number")
    assert words.choices[0].when == "Before anything else"


def test_the_practical_maximum_is_said_of_what_stopped_there(season: Season) -> None:
    """"Stopped at the practical maximum" stood beside a number that had not stopped."""
    sampled(season, [[D] * 5 + [L] * 5, [D] * 4 + [L] * 6, [D] * 5 + [L] * 5])
    exact = words_of(season).nodes[1]
    assert exact.note == "the upper end stopped at the practical maximum"
    assert exact.span.endswith("to 100")
    assert int(exact.retain) < 100


def test_the_lab_stands_at_the_head_of_the_sheet(season: Season) -> None:
    sampled(season, [[D, L]] * 4)
    path = season.folder / "budvision.toml"
    path.write_text(path.read_text(encoding="utf-8").replace(
        "[settings]\n", '[settings]\nlab = "Quillan Buds"\nlab_phone = "555"\n'
        'lab_logo = "logo.svg"\n', 1), encoding="utf-8")
    with Season.open(season.folder) as opened:
        with pytest.raises(NotFoundError, match=r'lab_logo "logo\.svg" cannot be read'):
            grower_sheet(opened, "Harrow Slope")
        (season.folder / "logo.svg").write_text(
            '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9"><rect width="9" '
            'height="9"/></svg>', encoding="utf-8")
        facts = block_facts(opened, answer_of(opened, "Harrow Slope"))
        assert (facts.lab, facts.lab_phone, facts.logo_kind) == ("Quillan Buds", "555", "svg")
        assert grower_sheet(opened, "Harrow Slope").startswith(b"%PDF")


def test_a_cultivar_class_says_what_secondaries_bear(season: Season) -> None:
    sampled(season, [[D, L, D, L]] * 8)

    def crop() -> dict[str, float]:
        return results(season)["blocks"][0]["crop_potential"]

    plain = crop()["high"]
    set_block(season, "Harrow Slope", cultivar_class="norton")
    assert crop()["secondary_crop"] == 0
    assert crop()["share"] == pytest.approx(0.5)
    assert crop()["high"] < plain
    set_block(season, "Harrow Slope", secondary_crop=0.4)     # the block's own value wins
    assert crop()["secondary_crop"] == 0.4
    with pytest.raises(InputError, match='cultivar class is "pear"'):
        set_block(season, "Harrow Slope", cultivar_class="pear")


def test_the_fruit_of_the_basal_nodes_stands_beside_the_advice(season: Season) -> None:
    sampled(season, [[D, L, L, L]] * 8)
    assert words_of(season).basal == ""
    set_block(season, "Harrow Slope", cultivar_class="vinifera", training_system="spurs of 2")
    assert "in cool climates those of many cultivars bear too little for spurs" in (
        words_of(season).basal)
    app = create_app(season.folder, testing=True)
    page = app.test_client().get("/results/block/1").text
    app.extensions["budvision.season"].close()
    assert words_of(season).basal in page


def test_after_a_bad_winter_there_is_a_plan_and_only_then(season: Season) -> None:
    """Above half dead: long spurs or extra canes, double pruning, renewal, gall, each sourced."""
    sampled(season, [[D, L, D, L]] * 8 + [[D, D]] * 2)         # 20 of 36: 56 %
    assert {"If the vines are spur-pruned", "If the vines are cane-pruned"} <= {
        one.when for one in words_of(season).choices}
    set_block(season, "Harrow Slope", training_system="canes of 4")
    words = words_of(season)
    deeds = {one.when: one for one in words.choices}
    assert "If the vines are spur-pruned" not in deeds
    assert deeds["If the vines are cane-pruned"].deed.startswith("leave extra canes")
    assert "two to three times the wanted buds" in deeds["If it cannot all wait"].deed
    assert "about five a vine (Minnesota)" in deeds["If trunks or cordons are dead"].more
    galls = deeds["If galls show on the trunks"]
    assert "Rutgers" in galls.source
    # Rutgers says it collapses the vine, but fully galled Chancellor held its crop (Hed, 2014).
    assert galls.deed == "mark those vines; a gall right round the trunk can collapse a vine."
    assert all(one.more and one.source for one in words.choices)
    app = create_app(season.folder, testing=True)
    page = app.test_client().get("/results/block/1").text
    app.extensions["budvision.season"].close()
    assert "Keller and Mills 2007" in page
    set_block(season, "Harrow Slope", training_system="spurs of 1")   # all ten dead
    assert "If the vines are spur-pruned" in {one.when for one in words_of(season).choices}


def test_below_half_dead_nobody_is_told_of_bad_winters(season: Season) -> None:
    sampled(season, [[D, L, L]] * 8 + [[D, L, D]])             # 10 of 27: 37 %
    told = words_of(season).choices
    assert told, "more than half is still one in ten likely"
    assert not any(one.severe or one.more for one in told)


def test_only_unsure_buds_that_pruning_keeps_are_said_to_be_left_out(season: Season) -> None:
    sampled(season, [[L, U, L, U]] * 4)
    set_block(season, "Harrow Slope", training_system="spurs of 2")
    answer = answer_of(season, "Harrow Slope")
    assert block_facts(season, answer).left_out == tuple(
        f"cane {cane} node 2" for cane in range(1, 5))


def test_zones_that_differ_get_no_arrangement_of_the_whole(season: Season) -> None:
    """"Prune each zone by its own answer" stood beside canes for the block as a whole."""
    sampled(season, [[D] * 8 + [L] * 2] * 10 + [[L] * 10] * 10,
            zones=("hollow",) * 10 + ("rise",) * 10)
    set_block(season, "Harrow Slope", training_system="canes")
    words = words_of(season)
    assert words.arrangement == ""
    assert (words.band, words.retain) == ("by zone", "by zone")
    assert words.next_step == words.action == "Prune each zone by its own answer."
