"""Go on training the segmenter with corrected and confirmed regions, mixed with renders.

Needs torch and onnx, the `train` extra. Training goes on from the ONNX file that is in use, so a
laboratory needs nothing but the shipped model. Normalisations keep their statistics: batches of a
dozen pictures must not move them.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn

from budvision.errors import NothingToDoError
from budvision.language import plain_count
from budvision.learning.network import N_CLASSES
from budvision.learning.onnx_network import OnnxNetwork
from budvision.learning.segmenter_loss import CLASS_WEIGHTS, bend, losses
from budvision.learning.segmenter_pool import CHANNELS, put
from budvision.learning.segmenter_training import predict
from budvision.render.examples import JUDGEMENTS, draw_example
from budvision.vocabulary import LABEL_SCALES

__all__ = ["RegionExamples", "fine_tune", "overlap"]

SIDE_PX = 320
_LABELS = 5
_OLD_CHANNELS = 7
_LEAST = 8
_RATE = 2e-4


@dataclass(frozen=True, slots=True, kw_only=True)
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
        """Return pictures (n, side, side, 6) and rows (n, 8) as the trainer takes them."""
        n = len(self)
        brown = np.zeros_like(self.labels)
        for k in range(3):
            brown[(self.labels == k + 1) & self.dead[:, k, None, None]] = 255
        no_points = np.zeros_like(brown)
        pixels = np.concatenate(
            [self.images, np.stack([self.labels, brown, no_points], axis=3)], axis=3)
        rows = np.zeros((n, 8), np.uint8)
        rows[:, :3], rows[:, 5:8] = self.exposed, self.dead
        rows[:, 3] = JUDGEMENTS.index("usable")
        rows[:, 4] = 1
        return pixels, rows


class _FiveLabels(nn.Module):
    """A network of either layout, asked for the five labels that people draw.

    People do not draw growing points, cushions or wood: classes from the fifth on are folded into
    scales and wool, and of growing points nothing is asked.
    """

    def __init__(self, net: OnnxNetwork) -> None:
        super().__init__()
        self.net = net

    def forward(self, image: Tensor) -> tuple[Tensor, Tensor]:
        maps, whole = self.net(image)
        n_classes = N_CLASSES if maps.shape[1] > _OLD_CHANNELS else _LABELS
        scales = torch.logsumexp(maps[:, _LABELS - 1 : n_classes], 1, keepdim=True)
        never = torch.full_like(maps[:, :1], -12.0)
        blank = torch.full_like(maps[:, :1], -4.0)
        folded = [maps[:, : _LABELS - 1], scales] + [never] * (N_CLASSES - _LABELS)
        pixels = torch.cat([*folded, maps[:, n_classes : n_classes + 2], blank], 1)
        lacking = 3 + len(JUDGEMENTS) - whole.shape[1]
        if lacking:
            whole = torch.cat([whole, torch.full_like(whole[:, :lacking], -12.0)], 1)
        return pixels, whole


def overlap(net: nn.Module, pixels: NDArray[np.uint8]) -> dict[str, float]:
    """Return the mean overlap (IoU) of primary, secondary and tertiary where they are exposed."""
    maps, _ = predict(net, pixels, "cpu")
    guess = maps[:, :_LABELS].argmax(1)
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
    pixels = np.zeros((n, SIDE_PX, SIDE_PX, CHANNELS), np.uint8)
    rows = np.zeros((n, 8), np.uint8)
    for i in range(n):
        put(pixels, rows, i, draw_example(rng, side_px=SIDE_PX))
    np.minimum(pixels[..., 3], LABEL_SCALES, out=pixels[..., 3])
    pixels[..., 5] = 0
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
    minutes : float
        Time for the steps themselves.
    n_renders : int
        Renders mixed in, so that nothing learnt before is forgotten; half of each batch.
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
            f"there are {len(examples)} corrected or confirmed regions on "
            f"{plain_count(len(canes), 'cane')}",
            where="train --regions", expected=f"at least {_LEAST} on 3 canes",
            do="Correct outlines on the review page, then try again.")
    left = rng.permutation(canes)[:max(1, len(canes) // 5)]
    own, own_rows = examples.packed()
    held = np.isin(examples.cane, left)
    if progress is not None:
        progress("renders", 0, n_renders)
    renders, render_rows = _renders(n_renders, rng)
    n_check = max(8, n_renders // 6)
    own_net = OnnxNetwork(start)
    net = _FiveLabels(own_net)
    usable = render_rows[:n_check, 3] == JUDGEMENTS.index("usable")
    check = renders[:n_check][usable]
    before = {"own": overlap(net, own[held]), "renders": overlap(net, check)}
    torch.manual_seed(int(rng.integers(2**31)))
    weights = torch.tensor(CLASS_WEIGHTS)
    optimiser = torch.optim.AdamW(net.parameters(), lr=_RATE, weight_decay=0.01)
    own_at = np.flatnonzero(~held)
    worth = np.where(examples.corrected[own_at], 2.0, 1.0)
    worth = worth / worth.sum()
    begun, step, end = time.monotonic(), 0, time.monotonic() + 60 * minutes
    while time.monotonic() < end or step < 2:
        half = batch // 2
        mine = rng.choice(own_at, half, p=worth)
        theirs = rng.integers(n_check, n_renders, batch - half)
        pictures = torch.from_numpy(np.concatenate([own[mine], renders[theirs]]))
        rows = torch.from_numpy(np.concatenate([own_rows[mine], render_rows[theirs]]))
        bent = bend(pictures, SIDE_PX)
        maps, whole = net(bent.image)
        loss = losses(maps, whole, bent, rows, weights).mean()
        optimiser.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimiser.step()
        step += 1
        if progress is not None:
            progress("steps", int(time.monotonic() - begun), int(60 * minutes) + 1)
    after = {"own": overlap(net, own[held]), "renders": overlap(net, check)}
    probe = renders[:1, ..., :3].transpose(0, 3, 1, 2).astype(np.float32) / 255
    gap = own_net.write(out, check=probe)
    return {
        "before": before, "after": after, "steps": step, "n_regions": len(examples),
        "n_corrected": int(examples.corrected.sum()), "n_canes": len(canes),
        "n_left_out": int(held.sum()), "onnx_gap": gap}
