"""Train the segmenter on rendered photographs; needs the `train` extra (torch, onnx).

``python -m budvision.learning.segmenter_training --minutes 9 --out DIR`` draws close crops and
whole frames in worker processes for as long as it runs, keeps the newest in two pools on each
training device, bends them there (turns, scale, colour, blur, noise), shows those again that it
got wrong, and writes `segmenter.onnx` and `segmenter.json`. On several accelerators a network is
trained on each from the same start and their weights are averaged every few steps. With
``--teacher`` the answers of a wider network, trained before by the same command with ``--width``,
are learned too. On a CPU give it hours (``--minutes 240``).
"""

from __future__ import annotations

import argparse
import json
import multiprocessing as mp
import os
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import nn

from budvision.language import plain_count
from budvision.learning.network import CROP_PX, FRAME_PX, WIDTH, BudNet, export_onnx
from budvision.learning.segmenter_fit import fit, pictures_of
from budvision.learning.segmenter_plan import Plan
from budvision.learning.segmenter_pool import VALIDATION_START, Pool, drawing, drawn
from budvision.learning.segmenter_scores import score
from budvision.learning.segmenter_start import load_start
from budvision.render.examples import JUDGEMENTS

__all__ = ["main", "mean_of", "predict", "save_network", "train"]


@torch.no_grad()
def predict(net: nn.Module, pixels: Any, device: str) -> tuple[Any, Any]:
    """Run the network over pool pictures: float16 (n, maps, h, w) and float32 (n, k)."""
    maps, rows = [], []
    for start in range(0, len(pixels), 64):
        x = torch.from_numpy(pixels[start : start + 64, ..., :3].copy()).to(device)
        got, whole = net(x.permute(0, 3, 1, 2).float() / 255)
        maps.append(got.float().cpu().numpy().astype(np.float16))
        rows.append(whole.float().cpu().numpy())
    return np.concatenate(maps), np.concatenate(rows)


def save_network(net: nn.Module, out: Path, *, probe: Any) -> float:
    """Write `segmenter.pt` and `segmenter.onnx`; return how far OpenCV's answer to a probe is off.

    Parameters
    ----------
    net : BudNet
        Moved to the CPU.
    probe : ndarray of uint8, (1, side, side, channels)
        One example of a pool.
    """
    net.cpu().float()
    torch.save(net.state_dict(), out / "segmenter.pt")
    sample = probe[..., :3].transpose(0, 3, 1, 2).astype(np.float32) / 255
    return export_onnx(net, out / "segmenter.onnx", side_px=probe.shape[1], check=sample)


@torch.no_grad()
def mean_of(
    files: list[Path], pools: tuple[Pool, ...], *, width: float, deep: float = 1.0, device: str
) -> BudNet:
    """Average networks trained from one start; measure the normalisation's statistics anew."""
    states = [torch.load(file, map_location="cpu", weights_only=True) for file in files]
    mean = {
        name: torch.stack([state[name].float() for state in states]).mean(0)
        if states[0][name].is_floating_point() else states[0][name]
        for name in states[0]}
    net = BudNet(width, deep).to(device)
    net.load_state_dict(mean)
    if len(files) > 1:
        for layer in net.modules():
            if isinstance(layer, nn.BatchNorm2d):
                layer.reset_running_stats()
                layer.momentum = None
        net.train()
        for pool, n in zip(pools, (48, 20), strict=False):
            for pictures in pictures_of(pool, device, n):
                net(pictures)
    return net.eval()


def _scored(net: nn.Module, held: tuple[Pool, Pool], device: str) -> dict[str, Any]:
    return {
        name: score(*predict(net, pool.pixels(), device), pool.pixels(), pool.rows())
        for name, pool in zip(("crops", "frames"), held, strict=True)}


def _scored_start(plan: Plan, held: tuple[Pool, Pool], device: str) -> dict[str, Any]:
    """Score the network that the training started from, where it is a model's."""
    if plan.start_from is None or plan.start_from.suffix != ".onnx":
        return {}
    start = BudNet(plan.width, plan.deep).to(device)
    load_start(start, plan.start_from)
    return {"start": _scored(start.eval(), held, device)}


def train(out: Path, plan: Plan) -> dict[str, Any]:
    """Draw, train, average, export and score.

    Parameters
    ----------
    out : Path
        Folder for `segmenter.onnx`, `segmenter.pt` and `segmenter.json`.

    Returns
    -------
    dict
        The scores that `segmenter.json` holds.
    """
    begun = time.monotonic()
    out.mkdir(parents=True, exist_ok=True)
    what, held_what = plan.drawings(), plan.drawings(held_out=True)
    sides = (plan.side_px, plan.frame_px)
    held = tuple(
        drawn(n, VALIDATION_START + 1_000_000 * k, plan.workers, side, what=one)
        for k, (n, side, one) in enumerate(
            zip((plan.validation, max(4, plan.validation // 3)), sides, held_what, strict=True)))
    pools = (Pool(plan.slots, sides[0]), Pool(max(8, plan.slots // 3), sides[1]))
    n_far = max(1, plan.workers // 5)
    drawers = drawing(pools[0], (plan.seed % 8) * 100_000_000, max(1, plan.workers - n_far),
                      what=what[0])
    drawers += drawing(pools[1], (plan.seed % 8) * 100_000_000 + 50_000_000, n_far, what=what[1])
    seconds = time.monotonic() - begun
    sys.stderr.write(f"{plain_count(plan.validation, 'example')} held out after {seconds:.0f} s\n")
    on_gpu = plan.devices[0].startswith("cuda")
    rest = 40 if on_gpu else 0.1 * 60 * plan.minutes
    end = begun + 60 * plan.minutes - rest
    context = mp.get_context("fork")
    trainers = [
        context.Process(target=fit, args=(plan, pools, place, out, end))
        for place in range(len(plan.devices))]
    for trainer in trainers:
        trainer.start()
    for trainer in trainers:
        trainer.join()
    lost = sum(not drawer.is_alive() for drawer in drawers)
    for drawer in drawers:
        drawer.terminate()
    files = [out / f"{place}.pt" for place in range(len(plan.devices))]
    files = [file for file in files if file.is_file()]
    device = plan.devices[0]
    net = mean_of(files, pools, width=plan.width, deep=plan.deep, device=device)
    scores = {"mean": _scored(net, (held[0], held[1]), device),
              **_scored_start(plan, (held[0], held[1]), device)}
    gap = save_network(net, out, probe=held[0].pixels()[:1])
    records = [json.loads(file.with_suffix(".json").read_text(encoding="utf-8"))
               for file in files if file.with_suffix(".json").is_file()]
    facts = {
        "side_px": plan.side_px, "frame_px": plan.frame_px,
        "parameters": sum(p.numel() for p in net.parameters()),
        "steps": [one["steps"] for one in records], "loss": [one["loss"] for one in records],
        "examples_drawn": max((one["examples_drawn"] for one in records), default=0),
        "drawers_lost": lost, "seed": plan.seed, "averaged": len(files),
        "share_staged": plan.share_staged, "share_traced": plan.share_traced if plan.traced else 0,
        "seconds": round(time.monotonic() - begun),
        "device": torch.cuda.get_device_name(0) if on_gpu else "cpu",
        "onnx_gap": gap, "judgements": list(JUDGEMENTS), "validation": scores,
    }
    (out / "segmenter.json").write_text(json.dumps(facts, indent=1), encoding="utf-8")
    return facts


def main() -> None:
    """Train from the command line."""
    parser = argparse.ArgumentParser(prog="python -m budvision.learning.segmenter_training")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=9.0)
    parser.add_argument("--workers", type=int, default=max(1, (os.cpu_count() or 2) - 1))
    parser.add_argument("--slots", type=int, default=20_000)
    parser.add_argument("--batch", type=int, default=64)
    parser.add_argument("--side", type=int, default=CROP_PX)
    parser.add_argument("--frame", type=int, default=FRAME_PX)
    parser.add_argument("--width", type=float, default=WIDTH)
    parser.add_argument("--deep", type=float, default=1.0, help="more for the coarsest levels")
    parser.add_argument("--devices", nargs="+", default=["cpu"], help="cpu, or cuda:0 cuda:1 ...")
    parser.add_argument("--validation", type=int, default=1200)
    parser.add_argument("--start-from", type=Path)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--rate", type=float, help="highest learning rate")
    parser.add_argument("--teacher", type=Path, help="segmenter.pt of a wider network")
    parser.add_argument("--teacher-width", type=float, default=2.5)
    parser.add_argument("--staged", type=float, default=0.65, help="share of staged cut buds")
    parser.add_argument("--traced", type=Path, help="folder of path-traced photographs")
    parser.add_argument("--share-traced", type=float, default=0.08)
    given = parser.parse_args()
    facts = train(given.out, Plan(
        minutes=given.minutes, side_px=given.side, frame_px=given.frame, slots=given.slots,
        workers=given.workers, batch=given.batch, width=given.width, deep=given.deep,
        devices=tuple(given.devices), validation=given.validation, start_from=given.start_from,
        seed=given.seed, rate=given.rate, teacher=given.teacher,
        teacher_width=given.teacher_width, share_staged=given.staged, traced=given.traced,
        share_traced=given.share_traced))
    sys.stdout.write(json.dumps(facts, indent=1) + "\n")


if __name__ == "__main__":
    main()
