"""From a segmented face to a proposal for each tissue: life from its features, name by its place.

Doubt about the name is kept apart from doubt about life: a flanker whose colour is plain gets its
verdict, and where it is not clear which of the two it is a person is asked for the name.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from budvision.photo.features import measure, row_of
from budvision.photo.segment import Segmentation
from budvision.verdict.model import VerdictModel, names_to_ask
from budvision.verdict.reasons import ALONE_UNCLEAR, NO_BUD, SIDES_UNCLEAR, why
from budvision.vocabulary import TISSUES, Reason, Tissue, TissueProposal, Verdict

__all__ = ["judge_tissues", "name_reason"]

_OTHER = {Tissue.SECONDARY: Tissue.TERTIARY, Tissue.TERTIARY: Tissue.SECONDARY}


def judge_tissues(
    found: Segmentation, *, verdict: VerdictModel, scale: float
) -> dict[Tissue, TissueProposal]:
    """Measure the tissues of a face and propose for each.

    Parameters
    ----------
    scale : float
        Pixels of the segmented image per pixel at full size.

    Returns
    -------
    dict of Tissue to TissueProposal
        All three; those not exposed say so and nothing else.
    """
    features = measure(
        found.crop, found.labels, confidence=found.confidence,
        dead_map=found.dead_map, brown_map=found.brown_map,
        growing_points=found.growing_points,
    )
    result = {tissue: TissueProposal(exposed=False) for tissue in TISSUES}
    shown = [tissue for tissue in features if found.shows(tissue)]
    if not shown:
        return result
    rows = np.stack([row_of(features[tissue]) for tissue in shown])
    judged = verdict.judge(rows, swap_doubt=found.swap_doubt)
    judged = [replace(one, verdict=Verdict.UNSURE) if tissue in found.doubtful else one
              for tissue, one in zip(shown, judged, strict=True)]
    verdicts = {tissue: one.verdict for tissue, one in zip(shown, judged, strict=True)}
    asked = names_to_ask(verdicts, swap_doubt=found.swap_doubt)
    for tissue, one in zip(shown, judged, strict=True):
        area, centre = _place(found, tissue, scale)
        result[tissue] = TissueProposal(
            exposed=True, verdict=one.verdict, p_dead=round(one.p_dead, 4), area_px=area,
            centre=centre,
            why=NO_BUD if tissue in found.doubtful and not one.strange else why(
                one.verdict, features[tissue], one.moved_by, strange=one.strange),
            features={name: round(value, 4) for name, value in features[tissue].items()},
            p_name=round(1.0 - found.swap_doubt, 4) if tissue in _OTHER else 1.0,
            other_name=_OTHER[tissue] if tissue in asked else None,
        )
    return result


def name_reason(tissues: dict[Tissue, TissueProposal]) -> tuple[Reason, ...]:
    """Return the reason that asks for a flanker's name, where it is to be asked for."""
    asked = [tissue for tissue, one in tissues.items() if one.other_name is not None]
    if not asked:
        return ()
    return (Reason("name_unclear", SIDES_UNCLEAR if len(asked) > 1 else ALONE_UNCLEAR),)


def _place(
    found: Segmentation, tissue: Tissue, scale: float
) -> tuple[int, tuple[float, float]]:
    """Return a tissue's area and a point inside it, in pixels at full size."""
    region = (found.labels == tissue.label).astype(np.uint8)
    row0, col0, row1, col1 = found.box
    per_row = (row1 - row0) / region.shape[0] / scale
    per_col = (col1 - col0) / region.shape[1] / scale
    sums = cv2.moments(region)
    row, col = sums["m01"] / sums["m00"], sums["m10"] / sums["m00"]
    if not region[round(row), round(col)]:
        depth = cv2.distanceTransform(np.pad(region, 1), cv2.DIST_L2, 3)[1:-1, 1:-1]
        deepest = np.unravel_index(int(np.argmax(depth)), depth.shape)
        row, col = float(deepest[0]), float(deepest[1])
    centre = (
        round(row0 / scale + (row + 0.5) * per_row, 1),
        round(col0 / scale + (col + 0.5) * per_col, 1),
    )
    return round(sums["m00"] * per_row * per_col), centre
