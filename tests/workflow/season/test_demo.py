"""The demo runs the whole job on the sample photographs, and running it twice loses nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

from budvision.errors import SeasonError
from budvision.store.queries import blocks
from budvision.store.session import Season
from budvision.workflow.answers.results import results, season_results
from budvision.workflow.season.demo import CANE_BASE, REVIEWER, build_demo


@pytest.mark.slow
def test_demo_calls_one_block_and_leaves_the_other_waiting(tmp_path: Path) -> None:
    told: list[tuple[int, int]] = []
    first = build_demo(tmp_path / "season", on_propose=lambda done, n, name: told.append((done, n)))
    assert first.created
    assert first.taken.count("new") == 112
    assert not first.taken.refused
    assert first.proposed.n_looked == 112
    assert told[-1] == (112, 112)
    # the stand-in's world is not the model's: most usable photographs must be found all the same
    assert first.proposed.n_found >= 85
    assert first.proposed.n_refused >= 5
    with Season.open(tmp_path / "season") as season:
        assert season.settings.text("cane_base") == CANE_BASE
        answers = {answer.block.name: answer for answer in season_results(season)}
        called, waiting = answers["Creek Terrace"], answers["Upper Shelf"]
        assert called.confirmed
        assert not waiting.confirmed
        assert waiting.waiting.n_buds == 40
        assert waiting.result.n_buds == 0
        before = results(season)

    again = build_demo(tmp_path / "season")
    assert not again.created
    assert again.taken.count("new") == 0
    assert again.proposed.n_looked == 0
    assert again.calls.reviewer == REVIEWER
    assert again.calls.n_calls == 0
    with Season.open(tmp_path / "season") as season:
        assert results(season) == before


def test_demo_does_not_touch_another_season(tmp_path: Path) -> None:
    with Season.create(tmp_path / "season") as season, season.write() as conn:
        blocks.ensure_block(conn, "Our own block")
    with pytest.raises(SeasonError, match="the season holds the block Our own block"):
        build_demo(tmp_path / "season")
