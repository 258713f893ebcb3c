"""Train the heads of a segmenter (exposed, judgement) with the rest of its weights fixed.

``python -m budvision.verdict.segmenter_heads --start-from segmenter.pt --out DIR`` draws examples
as the pipeline meets them: for pictures that are not cut buds, the square that the first look would
cut out of them, where it finds anything (the hard ones). It runs on a CPU in a quarter of an hour.
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

import cv2
import numpy as np
import torch
from torch import nn

from budvision.photo.segment import Segmenter, cut_round, locate
from budvision.render.cut import render_cut
from budvision.render.examples import JUDGEMENTS, draw_example
from budvision.render.negatives import render_negative
from budvision.render.strays import render_stray
from budvision.render.world import sample_world
from budvision.verdict.network import BudNet, export_onnx, load_trunk
from budvision.vocabulary import TISSUES

__all__ = ["main", "train_heads"]

VALIDATION_START = 970_000_000


def _picture(rng: np.random.Generator, segmenter: Segmenter, side: int) -> tuple[Any, Any, str]:
    """Draw one square with its exposed flags and judgement."""
    kind = rng.random()
    if kind < 0.3:
        example = draw_example(rng, side_px=side)
        return example.image, example.exposed, example.judgement
    if kind < 0.6:
        size = int(rng.choice([320, 448, 640]))
        image = (
            render_negative(rng, size_px=size)
            if rng.random() < 0.7
            else render_stray(rng, size_px=(size, size))
        )
        found = locate(image, segmenter=segmenter)
        square = cut_round(image, found, side) if found else cv2.resize(image, (side, side))
        return square, (False,) * 3, "no_cut_face"
    weights = (0.05, 0.12, 0.16, 0.28, 0.13, 0.26) if kind < 0.82 else (0.2, 0.1, 0.2, 0.3, 0.2, 0)
    depths = ("too_shallow", "shallow", "middle", "full", "deep", "too_deep")
    depth = str(rng.choice(depths, p=np.asarray(weights) / sum(weights)))
    fault = (
        ""
        if kind < 0.86
        else str(rng.choice(["too_blurred", "too_dark", "blown_out", "glare", "glare"]))
    )
    world = sample_world(rng, depths=(depth,), fault=fault, face_share=(0.15, 0.9))
    cut = render_cut(rng, world=world, size_px=448)
    box = cut.truth.box
    found = locate(cut.image, segmenter=segmenter)
    middle = ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)
    long = max(box[2] - box[0], box[3] - box[1])
    if found is None or np.hypot(found[0] - middle[0], found[1] - middle[1]) > 0.4 * long:
        found = (*middle, float(long))
    exposed = tuple(
        bool(cut.truth.exposed[t]) or (depth == "too_deep" and bool((cut.labels == t.label).any()))
        for t in TISSUES
    )
    return cut_round(cut.image, found, side), exposed, cut.truth.why_not or "usable"


def _gather(task: tuple[Path, Path, int, int, int, float]) -> tuple[Any, Any, Any]:
    """Draw examples and return what the heads see of them: (n, features), (n, 3), (n,)."""
    weights, onnx, start, count, side, width = task
    cv2.setNumThreads(1)
    torch.set_num_threads(1)
    net = BudNet(width)
    load_trunk(net, weights)
    net.eval()
    segmenter = Segmenter(onnx)
    seen, exposed, judged = [], [], []
    for seed in range(start, start + count):
        rng = np.random.default_rng(seed)
        image, flags, judgement = _picture(rng, segmenter, side)
        if rng.random() < 0.5:
            image = np.ascontiguousarray(np.rot90(image, int(rng.integers(4))))
        with torch.no_grad():
            x = torch.from_numpy(image.copy()).permute(2, 0, 1)[None].float() / 255
            seen.append(net.look(x)[1][0].numpy())
        exposed.append(flags)
        judged.append(JUDGEMENTS.index(judgement))
    return np.asarray(seen, np.float32), np.asarray(exposed, np.float32), np.asarray(judged)


def _fit(seen: Any, exposed: Any, judged: Any, n_features: int, epochs: int) -> nn.Sequential:
    torch.manual_seed(0)
    mean, spread = seen.mean(0), seen.std(0) + 1e-3
    x = torch.from_numpy((seen - mean) / spread)
    y, k = torch.from_numpy(exposed), torch.from_numpy(judged)
    first, last = nn.Linear(n_features, 96), nn.Linear(96, 3 + len(JUDGEMENTS))
    head = nn.Sequential(first, nn.ReLU(), nn.Dropout(0.3), last)
    optimiser = torch.optim.AdamW(head.parameters(), lr=2e-3, weight_decay=0.03)
    plan = torch.optim.lr_scheduler.CosineAnnealingLR(optimiser, epochs)
    usable = k == JUDGEMENTS.index("usable")
    for _ in range(epochs):
        order = torch.randperm(len(x))
        for low in range(0, len(x), 128):
            at = order[low : low + 128]
            out = head(x[at] + 0.05 * torch.randn_like(x[at]))
            loss = nn.functional.cross_entropy(out[:, 3:], k[at], label_smoothing=0.01)
            if usable[at].any():
                loss = loss + 0.7 * nn.functional.binary_cross_entropy_with_logits(
                    out[usable[at], :3], y[at][usable[at]]
                )
            optimiser.zero_grad()
            loss.backward()  # type: ignore[no-untyped-call]
            optimiser.step()
        plan.step()
    head.eval()
    with torch.no_grad():  # the scaling goes into the first layer
        first.weight.div_(torch.from_numpy(spread)[None])
        first.bias.sub_(first.weight @ torch.from_numpy(mean))
    return nn.Sequential(first, nn.ReLU(inplace=True), last)


def train_heads(
    out: Path,
    *,
    start_from: Path,
    onnx: Path,
    examples: int = 6000,
    validation: int = 800,
    workers: int = 2,
    side_px: int = 320,
    width: float = 0.85,
    epochs: int = 60,
    minutes: float = 60.0,
) -> dict[str, Any]:
    """Draw examples, fit the heads, export.

    Parameters
    ----------
    out : Path
        Folder for `segmenter.onnx`, `segmenter.pt` and `heads.json`.
    start_from : Path
        Weights whose trunk is kept.
    onnx : Path
        The same network as ONNX, for the first look.
    examples, validation : int
        Examples drawn to learn from and to score on; seeds apart.
    minutes : float
        Drawing stops after this time with what there is.
    """
    begun = time.monotonic()
    out.mkdir(parents=True, exist_ok=True)
    chunk = 50
    tasks = [
        (start_from, onnx, s, min(chunk, examples - s), side_px, width)
        for s in range(0, examples, chunk)
    ]
    held = [
        (start_from, onnx, VALIDATION_START + s, min(chunk, validation - s), side_px, width)
        for s in range(0, validation, chunk)
    ]
    parts = []
    with mp.get_context("spawn").Pool(workers) as pool:
        for part in pool.imap(_gather, held + tasks):
            parts.append(part)
            if time.monotonic() - begun > 60 * minutes and len(parts) > len(held):
                pool.terminate()
                break
    seen, exposed, judged = (
        np.concatenate([part[i] for part in parts[len(held) :]]) for i in range(3)
    )
    kept = [np.concatenate([part[i] for part in parts[: len(held)]]) for i in range(3)]
    np.savez_compressed(
        out / "seen.npz",
        seen=seen,
        exposed=exposed,
        judged=judged,
        held_seen=kept[0],
        held_exposed=kept[1],
        held_judged=kept[2],
    )
    net = BudNet(width)
    load_trunk(net, start_from)
    net.whole = _fit(seen, exposed, judged, seen.shape[1], epochs)
    net.eval()
    with torch.no_grad():
        said = net.whole(torch.from_numpy(kept[0])).numpy()
    guess, usable = said[:, 3:].argmax(1), JUDGEMENTS.index("usable")
    good = kept[2] == usable
    facts = {
        "examples": len(seen),
        "seconds": round(time.monotonic() - begun),
        "usable_refused": float((guess[good] != usable).mean()),
        "unusable_refused": float((guess[~good] != usable).mean()),
        "refused_by_kind": {
            name: float((guess[kept[2] == k] != usable).mean())
            for k, name in enumerate(JUDGEMENTS)
            if (kept[2] == k).any()
        },
        "exposed_right": [
            float(((said[good, k] > 0) == (kept[1][good, k] > 0.5)).mean()) for k in range(3)
        ],
    }
    torch.save(net.state_dict(), out / "segmenter.pt")
    facts["onnx_gap"] = export_onnx(net, out / "segmenter.onnx", side_px=side_px)
    (out / "heads.json").write_text(json.dumps(facts, indent=1), encoding="utf-8")
    return facts


def main() -> None:
    """Train the heads from the command line."""
    parser = argparse.ArgumentParser(prog="python -m budvision.verdict.segmenter_heads")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--start-from", type=Path, required=True)
    parser.add_argument("--onnx", type=Path, required=True)
    parser.add_argument("--examples", type=int, default=6000)
    parser.add_argument("--validation", type=int, default=800)
    parser.add_argument("--workers", type=int, default=max(1, min(4, os.cpu_count() or 1)))
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--width", type=float, default=0.85)
    given = parser.parse_args()
    facts = train_heads(
        given.out,
        start_from=given.start_from,
        onnx=given.onnx,
        examples=given.examples,
        validation=given.validation,
        workers=given.workers,
        width=given.width,
        minutes=given.minutes,
    )
    sys.stdout.write(json.dumps(facts, indent=1) + "\n")


if __name__ == "__main__":
    main()
