"""Whole winters: where the truth is simple, the answer is known in closed form."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from budvision.cli.main import app
from budvision.errors import InputError
from budvision.learning import winter_rates
from budvision.learning.winter_rates import ModelRates, measure_rates
from budvision.learning.winters import Play, _answer, _draw, _read, _table, play_winters
from budvision.settings import Settings
from budvision.vineyard.mortality import summarise_table

RIGHT = ModelRates.of((100, 0, 0, 0), (0, 100, 0, 0))
TENTH = ModelRates.of((90, 10, 0, 0), (10, 90, 0, 0))
"""Wrong about one tissue in ten, live and dead alike."""
STILL = Play(winters=250, blocks=4, likeness=0.1, errors=(0.0, 0.0), blind_share=0.0,
             second_share=0.0)


def test_where_nobody_errs_there_is_no_bias_and_the_interval_holds_the_truth() -> None:
    found = play_winters(replace(STILL, pull=0.0), RIGHT)
    for one in found:
        assert abs(one.called.bias) < 3 * one.called.bias_error
        assert one.called.coverage > 0.95 - 2 * one.called.coverage_error
        assert one.wrong == 0


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.1, 0.4])
def test_led_by_a_model_wrong_in_a_tenth_the_bias_is_the_models(share: float) -> None:
    """Calls are the proposals: 0.9 of the dead and 0.1 of the live are called dead."""
    play = replace(STILL, lowest=share, highest=share, pull=1.0)
    free, led, right = play_winters(play, TENTH)[1:4]
    assert free.wrong == 0
    assert right.wrong == 0
    assert led.called.bias - free.called.bias == pytest.approx(0.1 - 0.2 * share, abs=0.005)
    assert led.wrong == pytest.approx(0.1, abs=0.003)


@pytest.mark.slow
def test_half_led_readers_who_err_are_wrong_as_often_as_worked_out() -> None:
    """Own error e, model wrong in c, pull p: e (1 - (1 - c) p) + (1 - e) c p."""
    error, wrong, pull = 0.03, 0.1, 0.5
    play = replace(STILL, errors=(error, error), pull=pull)
    free, led = play_winters(play, TENTH)[1:3]
    assert free.wrong == pytest.approx(error, abs=0.002)
    expected = error * (1 - (1 - wrong) * pull) + (1 - error) * wrong * pull
    assert led.wrong == pytest.approx(expected, abs=0.002)
    blind = play_winters(replace(play, blind_share=1.0), TENTH)[2]
    assert blind.wrong == free.wrong


@pytest.mark.slow
@pytest.mark.parametrize("wrong", [0.03, 0.1, 0.2])
def test_the_default_share_read_twice_mends_what_a_poor_model_does(wrong: float) -> None:
    """Readers err in 3 % and follow in half of their doubts: 93.5 % covered, bias under a point.

    With one in ten read twice most winters had too few to correct: coverage 79 to 89 %. As called
    a model wrong in 3 % does no harm that shows; README says what one wrong in more does.
    """
    right, false = round(100 * (1 - wrong)), round(100 * wrong)
    model = ModelRates.of((right, false, 0, 0), (false, right, 0, 0))
    settings = Settings()
    play = Play(winters=600, errors=(0.03, 0.03), pull=0.5, blind_share=settings.blind_share,
                second_share=settings.second_read_share)
    led = play_winters(play, model)[2]
    harmless = led.called.coverage >= 0.935 and abs(led.called.bias) < 0.01
    assert harmless == (wrong < 0.1), "as called, what leads the readers shows"
    assert led.corrected.coverage >= 0.935
    assert abs(led.corrected.bias) < 0.01


@pytest.mark.slow
def test_second_readings_take_out_the_readers_errors_and_the_pull() -> None:
    play = replace(STILL, lowest=0.1, highest=0.1, errors=(0.03, 0.03), pull=1.0, blocks=20,
                   winters=80, second_share=0.2)
    led = play_winters(play, TENTH)[2]
    assert led.uncorrected == 0
    assert led.called.bias > 0.05
    assert abs(led.corrected.bias) < 0.01
    assert led.corrected.coverage > led.called.coverage
    few = play_winters(replace(play, blocks=1), TENTH)[2]
    assert few.uncorrected == 1
    assert few.corrected == few.called


@pytest.mark.parametrize("zones", [False, True])
def test_the_answers_are_those_of_the_program(zones: bool) -> None:
    play = replace(STILL, winters=2, blocks=2, zones=zones, errors=(0.1, 0.0), pull=0.5)
    drawn = _draw(play, TENTH)
    table = _table(play, _read(play, drawn).dead)
    shares = {
        block: {"hard": 0.3, "mild": 0.7} for block in table.block.names} if zones else None
    rows = summarise_table(table, zone_shares=shares, compare_policies=False)
    error = np.mean([row.tissues["primary"].mortality for row in rows]) - drawn.truth.mean()
    assert _answer("", play, drawn, Settings()).called.bias == pytest.approx(error)


def test_the_same_start_plays_the_same_winters() -> None:
    play = Play(winters=5)
    assert play_winters(play, TENTH) == play_winters(play, TENTH)
    assert play_winters(play, TENTH) != play_winters(replace(play, start=2), TENTH)


@pytest.mark.parametrize("wrong", [{"pull": 1.5}, {"errors": ()}, {"errors": (0.03,)},
                                   {"vines": 1}, {"lowest": 0.7}])
def test_a_play_that_cannot_be_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(InputError):
        replace(Play(), **wrong)


@pytest.mark.slow
def test_measured_rates_are_kept_and_used_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(winter_rates, "_LABS", 2)
    first = measure_rates(photos=8, keep=tmp_path)
    assert 0 < first.primary.sum() <= 8
    monkeypatch.setattr(winter_rates, "propose_photo", None)  # nothing is looked at again
    assert (measure_rates(photos=8, keep=tmp_path).proposed == first.proposed).all()
    next(tmp_path.glob("*.json")).write_text("{", encoding="utf-8")
    with pytest.raises(TypeError):
        measure_rates(photos=8, keep=tmp_path)


def test_a_laboratory_without_dead_takes_the_rates_of_all() -> None:
    said = np.zeros((2, 3, 2, 4), np.int64)
    said[:, 0, 0], said[1, 0, 1] = (9, 1, 0, 0), (1, 3, 0, 0)
    assert ModelRates("", 8, said).shares()[0, 1] == pytest.approx([0.25, 0.75, 0, 0])
    with pytest.raises(InputError):
        ModelRates.of((5, 0, 0, 0), (0, 0, 0, 0))


def test_the_command_prints_both_pulls_side_by_side() -> None:
    words = ["models", "winters", "--wrong", "0.1", "--winters", "20", "--pull", "0.7"]
    told = json.loads(CliRunner().invoke(app, [*words, "--json"]).stdout)
    assert [way["name"] for way in told["ways"]][1:3] == ["pull 0", "pull 0.7"]
    assert told["ways"][1]["wrong"] < told["ways"][2]["wrong"]
    text = CliRunner().invoke(app, words).stdout
    assert "pull 0.7" in text
    assert "never on real buds" in " ".join(text.split())
