"""The sheet of truth beside found."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

from budvision.cli.main import app
from budvision.errors import NothingToDoError
from budvision.learning.montage import COLUMNS, TILE_PX, montage
from budvision.learning.scenes import Scene
from budvision.photo.segment import Segmenter
from budvision.settings import models_folder
from budvision.vocabulary import TISSUES

SEEDS = range(2_910_000_000, 2_910_000_040)


@pytest.fixture(scope="module")
def segmenter() -> Segmenter:
    return Segmenter.load(models_folder() / "bench-1.0")


@pytest.mark.slow
def test_sheet_holds_pairs_in_rows(segmenter: Segmenter) -> None:
    sheet = montage(SEEDS, segmenter=segmenter, n=6)
    assert sheet.shape[1] == COLUMNS * 2 * TILE_PX
    assert sheet.shape[0] > 2 * TILE_PX  # two rows, the second filled up with white
    assert (sheet[-TILE_PX:, -2 * TILE_PX :] == 255).all()
    left, right = sheet[40:TILE_PX, :TILE_PX], sheet[40:TILE_PX, TILE_PX : 2 * TILE_PX]
    assert left.std() > 10
    assert (left != right).any()  # outlines differ at least in places


@pytest.mark.slow
def test_a_sheet_of_staged_benches_is_not_one_of_tidy_ones(segmenter: Segmenter) -> None:
    tidy, staged = (montage(SEEDS[:4], segmenter=segmenter, hand=hand, n=1)
                    for hand in ("tidy", "staged"))
    assert tidy.shape == staged.shape
    assert (tidy != staged).any()


def test_a_sheet_of_all_kinds_passes_over_what_was_shown_often_and_shows_what_is_to_be_refused(
    segmenter: Segmenter, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn: list[str] = []

    def draw(seed: int) -> Scene:
        torn = seed == SEEDS[11]
        drawn.append("torn" if torn else "bent")
        return Scene(
            image=np.full((64, 64, 3), 90, np.uint8), labels=np.zeros((64, 64), np.uint8),
            exposed=dict.fromkeys(TISSUES, False), dead={}, usable=not torn, why_not="torn" * torn,
            world={}, base_deg=0.0, kinds=(drawn[-1],))

    monkeypatch.setattr("budvision.learning.montage.HANDS", {"one": draw})
    many, few = (montage(SEEDS[:12], segmenter=segmenter, hand="one", all_kinds=each)
                 for each in (False, True))
    assert drawn == [*["bent"] * 11, "torn"] * 2
    row = TILE_PX + (few.shape[0] - 2 * TILE_PX) // 2
    assert (few.shape[0], many.shape[0]) == (2 * row, 3 * row)  # six bent and the torn one; eleven
    last = few[row:, 2 * TILE_PX : 4 * TILE_PX]
    assert (last[:20] < 90).any()  # the torn one's strip is written
    assert (few[row:, 4 * TILE_PX :] == 255).all()


def test_nothing_usable_is_said(segmenter: Segmenter) -> None:
    with pytest.raises(NothingToDoError, match="can be judged"):
        montage([], segmenter=segmenter)


@pytest.mark.slow
def test_the_command_scores_and_writes_a_sheet_or_says_why_not(tmp_path: Path) -> None:
    run = CliRunner()
    order = ["models", "evaluate", "--photos", "20", "--montage"]
    done = run.invoke(app, [*order, str(tmp_path / "sheet.png"), "--json"])
    assert done.exit_code == 0, done.output
    found = json.loads(done.stdout)
    assert found["photos"] == 20
    assert found["verdicts"]["all"]["n"] > 5
    assert cv2.imread(str(tmp_path / "sheet.png")).shape[1] == COLUMNS * 2 * TILE_PX
    away = run.invoke(app, [*order, str(tmp_path / "none" / "sheet.png")])
    assert away.exit_code != 0
    assert "the sheet could not be written" in str(away.exception) + away.output
