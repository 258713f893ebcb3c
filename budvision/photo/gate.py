"""Good, look yourself, or take it again: what may hide in a face that can still be judged.

What nobody can judge is refused before (`budvision.photo.segment`, `budvision.photo.quality`). Here
stand the doubts that are left: each asks a person to look for himself and says where.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from budvision.photo.quality import Quality, burnt_out
from budvision.photo.segment import Segmentation
from budvision.photo.windows import window_round
from budvision.vocabulary import TISSUES, Reason

__all__ = ["DOUBTS", "LOOK", "UNLIKE", "doubts"]

LOOK: Final[Mapping[str, float]] = MappingProxyType(
    {"usable": 0.98, "glare": 0.005, "detail": 0.0075, "burnt_share": 0.25}
)
"""Least share of `usable`, most of `glare`, least `detail` and most of a tissue burnt out with
which a photograph is good, set on path-traced photographs, clean and spoilt by degrees. What they
cost on others: ``python -m budvision.learning.gate_table``."""

DOUBTS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "glare": "A reflection may hide part of the tissue. Look at the framed place; if its "
        "colour cannot be told, tilt the bud or the lamp, dab it dry and take it again.",
        "too_blurred": "The picture may be smeared or out of focus. If the growing points cannot "
        "be told, rest the hand and take it again.",
        "too_dark": "The picture may be too dark. If the colours cannot be told, put more light "
        "on the bud and take it again.",
        "blown_out": "The picture may be too bright. If the colours cannot be told, take light "
        "away and take it again.",
        "too_small": "The cut face may be too small in the picture. If the tissues cannot be told, "
        "go nearer and take it again.",
        "too_deep": "The cut may be under the buds. If what shows is the cane's own green layer, "
        "this bud cannot be judged from it.",
        "too_shallow": "The cut may have reached scales and wool only. If no bud shows, take off "
        "a thin slice and take it again.",
        "perhaps_no_bud": "What is taken for a flanker may be no bud: wool, or green tissue round "
        "the buds, can look like this. Look at the framed place; if no bud shows there, that one "
        "is not exposed.",
    }
)
UNLIKE: Final = (
    "This may be no cut bud that can be judged. If you cannot tell the tissues yourself, cut the "
    "bud, go near and take it again."
)


def doubts(found: Segmentation, quality: Quality, *, scale: float) -> tuple[Reason, ...]:
    """Say why a person should look for himself at a face that can be judged; nothing where good.

    Parameters
    ----------
    found : Segmentation
        With `found` True.
    quality : Quality
        Of its crop.
    scale : float
        Pixels of the segmented image per pixel at full size.

    Returns
    -------
    tuple of Reason
        Each with `look` set, and its place in pixels of the upright photograph at full size.
    """
    judgement = found.judgement
    face = _box_of(found, found.labels > 0, scale)
    reasons: dict[str, Reason] = {}

    def add(code: str, place: tuple[float, float, float, float] | None = face) -> None:
        text = DOUBTS.get(code, UNLIKE)
        reasons.setdefault(code, Reason(code, text, look=True, place=place))

    for tissue in found.doubtful:
        add("perhaps_no_bud", _box_of(found, found.labels == tissue.label, scale))
    burnt = _burnt_tissues(found)
    if burnt.any():
        add("glare", _box_of(found, burnt, scale))
    if judgement.get("glare", 0.0) > LOOK["glare"]:
        everywhere = (found.labels >= 1) & (found.labels <= 3)
        add("glare", _box_of(found, everywhere, scale))
    if quality.detail < LOOK["detail"]:
        add("too_blurred")
    if judgement.get("usable", 1.0) < LOOK["usable"]:
        add(max((name for name in judgement if name != "usable"), key=lambda name: judgement[name]))
    return tuple(reasons.values())


def _burnt_tissues(found: Segmentation) -> npt.NDArray[np.bool_]:
    """Return what is burnt out of the exposed tissues of which too much is."""
    white = burnt_out(found.crop)
    kept = np.zeros(white.shape, np.bool_)
    for tissue in TISSUES:
        region = found.labels == tissue.label
        if found.shows(tissue) and region.any() and (
            float(white[region].mean()) > LOOK["burnt_share"]
        ):
            kept |= region & white
    return kept


def _box_of(
    found: Segmentation, region: npt.NDArray[Any], scale: float
) -> tuple[float, float, float, float] | None:
    """Return the box of a region of the crop in pixels at full size; None where it is empty."""
    rows, cols = window_round(region, 0)
    if rows.stop == 0:
        return None
    row0, col0, row1, col1 = found.box
    per_row = (row1 - row0) / region.shape[0]
    per_col = (col1 - col0) / region.shape[1]
    corners = (row0 + rows.start * per_row, col0 + cols.start * per_col,
               row0 + rows.stop * per_row, col0 + cols.stop * per_col)
    first, second, third, fourth = (round(float(corner / scale), 1) for corner in corners)
    return first, second, third, fourth
