"""Going on training from a shipped network: read it back exactly, learn a little, export again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from budvision.errors import InputError, NothingToDoError

torch = pytest.importorskip("torch")
pytest.importorskip("onnx")

from budvision.learning.network import BudNet, export_onnx  # noqa: E402
from budvision.learning.onnx_network import OnnxNetwork  # noqa: E402
from budvision.learning.region_training import RegionExamples, fine_tune  # noqa: E402
from budvision.settings import models_folder  # noqa: E402

pytestmark = [
    pytest.mark.torch,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.filterwarnings("ignore::UserWarning"),
]


@pytest.fixture(scope="module")
def exported(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small network with used normalisations, exported."""
    torch.manual_seed(1)
    net = BudNet(0.5)
    net.train()
    with torch.no_grad():
        for _ in range(3):
            net(torch.rand(4, 3, 64, 64))
    net.eval()
    path = tmp_path_factory.mktemp("net") / "segmenter.onnx"
    assert export_onnx(net, path, side_px=64) < 1e-3
    return path


def _same(path: Path, side: int) -> float:
    """Largest difference between the rebuilt network and OpenCV running the file."""
    import cv2

    x = np.random.default_rng(0).random((1, 3, side, side), dtype=np.float32)
    with torch.no_grad():
        mine = [part.numpy() for part in OnnxNetwork(path)(torch.from_numpy(x))]
    reader = cv2.dnn.readNetFromONNX(str(path))
    reader.setInput(x)
    theirs = reader.forward(["pixels", "whole"])
    return max(float(np.abs(a - b).max()) for a, b in zip(mine, theirs, strict=True))


def test_network_is_read_back_exactly(exported: Path) -> None:
    """OpenCV's own reader is the reference."""
    assert _same(exported, 64) < 2e-3


def test_shipped_network_is_read_back() -> None:
    shipped = models_folder() / "bench-1.0" / "segmenter.onnx"
    if not shipped.exists():
        pytest.skip("no model is shipped")
    assert _same(shipped, 96) < 5e-3


def test_foreign_network_is_refused(tmp_path: Path) -> None:
    net = torch.nn.Sequential(torch.nn.Conv2d(3, 5, 3))
    torch.onnx.export(net, (torch.zeros(1, 3, 8, 8),), str(tmp_path / "x.onnx"), dynamo=False)
    with pytest.raises(InputError, match="a segmenter that budvision exported"):
        OnnxNetwork(tmp_path / "x.onnx")


def _examples(n: int, canes: int) -> RegionExamples:
    rng = np.random.default_rng(3)
    images = rng.integers(90, 200, (n, 320, 320, 3), dtype=np.uint8)
    labels = np.zeros((n, 320, 320), np.uint8)
    labels[:, 60:260, 60:260] = 4
    labels[:, 120:200, 120:200] = 1
    images[labels == 1] = (60, 140, 60)
    exposed = np.tile([True, False, False], (n, 1))
    return RegionExamples(images=images, labels=labels, exposed=exposed,
                          dead=np.zeros((n, 3), bool),
                          cane=np.arange(n) % canes, corrected=np.ones(n, bool))


def test_too_few_regions_are_nothing_to_do(exported: Path, tmp_path: Path) -> None:
    with pytest.raises(NothingToDoError, match="2 corrected or confirmed regions"):
        fine_tune(exported, tmp_path / "out.onnx", _examples(2, 2), minutes=0.01,
                  rng=np.random.default_rng(0))


@pytest.mark.slow
def test_a_few_steps_learn_and_export(exported: Path, tmp_path: Path) -> None:
    facts = fine_tune(exported, tmp_path / "out.onnx", _examples(10, 5), minutes=0.05,
                      rng=np.random.default_rng(0), n_renders=10, batch=4)
    assert facts["steps"] >= 2
    assert facts["onnx_gap"] < 1e-2
    assert facts["n_left_out"] == 2
    assert _same(tmp_path / "out.onnx", 64) < 5e-3
