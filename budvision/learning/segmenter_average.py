"""Average the weights of segmenters that were trained on from the same start.

``python -m budvision.learning.segmenter_average A/segmenter.pt B/segmenter.pt --out DIR`` averages
weight by weight, measures the statistics of the normalisation anew on freshly drawn examples,
scores and exports like the training itself. Networks trained on from one start with other examples
lie close enough together for their mean to be better than each (Wortsman et al. 2022, Model soups,
ICML, PMLR 162:23965-23998). Needs the `train` extra.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import torch
from torch import nn

from budvision.learning.network import BudNet
from budvision.learning.segmenter_pool import VALIDATION_START, drawn
from budvision.learning.segmenter_scores import score
from budvision.learning.segmenter_training import bend, predict, save_network
from budvision.render.examples import JUDGEMENTS

__all__ = ["average", "main"]

STATISTICS_START = 800_000_000
"""Examples from this seed on serve the statistics only."""


def _mean(states: Sequence[dict[str, torch.Tensor]]) -> dict[str, torch.Tensor]:
    return {
        name: torch.stack([state[name].float() for state in states]).mean(0)
        if states[0][name].is_floating_point()
        else states[0][name]
        for name in states[0]
    }


def average(
    files: Sequence[Path],
    out: Path,
    *,
    workers: int = 2,
    side_px: int = 320,
    examples: int = 4000,
    validation: int = 1200,
    device: str = "auto",
) -> dict[str, Any]:
    """Average networks, score each and the mean, and export the mean.

    Parameters
    ----------
    files : sequence of Path
        `segmenter.pt` of networks of the same width, trained on from the same start.
    out : Path
        Folder for `segmenter.onnx`, `segmenter.pt` and `segmenter.json`.
    examples : int
        Examples drawn for the normalisation's statistics.

    Returns
    -------
    dict
        What `segmenter.json` holds: the sources' facts and all scores.
    """
    out.mkdir(parents=True, exist_ok=True)
    if device == "auto":
        device = "cuda" if torch.cuda.is_available() else "cpu"
    states = [torch.load(file, map_location="cpu", weights_only=True) for file in files]
    held = drawn(validation, VALIDATION_START, workers, side_px)
    fresh = drawn(examples, STATISTICS_START, workers, side_px)
    scores = {}
    for file, state in zip(files, states, strict=True):
        net = BudNet().to(device)
        net.load_state_dict(state)
        net.eval()
        scores[file.parent.name] = score(
            *predict(net, held.pixels(), device), held.pixels(), held.rows()
        )
    net = BudNet().to(device)
    net.load_state_dict(_mean(states))
    for layer in net.modules():
        if isinstance(layer, nn.BatchNorm2d):
            layer.reset_running_stats()
            layer.momentum = None
    net.train()
    pixels = fresh.pixels()
    with torch.no_grad():
        for at in range(0, examples - examples % 64, 64):
            batch = torch.from_numpy(pixels[at : at + 64].copy()).to(device)
            net(bend(batch, side_px)[0])
    net.eval()
    scores["mean"] = score(*predict(net, held.pixels(), device), held.pixels(), held.rows())
    gap = save_network(net, out, probe=held.pixels()[:1])
    sources = [file.with_name("segmenter.json") for file in files]
    facts = [json.loads(path.read_text(encoding="utf-8")) for path in sources if path.is_file()]
    result = {
        "side_px": side_px,
        "parameters": sum(p.numel() for p in net.parameters()),
        "averaged": len(files),
        "examples_drawn": sum(int(one["examples_drawn"]) for one in facts),
        "seconds": max((int(one["seconds"]) for one in facts), default=0),
        "onnx_gap": gap,
        "judgements": list(JUDGEMENTS),
        "validation": scores,
    }
    (out / "segmenter.json").write_text(json.dumps(result, indent=1), encoding="utf-8")
    return result


def main(arguments: Sequence[str] | None = None) -> None:
    """Average from the command line."""
    parser = argparse.ArgumentParser(prog="python -m budvision.learning.segmenter_average")
    parser.add_argument("files", type=Path, nargs="+")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--workers", type=int, default=max(1, (os.cpu_count() or 2) - 1))
    parser.add_argument("--examples", type=int, default=4000)
    parser.add_argument("--validation", type=int, default=1200)
    given = parser.parse_args(arguments)
    facts = average(
        given.files,
        given.out,
        workers=given.workers,
        examples=given.examples,
        validation=given.validation,
    )
    sys.stdout.write(json.dumps(facts, indent=1) + "\n")


if __name__ == "__main__":
    main()
