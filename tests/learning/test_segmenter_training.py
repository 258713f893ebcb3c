"""Training of the segmenter in small: examples, bending, loss, and the network run by OpenCV."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

pytestmark = pytest.mark.torch
torch = pytest.importorskip("torch")

from budvision.learning.network import BudNet  # noqa: E402
from budvision.learning.segmenter_average import average  # noqa: E402
from budvision.learning.segmenter_pool import VALIDATION_START, Pool, fill  # noqa: E402
from budvision.learning.segmenter_scores import score  # noqa: E402
from budvision.learning.segmenter_training import CLASS_WEIGHTS, _loss, bend, train  # noqa: E402
from budvision.photo.refusals import JUDGEMENTS  # noqa: E402


@pytest.fixture(scope="module")
def pool() -> Pool:
    held = Pool(8, 96)
    fill(held, 0, 1, VALIDATION_START, True)
    return held


def test_the_pool_holds_examples_and_repeats(pool: Pool) -> None:
    again = Pool(8, 96)
    fill(again, 0, 1, VALIDATION_START, True)
    assert (pool.rows()[:, 4] == 1).all()
    assert np.array_equal(pool.pixels(), again.pixels())
    assert set(np.unique(pool.pixels()[..., 3])) <= {0, 1, 2, 3, 4}


def test_bending_keeps_labels_whole_and_the_image_in_range(pool: Pool) -> None:
    state = torch.get_rng_state()
    image, labels, dead = bend(torch.from_numpy(pool.pixels().copy()), 96)
    torch.set_rng_state(state)
    assert image.shape == (8, 3, 96, 96)
    assert labels.shape == dead.shape == (8, 48, 48)
    assert 0 <= float(image.min()) <= float(image.max()) <= 1
    assert set(labels.unique().tolist()) <= {0, 1, 2, 3, 4}


def test_a_few_steps_lower_the_loss_and_scores_are_shares(pool: Pool, tmp_path: Path) -> None:
    state = torch.get_rng_state()
    torch.manual_seed(0)
    net = BudNet(0.25)
    optimiser = torch.optim.Adam(net.parameters(), lr=5e-3)
    x = torch.from_numpy(pool.pixels().copy())
    image = x[..., :3].permute(0, 3, 1, 2).float() / 255
    labels, dead = x[:, ::2, ::2, 3].long(), x[:, ::2, ::2, 4].float() / 255
    rows = torch.from_numpy(pool.rows().copy())
    losses = []
    for _ in range(12):
        pixels, whole = net(image)
        loss = _loss(pixels, whole, labels, dead, rows, torch.tensor(CLASS_WEIGHTS))
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        losses.append(float(loss.detach()))
    torch.set_rng_state(state)
    assert losses[-1] < 0.85 * losses[0]
    perfect = np.full((8, 7, 48, 48), -5, np.float32)
    np.put_along_axis(perfect[:, :5], labels.numpy()[:, None], 5, 1)
    told = np.where(rows.numpy()[:, :3] > 0, 5.0, -5.0)
    judged = np.concatenate([told, np.eye(len(JUDGEMENTS))[rows.numpy()[:, 3]]], 1)
    scores = score(perfect, judged, pool.pixels(), pool.rows())
    assert scores["primary"]["centre_inside"] == 1.0
    assert scores["primary"]["iou_median"] == 1.0
    assert scores["usable_refused"] == 0.0


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_the_mean_of_a_network_with_itself_is_itself(tmp_path: Path) -> None:
    net = BudNet().eval()
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        torch.save(net.state_dict(), tmp_path / name / "segmenter.pt")
        (tmp_path / name / "segmenter.json").write_text('{"examples_drawn": 7, "seconds": 3}')
    facts = average(
        [tmp_path / "a" / "segmenter.pt", tmp_path / "b" / "segmenter.pt"],
        tmp_path / "mean",
        workers=1,
        side_px=128,
        examples=64,
        validation=6,
        device="cpu",
    )
    assert facts["examples_drawn"] == 14
    assert set(facts["validation"]) == {"a", "b", "mean"}
    assert facts["onnx_gap"] < 1e-3
    mean = torch.load(tmp_path / "mean" / "segmenter.pt", weights_only=True)
    for name, value in net.named_parameters():
        assert torch.allclose(mean[name], value), name


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_training_in_small_loses_no_drawing_process(tmp_path: Path) -> None:
    facts = train(tmp_path, minutes=0.25, side_px=128, slots=48, workers=1, batch=4,
                  width=0.25, device="cpu", validation=6)
    assert facts["drawers_lost"] == 0
    assert facts["steps"] > 0
    assert facts["examples_drawn"] >= 24
    assert (tmp_path / "segmenter.onnx").is_file()
