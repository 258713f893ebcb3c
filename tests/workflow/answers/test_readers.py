"""Readers err: what second readings tell, and mortality with and without the errors."""

from __future__ import annotations

import pytest

from budvision.report.answer import answer_words
from budvision.report.words import percent
from budvision.store.queries import blocks, calls, canes, people
from budvision.store.session import Season
from budvision.vocabulary import CallValue, Tissue
from budvision.web import create_app
from budvision.workflow.answers.answers import answer_of
from budvision.workflow.answers.results import results
from budvision.workflow.answers.sheet_facts import line_facts

L, D = CallValue.LIVE, CallValue.DEAD


def read(season: Season, buds: list[tuple[CallValue, ...]]) -> None:
    """One block of canes of ten buds: first, second and settled reading of each primary."""
    with season.write() as conn:
        block = blocks.ensure_block(conn, "Harrow Slope")
        sampling = blocks.ensure_sampling(conn, block, "first")
        who = [people.ensure_person(conn, name).id for name in ("Ada Quill", "Bo Tarn", "Cy Moor")]
        for number, values in enumerate(buds):
            cane = canes.ensure_cane(conn, sampling, str(number // 10 + 1))
            bud = canes.ensure_bud(conn, cane, number % 10 + 1)
            for value, reader, said in zip(values, who, calls.ROUNDS, strict=False):
                calls.save_calls(conn, bud, {Tissue.PRIMARY: value}, person_id=reader,
                                 round=said, blind=said == "second")


def twice(n_missed: int, n_dead: int, n_false: int, n_live: int) -> list[tuple[CallValue, ...]]:
    """Known buds: so many dead ones missed by the first reader, so many live ones read dead."""
    return ([(L, D, D)] * n_missed + [(D, D)] * (n_dead - n_missed)
            + [(D, L, L)] * n_false + [(L, L)] * (n_live - n_false))


@pytest.mark.slow
def test_raw_and_corrected_mortality_stand_beside_each_other(season: Season) -> None:
    """40 of 400 read twice: Rogan and Gladen's formula by hand, errors of 9 tenths of the buds."""
    once = [(D,)] * 108 + [(L,)] * 252
    read(season, twice(4, 20, 2, 20) + once)
    told = results(season)["blocks"][0]["corrected"]
    assert (told["dead_wrong"], told["n_dead"]) == (4, 20)
    assert (told["live_wrong"], told["n_live"]) == (2, 20)
    raw = (20 + 108) / 400
    missed, false = 0.9 * 4 / 20, 0.9 * 2 / 20
    assert told["share"] == pytest.approx((raw - false) / (1 - missed - false), abs=0.002)
    assert told["low"] < told["share"] < told["high"]
    by_name = {one["person"]: one for one in told["readers"]}
    assert (by_name["Ada Quill"]["dead_wrong"], by_name["Bo Tarn"]["dead_wrong"]) == (4, 0)
    words = answer_words(line_facts(season, answer_of(season, "Harrow Slope")))
    text = next(text for text in words.sure if "errors taken out" in text)
    assert text.startswith("Second readings show how readers err: of the dead primaries they took "
                           "4 of 20 for live, of the live ones 2 of 20 for dead.")
    assert text.endswith("instead of 32 %; errors that two readers share stay hidden.")
    app = create_app(season.folder, testing=True)
    assert f"With these errors taken out about {percent(told['share'])}" in app.test_client().get(
        "/results/block/1").text
    app.extensions["budvision.season"].close()


def test_few_second_readings_tell_nothing_and_open_ones_wait(season: Season) -> None:
    read(season, [*twice(1, 6, 0, 12), (D, L), (L, D), *[(D,)] * 20, *[(L,)] * 60])
    told = results(season)["blocks"][0]["corrected"]
    assert (told["share"], told["n_open"]) == (None, 2)
    words = answer_words(line_facts(season, answer_of(season, "Harrow Slope")))
    assert words.sure[-1] == (
        "How often readers err: too few to tell (primaries known from two readings: 6 dead and 12 "
        "live; 20 of each are needed). 2 primaries on which two readers differ wait to be "
        "settled.")


def test_without_second_readings_nothing_is_said(season: Season) -> None:
    read(season, [(D,)] * 20 + [(L,)] * 60)
    assert "corrected" not in results(season)["blocks"][0]


@pytest.mark.slow
def test_errors_that_move_the_block_into_another_band_are_said_first(season: Season) -> None:
    read(season, twice(0, 30, 12, 60) + [(D,)] * 160 + [(L,)] * 240)
    words = answer_words(line_facts(season, answer_of(season, "Harrow Slope")))
    assert any(text.startswith("Readers err: with their errors taken out 2")
               for text in words.first), words.first
