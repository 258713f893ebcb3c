"""Outlines follow the tissue, wherever it lies in its region and however large that is."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from budvision.workflow.review import outlines
from budvision.workflow.review.outlines import outline_of_mask


def _disc(rows: int, cols: int, centre: tuple[int, int], radius: int) -> np.ndarray:
    row, col = np.ogrid[:rows, :cols]
    return (row - centre[0]) ** 2 + (col - centre[1]) ** 2 <= radius ** 2


@pytest.mark.parametrize("place", [(0, 0), (40, 300), (379, 13), (379, 479)])
def test_what_lies_empty_around_a_tissue_changes_nothing_of_its_outline(
    place: tuple[int, int]
) -> None:
    small = _disc(21, 21, (10, 10), 9)
    alone = outline_of_mask(np.pad(small, 8), (place[0] - 8, place[1] - 8, place[0] + 29,
                                               place[1] + 29))
    wide = np.zeros((400, 500), bool)
    wide[place[0]:place[0] + 21, place[1]:place[1] + 21] = small
    assert outline_of_mask(wide, (0, 0, 400, 500)) == alone
    assert alone is not None
    assert alone.letter == pytest.approx((place[1] + 10.5, place[0] + 1), abs=0.6)
    assert outline_of_mask(np.zeros((400, 500), bool), (0, 0, 400, 500)) is None


def _drawn(path: str) -> np.ndarray:
    """Fill an outline, at four pixels for each of the labels'."""
    parts = [np.array(part.strip("MZ ").split(), float).reshape(-1, 2)
             for part in path.split("Z") if part.strip()]
    picture = np.zeros((480, 480), np.uint8)
    cv2.fillPoly(picture, [np.round(part * 4).astype(np.int32) for part in parts], 1)
    return picture


@pytest.mark.parametrize("number", range(6))
def test_the_quicker_smoothing_gives_the_outline_of_a_gaussian_blur(
    number: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(number)
    noise = cv2.GaussianBlur(rng.normal(size=(120, 120)), (0, 0), 2 + number)
    mask = noise > np.quantile(noise, 0.7)
    quick = outline_of_mask(mask, (0, 0, 120, 120))
    monkeypatch.setattr(outlines.cv2, "sepFilter2D",
                        lambda fine, *_: cv2.GaussianBlur(fine, (0, 0), 1.8))
    blurred = outline_of_mask(mask, (0, 0, 120, 120))
    assert quick is not None
    assert blurred is not None
    one, other = _drawn(quick.path), _drawn(blurred.path)
    assert (one != other).sum() <= 0.002 * other.sum()
    assert quick.letter == pytest.approx(blurred.letter, abs=0.34)
