"""The demo runs the whole job on the sample photographs, and running it twice loses nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

from budvision.errors import SeasonError
from budvision.settings import samples_folder
from budvision.store.queries import blocks
from budvision.store.session import Season
from budvision.vocabulary import Tissue
from budvision.workflow.answers.results import results, season_results
from budvision.workflow.season.demo import CANE_BASE, REVIEWER, build_demo


@pytest.mark.slow
def test_demo_calls_four_blocks_and_leaves_two_canes_waiting(tmp_path: Path) -> None:
    told: list[tuple[int, int]] = []
    first = build_demo(tmp_path / "season", on_propose=lambda done, n, name: told.append((done, n)))
    assert first.created
    n_photos = len(list(samples_folder().glob("*.jpg")))
    assert first.taken.count("new") == n_photos
    assert not first.taken.refused
    assert first.proposed.n_looked == n_photos
    assert told[-1] == (n_photos, n_photos)
    # not drawn by the renderers the model learned from: most usable ones must be found all the same
    assert first.proposed.n_found >= 0.8 * n_photos
    assert first.proposed.n_refused >= 5
    with Season.open(tmp_path / "season") as season:
        assert season.settings.cane_base == CANE_BASE
        answers = {answer.block.name: answer for answer in season_results(season)}
        assert all(answer.confirmed for answer in answers.values())
        assert {name: answer.waiting.n_buds for name, answer in answers.items()} == {
            "Apricot Terrace": 0, "Mill Row": 16, "Long Slope": 0, "River Flat": 0}
        share = {name: answer.result.tissues[Tissue.PRIMARY].mortality
                 for name, answer in answers.items()}
        assert share["Apricot Terrace"] is not None
        assert share["River Flat"] is not None
        assert share["Apricot Terrace"] < 0.15 < 0.8 < share["River Flat"]
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
