"""What the segmenter learns from: bent pictures, and the loss of its answers on them."""

from __future__ import annotations

import numpy as np
import torch
from torch import Tensor, nn

from budvision.learning.network import N_CLASSES
from budvision.learning.segmenter_pool import NOBODY_KNOWS
from budvision.render.examples import UNKNOWN

__all__ = ["CLASS_WEIGHTS", "Bent", "bend", "imitation", "losses"]

CLASS_WEIGHTS = (0.6, 1.0, 1.8, 3.0, 0.8, 1.2, 0.9, 1.3)
_HALF_KNOWN = 128
"""Brownness of pixels that are brown in part, nobody knows where."""


class Bent:
    """A batch as the network is asked of it.

    Attributes
    ----------
    image : Tensor of float32 in [0, 1], (n, 3, side, side)
    labels : Tensor of int64, (n, side / 2, side / 2)
    dead, growing : Tensor of float32 in [0, 1], (n, side / 2, side / 2)
    known : Tensor of float32, (n, side / 2, side / 2)
        1 where `dead` is known.
    """

    def __init__(self, image: Tensor, others: Tensor) -> None:
        self.image = image
        self.labels = others[:, 0].round().long().clamp(0, N_CLASSES - 1)
        self.dead = others[:, 1] / 255
        self.known = ((others[:, 1] - _HALF_KNOWN).abs() > 0.5).float()
        self.growing = others[:, 2] / 255


def bend(batch: Tensor, side: int) -> Bent:
    """Turn, mirror, scale and shift pictures with their labels; then disturb colour and sharpness.

    Parameters
    ----------
    batch : Tensor of uint8, (n, side, side, 6)
        RGB, zone, brownness, heat of the growing points.
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
    return Bent(_disturbed(image, other[:, 0]), other)


def _disturbed(image: Tensor, labels: Tensor) -> Tensor:
    """Change colours, contrast, sharpness and noise of pictures, some by zone."""
    n, device, side = image.shape[0], image.device, image.shape[-1]

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
    return (image + noise).clamp(0, 1)


def _shapes(logits: Tensor, labels: Tensor, weights: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Return cross entropy and dice of each picture, and where the zones are."""
    truth = nn.functional.one_hot(labels, N_CLASSES).permute(0, 3, 1, 2).float()
    plain = nn.functional.cross_entropy(logits, labels, weight=weights, reduction="none")
    plain = plain.mean((1, 2))
    share = logits.softmax(1)
    both = (share * truth).sum((2, 3))
    total = (share + truth).sum((2, 3))
    asked = (truth.sum((2, 3)) > 0).float() * weights
    dice = ((1 - (2 * both + 1) / (total + 1)) * asked)[:, 1:].sum(1)
    return plain, dice / (asked[:, 1:].sum(1) + 1), truth


def losses(pixels: Tensor, whole: Tensor, bent: Bent, rows: Tensor, weights: Tensor) -> Tensor:
    """Return the loss of each picture, (n,).

    Parameters
    ----------
    pixels, whole : Tensor
        The network's answers.
    rows : Tensor of uint8, (n, 8)
        Exposed x 3, judgement, filled, state x 3.
    weights : Tensor, (zones,)
    """
    logits = pixels[:, :N_CLASSES].float()
    plain, dice, truth = _shapes(logits, bent.labels, weights)
    # every tissue counts alike, however small
    area = (truth * truth.sum((2, 3), keepdim=True).clamp(min=1).reciprocal())[:, 1:4].sum(1)
    tissues = area.sum((1, 2)).clamp(min=1)

    def over(values: Tensor, where: Tensor) -> Tensor:
        return (values * where).sum((1, 2)) / tissues

    logit = nn.functional.binary_cross_entropy_with_logits
    dead_pixel = logit(pixels[:, N_CLASSES].float(), bent.dead, reduction="none")
    brown = over(dead_pixel, area * bent.known)
    states = rows[:, 5:8].float()
    states = torch.where(states == UNKNOWN, torch.full_like(states, 0.5), states)
    blank = torch.zeros_like(states[:, :1])
    table = torch.cat([blank, states] + [blank] * (N_CLASSES - 4), 1)
    state = table.gather(1, bent.labels.flatten(1)).view_as(bent.dead)
    verdict = over(logit(pixels[:, N_CLASSES + 1].float(), state, reduction="none"), area)
    point = logit(pixels[:, N_CLASSES + 2].float(), bent.growing, reduction="none")
    heavy = 0.05 + 4 * bent.growing + (area > 0).float()
    growing = (point * heavy).sum((1, 2)) / heavy.sum((1, 2))
    # the name: asked of every tissue alike
    named = bent.labels.clamp(1, 3) - 1
    name = over(nn.functional.cross_entropy(logits[:, 1:4], named, reduction="none"), area)
    known = (rows[:, :3] != UNKNOWN).float()
    exposed = logit(whole[:, :3].float(), rows[:, :3].float().clamp(max=1), reduction="none")
    exposed = (exposed * known).mean(1)
    judged = nn.functional.cross_entropy(
        whole[:, 3:].float(), rows[:, 3].long(), ignore_index=NOBODY_KNOWS, reduction="none")
    return (plain + dice + 0.5 * brown + 1.3 * verdict + 0.8 * growing + 0.6 * name
            + 0.3 * exposed + 0.4 * judged)


def imitation(
    pixels: Tensor, whole: Tensor, shown: tuple[Tensor, Tensor], weights: Tensor
) -> Tensor:
    """Return how far answers are from those of a teacher for each picture, (n,).

    Its shares are learned, not its verdicts (Hinton, Vinyals & Dean 2015, Distilling the knowledge
    in a neural network, arXiv:1503.02531).

    Parameters
    ----------
    pixels, whole : Tensor
        The network's answers.
    shown : tuple of Tensor
        The teacher's, of the same shapes.
    weights : Tensor, (zones,)
    """
    logit = nn.functional.binary_cross_entropy_with_logits
    pixels, taught = pixels.float(), shown[0].float()
    share = taught[:, :N_CLASSES].softmax(1)
    cross = -(share * pixels[:, :N_CLASSES].log_softmax(1)).sum(1)
    tissue = share[:, 1:4]
    # every tissue counts alike, however small
    area = (tissue / tissue.sum((2, 3), keepdim=True).clamp(min=24)).sum(1) / 3
    heavy = (share * weights[:, None, None]).sum(1)
    loss = (cross * heavy).mean((1, 2)) + (cross * area).sum((1, 2))
    for channel, worth in ((N_CLASSES, 0.5), (N_CLASSES + 1, 1.3)):
        wanted = taught[:, channel].sigmoid()
        off = logit(pixels[:, channel], wanted, reduction="none")
        loss = loss + worth * (off * area).sum((1, 2))
    point = taught[:, N_CLASSES + 2].sigmoid()
    off = logit(pixels[:, N_CLASSES + 2], point, reduction="none")
    heavy = 0.05 + 4 * point + tissue.sum(1)
    loss = loss + 0.8 * (off * heavy).sum((1, 2)) / heavy.sum((1, 2))
    whole, told = whole.float(), shown[1].float()
    exposed = logit(whole[:, :3], told[:, :3].sigmoid(), reduction="none").mean(1)
    judged = -(told[:, 3:].softmax(1) * whole[:, 3:].log_softmax(1)).sum(1)
    return loss + 0.3 * exposed + 0.4 * judged
