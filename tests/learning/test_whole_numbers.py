"""A network in whole numbers says what its model in floating point does, and does not learn."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest

from budvision.errors import InputError
from budvision.learning.scenes import draw_staged
from budvision.photo.locate import FRAME_PX, letterboxed
from budvision.photo.segmenter import Segmenter, softmax
from budvision.settings import models_folder
from budvision.verdict.registry import find_model
from budvision.workflow.learning.regions import that_learns

SEED = 2_907_000_000
"""First of the drawn photographs; nothing was trained or calibrated on them."""


def _squares(n: int, side: int) -> Iterator[np.ndarray]:
    for seed in range(SEED, SEED + n):
        yield letterboxed(draw_staged(seed).image, side)[0]


def _apart(first: Segmenter, second: Segmenter, squares: list[np.ndarray]) -> float:
    """Return the share of pixels that two networks take for different labels."""
    labels = [[softmax(net.run(one)[0][:5]).argmax(0) for one in squares]
              for net in (first, second)]
    assert all(len(np.unique(one)) >= 3 for one in labels[0])
    return float(np.mean([(one != other).mean() for one, other in zip(*labels, strict=True)]))


@pytest.mark.slow
def test_the_shipped_network_in_whole_numbers_sees_what_its_model_sees() -> None:
    rounded, own = (Segmenter.load(models_folder() / name) for name in ("staged-2.1", "staged-2.0"))
    assert rounded.weights_of == "staged-2.0"
    assert own.weights_of == ""
    assert (rounded.crop_px, rounded.n_classes) == (own.crop_px, own.n_classes)
    assert _apart(rounded, own, list(_squares(2, FRAME_PX))) < 0.01


@pytest.mark.slow
def test_a_network_is_put_into_whole_numbers(tmp_path: Path) -> None:
    pytest.importorskip("onnx")
    from budvision.learning.whole_numbers import in_whole_numbers, squares_of

    start = models_folder() / "staged-1.0"
    own, path = Segmenter.load(start), tmp_path / "segmenter.onnx"
    picture = cv2.resize(draw_staged(SEED).image, (1200, 900))
    squares = list(squares_of([picture], own))
    assert [one.shape[0] for one in squares] == [FRAME_PX, own.crop_px]
    in_whole_numbers(start / "segmenter.onnx", squares, path, weights_of=start.name)
    rounded = Segmenter(path)
    assert rounded.weights_of == "staged-1.0"
    assert path.stat().st_size < 0.4 * (start / "segmenter.onnx").stat().st_size
    assert _apart(rounded, own, squares) < 0.02


def test_regions_train_the_network_whose_weights_were_rounded(tmp_path: Path) -> None:
    named = {name: find_model(name) for name in ("staged-2.1", "staged-2.0")}
    assert that_learns(named["staged-2.1"], folders=[tmp_path]).label == "staged-2.0"
    assert that_learns(named["staged-2.0"], folders=[tmp_path]) is named["staged-2.0"]


@pytest.mark.slow
@pytest.mark.torch
def test_a_network_in_whole_numbers_is_not_trained_on() -> None:
    pytest.importorskip("torch")
    from budvision.learning.onnx_network import OnnxNetwork

    with pytest.raises(InputError, match="a segmenter that budvision exported"):
        OnnxNetwork(models_folder() / "staged-2.1" / "segmenter.onnx")
