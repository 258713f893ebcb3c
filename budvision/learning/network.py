"""The segmenter's network: small, U-shaped, plain operations that `cv2.dnn` runs quickly.

One network serves twice: on the whole frame, to find the cut face, and on the square round the
face, to tell the tissues apart. Input is RGB in [0, 1], shape (batch, 3, side, side), side a
multiple of 32. Outputs:

``pixels``
    (batch, 11, side / 2, side / 2): eight class logits (`budvision.render.zones.ZONES`; those from
    4 on fold to scales and wool), a logit of this pixel being dead, a logit of the growing point of
    this pixel's tissue being dead, a logit of a growing point lying here.
``whole``
    (batch, 3 + n): logits of exposed for primary, secondary, tertiary, then one logit a judgement
    of `JUDGEMENTS` (softmax).

The exported file says all this of itself in its metadata (`LAYOUT`), for whoever runs it.

Needs torch, the `train` extra.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Final

import torch
from torch import Tensor, nn

from budvision.render.examples import JUDGEMENTS
from budvision.render.zones import ZONES

__all__ = ["CROP_PX", "FRAME_PX", "LAYOUT", "MAPS", "N_CLASSES", "WIDTH", "BudNet", "export_onnx"]

N_CLASSES: Final = len(ZONES)
MAPS: Final = ("dead_pixel", "dead_tissue", "growing_point")
"""What the channels after the classes tell."""
CROP_PX: Final = 384
"""Side of the square round the face that the network is trained at."""
FRAME_PX: Final = 256
"""Side of the whole frame that it is trained at."""
LAYOUT: Final = {
    "budvision.layout": "2",
    "budvision.crop_px": str(CROP_PX),
    "budvision.frame_px": str(FRAME_PX),
    "budvision.classes": json.dumps(ZONES),
    "budvision.maps": json.dumps(MAPS),
    "budvision.judgements": json.dumps(JUDGEMENTS),
}
"""Metadata of the exported file; a file without them has five classes and two maps."""
WIDTH = 0.85
"""Width of the default model's network."""


class _Conv(nn.Sequential):
    def __init__(self, n_in: int, n_out: int, *, size: int = 3, stride: int = 1) -> None:
        super().__init__(
            nn.Conv2d(n_in, n_out, size, stride, size // 2, bias=False),
            nn.BatchNorm2d(n_out),
            nn.ReLU(inplace=True),
        )


class _Residual(nn.Module):
    def __init__(self, width: int, *, dilation: int = 1) -> None:
        super().__init__()
        self.first = _Conv(width, width)
        self.second = nn.Sequential(
            nn.Conv2d(width, width, 3, 1, dilation, dilation, bias=False), nn.BatchNorm2d(width)
        )

    def forward(self, x: Tensor) -> Tensor:
        return torch.relu(x + self.second(self.first(x)))


class _Merge(nn.Module):
    """Bring a coarse map up by two and join it with the finer one."""

    def __init__(self, coarse: int, fine: int, out: int) -> None:
        super().__init__()
        self.reduce = nn.Conv2d(coarse, out, 1, bias=False)
        self.side = nn.Conv2d(fine, out, 1, bias=False)
        self.norm = nn.BatchNorm2d(out)
        self.conv = _Conv(out, out)

    def forward(self, coarse: Tensor, fine: Tensor) -> Tensor:
        up = nn.functional.interpolate(
            self.reduce(coarse), scale_factor=2.0, mode="bilinear", align_corners=False
        )
        joined: Tensor = self.conv(torch.relu(self.norm(up + self.side(fine))))
        return joined


class BudNet(nn.Module):
    """The network; `width` scales the channels, `deep` those of the two coarsest levels once more.

    0.85 and 1 have about 1.5 million parameters, 0.85 and 1.4 about 2.7 million.
    """

    def __init__(self, width: float = WIDTH, deep: float = 1.0) -> None:
        super().__init__()
        c0, c1, c2, c3, c4 = (
            8 * max(1, round(n * width * more / 8))
            for n, more in ((16, 1), (32, 1), (64, 1), (112, deep), (160, deep)))
        self.stem = _Conv(3, c0, stride=2)
        self.down1 = nn.Sequential(_Conv(c0, c1, stride=2), _Residual(c1))
        self.down2 = nn.Sequential(_Conv(c1, c2, stride=2), _Residual(c2), _Residual(c2))
        self.down3 = nn.Sequential(_Conv(c2, c3, stride=2), _Residual(c3), _Residual(c3))
        self.down4 = nn.Sequential(
            _Conv(c3, c4, stride=2), _Residual(c4), _Residual(c4, dilation=2)
        )
        self.up3 = _Merge(c4, c3, c3)
        self.up2 = _Merge(c3, c2, c2)
        self.up1 = _Merge(c2, c1, c1)
        self.up0 = _Merge(c1, c0, 24)
        self.pixels = nn.Conv2d(24, N_CLASSES + len(MAPS), 1)
        self.whole = nn.Sequential(
            nn.Linear(c4 + c2, 64),
            nn.ReLU(inplace=True),
            nn.Linear(64, 3 + len(JUDGEMENTS)),
        )

    def forward(self, image: Tensor) -> tuple[Tensor, Tensor]:
        x0 = self.stem((image - 0.45) * 4.0)
        x1 = self.down1(x0)
        x2 = self.down2(x1)
        x3 = self.down3(x2)
        x4 = self.down4(x3)
        u2 = self.up2(self.up3(x4, x3), x2)
        pixels = self.pixels(self.up0(self.up1(u2, x1), x0))
        pooled = torch.cat([x4.mean((2, 3)), u2.mean((2, 3))], 1)
        return pixels, self.whole(pooled)


def export_onnx(net: nn.Module, path: Path, *, side_px: int, check: Any = None) -> float:
    """Write the network as ONNX and compare `cv2.dnn` with torch.

    Parameters
    ----------
    net : BudNet
        In evaluation mode, on the CPU.
    path : Path
        File to write.
    side_px : int
        Side of the input, a multiple of 32; `cv2.dnn` accepts other sides too.
    check : ndarray of float32, shape (1, 3, side_px, side_px), optional
        Input to compare on; noise when left out.

    Returns
    -------
    float
        Largest absolute difference of the logits between torch and `cv2.dnn`.
    """
    import cv2
    import numpy as np
    import onnx

    sample = torch.zeros(1, 3, side_px, side_px) if check is None else torch.from_numpy(check)
    if check is None:
        sample.uniform_(0, 1)
    free = {2: "height", 3: "width"}
    torch.onnx.export(
        net,
        (sample,),
        str(path),
        input_names=["image"],
        output_names=["pixels", "whole"],
        opset_version=13,
        dynamo=False,
        dynamic_axes={"image": free, "pixels": {2: "half_height", 3: "half_width"}},
    )
    model = onnx.load(str(path))
    onnx.helper.set_model_props(model, LAYOUT)
    onnx.save(model, str(path))
    with torch.no_grad():
        wanted = net(sample)
    reader = cv2.dnn.readNetFromONNX(str(path))
    reader.setInput(sample.numpy())
    got = reader.forward(["pixels", "whole"])
    return float(
        max(np.abs(np.asarray(g) - w.numpy()).max() for g, w in zip(got, wanted, strict=True))
    )
