"""The sheet of truth beside found."""

from __future__ import annotations

from pathlib import Path

import cv2
import pytest
from typer.testing import CliRunner

from budvision.cli.main import app
from budvision.errors import NothingToDoError
from budvision.learning.montage import COLUMNS, TILE_PX, montage
from budvision.photo.segment import Segmenter
from budvision.settings import models_folder

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
    left, right = sheet[30:TILE_PX, :TILE_PX], sheet[30:TILE_PX, TILE_PX : 2 * TILE_PX]
    assert left.std() > 10
    assert (left != right).any()  # outlines differ at least in places


@pytest.mark.slow
def test_a_sheet_of_staged_benches_is_not_one_of_tidy_ones(segmenter: Segmenter) -> None:
    tidy, staged = (montage(SEEDS[:4], segmenter=segmenter, hand=hand, n=1)
                    for hand in ("tidy", "staged"))
    assert tidy.shape == staged.shape
    assert (tidy != staged).any()


def test_nothing_usable_is_said(segmenter: Segmenter) -> None:
    with pytest.raises(NothingToDoError, match="can be judged"):
        montage([], segmenter=segmenter)


@pytest.mark.slow
def test_the_command_writes_it_or_says_why_not(tmp_path: Path) -> None:
    run = CliRunner()
    order = ["models", "evaluate", "--photos", "20", "--montage"]
    done = run.invoke(app, [*order, str(tmp_path / "sheet.png"), "--json"])
    assert done.exit_code == 0, done.output
    assert cv2.imread(str(tmp_path / "sheet.png")).shape[1] == COLUMNS * 2 * TILE_PX
    away = run.invoke(app, [*order, str(tmp_path / "none" / "sheet.png")])
    assert away.exit_code != 0
    assert "the sheet could not be written" in str(away.exception) + away.output
