"""Score label maps against the truth of renders: centres, overlap, swaps, exposure, brownness."""

from __future__ import annotations

from typing import Any

import numpy as np

from budvision.learning.network import N_CLASSES
from budvision.render.examples import JUDGEMENTS, UNKNOWN
from budvision.vocabulary import TISSUES

__all__ = ["score"]


def _centre(region: Any) -> tuple[int, int]:
    """Return the pixel of a region farthest from its rim."""
    import cv2

    inside = cv2.distanceTransform(np.pad(region.astype(np.uint8), 1), cv2.DIST_L2, 3)[1:-1, 1:-1]
    row, col = np.unravel_index(int(inside.argmax()), inside.shape)
    return int(row), int(col)


def _mean(values: list[bool]) -> float | None:
    return float(np.mean(values)) if values else None


def score(maps: Any, judged: Any, pixels: Any, rows: Any) -> dict[str, Any]:
    """Score raw network output on held-out examples.

    Parameters
    ----------
    maps : ndarray, (n, 11, h, w)
        Class logits, logits of dead pixel, of dead tissue, of a growing point.
    judged : ndarray, (n, 3 + judgements)
        Logits of exposed and of the judgement.
    pixels : ndarray of uint8, (n, 2 h, 2 w, 6)
        Image, zones, brownness and heat of the examples.
    rows : ndarray of uint8, (n, 8)
        Exposed x 3, judgement, filled, dead x 3.

    Returns
    -------
    dict
        Shares in [0, 1] with the counts that they rest on; only usable examples count for
        tissues; None where no tissue is there to count.
    """
    usable = JUDGEMENTS.index("usable")
    out: dict[str, Any] = {"n": len(maps)}
    guess = judged[:, 3:].argmax(1)
    refused = guess != usable
    bad = (rows[:, 3] != usable) & (rows[:, 3] < len(JUDGEMENTS))
    out["unusable_refused"] = _mean(refused[bad].tolist())
    out["usable_refused"] = _mean(refused[rows[:, 3] == usable].tolist())
    out["judgement_right"] = {
        name: float((guess[rows[:, 3] == k] == k).mean())
        for k, name in enumerate(JUDGEMENTS)
        if (rows[:, 3] == k).any()
    }
    labels = maps[:, :N_CLASSES].argmax(1)
    good = np.flatnonzero(rows[:, 3] == usable)
    swaps = pairs = 0
    for k, tissue in enumerate(TISSUES, start=1):
        hit, overlap, brown, exposed, point = [], [], [], [], []
        for i in good:
            truth = pixels[i, ::2, ::2, 3] == k
            mine = labels[i] == k
            if rows[i, k - 1] == UNKNOWN:
                continue
            exposed.append(bool(judged[i, k - 1] > 0) == bool(rows[i, k - 1]))
            if not rows[i, k - 1] or truth.sum() < 6:
                continue
            if not mine.any():
                hit.append(False)
                overlap.append(0.0)
                continue
            row, col = _centre(mine)
            hit.append(bool(truth[row, col]))
            overlap.append(float((mine & truth).sum() / (mine | truth).sum()))
            heat = np.where(mine, maps[i, N_CLASSES + 2].astype(np.float32), -99)
            spot = np.unravel_index(int(heat.argmax()), heat.shape)
            point.append(bool(pixels[i, 2 * spot[0], 2 * spot[1], 5] > 60))
            if rows[i, k + 4] != UNKNOWN:
                found = maps[i, N_CLASSES + 1][mine].astype(np.float32).mean() > 0
                brown.append(bool(found) == bool(rows[i, k + 4]))
            if k == 2 and (pixels[i, ..., 3] == 3).any():
                pairs += 1
                swaps += int((labels[i][truth] == 3).mean() > 0.5)
        out[tissue.value] = {
            "n": len(hit),
            "centre_inside": _mean(hit),
            "iou_median": float(np.median(overlap)) if overlap else None,
            "exposed_right": _mean(exposed),
            "dead_right": _mean(brown),
            "growing_point_met": _mean(point),
        }
    out["secondary_called_tertiary"] = {"share": swaps / max(1, pairs), "n": pairs}
    return out
