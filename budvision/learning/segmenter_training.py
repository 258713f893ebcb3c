"""Train the segmenter on rendered photographs; needs the `train` extra (torch, onnx).

``python -m budvision.learning.segmenter_training --minutes 9 --out DIR`` draws examples in worker
processes for as long as it runs, keeps the newest in a pool on the training device, bends them
there (turns, scale, colour, blur, noise), and writes `segmenter.onnx` and `segmenter.json`. On an
accelerator nine minutes suffice; on a CPU give it hours (``--minutes 240``): the same command, the
same numbers within noise.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor, nn
from torch.optim.swa_utils import get_ema_multi_avg_fn

from budvision.learning.network import WIDTH, BudNet, export_onnx
from budvision.learning.segmenter_pool import NOBODY_KNOWS, VALIDATION_START, Pool, drawing, drawn
from budvision.learning.segmenter_scores import score
from budvision.render.examples import JUDGEMENTS, UNKNOWN

__all__ = ["bend", "main", "predict", "save_network", "train"]

CLASS_WEIGHTS = (0.6, 1.0, 1.8, 3.0, 0.8)


def bend(batch: Tensor, side: int) -> tuple[Tensor, Tensor, Tensor]:
    """Turn, mirror, scale and shift pictures with their labels; then disturb colour and sharpness.

    Parameters
    ----------
    batch : Tensor of uint8, (n, side, side, 5)

    Returns
    -------
    image : Tensor of float32 in [0, 1], (n, 3, side, side)
    labels : Tensor of int64, (n, side / 2, side / 2)
    dead : Tensor of float32 in [0, 1], (n, side / 2, side / 2)
    """
    n, device = batch.shape[0], batch.device
    x = batch.permute(0, 3, 1, 2).float()
    angle = torch.rand(n, device=device) * 2 * np.pi
    zoom = torch.exp(torch.randn(n, device=device) * 0.14).clamp(0.7, 1.4)
    ratio = torch.exp(torch.randn(n, device=device) * 0.05)
    mirror = torch.where(torch.rand(n, device=device) < 0.5, -1.0, 1.0)
    shift = (torch.rand(n, 2, device=device) - 0.5) * 0.16
    cos, sin = torch.cos(angle) * zoom, torch.sin(angle) * zoom
    theta = torch.stack(
        [
            torch.stack([cos * mirror * ratio, -sin, shift[:, 0]], 1),
            torch.stack([sin * mirror * ratio, cos, shift[:, 1]], 1),
        ],
        1,
    )
    grid = nn.functional.affine_grid(theta, [n, 1, side, side], align_corners=False)
    image = (
        nn.functional.grid_sample(
            x[:, :3], grid, mode="bilinear", padding_mode="reflection", align_corners=False
        )
        / 255
    )
    half = nn.functional.affine_grid(theta, [n, 1, side // 2, side // 2], align_corners=False)
    other = nn.functional.grid_sample(
        x[:, 3:], half, mode="nearest", padding_mode="reflection", align_corners=False
    )
    labels, dead = other[:, 0].round().long().clamp(0, 4), other[:, 1] / 255

    def draw(low: float, high: float, *shape: int) -> Tensor:
        return torch.rand(n, *shape, device=device) * (high - low) + low

    def some(p: float) -> Tensor:
        return (torch.rand(n, 1, 1, 1, device=device) < p).float()

    # another picture's surroundings, and surroundings and wool of another tint
    outside = nn.functional.interpolate((labels == 0).float()[:, None], size=(side, side))
    swap = outside * outside.roll(1, 0) * some(0.12)
    image = image + swap * (image.roll(1, 0) - image)
    inside = nn.functional.interpolate((labels == 4).float()[:, None], size=(side, side))
    for where in (outside, inside):
        tint = torch.exp(torch.randn(n, 3, 1, 1, device=device) * 0.13 * some(0.3))
        image = image * (1 + where * (tint - 1))
    rust = torch.cat([draw(low, 1, 1, 1, 1) for low in (1.0, 0.8, 0.6)], 1)  # darker, browner wool
    image = image * (1 + inside * some(0.12) * (draw(0.5, 1, 1, 1, 1) * rust - 1))
    gain = torch.exp(torch.randn(n, 3, 1, 1, device=device) * 0.10 * some(0.6))
    level = torch.exp(torch.randn(n, 1, 1, 1, device=device) * 0.22 * some(0.6))
    image = (image * gain * level).clamp(0, 1)
    image = image.clamp(1e-4, 1) ** torch.exp(torch.randn(n, 1, 1, 1, device=device) * 0.18)
    grey = image.mean(1, keepdim=True)
    image = grey + (image - grey) * (1 + (draw(-0.45, 0.5, 1, 1, 1)) * some(0.5))
    mean = image.mean((2, 3), keepdim=True)
    image = mean + (image - mean) * (1 + draw(-0.3, 0.3, 1, 1, 1) * some(0.4))
    coarse = nn.functional.interpolate(image, scale_factor=0.5, mode="area")
    soft = nn.functional.interpolate(
        coarse, size=(side, side), mode="bilinear", align_corners=False
    )
    image = image + (soft - image) * draw(-0.5, 1.0, 1, 1, 1) * some(0.45)
    noise = torch.randn_like(image) * draw(0, 0.05, 1, 1, 1) * some(0.5)
    return (image + noise).clamp(0, 1), labels, dead


def _loss(
    pixels: Tensor, whole: Tensor, labels: Tensor, dead: Tensor, rows: Tensor, weights: Tensor
) -> Tensor:
    logits = pixels[:, :5].float()
    plain = nn.functional.cross_entropy(logits, labels, weight=weights)
    share = logits.softmax(1)
    truth = nn.functional.one_hot(labels, 5).permute(0, 3, 1, 2).float()
    both = (share * truth).sum((2, 3))
    total = (share + truth).sum((2, 3))
    present = (truth.sum((2, 3)) > 0).float()
    dice = ((1 - (2 * both + 1) / (total + 1)) * present * weights)[:, 1:].sum() / (
        (present * weights)[:, 1:].sum() + 1
    )
    tissue = ((labels >= 1) & (labels <= 3)).float()
    # every tissue counts alike, however small
    area = (truth * truth.sum((2, 3), keepdim=True).clamp(min=1).reciprocal())[:, 1:4].sum(1)
    brown = nn.functional.binary_cross_entropy_with_logits(
        pixels[:, 5].float(), dead, reduction="none"
    )
    brown = (brown * area * tissue).sum() / ((area * tissue).sum() + 1e-3)
    state = torch.cat([rows[:, :1] * 0, rows[:, 5:8], rows[:, :1] * 0], 1).float()
    state = state.gather(1, labels.flatten(1)).view_as(dead)
    verdict = nn.functional.binary_cross_entropy_with_logits(
        pixels[:, 6].float(), state, reduction="none"
    )
    brown = brown + (verdict * area * tissue).sum() / ((area * tissue).sum() + 1e-3)
    # secondary or tertiary: asked of every flanker alike
    beside = area * ((labels == 2) | (labels == 3))
    which = nn.functional.binary_cross_entropy_with_logits(
        logits[:, 2] - logits[:, 3], (labels == 2).float(), reduction="none"
    )
    which = (which * beside).sum() / (beside.sum() + 1e-3)
    known = (rows[:, :3] != UNKNOWN).float()
    exposed = nn.functional.binary_cross_entropy_with_logits(
        whole[:, :3].float(), rows[:, :3].float().clamp(max=1), reduction="none"
    )
    exposed = (exposed * known).sum() / known.sum().clamp(min=1)
    judged = nn.functional.cross_entropy(
        whole[:, 3:].float(), rows[:, 3].long(), ignore_index=NOBODY_KNOWS
    )
    return plain + dice + 0.7 * brown + 0.25 * which + 0.3 * exposed + 0.4 * judged


@torch.no_grad()
def predict(net: nn.Module, pixels: Any, device: str) -> tuple[Any, Any]:
    """Run the network over pool pictures: float32 (n, 6, h, w) and (n, k)."""
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
    probe : ndarray of uint8, (1, side, side, 5)
        One example of a pool.
    """
    net.cpu().float()
    torch.save(net.state_dict(), out / "segmenter.pt")
    sample = probe[..., :3].transpose(0, 3, 1, 2).astype(np.float32) / 255
    return export_onnx(net, out / "segmenter.onnx", side_px=probe.shape[1], check=sample)


def train(
    out: Path,
    *,
    minutes: float,
    side_px: int = 320,
    slots: int = 24_000,
    workers: int = 2,
    batch: int = 96,
    width: float = WIDTH,
    device: str = "auto",
    validation: int = 1200,
    start_from: Path | None = None,
    seed: int = 0,
    rate: float | None = None,
) -> dict[str, Any]:
    """Draw, train, export and score.

    Parameters
    ----------
    out : Path
        Folder for `segmenter.onnx`, `segmenter.pt` and `segmenter.json`.
    minutes : float
        Wall-clock time for all of it, first filling and scores included.
    slots : int
        Examples kept; each takes 5 * side_px ** 2 bytes.
    start_from : Path, optional
        Weights (`segmenter.pt`) to go on from.
    seed : int
        Block of example seeds, 0 to 7; blocks share no example with each other or the held-out.
    rate : float, optional
        Highest learning rate; 0.0022 from nothing and 0.0012 from weights when left out.

    Returns
    -------
    dict
        The scores that `segmenter.json` holds.
    """
    begun = time.monotonic()
    out.mkdir(parents=True, exist_ok=True)
    if device == "auto":
        device = "cuda" if torch.cuda.is_available() else "cpu"
    held = drawn(validation, VALIDATION_START, workers, side_px)
    pool = Pool(slots, side_px)
    drawers = drawing(pool, (seed % 8) * 100_000_000, workers)
    sys.stderr.write(f"{validation} examples held out after {time.monotonic() - begun:.0f} s\n")

    torch.manual_seed(0)
    torch.backends.cudnn.benchmark = True
    net = BudNet(width).to(device, memory_format=torch.channels_last)  # type: ignore[call-overload]
    if start_from is not None:
        net.load_state_dict(torch.load(start_from, map_location=device, weights_only=True))
    smooth = BudNet(width).to(device)
    smooth.load_state_dict(net.state_dict())
    rate = rate or (2.2e-3 if start_from is None else 1.2e-3)
    optimiser = torch.optim.AdamW(net.parameters(), lr=rate, weight_decay=0.01)
    weights = torch.tensor(CLASS_WEIGHTS, device=device)
    shared, rows = pool.pixels(), pool.rows()
    store = torch.zeros((slots, side_px, side_px, 5), dtype=torch.uint8, device=device)
    facts = torch.zeros((slots, 8), dtype=torch.uint8, device=device)
    mine, theirs = (
        [part for part in each.state_dict().values() if part.is_floating_point()]
        for each in (smooth, net)
    )
    seen = np.zeros(slots, np.uint8)
    ready = np.zeros(0, np.int64)
    end = begun + 60 * minutes - (25 if device == "cuda" else 0.06 * 60 * minutes)
    step, n_drawn, average, last = 0, 0, 0.0, time.monotonic()
    opened = time.monotonic()
    while time.monotonic() < end:
        if step % 20 == 0 or len(ready) < batch:
            fresh = np.flatnonzero(rows[:, 4] != seen)[:3000]
            for some in np.array_split(fresh, max(1, len(fresh) // 500)):
                if len(some):
                    at = torch.from_numpy(some).to(device)
                    store[at] = torch.from_numpy(shared[some]).to(device)
                    facts[at] = torch.from_numpy(rows[some].copy()).to(device)
            seen[fresh] = rows[fresh, 4]
            n_drawn += len(fresh)
            ready = np.flatnonzero(seen > 0)
            if len(ready) < min(batch * 8, slots // 2):
                time.sleep(0.2)
                continue
        done = (time.monotonic() - opened) / max(1.0, end - opened)
        for group in optimiser.param_groups:
            group["lr"] = rate * min(1.0, (step + 1) / 200) * (0.5 + 0.5 * np.cos(np.pi * done))
        pick = torch.from_numpy(
            ready[np.random.default_rng(step).integers(0, len(ready), batch)]
        ).to(device)
        image, labels, dead = bend(store[pick], side_px)
        with torch.autocast(device, torch.bfloat16, enabled=device == "cuda"):
            pixels, whole = net(image.contiguous(memory_format=torch.channels_last))
        loss = _loss(pixels, whole, labels, dead, facts[pick], weights)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimiser.step()
        keep = min(0.998, 1 - 1 / (step + 2))
        get_ema_multi_avg_fn(keep)(mine, theirs, step)  # type: ignore[no-untyped-call]
        step += 1
        if step % 100 == 0:
            average = float(loss.detach())
            if time.monotonic() - last > 20:
                last = time.monotonic()
                torch.save(smooth.state_dict(), out / "segmenter.pt")  # of use if stopped early
                sys.stderr.write(
                    f"{last - begun:5.0f} s  step {step}  loss {average:.3f}  "
                    f"{n_drawn} examples drawn by {sum(d.is_alive() for d in drawers)} processes\n"
                )
    lost = sum(not drawer.is_alive() for drawer in drawers)
    if lost:
        sys.stderr.write(f"{lost} of {workers} drawing processes ended early; see above why\n")
    for drawer in drawers:
        drawer.terminate()
    smooth.eval()
    maps, judged = predict(smooth, held.pixels(), device)
    scores = score(maps, judged, held.pixels(), held.rows())
    gap = save_network(smooth, out, probe=held.pixels()[:1])
    facts_out = {
        "side_px": side_px,
        "parameters": sum(p.numel() for p in smooth.parameters()),
        "steps": step,
        "examples_drawn": n_drawn,
        "drawers_lost": lost,
        "seed": seed,
        "seconds": round(time.monotonic() - begun),
        "device": torch.cuda.get_device_name(0) if device == "cuda" else "cpu",
        "onnx_gap": gap,
        "loss": average,
        "judgements": list(JUDGEMENTS),
        "validation": scores,
    }
    (out / "segmenter.json").write_text(json.dumps(facts_out, indent=1), encoding="utf-8")
    return facts_out


def main() -> None:
    """Train from the command line."""
    parser = argparse.ArgumentParser(prog="python -m budvision.learning.segmenter_training")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=9.0)
    parser.add_argument("--workers", type=int, default=max(1, (os.cpu_count() or 2) - 1))
    parser.add_argument("--slots", type=int, default=24_000)
    parser.add_argument("--batch", type=int, default=96)
    parser.add_argument("--side", type=int, default=320)
    parser.add_argument("--width", type=float, default=WIDTH)
    parser.add_argument("--device", default="auto")
    parser.add_argument("--validation", type=int, default=1200)
    parser.add_argument("--start-from", type=Path)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--rate", type=float, help="highest learning rate")
    given = parser.parse_args()
    facts = train(
        given.out,
        minutes=given.minutes,
        side_px=given.side,
        slots=given.slots,
        workers=given.workers,
        batch=given.batch,
        width=given.width,
        device=given.device,
        validation=given.validation,
        start_from=given.start_from,
        seed=given.seed,
        rate=given.rate,
    )
    sys.stdout.write(json.dumps(facts, indent=1) + "\n")


if __name__ == "__main__":
    main()
