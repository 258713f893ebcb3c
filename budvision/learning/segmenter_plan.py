"""How a training of the segmenter goes: time, sizes, what is drawn, where it starts."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from budvision.learning.network import CROP_PX, FRAME_PX, WIDTH
from budvision.learning.segmenter_pool import Drawing
from budvision.learning.traced import load_traced

__all__ = ["Plan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """How a training goes.

    Attributes
    ----------
    minutes : float
        Wall-clock time for all of it, first filling and scores included.
    side_px, frame_px : int
        Sides of the close crops and of the frames.
    slots : int
        Close crops kept over all devices, each of 6 * side_px ** 2 bytes; a third as many frames.
    start_from : Path, optional
        Weights (`segmenter.pt`, or an exported `segmenter.onnx`) to go on from.
    seed : int
        Block of example seeds, 0 to 7; blocks share no example with each other or the held-out.
    rate : float, optional
        Highest learning rate; 0.0022 from nothing and 0.0012 from weights when left out.
    width, deep : float
        Of the network (`BudNet`); one deeper than the weights it starts from grows out of them.
    devices : tuple of str
        One network is trained on each, from one start, and all are averaged again and again.
    teacher : Path, optional
        Weights (`segmenter.pt`) of a wider network whose answers are learned too.
    teacher_width : float
        Its width.
    share_staged : float
        Share of cut buds staged as benches stage them (`budvision.render.staging`).
    traced : Path, optional
        Folder of path-traced photographs to cut examples out of (`budvision.learning.traced`).
    share_traced : float
        Share of the examples that come from there.
    """

    minutes: float
    side_px: int = CROP_PX
    frame_px: int = FRAME_PX
    slots: int = 20_000
    workers: int = 2
    batch: int = 64
    width: float = WIDTH
    deep: float = 1.0
    devices: tuple[str, ...] = ("cpu",)
    validation: int = 1200
    start_from: Path | None = None
    seed: int = 0
    rate: float | None = None
    teacher: Path | None = None
    teacher_width: float = 2.5
    share_staged: float = 0.65
    traced: Path | None = None
    share_traced: float = 0.08

    @property
    def highest_rate(self) -> float:
        """Highest learning rate."""
        return self.rate or (2.2e-3 if self.start_from is None else 1.2e-3)

    def drawings(self, *, held_out: bool = False) -> tuple[Drawing, Drawing]:
        """Say what the close crops and the frames are drawn of."""
        photos = () if self.traced is None else tuple(
            photo for photo in load_traced(self.traced, held_out=held_out)
            if photo.judgement != "too_deep")
        near, far = (
            Drawing(close=close, share_staged=self.share_staged, traced=photos,
                    share_traced=self.share_traced)
            for close in (True, False))
        return near, far
