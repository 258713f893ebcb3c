"""The bench without a browser: keeping photographs, answers, marks, plans and the stopping rule."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest

from budvision.errors import ConflictError, InputError, NotFoundError, PhotoError
from budvision.language import speaking
from budvision.settings import Settings
from budvision.store.queries.blocks import (
    ensure_block,
    ensure_sampling,
    sampling_by_id,
    update_block,
    update_sampling,
)
from budvision.store.queries.calls import NewCall, save_calls
from budvision.store.queries.canes import ensure_bud, ensure_cane, list_buds, list_canes
from budvision.store.queries.people import add_person
from budvision.store.queries.photos import cuts_of_sampling, unassigned_photos
from budvision.store.session import Season
from budvision.vocabulary import (
    CallValue,
    GateAnswer,
    Proposal,
    Reason,
    Tissue,
    TissueProposal,
    Verdict,
)
from budvision.workflow.answers.results import results
from budvision.workflow.bench.answer import answer_photo
from budvision.workflow.bench.bench import add_cane, bench_board, bench_list, mark_bud, take_photo
from budvision.workflow.bench.picture import LARGE_PX, small_picture
from budvision.workflow.sampling.decide import decision_state, plan_facts
from budvision.workflow.sampling.plan import (
    choose_canes,
    describe_block,
    find_plan,
    plan_sample,
    save_plan,
    season_plan,
)
from budvision.workflow.sampling.soak import record_times

P, S, T = Tissue


def photograph(number: int) -> bytes:
    """Return a JPEG of its own."""
    image = np.full((720, 960, 3), 190, np.uint8)
    cv2.putText(image, str(number), (300, 400), cv2.FONT_HERSHEY_SIMPLEX, 5, (30, 60, 90), 12)
    return cv2.imencode(".jpg", image)[1].tobytes()


def proposal(*exposed: Tissue, found: bool = True, reasons: tuple[Reason, ...] = ()) -> Proposal:
    tissues = {t: TissueProposal(exposed=t in exposed,
                                 verdict=Verdict.DEAD if t in exposed else None,
                                 p_dead=0.9 if t in exposed else None) for t in Tissue}
    return Proposal(file="a.jpg", sha256="0" * 64, width_px=960, height_px=720, found=found,
                    reasons=reasons, mm_per_px=None, model="m",
                    tissues=tissues if found else {})


@pytest.fixture
def season(tmp_path: Path) -> Iterator[Season]:
    season = Season.create(tmp_path / "winter")
    layout = describe_block("Lark Terrace", n_rows=6, n_vines=20, zones="top=1-3,foot=4-6")
    save_plan(season, plan_sample(layout, settings=Settings(), sampling="s1", canes=4, nodes=5,
                                  draw=3))
    yield season
    season.close()


# ---- the answer ------------------------------------------------------------------------------


def test_the_answer_says_what_to_do_next_and_no_verdict() -> None:
    first = answer_photo(proposal(P))
    assert (first.next, first.missing) == ("deeper", ("secondary", "tertiary"))
    assert first.headline == "Cut deeper for the secondary and tertiary"
    second = answer_photo(proposal(P, S), seen_before=[P], cut=2)
    assert (second.next, second.missing) == ("deeper", ("tertiary",))
    third = answer_photo(proposal(T), seen_before=[P, S], cut=3)
    assert third.next == "next_bud"
    for answer in (first, second, third):
        assert answer.verdicts == {}
        assert "dead" not in str(answer.as_dict())
    assert answer_photo(proposal(P), verdicts=True).verdicts == {"primary": "dead"}


def test_too_deep_and_worn_out_buds_are_left() -> None:
    deep = answer_photo(proposal(), seen_before=[P, S], cut=3)
    assert deep.next == "stop"
    assert "Too deep" in deep.headline
    assert answer_photo(proposal(), seen_before=[], cut=1).next == "deeper"     # too shallow yet
    assert answer_photo(proposal(P), seen_before=[P], cut=6).next == "stop"


def test_a_photograph_that_cannot_be_judged_is_taken_again_with_its_reason() -> None:
    blurred = (Reason("blurred", "Too blurred. Hold still."),)
    answer = answer_photo(proposal(found=False, reasons=blurred), seen_before=[P])
    assert (answer.next, answer.usable) == ("retake", False)
    assert answer.details == ("Too blurred. Hold still.",)
    assert answer.missing == ("secondary", "tertiary")


def test_a_doubtful_photograph_is_for_the_technicians_own_eyes() -> None:
    glare = Reason("glare", "A reflection may hide part of the tissue.", look=True,
                   place=(100.0, 200.0, 300.0, 400.0))
    answer = answer_photo(proposal(P, S, T, reasons=(glare,)))
    assert (answer.answer, answer.next, answer.usable) == (GateAnswer.LOOK, "next_bud", True)
    assert answer.headline == "Look yourself"
    assert answer.details == (glare.text, "If it will do: All three seen: next bud.")
    assert answer_photo(proposal(P, S, T)).answer is GateAnswer.GOOD
    assert answer_photo(proposal(found=False)).answer is GateAnswer.RETAKE
    assert json.loads(json.dumps(answer.as_dict()))["answer"] == "look_yourself"


def test_the_picture_to_look_at_is_large_and_frames_the_place(season: Season) -> None:
    glare = Reason("glare", "Look.", look=True, place=(100.0, 200.0, 300.0, 400.0))
    said = proposal(P, reasons=(glare,))
    labels = np.zeros((720, 960), np.uint8)
    labels[60:500, 150:700] = 1
    taken = take_photo(season, photograph(8), sampling_id=1, cane="1", node=1, cut=1,
                       person_id=None, propose=lambda *_: (said, labels))
    image = cv2.imdecode(np.frombuffer(small_picture(season, taken.sha256), np.uint8), 1)
    assert max(image.shape) == LARGE_PX
    # 20 % of the face is left round it: the frame's left edge, white within black
    scale, left = LARGE_PX / (550 + 2 * 114), 150 - 114
    column = image[round((200 - (60 - 60)) * scale), :, :].min(axis=1)
    edge = round((200 - left) * scale)
    assert column[edge - 1:edge + 2].max() > 230
    assert column[edge - 6:edge - 1].min() < 60


# ---- photographs ------------------------------------------------------------------------------


def test_a_photograph_is_kept_once_and_a_retake_takes_its_place(season: Season) -> None:
    def take(data: bytes, **more: object):
        where = {"cane": "1", "node": 2, "cut": 1} | more
        return take_photo(season, data, sampling_id=1, person_id=None,
                          propose=lambda *_: (proposal(P), None), **where)

    one = take(photograph(1))
    assert one.new
    assert one.answer is not None
    assert one.answer.next == "deeper"
    again = take(photograph(1), cut=2)
    assert (again.new, again.cut) == (False, 1)         # the same photograph keeps its place
    with pytest.raises(ConflictError, match=r"cut 1 of this bud has another photograph"):
        take(photograph(2))
    assert take(photograph(2), retake=True).cut == 1
    deeper = take(photograph(3), cut=2)
    assert deeper.answer is not None
    assert deeper.answer.seen_before == ("primary",)
    with pytest.raises(ConflictError, match="this very photograph is cut 2 of block Lark Terrace"):
        take(photograph(3), node=4)
    with season.read() as conn:
        cuts = cuts_of_sampling(conn, 1)
        loose = unassigned_photos(conn)
    assert [(c.cut, c.photo.sha256) for c in cuts] == [
        (1, take(photograph(2)).sha256), (2, deeper.sha256)]
    assert [row.sha256 for row in loose] == [one.sha256]    # out of its bud, and still kept
    assert season.photos.read(one.sha256) == photograph(1)
    assert small_picture(season, one.sha256)[:2] == b"\xff\xd8"


@pytest.mark.parametrize(
    ("data", "code"), [(b"", "empty_file"), (b"not a picture", "not_an_image"),
                       (photograph(1)[:2000], "truncated")])
def test_what_is_no_photograph_is_refused_and_not_kept(
    season: Season, data: bytes, code: str
) -> None:
    with pytest.raises(PhotoError, match="expected") as caught:
        take_photo(season, data, sampling_id=1, cane="1", node=1, cut=1, person_id=None,
                   name="../../etc/passwd")
    assert caught.value.code == code
    assert list(season.photos) == []


def test_names_are_never_paths_and_places_must_exist(season: Season) -> None:
    take_photo(season, photograph(1), sampling_id=1, cane="1", node=1, cut=1, person_id=None,
               name="../../evil/../name.jpg")
    with season.read() as conn:
        assert cuts_of_sampling(conn, 1)[0].photo.file_name == "name.jpg"
    with pytest.raises(NotFoundError, match="there is no cane '99'"):
        take_photo(season, photograph(2), sampling_id=1, cane="99", node=1, cut=1, person_id=None)
    with pytest.raises(InputError, match="node is 0 and cut 1"):
        take_photo(season, photograph(2), sampling_id=1, cane="1", node=0, cut=1, person_id=None)
    with pytest.raises(NotFoundError, match="no such photograph"):
        small_picture(season, "../../budvision.toml")


def test_list_and_board_count_alike_where_nothing_was_planned(tmp_path: Path) -> None:
    """Canes of eight from an intake: no ninth node is made up, and both say the same."""
    with Season.create(tmp_path / "summer") as other:
        with other.write() as conn:
            block = ensure_block(conn, "Lark Terrace")
            sampling = ensure_sampling(conn, block, "s")
            for cane in ("1", "2"):
                ensure_cane(conn, sampling, cane)
        for number in range(16):
            take_photo(other, photograph(100 + number), sampling_id=sampling,
                       cane=str(1 + number // 8), node=1 + number % 8, cut=1, person_id=None)
        board, (row,) = bench_board(other, sampling), bench_list(other)
        assert [len(cane["buds"]) for cane in board["canes"]] == [8, 8]
        assert board["progress"]["canes_done"] == board["progress"]["canes"] == 2
        assert (row.n_photographed, row.n_buds) == (16, 16)


def test_what_was_called_from_paper_is_not_said_to_be_photographed(season: Season) -> None:
    take_photo(season, photograph(1), sampling_id=1, cane="1", node=1, cut=1, person_id=None)
    with season.write() as conn:
        ada, cane = add_person(conn, "Ada Moreau", "reviewer").id, ensure_cane(conn, 1, "1")
        save_calls(conn, ensure_bud(conn, cane, 2), dict.fromkeys(Tissue, CallValue.DEAD),
                   person_id=ada, batch="paper")
    progress = bench_board(season, 1)["progress"]
    assert (progress["photographed"], progress["called"], progress["waiting"]) == (1, 1, 1)


def test_marks_and_canes_show_on_the_board(season: Season) -> None:
    for node in (1, 2, 3):
        take_photo(season, photograph(node), sampling_id=1, cane="1", node=node, cut=1,
                   person_id=None)
    mark_bud(season, sampling_id=1, cane="1", node=4, kind="node", value="missing", person_id=None)
    mark_bud(season, sampling_id=1, cane="1", node=5, kind="node", value="blind", person_id=None)
    mark_bud(season, sampling_id=1, cane="1", node=3, kind="cause", value="mites", person_id=None)
    assert add_cane(season, 1, " 5a ") == "5a"
    with pytest.raises(ConflictError, match="cane 5a is there already"):
        add_cane(season, 1, "5a")
    with pytest.raises(NotFoundError, match="sampling"):  # it was an error of ours
        add_cane(season, 900, "1")
    board = bench_board(season, 1)
    assert [cane["label"] for cane in board["canes"]] == ["1", "2", "3", "4", "5a"]
    assert board["canes"][0]["done"]
    assert [b["mark"] for b in board["canes"][0]["buds"]] == ["", "", "", "missing", "blind"]
    assert board["canes"][0]["buds"][2]["cause"] == "mites"
    assert board["progress"]["canes_done"] == 1
    mark_bud(season, sampling_id=1, cane="1", node=5, kind="node", value="", person_id=None)
    assert not bench_board(season, 1)["canes"][0]["done"]
    with pytest.raises(InputError, match="cause is 'frost'"):
        mark_bud(season, sampling_id=1, cane="1", node=3, kind="cause", value="frost",
                 person_id=None)
    row = bench_list(season)[0]
    assert (row.block, row.n_photographed, row.planned) == ("Lark Terrace", 4, True)


# ---- plans ------------------------------------------------------------------------------------


def test_a_plan_makes_its_canes_and_comes_back(season: Season) -> None:
    made = season_plan(season, 1)
    with season.read() as conn:
        canes = list_canes(conn, 1)
        assert sampling_by_id(conn, 1).plan["draw"] == 3
    assert [(c.label, c.vine, c.zone) for c in canes] == [
        (v.cane, f"{v.row}-{v.vine}", v.zone) for v in made.vines]
    assert find_plan(season) == made
    take_photo(season, photograph(1), sampling_id=1, cane="1", node=1, cut=1, person_id=None)
    with pytest.raises(ConflictError, match="has buds already"):
        save_plan(season, made)
    with pytest.raises(NotFoundError, match="no plan fits"):
        find_plan(season, block="Nowhere")


def test_blocks_are_described_in_words(tmp_path: Path) -> None:
    table = tmp_path / "rows.csv"
    table.write_text("row,vines,zone,missing\nA,12,top,3 5-6\nB,8,foot,\n", encoding="utf-8")
    layout = describe_block("B", rows_csv=table, missing="B:1", sizes="small=30%,large=0.7")
    assert [(r.label, r.n_vines, r.zone, sorted(r.missing)) for r in layout.rows] == [
        ("A", 12, "top", [3, 5, 6]), ("B", 8, "foot", [1])]
    assert layout.shares == {"small": pytest.approx(0.3), "large": pytest.approx(0.7)}
    table.write_text("row,vines\nA,many\n", encoding="utf-8")
    for given, words in (
        ({}, "its rows and vines a row are not given"),
        ({"n_rows": 3, "n_vines": 4, "zones": "top=1-9"}, "zone top goes to row 9"),
        ({"n_rows": 3, "n_vines": 4, "zones": "a=1-2,b=2-3"}, "row 2 is in a and in b"),
        ({"n_rows": 3, "n_vines": 4, "missing": "9:1"}, "names row '9'"),
        ({"n_rows": 3, "n_vines": 4, "missing": "1:4-2"}, "'4-2' is no number or range"),
        ({"n_rows": 3, "n_vines": 4, "sizes": "small"}, "'small' has no name = value"),
        ({"n_rows": 3, "n_vines": 4, "sizes": "small=much"}, "'much' is no share"),
        ({"rows_csv": table}, "rows.csv, row 2: row is 'A' and vines is 'many'"),
        ({"rows_csv": tmp_path / "none.csv"}, "none.csv: there is no such file"),
    ):
        with pytest.raises((InputError, NotFoundError), match=words.replace("(", r"\(")):
            describe_block("B", **given)  # type: ignore[arg-type]


def test_a_plan_promises_no_more_than_the_nodes_that_count(season: Season) -> None:
    """Eight canes of ten nodes, two of which pruning keeps: "worth 25 buds", "50 dead" stood there.

    Outside: 1 + (2 - 1) 0.25 is the design effect of two buds a cane, 16 buds are worth 12.8.
    """
    layout = describe_block("Mill Row", n_rows=4, n_vines=10)
    plans = {nodes: plan_sample(layout, settings=Settings(), sampling="feb", canes=8, nodes=nodes,
                                draw=1, share=0.3, policy="", folder=None,
                                training="spurs of 2") for nodes in (2, 10)}
    ten, two = plans[10], plans[2]
    assert (ten.n_buds, ten.outlook.n_buds) == (80, 16)
    assert ten.outlook.design_effect == pytest.approx(1.25)
    assert ten.outlook.n_effective == pytest.approx(12.8)
    assert ten.outlook == two.outlook
    facts = plan_facts(ten)
    assert facts["sequential"]["lines"] == plan_facts(two)["sequential"]["lines"]
    assert facts["words"][-1] == "Only nodes 1 to 2 count, those that pruning keeps."


def test_canes_follow_the_wish() -> None:
    assert choose_canes(canes=7, nodes=10, icc=0.1, share=0.3) == (7, "as asked")
    assert choose_canes(canes=None, nodes=10, icc=0.1, share=0.3)[0] == 10
    wide = choose_canes(canes=None, nodes=10, icc=0.1, share=0.3, width=0.3)[0]
    tight = choose_canes(canes=None, nodes=10, icc=0.1, share=0.3, width=0.15)[0]
    assert wide < tight
    sure = choose_canes(canes=None, nodes=10, icc=0.1, share=0.3, edge=0.35, sure=0.95)[0]
    less = choose_canes(canes=None, nodes=10, icc=0.1, share=0.3, edge=0.35, sure=0.8)[0]
    assert sure > less >= 3


# ---- when to stop -----------------------------------------------------------------------------


@pytest.mark.slow
def test_only_whole_called_canes_count(season: Season) -> None:
    with season.write() as conn:
        person = add_person(conn, "Noor Haddad", "reviewer").id
    assert decision_state(season, 1)["state"] == "none"
    n = 0
    for cane in ("1", "2", "3", "4"):
        for node in range(1, 6):
            n += 1
            take_photo(season, photograph(n), sampling_id=1, cane=cane, node=node, cut=1,
                       person_id=None)
    with season.read() as conn:
        buds = list_buds(conn, sampling_id=1)

    def call(bud_id: int, value: CallValue) -> None:
        with season.write() as conn:
            save_calls(conn, bud_id, {t: NewCall(value) for t in Tissue}, person_id=person,
                       round="first", source="page", blind=True)

    for bud in buds[:4]:
        call(bud.id, CallValue.UNSURE)
    assert "when the first whole cane is called" in decision_state(season, 1)["words"]
    call(buds[4].id, CallValue.UNSURE)
    assert decision_state(season, 1)["words"].startswith("No primary of the canes called was live")
    for bud in buds[:4]:
        call(bud.id, CallValue.DEAD)
    call(buds[4].id, CallValue.DEAD)
    state = decision_state(season, 1)
    assert (state["state"], state["n_dead"], state["n_judged"]) == ("go_on", 5, 5)
    assert state["words"] == (
        "5 of 5 primaries dead on 1 whole cane: go on to 5 canes at least.")
    for bud in buds[5:]:
        call(bud.id, CallValue.DEAD)
    state = decision_state(season, 1)
    assert (state["state"], state["band"]) == ("whole", None)     # the plan has four canes
    with season.write() as conn:
        update_sampling(conn, 1, plan={"canes": 9, "policy": "common", "icc": 0.25})
        for cane in ("5", "6"):
            ensure_cane(conn, 1, cane)
    assert decision_state(season, 1)["words"].endswith("go on to 5 canes at least.")
    for cane in ("5", "6"):
        take_photo(season, photograph(100 + int(cane)), sampling_id=1, cane=cane, node=1, cut=1,
                   person_id=None)
    with season.read() as conn:
        more = [bud for bud in list_buds(conn, sampling_id=1) if bud.cane in ("5", "6")]
    for bud in more:
        call(bud.id, CallValue.DEAD)
    state = decision_state(season, 1)
    assert (state["state"], state["band"]) == ("decided", "minimal")
    assert "22 of 22 primaries dead on 6 whole canes: above 50% dead is" in state["words"]
    assert state["words"].endswith("likely. You may stop.")
    with season.write() as conn:
        block = sampling_by_id(conn, 1).block_id
        update_block(conn, block, training_system="spurs of 2")
    kept = decision_state(season, 1)    # nodes 3 to 5 count nowhere in the answer
    assert (kept["n_dead"], kept["n_judged"], kept["canes"]) == (10, 10, 6)
    with season.write() as conn:
        update_block(conn, block, training_system="")
    with speaking("de"):
        assert re.search(r"über 50\u00a0% tot .*\d\u00a0%", decision_state(season, 1)["words"])
    assert bench_board(season, 1)["decision"] == state
    # Canes are numbered as one walks: without this the first zone decided for those below it.
    zoned = {"canes": 9, "policy": "common", "icc": 0.25, "vines": [
        {"cane": str(number), "zone": "top" if number < 7 else "foot"} for number in range(1, 10)]}
    with season.write() as conn:
        update_sampling(conn, 1, plan=zoned)
    told = decision_state(season, 1)
    assert (told["state"], told["band"]) == ("go_on", None)
    assert told["words"].endswith("go on: of foot no whole cane is called yet.")
    # The hours in water stay with the results.
    assert "soak" not in results(season)["blocks"][0]  # type: ignore[index]
    now = datetime.now(UTC)
    record_times(season, 1, in_water_at=(now - timedelta(hours=20)).isoformat(),
                 out_of_water_at=now.isoformat())
    soak = results(season)["blocks"][0]["soak"]  # type: ignore[index]
    assert soak["hours"] == pytest.approx(20, abs=0.01)
    assert soak["early"]


def test_the_plan_says_when_to_stop(season: Season) -> None:
    facts = plan_facts(season_plan(season, 1))
    # Binomial tails P(X >= 3 of 10) at 0.15, 0.3 and 0.5.
    assert facts["quick_look"]["chance_to_go_on"] == {
        "0.15": pytest.approx(0.1798, abs=5e-5), "0.30": pytest.approx(0.6172, abs=5e-5),
        "0.50": pytest.approx(0.9453, abs=5e-5)}
    assert len(facts["sequential"]["lines"]) == 4
    assert "too small" in facts["words"][2]                  # four canes
    layout = describe_block("B", n_rows=6, n_vines=10)
    plan = plan_sample(layout, settings=Settings(), sampling="a", canes=12, nodes=10, draw=1)
    told = plan_facts(plan)["sequential"]
    assert told["edges"] == [0.14, 0.35, 0.5]
    assert told["lines"][3]["bands"] == []
    assert {band["name"] for band in told["lines"][10]["bands"]} >= {"normal", "minimal"}
    assert len(told["errors"]) == 8
    assert all(row["right"] >= row["right_whole"] - 0.1 for row in told["errors"])
    words = " ".join(plan_facts(plan)["words"])
    assert "stop when one band of policy common is 88% likely" in words
    assert "with the whole sample" in words
    assert "Cut canes of each zone in turn" not in words
    layout = describe_block("B", n_rows=6, n_vines=10, zones="top=1-3,foot=4-6")
    plan = plan_sample(layout, settings=Settings(), sampling="a", canes=12, nodes=10, draw=1)
    assert "Cut canes of each zone in turn" in plan_facts(plan)["words"][-1]
