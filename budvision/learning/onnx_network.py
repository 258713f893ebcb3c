"""Run a segmenter's ONNX file in torch, so that it can be trained on, and write it back.

Only the operations that the segmenter uses are known; the file's structure is kept, its weights
alone change. So a laboratory can train on from the shipped file whatever version exported it.
Needs torch and onnx, the `train` extra.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import onnx
import torch
from onnx import numpy_helper
from torch import Tensor, nn

from budvision.errors import InputError

__all__ = ["OnnxNetwork"]


def _conv(attrs: dict[str, Any], x: Tensor, weight: Tensor, bias: Tensor | None = None) -> Tensor:
    pads = attrs.get("pads", [0, 0, 0, 0])
    return nn.functional.conv2d(
        x, weight, bias, stride=tuple(attrs.get("strides", [1, 1])), padding=(pads[0], pads[1]),
        dilation=tuple(attrs.get("dilations", [1, 1])), groups=attrs.get("group", 1))


def _norm(attrs: dict[str, Any], x: Tensor, scale: Tensor, shift: Tensor, mean: Tensor,
          var: Tensor) -> Tensor:
    factor = scale / torch.sqrt(var + attrs.get("epsilon", 1e-5))
    return x * factor[:, None, None] + (shift - mean * factor)[:, None, None]


def _resize(attrs: dict[str, Any], x: Tensor, _roi: Tensor | None, scales: Tensor) -> Tensor:
    return nn.functional.interpolate(
        x, scale_factor=[float(s) for s in scales[2:]], mode="bilinear", align_corners=False)


def _slice(attrs: dict[str, Any], x: Tensor, starts: Tensor, ends: Tensor, axes: Tensor,
           steps: Tensor) -> Tensor:
    for start, end, axis, step in zip(
            starts.tolist(), ends.tolist(), axes.tolist(), steps.tolist(), strict=True):
        where = [slice(None)] * x.ndim
        where[int(axis)] = slice(int(start), min(int(end), x.shape[int(axis)]), int(step))
        x = x[tuple(where)]
    return x


def _gemm(attrs: dict[str, Any], x: Tensor, weight: Tensor, bias: Tensor) -> Tensor:
    return x @ (weight.T if attrs.get("transB") else weight) + bias


_OPERATIONS: dict[str, Callable[..., Tensor]] = {
    "Add": lambda attrs, a, b: a + b, "Sub": lambda attrs, a, b: a - b,
    "Mul": lambda attrs, a, b: a * b, "Div": lambda attrs, a, b: a / b,
    "Relu": lambda attrs, x: torch.relu(x), "Identity": lambda attrs, x: x,
    "Cast": lambda attrs, x: x.float(), "Conv": _conv, "BatchNormalization": _norm,
    "Resize": _resize, "Slice": _slice, "Gemm": _gemm,
    "AveragePool": lambda attrs, x: nn.functional.avg_pool2d(
        x, tuple(attrs["kernel_shape"]), tuple(attrs["strides"])),
    "Softmax": lambda attrs, x: torch.softmax(x, attrs.get("axis", 1)),
    "ReduceMean": lambda attrs, x: x.mean(
        tuple(attrs["axes"]), keepdim=bool(attrs.get("keepdims", 1))),
    "Concat": lambda attrs, *parts: torch.cat(parts, attrs["axis"]),
}


class OnnxNetwork(nn.Module):
    """A network whose structure and weights come from an ONNX file.

    Parameters
    ----------
    path : Path
        A segmenter's file.

    Raises
    ------
    InputError
        When the file holds an operation that the segmenter does not use, or has other outputs.
    """

    def __init__(self, path: Path) -> None:
        super().__init__()
        self._model = onnx.load(str(path))
        graph = self._model.graph
        self._refuse_other_networks(path)
        self._hold_weights()
        self._steps = [
            (_OPERATIONS[n.op_type],
             {a.name: onnx.helper.get_attribute_value(a) for a in n.attribute},
             tuple(n.input), n.output[0])
            for n in graph.node if n.op_type != "Constant"]
        self._input = graph.input[0].name

    def _refuse_other_networks(self, path: Path) -> None:
        graph = self._model.graph
        unknown = {n.op_type for n in graph.node} - set(_OPERATIONS) - {"Constant"}
        outputs = [one.name for one in graph.output]
        if unknown or outputs[:2] != ["pixels", "whole"]:
            raise InputError(
                f"it has outputs {outputs} and operations {sorted(unknown) or 'as expected'}",
                where=str(path), expected="a segmenter that budvision exported",
                do="Name the model that it came with.")

    def _hold_weights(self) -> None:
        """Register what may learn as parameters, running means and constants as buffers."""
        graph = self._model.graph
        fixed = {name for n in graph.node if n.op_type == "BatchNormalization"
                 for name in n.input[3:5]}
        self._place: dict[str, str] = {}
        for i, one in enumerate(graph.initializer):
            value = torch.from_numpy(numpy_helper.to_array(one).copy())
            key = f"part_{i}"
            self._place[one.name] = key
            if value.is_floating_point() and one.name not in fixed and value.ndim:
                self.register_parameter(key, nn.Parameter(value))
            else:
                self.register_buffer(key, value)
        for i, node in enumerate(n for n in graph.node if n.op_type == "Constant"):
            key = f"constant_{i}"
            self._place[node.output[0]] = key
            value = next(a.t for a in node.attribute if a.name == "value")
            self.register_buffer(key, torch.from_numpy(numpy_helper.to_array(value).copy()))

    def forward(self, image: Tensor) -> tuple[Tensor, Tensor]:
        """Return maps (n, 7, h / 2, w / 2) and judgements (n, k) of pictures (n, 3, h, w)."""
        values: dict[str, Tensor | None] = {"": None, self._input: image}

        def of(name: str) -> Tensor | None:
            if name in values:
                return values[name]
            found: Tensor = getattr(self, self._place[name])
            return found

        for run, attributes, inputs, output in self._steps:
            values[output] = run(attributes, *(of(name) for name in inputs))
        pixels, whole = values["pixels"], values["whole"]
        assert pixels is not None
        assert whole is not None
        return pixels, whole

    def write(self, path: Path, *, check: np.ndarray) -> float:
        """Write the file with the present weights; return the largest difference to `cv2.dnn`.

        Parameters
        ----------
        check : ndarray of float32, shape (1, 3, side, side)
            Input to compare on.
        """
        import cv2

        for one in self._model.graph.initializer:
            value = getattr(self, self._place[one.name]).detach().cpu().numpy()
            one.CopyFrom(numpy_helper.from_array(np.ascontiguousarray(value), one.name))
        onnx.save(self._model, str(path))
        with torch.no_grad():
            wanted = self(torch.from_numpy(check))
        reader = cv2.dnn.readNetFromONNX(str(path))
        reader.setInput(check)
        got = reader.forward(["pixels", "whole"])
        return float(max(
            np.abs(np.asarray(g) - w.numpy()).max() for g, w in zip(got, wanted, strict=True)))
