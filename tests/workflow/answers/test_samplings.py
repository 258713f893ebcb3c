"""Several samplings of a block: those that top one up are one answer, others are compared."""

from __future__ import annotations

import pytest

from budvision.errors import ConflictError
from budvision.store.queries import blocks, calls, canes, people
from budvision.store.session import Season
from budvision.vocabulary import CallValue, Tissue
from budvision.web import create_app
from budvision.workflow.answers.answers import answer_of, history, sampled_buds
from budvision.workflow.answers.comparison import history_lines
from budvision.workflow.answers.report import grower_sheet
from budvision.workflow.answers.results import results
from budvision.workflow.answers.tables import results_csv
from budvision.workflow.sampling.top_up import top_up

L, D = CallValue.LIVE, CallValue.DEAD


def sampled(season: Season, label: str, collected: str, n_canes: int, n_dead: int,
            zone: str = "", first: int = 0) -> None:
    """Canes of ten primaries, so many dead on each."""
    with season.write() as conn:
        block = blocks.ensure_block(conn, "Harrow Slope")
        sampling = blocks.ensure_sampling(conn, block, label, collected_at=collected)
        ada = people.ensure_person(conn, "Ada Quill").id
        for number in range(first, first + n_canes):
            cane = canes.ensure_cane(conn, sampling, str(number + 1), zone=zone)
            for node in range(10):
                calls.save_calls(conn, canes.ensure_bud(conn, cane, node + 1),
                                 {Tissue.PRIMARY: D if node < n_dead else L}, person_id=ada)


@pytest.mark.slow
def test_a_top_up_makes_one_answer_with_the_sampling_it_tops_up(season: Season) -> None:
    """Ten canes of 3 dead and ten of 5 dead in ten: 80 of 200, 40 %, narrower than either."""
    sampled(season, "feb", "2026-02-03", 10, 3)
    sampled(season, "feb-more", "2026-02-06", 10, 5)
    alone = results(season, sampling="feb")["blocks"][0]["primary"]
    top_up(season, "Harrow Slope", "feb-more", of="feb")
    told = results(season)["blocks"][0]
    assert (told["sampling"], told["topped_up_by"]) == ("feb", ["feb-more"])
    assert (told["n_canes"], told["n_buds"], told["primary"]["n_dead"]) == (20, 200, 80)
    assert told["primary"]["mortality"] == pytest.approx(0.4)
    assert told["primary"]["high"] - told["primary"]["low"] < alone["high"] - alone["low"]
    assert results(season, sampling="feb-more")["blocks"][0]["primary"] == told["primary"]
    answer = answer_of(season, "Harrow Slope")
    states, buds = sampled_buds(season, answer)
    assert (len(states), len(buds), len({bud.cane for bud in buds})) == (200, 200, 20)
    assert len(history(season, answer.block)) == 1
    assert grower_sheet(season, "Harrow Slope").startswith(b"%PDF")
    assert "40 %" in results_csv(season)
    app = create_app(season.folder, testing=True)
    page = app.test_client().get("/results/block/1").text
    app.extensions["budvision.season"].close()
    assert "80 of the 200 primary buds that could be judged were dead, on 20 canes." in page
    top_up(season, "Harrow Slope", "feb-more", of="")
    assert results(season, sampling="feb")["blocks"][0]["primary"] == alone


def test_top_ups_do_not_chain(season: Season) -> None:
    for label, day in (("jan", "2026-01-05"), ("feb", "2026-02-03"), ("mar", "2026-03-01")):
        sampled(season, label, day, 1, 3)
    top_up(season, "Harrow Slope", "feb", of="jan")
    with pytest.raises(ConflictError, match="sampling mar is to top up feb"):
        top_up(season, "Harrow Slope", "mar", of="feb")
    with pytest.raises(ConflictError, match="sampling jan is to top up mar"):
        top_up(season, "Harrow Slope", "jan", of="mar")
    with pytest.raises(ConflictError, match="sampling mar is to top up mar"):
        top_up(season, "Harrow Slope", "mar", of="mar")


def test_samplings_before_and_after_a_cold_night_are_compared(season: Season) -> None:
    """1 then 6 dead in ten on ten canes: 50 points more; then alike: not shown to differ."""
    sampled(season, "before", "2026-01-05", 10, 1)
    sampled(season, "after", "2026-02-03", 10, 6)
    sampled(season, "later", "2026-03-01", 10, 6)
    block = answer_of(season, "Harrow Slope").block
    first, second, third = history_lines(season, history(season, block))
    assert (first.sampling, first.share, first.change) == ("before", "10 %", "")
    assert (second.sampling, second.share) == ("after", "60 %")
    assert second.change.startswith("+50 points (+")
    assert "not shown to differ" not in second.change
    assert third.change.startswith("0 points (-")
    assert third.change.endswith("not shown to differ")


@pytest.mark.slow
def test_a_change_is_of_the_shares_that_stand_beside_it(season: Season) -> None:
    """24 % twice, zones weighted; "+21 points" stood beside it where the second took more low."""
    for label, day, n_low in (("jan", "2026-01-10", 10), ("feb", "2026-02-10", 16)):
        sampled(season, label, day, n_low, 8, zone="hollow")
        sampled(season, label, day, 20 - n_low, 1, zone="rise", first=n_low)
    with season.write() as conn:
        blocks.update_block(conn, blocks.ensure_block(conn, "Harrow Slope"), layout={
            "block": "Harrow Slope", "shares": {}, "rows": [
                {"label": zone, "n_vines": n, "zone": zone, "missing": []}
                for zone, n in (("hollow", 100), ("rise", 400))]})
    jan, feb = history_lines(season, history(season, answer_of(season, "Harrow Slope").block))
    assert (jan.share, feb.share) == ("24 %", "24 %")
    assert feb.change.startswith("0 points (")
    assert feb.change.endswith("not shown to differ")
