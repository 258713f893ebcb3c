"""What is found and cut out in a turned picture is what it would be were the picture turned."""

from __future__ import annotations

import numpy as np
import pytest

from budvision.photo.locate import cut_out, letterboxed, turned_by


@pytest.mark.parametrize("turns", range(4))
@pytest.mark.parametrize("box", [(40, 60, 240, 260), (-30, -20, 470, 480), (380, 250, 520, 390)])
def test_a_square_cut_out_and_turned_is_that_of_the_turned_picture(
    turns: int, box: tuple[int, int, int, int]
) -> None:
    image = np.random.default_rng(7).integers(0, 256, (601, 400, 3), np.uint8)
    turned = np.ascontiguousarray(np.rot90(image, turns))
    expected = cut_out(turned, box, 128, 0)
    assert np.array_equal(cut_out(image, box, 128, turns), expected)
    assert expected.std() > 5


@pytest.mark.parametrize("turns", range(4))
@pytest.mark.parametrize("shape", [(601, 400), (300, 512), (90, 71)])
def test_a_letterboxed_picture_is_that_of_the_turned_picture(
    turns: int, shape: tuple[int, int]
) -> None:
    image = np.random.default_rng(8).integers(0, 256, (*shape, 3), np.uint8)
    square, *place = letterboxed(image, 256, turns)
    expected, *where = letterboxed(turned_by(image, turns), 256)
    assert place == where
    # sums of shares in another order: a level of 256 may round the other way
    assert np.abs(square.astype(int) - expected).max() <= 1
