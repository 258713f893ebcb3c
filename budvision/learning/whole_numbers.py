"""A segmenter whose network counts in whole numbers: the same weights, less than half the time.

``python -m budvision.learning.whole_numbers --start-from models/staged-2.0 --traced TRACED --out
DIR`` looks at photographs that the network was trained on, and at drawn ones, notes how far each
layer's values reach, and writes weights of 7 and values of 8 bits. Weights of 8 bits would overflow
on processors that add products in 16 bits; so the sums are exact, and the same, everywhere. The
photographs held out are not looked at. Needs onnx, of the `train` extra.
"""

from __future__ import annotations

import argparse
import logging
import shutil
import sys
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from itertools import chain
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt
import onnx
from onnx import TensorProto, numpy_helper
from onnxruntime.quantization import (
    CalibrationDataReader,
    QuantFormat,
    QuantType,
    quantize_static,
)

from budvision.learning.scenes import draw_staged
from budvision.learning.traced import load_traced
from budvision.photo.locate import (
    FRAME_PX,
    box_round,
    cut_out,
    letterboxed,
    quarter_turns,
    seek,
)
from budvision.photo.segmenter import Segmenter

__all__ = ["in_whole_numbers", "main", "squares_of"]

Uint8 = npt.NDArray[np.uint8]

SIDE_PX: Final = 1000
"""Longest side of the pictures looked at, as in a proposal."""
FIRST_SEED: Final = 1_700_000_000
"""Of the drawn photographs; seeds that figures are counted on start higher."""
_LAYERS: Final = ["Conv", "Relu", "Add", "Resize"]


def squares_of(pictures: Iterable[Uint8], segmenter: Segmenter) -> Iterator[Uint8]:
    """Yield the squares that the network sees of photographs: the frame, then the face.

    Parameters
    ----------
    pictures : iterable of ndarray of uint8, (rows, cols, 3)
    segmenter : Segmenter

    Yields
    ------
    ndarray of uint8, (side, side, 3)
    """
    for picture in pictures:
        less = SIDE_PX / max(picture.shape[:2])
        if less < 1:
            picture = np.asarray(cv2.resize(
                picture, None, fx=less, fy=less, interpolation=cv2.INTER_AREA), np.uint8)
        turns = quarter_turns(picture)
        yield letterboxed(picture, FRAME_PX, turns)[0]
        place, _ = seek(picture, segmenter, turns)
        if place is not None:
            yield cut_out(picture, box_round(place), segmenter.crop_px, turns)


def in_whole_numbers(
    network: Path, squares: Iterable[Uint8], out: Path, *, weights_of: str
) -> None:
    """Write a network that counts in whole numbers and takes the picture's own levels.

    Parameters
    ----------
    network : Path
        A segmenter that budvision exported, in float32.
    squares : iterable of ndarray of uint8, (side, side, 3)
        What to note the reach of values on.
    out : Path
        The new file.
    weights_of : str
        Label of the model that `network` belongs to; what is to learn goes on from that one.
    """
    model = onnx.load(str(network))
    middle, slope = _take_scaling(model)
    _fold_norms(model)
    level, step = round(255 * middle), np.float32(slope / 255)
    _shift_first_layer(model, (level / 255 - middle) * slope)
    _drop_unread(model)

    class Reader(CalibrationDataReader):  # type: ignore[misc]
        def __init__(self) -> None:
            self._left = iter(squares)

        def get_next(self) -> dict[str, Any] | None:
            square = next(self._left, None)
            if square is None:
                return None
            return {"image": (square.transpose(2, 0, 1)[None].astype(np.float32) - level) * step}

    with tempfile.TemporaryDirectory() as folder:
        plain, whole = Path(folder) / "plain.onnx", Path(folder) / "whole.onnx"
        onnx.save(model, str(plain))
        logging.getLogger().setLevel(logging.ERROR)  # it advises what is done here already
        quantize_static(
            str(plain), str(whole), Reader(), quant_format=QuantFormat.QDQ, per_channel=True,
            reduce_range=True, activation_type=QuantType.QUInt8, weight_type=QuantType.QInt8,
            op_types_to_quantize=_LAYERS)
        model = onnx.load(str(whole))
    _take_levels(model, level, step)
    model.metadata_props.add(key="budvision.weights_of", value=weights_of)
    onnx.checker.check_model(model)
    onnx.save(model, str(out))


def _value(model: onnx.ModelProto, name: str) -> npt.NDArray[Any]:
    for one in model.graph.initializer:
        if one.name == name:
            return np.asarray(numpy_helper.to_array(one))
    for node in model.graph.node:
        if node.op_type == "Constant" and node.output[0] == name:
            return np.asarray(numpy_helper.to_array(node.attribute[0].t))
    raise KeyError(name)


def _set(model: onnx.ModelProto, name: str, value: npt.NDArray[Any]) -> None:
    """Set or add a weight."""
    for one in model.graph.initializer:
        if one.name == name:
            one.CopyFrom(numpy_helper.from_array(value, name))
            return
    model.graph.initializer.append(numpy_helper.from_array(value, name))


def _drop(model: onnx.ModelProto, node: onnx.NodeProto, instead: str) -> None:
    """Take a node out; those that read it read `instead`."""
    for other in model.graph.node:
        for i, name in enumerate(other.input):
            if name == node.output[0]:
                other.input[i] = instead
    model.graph.node.remove(node)


def _take_scaling(model: onnx.ModelProto) -> tuple[float, float]:
    """Take out the first two steps, less a middle and times a slope, and return both."""
    less = next(node for node in model.graph.node if node.op_type == "Sub")
    times = next(node for node in model.graph.node if node.input[:1] == less.output[:1])
    middle, slope = float(_value(model, less.input[1])), float(_value(model, times.input[1]))
    _drop(model, times, less.input[0])
    model.graph.node.remove(less)
    return middle, slope


def _shift_first_layer(model: onnx.ModelProto, by: float) -> None:
    """Make up in the first layer's constants for a middle that is a whole level."""
    first = next(node for node in model.graph.node if node.op_type == "Conv")
    weights, bias = (_value(model, name) for name in first.input[1:3])
    _set(model, first.input[2], (bias + by * weights.sum(axis=(1, 2, 3))).astype(np.float32))


def _fold_norms(model: onnx.ModelProto) -> None:
    """Fold each norm after a sum into the two layers whose outputs are added.

    One of them is enlarged on the way, which a scale for each channel does not notice.
    """
    made = {name: node for node in model.graph.node for name in node.output}
    for node in [one for one in model.graph.node if one.op_type == "BatchNormalization"]:
        gain, shift, mean, spread = (_value(model, name) for name in node.input[1:5])
        tiny = next(one.f for one in node.attribute if one.name == "epsilon")
        scale = gain / np.sqrt(spread + tiny)
        for k, name in enumerate(made[node.input[0]].input):
            layer = made[name]
            if layer.op_type == "Resize":
                layer = made[layer.input[0]]
            weights = _value(model, layer.input[1]) * scale[:, None, None, None]
            _set(model, layer.input[1], weights.astype(np.float32))
            if k == 0:
                _set(model, f"{layer.name}.bias", (shift - mean * scale).astype(np.float32))
                layer.input.append(f"{layer.name}.bias")
        _drop(model, node, node.input[0])


def _drop_unread(model: onnx.ModelProto) -> None:
    read = {name for node in model.graph.node for name in node.input}
    for parts in (model.graph.initializer, model.graph.node):
        for one in list(parts):
            made = one.output[0] if isinstance(one, onnx.NodeProto) else one.name
            if made not in read and made not in ("pixels", "whole"):
                parts.remove(one)


def _take_levels(model: onnx.ModelProto, level: int, step: np.float32) -> None:
    """Let the network take levels of 0 to 255 where it made whole numbers of its input itself."""
    first = next(node for node in model.graph.node
                 if node.op_type == "QuantizeLinear" and node.input[0] == "image")
    _set(model, first.input[1], np.array(step, np.float32))
    _set(model, first.input[2], np.array(level, np.uint8))
    _drop(model, first, "image")
    model.graph.input[0].type.tensor_type.elem_type = TensorProto.UINT8


def main(arguments: Sequence[str] | None = None) -> None:
    """Write a model folder whose segmenter counts in whole numbers."""
    parser = argparse.ArgumentParser(prog="python -m budvision.learning.whole_numbers")
    parser.add_argument("--start-from", type=Path, required=True)
    parser.add_argument("--traced", type=Path, required=True)
    parser.add_argument("--drawn", type=int, default=60)
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args(arguments)
    start: Path = options.start_from
    options.out.mkdir(parents=True, exist_ok=True)
    traced = (one.image for one in load_traced(options.traced, held_out=False))
    drawn = (draw_staged(FIRST_SEED + k).image for k in range(options.drawn))
    squares = squares_of(chain(traced, drawn), Segmenter.load(start))
    in_whole_numbers(start / "segmenter.onnx", squares,
                     options.out / "segmenter.onnx",
                     weights_of=start.name)
    for name in ("verdict.skops", "segmenter_metrics.json"):
        shutil.copy(start / name, options.out / name)
    sys.stderr.write(f"{options.out} written\n")


if __name__ == "__main__":
    main()
