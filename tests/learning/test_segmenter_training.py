"""Training of the segmenter in small: examples, bending, loss, and the network run by OpenCV."""

from __future__ import annotations

import os
import time
from pathlib import Path

import numpy as np
import pytest

pytestmark = pytest.mark.torch
torch = pytest.importorskip("torch")

from budvision.learning import segmenter_fit  # noqa: E402
from budvision.learning.network import BudNet  # noqa: E402
from budvision.learning.segmenter_fit import fit  # noqa: E402
from budvision.learning.segmenter_loss import (  # noqa: E402
    CLASS_WEIGHTS,
    Bent,
    bend,
    imitation,
    losses,
)
from budvision.learning.segmenter_plan import Plan  # noqa: E402
from budvision.learning.segmenter_pool import VALIDATION_START, Drawing, Pool, fill  # noqa: E402
from budvision.learning.segmenter_scores import score  # noqa: E402
from budvision.learning.segmenter_start import from_onnx, grow, load_start, settle_statistics  # noqa: E402
from budvision.learning.segmenter_training import mean_of, train  # noqa: E402
from budvision.photo.refusals import JUDGEMENTS  # noqa: E402


@pytest.fixture(scope="module")
def pool() -> Pool:
    held = Pool(8, 96)
    fill(held, 0, 1, VALIDATION_START, True)
    return held


@pytest.mark.slow
def test_the_pool_holds_examples_and_repeats(pool: Pool) -> None:
    again, niceness = Pool(8, 96), os.nice(0)
    fill(again, 0, 1, VALIDATION_START, True)
    assert os.nice(0) == niceness, "who fills a pool himself stays as quick as he was"
    assert (pool.rows()[:, 4] == 1).all()
    assert np.array_equal(pool.pixels(), again.pixels())
    assert set(np.unique(pool.pixels()[..., 3])) <= set(range(8))
    heat, labels = pool.pixels()[..., 5], pool.pixels()[..., 3]
    assert not heat[(labels < 1) | (labels > 3)].any()


@pytest.mark.slow
def test_staged_examples_hold_zones_points_and_unsure_states() -> None:
    staged = Pool(48, 96)
    fill(staged, 0, 1, 77, True, Drawing(close=True, share_staged=1.0))
    zones = set(np.unique(staged.pixels()[..., 3]).tolist())
    assert {5, 6, 7} <= zones
    assert 2 in staged.rows()[:, 5:8]
    assert (staged.pixels()[..., 5].max((1, 2)) > 200).sum() > 20


def test_bending_keeps_labels_whole_and_the_image_in_range(pool: Pool) -> None:
    state = torch.get_rng_state()
    bent = bend(torch.from_numpy(pool.pixels().copy()), 96)
    image, labels, dead = bent.image, bent.labels, bent.dead
    torch.set_rng_state(state)
    assert image.shape == (8, 3, 96, 96)
    assert labels.shape == dead.shape == (8, 48, 48)
    assert 0 <= float(image.min()) <= float(image.max()) <= 1
    assert set(labels.unique().tolist()) <= set(range(8))


@pytest.mark.slow
def test_a_few_steps_lower_the_loss_and_scores_are_shares(pool: Pool, tmp_path: Path) -> None:
    state = torch.get_rng_state()
    torch.manual_seed(0)
    net = BudNet(0.25)
    optimiser = torch.optim.Adam(net.parameters(), lr=5e-3)
    x = torch.from_numpy(pool.pixels().copy())
    image = x[..., :3].permute(0, 3, 1, 2).float() / 255
    bent = Bent(image, x[:, ::2, ::2, 3:].permute(0, 3, 1, 2).float())
    labels = bent.labels
    rows = torch.from_numpy(pool.rows().copy())
    seen = []
    for _ in range(12):
        pixels, whole = net(image)
        loss = losses(pixels, whole, bent, rows, torch.tensor(CLASS_WEIGHTS)).mean()
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        seen.append(float(loss.detach()))
    torch.set_rng_state(state)
    assert seen[-1] < 0.85 * seen[0]
    perfect = np.full((8, 11, 48, 48), -5, np.float32)
    np.put_along_axis(perfect[:, :8], labels.numpy()[:, None], 5, 1)
    told = np.where(rows.numpy()[:, :3] > 0, 5.0, -5.0)
    judgement = np.minimum(rows.numpy()[:, 3], len(JUDGEMENTS) - 1)  # any, where nobody knows
    judged = np.concatenate([told, np.eye(len(JUDGEMENTS))[judgement]], 1)
    scores = score(perfect, judged, pool.pixels(), pool.rows())
    assert scores["primary"]["centre_inside"] == 1.0
    assert scores["primary"]["iou_median"] == 1.0
    assert scores["usable_refused"] == 0.0


def test_the_mean_of_a_network_with_itself_is_itself(pool: Pool, tmp_path: Path) -> None:
    net = BudNet(0.25).eval()
    for name in ("a.pt", "b.pt"):
        torch.save(net.state_dict(), tmp_path / name)
    mean = mean_of([tmp_path / "a.pt", tmp_path / "b.pt"], (pool,), width=0.25, device="cpu")
    for (name, value), own in zip(net.named_parameters(), mean.parameters(), strict=True):
        assert torch.allclose(own, value), name


def test_a_grown_network_answers_as_the_one_it_grew_from(tmp_path: Path) -> None:
    picture = torch.linspace(0, 1, 3 * 64 * 64).reshape(1, 3, 64, 64)
    narrow = BudNet(0.25).eval()
    for wide in (BudNet(0.25, 2.0).eval(), BudNet(0.75).eval()):
        grow(wide, narrow)
        with torch.no_grad():
            for own, other in zip(wide(picture), narrow(picture), strict=True):
                assert torch.allclose(own, other, atol=1e-5)
        assert sum(map(torch.numel, wide.parameters())) > sum(
            map(torch.numel, narrow.parameters()))


def test_a_teacher_is_never_further_from_itself_than_from_another(pool: Pool) -> None:
    torch.manual_seed(1)
    teacher, other = BudNet(0.25).eval(), BudNet(0.25).eval()
    x = torch.from_numpy(pool.pixels()[:2, ..., :3].copy()).permute(0, 3, 1, 2).float() / 255
    weights = torch.tensor(CLASS_WEIGHTS)
    with torch.no_grad():
        shown = teacher(x)
        own, apart = (imitation(*net(x), shown, weights) for net in (teacher, other))
    assert (own < apart).all()
    maps = shown[0].clone().requires_grad_()
    imitation(maps, shown[1], shown, weights).sum().backward()
    assert maps.grad is not None
    assert float(maps.grad.abs().max()) < 1e-6, "its own answers are where the loss is least"


@pytest.mark.slow
def test_two_devices_learn_as_one(pool: Pool, tmp_path: Path) -> None:
    import multiprocessing as mp
    import time

    torch.save(BudNet(0.25).state_dict(), tmp_path / "start.pt")
    plan = Plan(minutes=1, side_px=96, frame_px=96, slots=8, batch=2, width=0.25,
                devices=("cpu", "cpu"), start_from=tmp_path / "start.pt",
                teacher=tmp_path / "start.pt", teacher_width=0.25)
    # the time is over at once: twenty steps each, an average, and no more
    both = [mp.get_context("fork").Process(
        target=fit, args=(plan, (pool, pool), place, tmp_path, time.monotonic() + 0.01))
        for place in range(2)]
    for one in both:
        one.start()
    for one in both:
        one.join(100)
    assert [one.exitcode for one in both] == [0, 0]
    assert all((tmp_path / f"{place}.pt").is_file() for place in range(2))


def test_training_starts_deeper_than_the_shipped_file(pool: Pool) -> None:
    models = Path(__file__).parents[2] / "models"
    plain, deep, again = BudNet(), BudNet(deep=1.4), BudNet(deep=1.4)
    from_onnx(plain, models / "staged-1.0" / "segmenter.onnx")
    load_start(deep, models / "staged-1.0" / "segmenter.onnx")
    load_start(again, models / "staged-2.0" / "segmenter.onnx")  # of that shape itself
    assert not torch.equal(again.stem[0].weight, deep.stem[0].weight)
    x = torch.from_numpy(pool.pixels()[:1, ..., :3].copy()).permute(0, 3, 1, 2).float() / 255
    with torch.no_grad():
        given, own = plain.eval()(x), deep.eval()(x)
    for one, other in zip(given, own, strict=True):
        assert torch.allclose(one, other, atol=1e-3)


def test_training_goes_on_from_a_shipped_file_of_the_old_layout(pool: Pool) -> None:
    from budvision.photo.segmenter import Segmenter

    folder = Path(__file__).parents[2] / "models" / "bench-1.0"
    net = BudNet()
    from_onnx(net, folder / "segmenter.onnx")
    picture = pool.pixels()[:1, ..., :3].copy()
    x = torch.from_numpy(picture).permute(0, 3, 1, 2).float() / 255
    settle_statistics(net, [x])
    net.eval()
    with torch.no_grad():
        pixels, whole = net(x)
    maps, judged = Segmenter.load(folder).run(picture[0])
    assert np.abs(pixels[0, :5].numpy() - maps[:5]).max() < 1e-3
    assert np.abs(whole[0, :12].numpy() - judged).max() < 1e-3


class _Clock:
    """A clock on which the end of the training comes with its 30th step."""

    sleep = time.sleep

    def __init__(self) -> None:
        self.n_asked = 0

    def monotonic(self) -> float:
        """Return the time, asked for three times a step."""
        self.n_asked += 1
        return time.monotonic() + 1e5 * (self.n_asked > 90)


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_training_in_small_loses_no_drawing_process(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(segmenter_fit, "time", _Clock())
    facts = train(tmp_path, Plan(minutes=60.0, side_px=128, frame_px=128, slots=32, workers=1,
                                 batch=4, width=0.25, validation=6))
    assert facts["drawers_lost"] == 0
    assert all(steps > 20 for steps in facts["steps"])
    assert len(facts["steps"]) == 1
    assert facts["examples_drawn"] >= 16
    assert (tmp_path / "segmenter.onnx").is_file()
