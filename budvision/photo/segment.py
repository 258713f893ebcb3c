"""Find the cut face in a photograph and tell its tissues apart, by a compact network.

The network looks twice: at the whole frame, small, to find the face; then at the square round the
face. The picture is first turned by quarter turns until its brightest half lies on top, and the
answer is turned back: a photograph and its quarter turns are answered alike.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from budvision.photo.arrangement import arrange
from budvision.photo.exposure import SHOWN_FROM, exposure
from budvision.photo.locate import (
    inside_of,
    look_near,
    quarter_turns,
    seek,
    turned_box,
    turned_by,
)
from budvision.photo.refusals import JUDGEMENTS, reason_for
from budvision.photo.rings import ring_contrast
from budvision.photo.segmenter import Segmenter, sigmoid, softmax
from budvision.photo.windows import window_round
from budvision.vocabulary import LABEL_SCALES, TISSUES, Reason, Tissue

__all__ = ["Segmentation", "Segmenter", "segment"]

Uint8 = NDArray[np.uint8]
Float32 = NDArray[np.float32]

_BLANK_PX = 32
POINT_ABOVE = 0.2
"""Share of a growing point lying in a pixel above which one is seen."""
LEAST_FACE_PX = 40.0
"""Long side of the face, in pixels of the image, below which it is refused."""
USABLE_ABOVE = 0.5
"""Share of `usable` below which the whole square is refused."""
LIMITS = {"glare": 0.1, "too_shallow": 0.1}
"""Share of a fault above which a face is refused all the same: faults of which the network is
seldom sure. With a limit on every fault, and lower ones, 3.3 % of the good photographs of the
model's card were refused instead of 2.4, and 99.6 % of the unusable ones instead of 99.4."""
SURE_OF_NAMES, SURE_OF_TISSUE = 0.6, 0.7
"""Mean probability of the labels given, or of bud tissue of any name, under which nothing is found:
doubt about which bud it is is none about its being one, where the network sees growing points.
Asked for tissue and not for names, `staged-2.0` refuses 5.3 instead of 6.3 % of 2,118 good staged
renders and answers 37 instead of 32 of 780 that cannot be judged."""
SMOOTH_BELOW, SMOOTHISH_BELOW, DEEP_HINT = 0.0175, 0.025, 0.03
"""Ring contrast under which a green primary is taken for cambium, alone or with a hint of
`too_deep`."""
BRIGHT_FROM = 208.0
"""Grey level of a primary from which its rings drown in the light: it may look smooth and live."""
SHARP_FACE_PX = 160.0
"""Long side of the face, in pixels of the image, from which its rings would show."""
BURNT_OUT = 0.85
"""Share of a flanker burnt out to white above which it does not count as exposed."""
STRANGE_FRAME = 0.5
"""Share of `no_cut_face` on the whole frame above which what was found is no bud."""
SURE_NEAR = 0.75
"""Share of `usable` on the near look above which the frame's opinion does not count, where the
network was trained at both looks: of 44 good renders refused for the frame alone 40 had more, of 13
strays in which something was found none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Segmentation:
    """What was found in a photograph.

    Attributes
    ----------
    found : bool
        False where there is no cut face that can be judged; `reasons` then say why.
    reasons : tuple of Reason
    box : tuple of int
        (row0, col0, row1, col1) of the square round the face, in pixels of the image; it may lie
        partly outside.
    crop : ndarray of uint8, (n, n, 3)
        That square at the network's size.
    labels : ndarray of uint8, (n, n)
        0 background, 1 primary, 2 secondary, 3 tertiary, 4 scales and wool.
    confidence : ndarray of float32, (n, n)
        Probability of the label given, in [0, 1].
    exposed : mapping of Tissue to float
        Probability that the tissue is exposed.
    face_share : float
        Long side of the face over the width of the image.
    dead_map : ndarray of float32, (n, n)
        Probability that the growing point of the tissue under a pixel is dead.
    brown_map : ndarray of float32, (n, n)
        Probability that this very pixel, were it tissue, is dead.
    judgement : mapping of str to float
        Probability of usable and of each fault, from the whole square.
    swap_doubt : float
        Probability that secondary and tertiary should change places, in [0, 0.5].
    image_shape : tuple of int
        (rows, cols) of the image.
    growing_points : mapping of Tissue to (row, col)
        Where the network sees the growing point of a tissue, in pixels of the crop.
    doubtful : frozenset of Tissue
        Flankers that are shown and may be no bud: cushion, cortex or wool.
    """

    found: bool
    reasons: tuple[Reason, ...]
    box: tuple[int, int, int, int]
    crop: Uint8
    labels: Uint8
    confidence: Float32
    exposed: Mapping[Tissue, float]
    face_share: float
    dead_map: Float32
    brown_map: Float32
    judgement: Mapping[str, float] = field(default_factory=dict)
    swap_doubt: float = 0.0
    image_shape: tuple[int, int] = (0, 0)
    growing_points: Mapping[Tissue, tuple[int, int]] = field(default_factory=dict)
    doubtful: frozenset[Tissue] = frozenset()

    def shows(self, tissue: Tissue) -> bool:
        """Say whether a tissue counts as exposed."""
        return self.exposed[tissue] >= SHOWN_FROM

    def full_labels(self, height_px: int, width_px: int) -> Uint8:
        """Paste the labels into a picture of the full upright size.

        Parameters
        ----------
        height_px, width_px : int
            Size of the upright photograph, of the same shape as the image.

        Returns
        -------
        ndarray of uint8, (height_px, width_px)
        """
        full = np.zeros((height_px, width_px), np.uint8)
        if not self.found:
            return full
        scale_r, scale_c = height_px / self.image_shape[0], width_px / self.image_shape[1]
        row0, row1 = round(self.box[0] * scale_r), round(self.box[2] * scale_r)
        col0, col1 = round(self.box[1] * scale_c), round(self.box[3] * scale_c)
        smooth = _enlarged(self.labels, min(1280, max(row1 - row0, col1 - col0)))
        top, left = max(row0, 0), max(col0, 0)
        bottom, right = min(row1, height_px), min(col1, width_px)
        if bottom <= top or right <= left:
            return full
        n = smooth.shape[0]
        rows = ((np.arange(top, bottom) - row0 + 0.5) * n / (row1 - row0)).astype(np.intp)
        cols = ((np.arange(left, right) - col0 + 0.5) * n / (col1 - col0)).astype(np.intp)
        full[top:bottom, left:right] = smooth[
            np.clip(rows, 0, n - 1)[:, None], np.clip(cols, 0, n - 1)[None, :]
        ]
        return full


def _enlarged(labels: Uint8, side: int) -> Uint8:
    """Enlarge labels with smooth edges."""
    if side <= labels.shape[0]:
        return labels
    best = np.full((side, side), 0.5, np.float32)
    out = np.zeros((side, side), np.uint8)
    for label in np.unique(labels):
        share = cv2.resize((labels == label).astype(np.float32), (side, side))
        own = share >= best
        out[own], best[own] = label, share[own]
    return out


def _blank(image: Uint8, reasons: tuple[Reason, ...], judged: Mapping[str, float]) -> Segmentation:
    side = _BLANK_PX
    none = np.zeros((side, side), np.float32)
    return Segmentation(
        found=False,
        reasons=reasons,
        box=(0, 0, *image.shape[:2]),
        crop=np.zeros((side, side, 3), np.uint8),
        labels=np.zeros((side, side), np.uint8),
        confidence=none,
        exposed=dict.fromkeys(TISSUES, 0.0),
        face_share=0.0,
        dead_map=none,
        brown_map=none,
        judgement=judged,
        swap_doubt=0.0,
        image_shape=(image.shape[0], image.shape[1]),
    )


def segment(
    image: Uint8, *, segmenter: Segmenter, base_direction_deg: float | None = None
) -> Segmentation:
    """Find the cut face of a photograph and label its tissues.

    Parameters
    ----------
    image : ndarray of uint8, (rows, cols, 3)
        Upright sRGB; a reduced copy of the photograph will do.
    base_direction_deg : float, optional
        Direction of the cane base in the image, degrees clockwise from the right.

    Returns
    -------
    Segmentation
        With `found` False and reasons where no cut face can be judged.
    """
    turns = quarter_turns(image)
    place, judged = seek(image, segmenter, turns)
    judgement = _judgements(judged)
    frame_strange = judgement["no_cut_face"]
    if place is None:
        worst = max((name for name in JUDGEMENTS if name != "usable"), key=lambda n: judgement[n])
        dark = worst in ("too_dark", "blown_out") and judgement[worst] > 0.5
        return _blank(image, (reason_for(worst if dark else "no_cut_face"),), judgement)
    near = look_near(image, turns, place, segmenter)
    side, box, crop, whole = near.crop.shape[0], near.box, near.crop, near.whole
    judgement = _judgements(softmax(whole[3:]))
    shares = np.empty((len(near.shares), side, side), np.float32)
    for share, full in zip(near.shares, shares, strict=True):
        cv2.resize(share, (side, side), dst=full)
    shape = (image.shape[0], image.shape[1])[:: -1 if turns % 2 else 1]
    _clear_outside(shares, inside_of(box, shape, side))
    face = _face_of(shares)
    base = None if base_direction_deg is None else base_direction_deg - 90.0 * turns
    brown, dead, *heat = (
        np.asarray(cv2.resize(sigmoid(one), (side, side)), np.float32) for one in near.maps)
    arranged = arrange(shares, face, base_direction_deg=base, lone_odds=float(whole[1] - whole[2]),
                       heat=heat[0] if heat else None)
    _drop_burnt_out(crop, arranged.labels)
    back = -turns
    labels = turned_by(arranged.labels, back)
    confidence = _shares_of(shares, arranged.labels)
    if segmenter.finds_growing_points and judgement["usable"] > SURE_NEAR:
        frame_strange = 0.0
    shown = exposure(arranged.labels, whole, shares[2] + shares[3],
                     sees_growing_points=segmenter.finds_growing_points)
    belief, least = ((shares[1:4].sum(0), SURE_OF_TISSUE) if segmenter.finds_growing_points
                     else (confidence, SURE_OF_NAMES))
    reasons = _refusals(judgement, arranged.labels, belief, least, face, near.face_px,
                        frame_strange)
    if (
        not reasons
        and not segmenter.finds_growing_points
        and near.face_px >= SHARP_FACE_PX
        and _is_cambium(crop, arranged.labels == 1, dead, judgement["too_deep"])
    ):
        reasons = (reason_for("too_deep"),)
    return Segmentation(
        found=not reasons,
        reasons=reasons,
        box=turned_box(box, turns, (image.shape[0], image.shape[1])),
        crop=turned_by(crop, back),
        labels=labels,
        confidence=turned_by(confidence, back),
        exposed=shown.shares,
        face_share=near.face_px / image.shape[1],
        dead_map=turned_by(dead, back),
        brown_map=turned_by(brown, back),
        judgement=judgement,
        swap_doubt=arranged.swap_doubt,
        image_shape=(image.shape[0], image.shape[1]),
        growing_points=_growing_points(labels, turned_by(heat[0], back)) if heat else {},
        doubtful=shown.doubtful,
    )


def _judgements(shares: Float32) -> dict[str, float]:
    """Name the shares of the judgements; 0 for those that the network does not know."""
    known = dict(zip(JUDGEMENTS, map(float, shares), strict=False))
    return {name: known.get(name, 0.0) for name in JUDGEMENTS}


def _growing_points(labels: Uint8, heat: Float32) -> dict[Tissue, tuple[int, int]]:
    """Return the hottest pixel of each tissue, where it is hot enough."""
    found = {}
    for tissue in TISSUES:
        own = np.flatnonzero(labels == tissue.label)
        if not own.size:
            continue
        hottest = int(own[heat.ravel().take(own).argmax()])
        row, col = divmod(hottest, heat.shape[1])
        if heat[row, col] > POINT_ABOVE:
            found[tissue] = (row, col)
    return found


def _shares_of(shares: Float32, labels: Uint8) -> Float32:
    """Return the share of the label given at each pixel."""
    own = np.array(shares[0], np.float32)
    for label in range(1, len(shares)):
        np.copyto(own, shares[label], where=labels == label)
    return own


def _is_cambium(
    crop: Uint8, primary: NDArray[np.bool_], dead: Float32, too_deep: float
) -> bool:
    """Tell a smooth dull patch, the cane's cambium under the buds, from a living primary.

    In a photograph so bright that rings drown in the light, smoothness says nothing.
    """
    far = int(np.sqrt(primary.sum() / np.pi)) + 3  # what bears on its rings
    near = window_round(primary, far)
    contrast = ring_contrast(crop[near], primary[near])
    if contrast is None or float(dead[primary].mean()) > 0.4:
        return False
    if not (contrast < SMOOTH_BELOW or (contrast < SMOOTHISH_BELOW and too_deep > DEEP_HINT)):
        return False
    grey = cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY)
    return bool(np.median(grey[primary]) < BRIGHT_FROM)


def _drop_burnt_out(crop: Uint8, labels: Uint8) -> None:
    """Take flankers that are burnt out to white for wool: nothing shows there, in place."""
    for label in (2, 3):
        region = np.flatnonzero(labels == label)
        white = (crop.reshape(-1, 3).take(region, axis=0) >= 250).all(axis=1)
        if region.size and float(white.mean()) > BURNT_OUT:
            labels.ravel()[region] = LABEL_SCALES


def _clear_outside(shares: Float32, inside: tuple[slice, slice]) -> None:
    """Let nothing be found outside the photograph, in place."""
    rows, cols = inside
    for beyond in (np.s_[: rows.start], np.s_[rows.stop :]):
        shares[1:, beyond], shares[0, beyond] = 0, 1
    for beyond in (np.s_[: cols.start], np.s_[cols.stop :]):
        shares[1:, :, beyond], shares[0, :, beyond] = 0, 1


def _face_of(shares: Float32) -> NDArray[np.bool_]:
    """Return the main region of the cut face, holes filled."""
    mask = (shares[0] < 0.5).astype(np.uint8)
    outer, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    full = np.zeros(mask.shape, np.uint8)
    if outer:
        cv2.drawContours(full, [max(outer, key=cv2.contourArea)], -1, 1, cv2.FILLED)
    return full.astype(np.bool_)


def _refusals(
    judgement: Mapping[str, float],
    labels: Uint8,
    belief: Float32,
    least: float,
    face: NDArray[np.bool_],
    face_px: float,
    frame_strange: float,
) -> tuple[Reason, ...]:
    """Return why the face cannot be judged, if it cannot."""
    over = [name for name, limit in LIMITS.items() if judgement[name] > limit]
    if judgement["usable"] < USABLE_ABOVE or over:
        among = [name for name in JUDGEMENTS if name != "usable"]
        if judgement["usable"] >= USABLE_ABOVE:
            among = over
        return (reason_for(max(among, key=lambda name: judgement[name])),)
    if frame_strange > STRANGE_FRAME:
        return (reason_for("no_cut_face"),)
    if face_px < LEAST_FACE_PX:
        return (reason_for("too_small"),)
    if not face.any():
        return (reason_for("no_cut_face"),)
    tissue = (labels >= 1) & (labels <= 3)
    if not tissue.any():
        return (reason_for("too_shallow"),)
    if float(belief[tissue].mean()) < least:
        return (reason_for("no_cut_face"),)
    return ()
