"""Fit one network on a device to what the drawing processes have drawn.

On an accelerator a whole step (choosing, bending, the network, its loss, the optimiser) is recorded
once and replayed (CUDA graph): the network is small, and its thousands of launches would cost more
than the arithmetic.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import torch
import torch.distributed as others
from torch import Tensor, nn

from budvision.learning.network import BudNet
from budvision.learning.segmenter_loss import CLASS_WEIGHTS, bend, imitation, losses
from budvision.learning.segmenter_plan import Plan
from budvision.learning.segmenter_pool import Pool
from budvision.learning.segmenter_start import load_start

__all__ = ["fit", "pictures_of"]

_HARD = 3.0
"""How much more often than the average the hardest examples are shown."""
_SMOOTH = 0.999
"""How much of the smoothed weights stays at each step."""
_EVERY = 20
"""Steps between two looks at what was drawn since, and between two averages over the devices."""
_OF_TRUTH = 0.4
"""Weight of the truth beside a teacher's answers."""


class _Shelf:
    """A device's own copy of its share of a pool, with how hard each example was."""

    def __init__(self, pool: Pool, device: str, *, place: int = 0, n_devices: int = 1) -> None:
        self._shared, self._rows, self._device = pool.pixels(), pool.rows(), device
        self._own = np.arange(place, pool.slots, n_devices)
        self.slots = len(self._own)
        self.pictures = torch.zeros(
            (self.slots, *self._shared.shape[1:]), dtype=torch.uint8, device=device)
        self.facts = torch.zeros((self.slots, 8), dtype=torch.uint8, device=device)
        self.hardness = torch.zeros(self.slots, device=device)
        self._seen = np.zeros(self.slots, np.uint8)
        self.n_drawn = 0
        self.n_ready = 0

    def refresh(self) -> None:
        """Take what was drawn since."""
        turns = self._rows[self._own, 4]
        fresh = np.flatnonzero(turns != self._seen)[:2000]
        for some in np.array_split(fresh, max(1, len(fresh) // 250)):
            if len(some):
                index, theirs = torch.from_numpy(some).to(self._device), self._own[some]
                self.pictures[index] = torch.from_numpy(self._shared[theirs]).to(self._device)
                self.facts[index] = torch.from_numpy(self._rows[theirs].copy()).to(self._device)
        if len(fresh):
            known = self.hardness[self.hardness > 0]
            usual = float(known.mean()) if len(known) else 1.0
            self.hardness[torch.from_numpy(fresh).to(self._device)] = usual
        self._seen[fresh] = turns[fresh]
        self.n_drawn += len(fresh)
        self.n_ready = int((self._seen > 0).sum())

    def pick(self, n: int) -> Tensor:
        """Pick examples, hard ones more often."""
        known = self.hardness > 0
        usual = self.hardness.sum() / known.sum().clamp(min=1)
        weight = torch.where(known, (0.35 + self.hardness / usual).clamp(max=_HARD), 0.0)
        reached = weight.double().cumsum(0)
        index = torch.searchsorted(reached, torch.rand(n, device=weight.device) * reached[-1])
        return index.clamp(max=len(weight) - 1)

    def note(self, index: Tensor, loss: Tensor) -> None:
        """Remember how hard the examples were."""
        kept, seen = self.hardness[index], loss.detach().float().clamp(0.01, 20)
        self.hardness[index] = 0.5 * kept + 0.5 * seen


def pictures_of(pool: Pool, device: str, n: int = 24) -> Any:
    """Yield batches of 32 bent pictures of a pool, Tensor (batch, 3, side, side)."""
    ready = np.flatnonzero(pool.rows()[:, 4] > 0)[: n * 32]
    for some in np.array_split(ready, max(1, len(ready) // 32)):
        x = torch.from_numpy(pool.pixels()[some]).to(device)
        yield bend(x, pool.side).image


def _wait_for_enough(shelves: list[_Shelf], batches: tuple[int, int]) -> None:
    """Wait until eight batches of each kind, or half a shelf, are drawn."""
    while any(s.n_ready < min(8 * n, s.slots // 2)
              for s, n in zip(shelves, batches, strict=True)):
        for shelf in shelves:
            shelf.refresh()
        time.sleep(0.2)


def _loss_of(
    net: nn.Module, shelves: list[_Shelf], pools: tuple[Pool, Pool], batches: tuple[int, int],
    weights: Tensor, teacher: nn.Module | None = None,
) -> Tensor:
    """Return the loss of a batch of close crops and one of frames, and note what was hard."""
    total = torch.zeros((), device=weights.device)
    kind = weights.device.type
    for shelf, pool, n, share in zip(shelves, pools, batches, (0.7, 0.3), strict=True):
        index = shelf.pick(n)
        bent = bend(shelf.pictures[index], pool.side)
        with torch.autocast(kind, torch.bfloat16, enabled=kind == "cuda"):
            image = bent.image.contiguous(memory_format=torch.channels_last)
            pixels, whole = net(image)
        loss = losses(pixels, whole, bent, shelf.facts[index], weights)
        shelf.note(index, loss)
        if teacher is not None:
            with torch.no_grad(), torch.autocast(kind, torch.bfloat16, enabled=kind == "cuda"):
                shown = teacher(image)
            loss = _OF_TRUTH * loss + imitation(pixels, whole, shown, weights)
        total = total + share * loss.mean()
    return total


def _step(
    net: nn.Module, optimiser: torch.optim.Optimizer, shelves: list[_Shelf],
    pools: tuple[Pool, Pool], batches: tuple[int, int], weights: Tensor,
    teacher: nn.Module | None = None,
) -> Callable[[], Tensor]:
    """Return what makes one step and returns its loss; recorded once on an accelerator."""

    def once() -> Tensor:
        total = _loss_of(net, shelves, pools, batches, weights, teacher)
        optimiser.zero_grad(set_to_none=True)
        total.backward()  # type: ignore[no-untyped-call]
        nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimiser.step()
        return total

    if weights.device.type != "cuda":
        return once
    side = torch.cuda.Stream()  # type: ignore[no-untyped-call]
    side.wait_stream(torch.cuda.current_stream())
    with torch.cuda.stream(side):
        for _ in range(6):
            once()
    torch.cuda.current_stream().wait_stream(side)
    recorded = torch.cuda.CUDAGraph()
    optimiser.zero_grad(set_to_none=True)
    with torch.cuda.graph(recorded):
        total = once()

    def again() -> Tensor:
        recorded.replay()
        return total

    return again


def _teacher(plan: Plan, device: str) -> nn.Module | None:
    """Return the network whose answers are learned too, if there is one."""
    if plan.teacher is None:
        return None
    net = BudNet(plan.teacher_width).to(device)
    load_start(net, plan.teacher)
    channels_last: Any = {"memory_format": torch.channels_last}
    return net.eval().requires_grad_(False).to(**channels_last)


class _Together:
    """The networks of all devices, averaged again and again so that they learn as one.

    Steps are made alone and weights averaged every few (Stich 2019, Local SGD converges fast and
    communicates little, ICLR).
    """

    def __init__(self, plan: Plan, place: int, out: Path) -> None:
        self.n = len(plan.devices)
        self._device = plan.devices[place]
        if self.n > 1:
            others.init_process_group(
                "nccl" if self._device.startswith("cuda") else "gloo", rank=place,
                world_size=self.n, init_method=f"file://{(out / 'meeting').resolve()}")

    def average(self, net: nn.Module, *, over: bool) -> bool:
        """Average the weights; say whether any of the devices says that the time is over."""
        if self.n == 1:
            return over
        flags = torch.tensor([float(over)], device=self._device)
        parts = [part for part in net.state_dict().values() if part.is_floating_point()]
        flat = torch.cat([flags, *(part.flatten().float() for part in parts)])
        others.all_reduce(flat)
        flat /= self.n
        at = 1
        for part in parts:
            part.copy_(flat[at : at + part.numel()].view_as(part))
            at += part.numel()
        return bool(flat[0] > 0)

    def close(self) -> None:
        """Part."""
        if self.n > 1:
            others.destroy_process_group()


def fit(plan: Plan, pools: tuple[Pool, Pool], place: int, out: Path, end: float) -> None:
    """Train one network until `end` and write its smoothed weights; runs in its own process."""
    device = plan.devices[place]
    on_gpu = device.startswith("cuda")
    torch.manual_seed(1000 * plan.seed + place)
    torch.set_num_threads(4 if on_gpu else 1)
    if on_gpu:
        torch.cuda.set_device(device)
    torch.backends.cudnn.benchmark = True
    net = BudNet(plan.width, plan.deep).to(device)
    shelves = [_Shelf(pool, device, place=place, n_devices=len(plan.devices)) for pool in pools]
    batches = (plan.batch, max(2, plan.batch // 2))
    _wait_for_enough(shelves, batches)
    if plan.start_from is not None:
        load_start(net, plan.start_from, batches=lambda: pictures_of(pools[0], device))
    net = net.to(memory_format=torch.channels_last)  # type: ignore[call-overload]
    smooth = BudNet(plan.width, plan.deep).to(device)
    smooth.load_state_dict(net.state_dict())
    pace = torch.full((), 1e-6, device=device)
    optimiser = torch.optim.AdamW(
        net.parameters(), lr=pace if on_gpu else 1e-6, weight_decay=0.01, fused=on_gpu,
        capturable=on_gpu)
    weights = torch.tensor(CLASS_WEIGHTS, device=device)
    mine, theirs = (
        [part for part in each.state_dict().values() if part.is_floating_point()]
        for each in (smooth, net))
    net.train()
    take = _step(net, optimiser, shelves, pools, batches, weights, _teacher(plan, device))
    together = _Together(plan, place, out)
    opened = last = time.monotonic()
    step, average = 0, 0.0
    while True:
        if step % _EVERY == 0:
            if together.average(net, over=time.monotonic() >= end):
                break
            for shelf in shelves:
                shelf.refresh()
        done = (time.monotonic() - opened) / max(1.0, end - opened)
        rate = min(1.0, (step + 1) / 300) * (0.5 + 0.5 * np.cos(np.pi * done))
        rate = plan.highest_rate * max(rate, 0.01)
        if on_gpu:
            pace.fill_(rate)
        else:
            optimiser.param_groups[0]["lr"] = rate
        total = take()
        torch._foreach_lerp_(mine, theirs, max(1 - _SMOOTH, 1 / (step + 2)))
        step += 1
        if time.monotonic() - last > 20:
            last = time.monotonic()
            average = float(total.detach())
            torch.save(smooth.state_dict(), out / f"{place}.pt")  # of use if stopped early
            sys.stderr.write(
                f"{device} {last - opened:5.0f} s  step {step}  loss {average:.3f}  "
                f"examples drawn {[s.n_drawn for s in shelves]}\n")
    together.close()
    torch.save(smooth.state_dict(), out / f"{place}.pt")
    facts = {"steps": step, "loss": average, "examples_drawn": sum(s.n_drawn for s in shelves)}
    (out / f"{place}.json").write_text(json.dumps(facts), encoding="utf-8")
