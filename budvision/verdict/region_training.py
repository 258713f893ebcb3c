"""Go on training the segmenter with corrected and confirmed regions, mixed with renders.

Needs torch and onnx, the `train` extra. The network's weights are read back from the ONNX file
that is in use, so a laboratory needs nothing but the shipped model.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn

from budvision.errors import InputError, NothingToDoError
from budvision.render.examples import JUDGEMENTS, draw_example
from budvision.verdict.network import BudNet, export_onnx
from budvision.verdict.segmenter_training import CLASS_WEIGHTS, _bend, _loss, _predict

__all__ = ["RegionExamples", "fine_tune", "network_of", "overlap"]

SIDE_PX = 320
_LEAST = 8
_RATE = 2e-4


@dataclass(frozen=True, slots=True)
class RegionExamples:
    """Crops round cut faces with labels that people drew or confirmed.

    Attributes
    ----------
    images : ndarray of uint8, shape (n, 320, 320, 3)
    labels : ndarray of uint8, shape (n, 320, 320)
    exposed, dead : ndarray of bool, shape (n, 3)
        Primary, secondary, tertiary, as people called them.
    cane : ndarray of int, shape (n,)
    corrected : ndarray of bool, shape (n,)
        Drawn by a person, not only confirmed by calls.
    """

    images: NDArray[np.uint8]
    labels: NDArray[np.uint8]
    exposed: NDArray[np.bool_]
    dead: NDArray[np.bool_]
    cane: NDArray[np.int64]
    corrected: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.images)

    def packed(self) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
        """Return pictures (n, side, side, 5) and rows (n, 8) as the trainer takes them."""
        n = len(self)
        brown = np.zeros_like(self.labels)
        for k in range(3):
            brown[(self.labels == k + 1) & self.dead[:, k, None, None]] = 255
        pixels = np.concatenate(
            [self.images, self.labels[..., None], brown[..., None]], axis=3)
        rows = np.zeros((n, 8), np.uint8)
        rows[:, :3], rows[:, 5:8] = self.exposed, self.dead
        rows[:, 3] = JUDGEMENTS.index("usable")
        rows[:, 4] = 1
        return pixels, rows


def network_of(path: Path) -> BudNet:
    """Rebuild the network from an exported ONNX file, in evaluation mode.

    Raises
    ------
    InputError
        When the file is not an export of this network.

    Notes
    -----
    The export folds each normalisation into the convolution before it. Here the folded weights go
    back into the convolution and the normalisation is set to add the folded offset.
    """
    import onnx
    from onnx import numpy_helper

    graph = onnx.load(str(path)).graph
    values = {one.name: numpy_helper.to_array(one) for one in graph.initializer}
    convs = [node for node in graph.node if node.op_type == "Conv"]
    stem = values[convs[0].input[1]].shape[0]
    width = next(
        (w / 100 for w in range(25, 301, 5) if _widths(w / 100) == (
            stem, *_stage_widths(values))), None)
    if width is None:
        raise InputError("its layers have another size", where=str(path),
                         expected="a segmenter that budvision exported",
                         do="Name the model that it came with.")
    net = BudNet(width)
    order: list[tuple[nn.Conv2d, nn.BatchNorm2d | None]] = []
    follower = _followers(net)
    hooks = [
        module.register_forward_hook(
            lambda m, _i, _o: order.append((m, follower.get(m))))
        for module in net.modules() if isinstance(module, nn.Conv2d)]
    net.eval()
    with torch.no_grad():
        net(torch.zeros(1, 3, 64, 64))
    for hook in hooks:
        hook.remove()
    if len(order) != len(convs):
        raise InputError(f"it has {len(convs)} convolutions", where=str(path),
                         expected=f"{len(order)}", do="Name the model that it came with.")
    named = {name: torch.from_numpy(value.copy()) for name, value in values.items()
             if name in net.state_dict()}
    try:
        net.load_state_dict(named, strict=False)
    except RuntimeError as error:
        raise InputError("its layers have another shape", where=str(path),
                         expected="a segmenter that this version exported",
                         do="Name the model that came with this version.") from error
    with torch.no_grad():
        for (conv, norm), node in zip(order, convs, strict=True):
            conv.weight.copy_(torch.from_numpy(values[node.input[1]].copy()))
            offset = values[node.input[2]] if len(node.input) > 2 else None
            if offset is None:
                continue
            if conv.bias is not None:
                conv.bias.copy_(torch.from_numpy(offset.copy()))
            elif norm is not None:
                norm.running_mean.zero_()  # type: ignore[union-attr]
                norm.running_var.fill_(1.0)  # type: ignore[union-attr]
                norm.weight.fill_(float(np.sqrt(1 + norm.eps)))
                norm.bias.copy_(torch.from_numpy(offset.copy()))
    return net


def _widths(width: float) -> tuple[int, ...]:
    net: Any = BudNet(width)
    return (net.stem[0].out_channels, net.up1.side.in_channels, net.up2.side.in_channels,
            net.up3.side.in_channels, net.up3.reduce.in_channels)


def _stage_widths(values: dict[str, Any]) -> tuple[int, ...]:
    try:
        return (values["up1.side.weight"].shape[1], values["up2.side.weight"].shape[1],
                values["up3.side.weight"].shape[1], values["up3.reduce.weight"].shape[1])
    except KeyError:
        return ()


def _followers(net: nn.Module) -> dict[nn.Module, nn.BatchNorm2d]:
    """Return the normalisation that stands right after each convolution in a sequence."""
    out: dict[nn.Module, nn.BatchNorm2d] = {}
    for module in net.modules():
        if isinstance(module, nn.Sequential):
            parts = list(module)
            for first, second in pairwise(parts):
                if isinstance(first, nn.Conv2d) and isinstance(second, nn.BatchNorm2d):
                    out[first] = second
    return out


def overlap(net: nn.Module, pixels: NDArray[np.uint8]) -> dict[str, float]:
    """Return the mean overlap (IoU) of primary, secondary and tertiary where they are exposed."""
    maps, _ = _predict(net, pixels, "cpu")
    guess = maps[:, :5].argmax(1)
    truth = pixels[:, ::2, ::2, 3]
    out = {}
    for k, name in enumerate(("primary", "secondary", "tertiary"), start=1):
        shares = [
            float(((g == k) & (t == k)).sum() / max(1, ((g == k) | (t == k)).sum()))
            for g, t in zip(guess, truth, strict=True) if (t == k).any()]
        if shares:
            out[name] = float(np.mean(shares))
    return out


def _renders(n: int, rng: np.random.Generator) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    pixels = np.zeros((n, SIDE_PX, SIDE_PX, 5), np.uint8)
    rows = np.zeros((n, 8), np.uint8)
    for i in range(n):
        example = draw_example(rng, side_px=SIDE_PX)
        pixels[i, ..., :3], pixels[i, ..., 3], pixels[i, ..., 4] = (
            example.image, example.labels, example.dead)
        rows[i, :3], rows[i, 3] = example.exposed, JUDGEMENTS.index(example.judgement)
        rows[i, 4], rows[i, 5:8] = 1, example.state
    return pixels, rows


def fine_tune(
    start: Path, out: Path, examples: RegionExamples, *, minutes: float,
    rng: np.random.Generator, n_renders: int = 300, batch: int = 12,
    progress: Callable[[str, int, int], None] | None = None,
) -> dict[str, Any]:
    """Go on training from a segmenter and export the result.

    Parameters
    ----------
    start, out : Path
        The ONNX file in use, and the one to write.
    examples : RegionExamples
    minutes : float
        Time for the steps themselves.
    rng : Generator
    n_renders : int
        Renders mixed in, so that nothing learnt before is forgotten; half of each batch.
    batch : int
    progress : callable, optional
        Called with (what, done, in all).

    Returns
    -------
    dict
        Overlaps before and after on own canes left out and on renders left out, steps, and the
        largest difference between torch and `cv2.dnn`.

    Raises
    ------
    NothingToDoError
        When there are fewer than 8 examples or fewer than 3 canes.
    """
    canes = np.unique(examples.cane)
    if len(examples) < _LEAST or len(canes) < 3:
        raise NothingToDoError(
            f"there are {len(examples)} corrected or confirmed regions on {len(canes)} canes",
            where="train --regions", expected=f"at least {_LEAST} on 3 canes",
            do="Correct outlines on the review page, then try again.")
    left = rng.permutation(canes)[:max(1, len(canes) // 5)]
    own, own_rows = examples.packed()
    held = np.isin(examples.cane, left)
    if progress is not None:
        progress("renders", 0, n_renders)
    renders, render_rows = _renders(n_renders, rng)
    n_check = max(8, n_renders // 6)
    net = network_of(start)
    usable = render_rows[:n_check, 3] == JUDGEMENTS.index("usable")
    check = renders[:n_check][usable]
    before = {"own": overlap(net, own[held]), "renders": overlap(net, check)}
    torch.manual_seed(int(rng.integers(2**31)))
    weights = torch.tensor(CLASS_WEIGHTS)
    optimiser = torch.optim.AdamW(net.parameters(), lr=_RATE, weight_decay=0.01)
    own_at = np.flatnonzero(~held)
    worth = np.where(examples.corrected[own_at], 2.0, 1.0)
    worth = worth / worth.sum()
    net.eval()  # normalisation stays folded: small batches must not move it
    begun, step, end = time.monotonic(), 0, time.monotonic() + 60 * minutes
    while time.monotonic() < end or step < 2:
        half = batch // 2
        mine = rng.choice(own_at, half, p=worth)
        theirs = rng.integers(n_check, n_renders, batch - half)
        pictures = torch.from_numpy(np.concatenate([own[mine], renders[theirs]]))
        rows = torch.from_numpy(np.concatenate([own_rows[mine], render_rows[theirs]]))
        image, labels, dead = _bend(pictures, SIDE_PX)
        maps, whole = net(image)
        loss = _loss(maps, whole, labels, dead, rows, weights)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimiser.step()
        step += 1
        if progress is not None:
            progress("steps", int(time.monotonic() - begun), int(60 * minutes) + 1)
    after = {"own": overlap(net, own[held]), "renders": overlap(net, check)}
    gap = export_onnx(net, out, side_px=SIDE_PX)
    return {
        "before": before, "after": after, "steps": step, "n_regions": len(examples),
        "n_corrected": int(examples.corrected.sum()), "n_canes": len(canes),
        "n_left_out": int(held.sum()), "onnx_gap": gap}
