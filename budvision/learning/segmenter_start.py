"""Bring the weights of an exported segmenter into the network, so that training goes on from it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np
import onnx
import torch
from onnx import numpy_helper
from torch import Tensor, nn

from budvision.errors import InputError
from budvision.learning.network import N_CLASSES, BudNet

__all__ = ["from_onnx", "grow", "load_start", "settle_statistics"]

_OLD_CLASSES = 5
_HEAD_READS = 24
_OLD_MAPS = 2


def load_start(net: BudNet, path: Path, *, batches: Callable[[], Any] | None = None) -> None:
    """Load `segmenter.pt`, or an exported `segmenter.onnx` of either layout and any narrower shape.

    Parameters
    ----------
    net : BudNet
        Changed in place.
    batches : callable, optional
        Gives an iterable of pictures, Tensor (n, 3, side, side): statistics of the normalisation
        for weights from an ONNX file, which holds none of its own.
    """
    if path.suffix == ".onnx":
        same = _kernels(net.parameters()) == _kernels(
            numpy_helper.to_array(one) for one in onnx.load(str(path)).graph.initializer)
        start = net if same else BudNet().to(next(net.parameters()).device)
        from_onnx(start, path)
        if batches is not None:
            settle_statistics(start, batches())
        if start is not net:
            grow(net, start)
        return
    device = next(net.parameters()).device
    net.load_state_dict(torch.load(path, map_location=device, weights_only=True))


def _kernels(arrays: Iterable[Any]) -> list[tuple[int, ...]]:
    """Return the shapes of the convolutions of a network but its heads."""
    shapes = (tuple(one.shape) for one in arrays)
    return sorted(one for one in shapes if len(one) == 4 and one[1] != _HEAD_READS)


@torch.no_grad()
def grow(net: BudNet, narrow: BudNet) -> None:
    """Give a wider network the weights of a narrower one, so that it answers as that one does.

    Channels that are new read what they like and are read by none of the old ones: training
    brings them in (after Chen, Goodfellow & Shlens 2016, Net2Net, ICLR).
    """
    given, own = narrow.state_dict(), net.state_dict()
    for name, value in own.items():
        old = given[name]
        if value.shape == old.shape:
            value.copy_(old)
            continue
        if value.ndim < 2:
            value[: old.shape[0]] = old
            continue
        value[: old.shape[0]] = 0
        value[: old.shape[0], : old.shape[1]] = old
        if name == "whole.0.weight":  # it reads two levels, one after the other
            coarse, other = (one["down4.0.0.weight"].shape[0] for one in (given, own))
            value[:] = 0
            value[:, :coarse] = old[:, :coarse]
            value[:, other : other + old.shape[1] - coarse] = old[:, coarse:]


def _same_start(own: Tensor, given: Tensor) -> Tensor:
    """Return `own` with as many leading rows replaced as `given` has."""
    out = own.clone()
    out[: given.shape[0]] = given
    return out


def _heads(state: dict[str, Tensor], net: BudNet) -> None:
    """Fit the old layout's heads into the new: new classes start as scales that are rare."""
    for kind in ("weight", "bias"):
        given, own = state[f"pixels.{kind}"], getattr(net.pixels, kind).detach()
        if given.shape[0] == own.shape[0]:
            continue
        out = own.clone() * 0.1
        out[:_OLD_CLASSES] = given[:_OLD_CLASSES]
        for class_ in range(_OLD_CLASSES, N_CLASSES):
            out[class_] = given[_OLD_CLASSES - 1]
            out[class_] -= 2.5 if kind == "bias" else 0.0
        out[N_CLASSES : N_CLASSES + _OLD_MAPS] = given[_OLD_CLASSES : _OLD_CLASSES + _OLD_MAPS]
        if kind == "bias":
            out[N_CLASSES + _OLD_MAPS :] = -4.0
        state[f"pixels.{kind}"] = out
        last = getattr(net.whole[2], kind).detach()
        wide = _same_start(last, state[f"whole.2.{kind}"])
        if kind == "bias":
            wide[state["whole.2.bias"].shape[0] :] = -4.0
        state[f"whole.2.{kind}"] = wide


def from_onnx(net: BudNet, path: Path) -> None:
    """Copy weights out of an ONNX file whose convolutions have swallowed their normalisation.

    Raises
    ------
    InputError
        When the file's network has another shape.
    """
    tensors = {
        one.name: torch.from_numpy(np.array(numpy_helper.to_array(one)))
        for one in onnx.load(str(path)).graph.initializer}
    named = {name: value for name, value in tensors.items() if not name.startswith("onnx::")}
    folded = [value for name, value in tensors.items() if name.startswith("onnx::Conv")]
    own = net.state_dict()
    state = {name: value for name, value in named.items() if name in own}
    places = [
        name.removesuffix(".weight") for name, value in own.items()
        if value.ndim == 4 and name not in state and name.endswith("weight")]
    if 2 * len(places) != len(folded):
        raise InputError(
            f"it has {len(folded) // 2} folded convolutions", where=str(path),
            expected=f"{len(places)}, as the network has",
            do="Start from a segmenter of the same width.")
    for place, weight, bias in zip(places, folded[::2], folded[1::2], strict=True):
        parent, _, last = place.rpartition(".")
        norm = f"{parent}.{int(last) + 1}"
        state[f"{place}.weight"] = weight
        state[f"{norm}.weight"] = torch.ones_like(bias)
        state[f"{norm}.bias"] = bias
        state[f"{norm}.running_mean"] = torch.zeros_like(bias)
        state[f"{norm}.running_var"] = torch.full_like(bias, 1 - 1e-5)
    _heads(state, net)
    missing, extra = net.load_state_dict(state, strict=False)
    if extra or any(not name.endswith("num_batches_tracked") for name in missing):
        raise InputError(
            f"it lacks {missing[:3]} and brings {extra[:3]}", where=str(path),
            expected="a segmenter that budvision exported", do="Start from another file.")


@torch.no_grad()
def settle_statistics(net: nn.Module, pictures: Any) -> None:
    """Give each normalisation the statistics of real pictures, its output unchanged.

    A network read from ONNX has its normalisation folded away: mean 0, variance 1. Training would
    normalise by each batch and so change it at once. Here every normalisation gets the mean and
    variance of what reaches it, and scale and shift that undo them.
    """
    sums: dict[nn.BatchNorm2d, tuple[Tensor, Tensor, int]] = {}

    def note(layer: nn.Module, inputs: tuple[Tensor, ...]) -> None:
        assert isinstance(layer, nn.BatchNorm2d)
        x = inputs[0].float()
        total, squares, n = sums.get(layer, (torch.zeros(()), torch.zeros(()), 0))
        sums[layer] = (total.to(x.device) + x.sum((0, 2, 3)),
                       squares.to(x.device) + (x * x).sum((0, 2, 3)), n + x[:, 0].numel())

    layers = [layer for layer in net.modules() if isinstance(layer, nn.BatchNorm2d)]
    hooks = [layer.register_forward_pre_hook(note) for layer in layers]
    net.eval()
    for batch in pictures:
        net(batch)
    for hook in hooks:
        hook.remove()
    for layer, (total, squares, n) in sums.items():
        mean = total / n
        var = (squares / n - mean**2).clamp(min=1e-4)
        assert layer.running_mean is not None
        assert layer.running_var is not None
        old_scale = layer.weight / torch.sqrt(layer.running_var + layer.eps)
        old_shift = layer.bias - layer.running_mean * old_scale
        scale = old_scale * torch.sqrt(var + layer.eps)
        layer.weight.copy_(scale)
        layer.bias.copy_(old_shift + mean * old_scale)
        layer.running_mean.copy_(mean)
        layer.running_var.copy_(var)
    net.train()
