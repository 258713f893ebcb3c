"""From a photograph to a proposal: read, find the face, judge, segment, measure, propose."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

from budvision.errors import BudvisionError, PhotoError
from budvision.photo.card import Card, find_card
from budvision.photo.features import measure, row_of
from budvision.photo.quality import judge
from budvision.photo.read import Photo, read_photo
from budvision.photo.refusals import reason_for
from budvision.photo.segment import Segmentation, Segmenter, segment
from budvision.verdict.model import VerdictModel, settle_sides
from budvision.verdict.persist import load_verdict
from budvision.verdict.reasons import ALONE_UNCLEAR, SIDES_UNCLEAR, STRANGE, why
from budvision.verdict.registry import ModelEntry, find_model, verify_model
from budvision.vocabulary import (
    CANE_BASE_DEG,
    LABEL_SCALES,
    TISSUES,
    Proposal,
    Reason,
    Tissue,
    TissueProposal,
    Verdict,
)

__all__ = [
    "Proposer",
    "Seen",
    "look_at",
    "proposal_as_dict",
    "propose_photo",
]

Uint8 = npt.NDArray[np.uint8]

QUICK_SIDE_PX: Final = 1000
"""Longest side of the first look; a photograph is read again, larger, where its face is small."""
_OPENING_MARGIN: Final = 0.1
_LEAST_OPENING_PX: Final = 48
_LEAST_CROP_PX: Final = 200
"""Side of the square round the face, in pixels of the first look, below which it is read again."""


@dataclass(frozen=True, slots=True)
class Proposer:
    """A segmenter and a verdict model, loaded and checked.

    Attributes
    ----------
    label : str
        Name and version of the model.
    segmenter : Segmenter
    verdict : VerdictModel
    """

    label: str
    segmenter: Segmenter
    verdict: VerdictModel

    @classmethod
    def load(
        cls, model: str | Path | None = None, *, folders: Sequence[Path] = ()
    ) -> Proposer:
        """Load a model by name or path; the default model when left out.

        Parameters
        ----------
        model : str or Path, optional
        folders : sequence of Path
            Folders with registries of their own (a season's ``models/``), searched first.

        Raises
        ------
        NotFoundError
            When no registry lists it.
        VerificationError
            When a file is missing or not as listed, or fits other features.
        """
        entry: ModelEntry = find_model(model, folders=folders)
        # what is loaded must be as listed; texts and figures beside it are for `models verify`
        verify_model(
            entry, names=[name for name in entry.files if not name.endswith((".md", ".json"))]
        )
        verdict = load_verdict(entry.folder / "verdict.skops")
        verdict.check(where=entry.label)
        return cls(entry.label, Segmenter.load(entry.folder), verdict)


@dataclass(frozen=True, slots=True)
class Seen:
    """What was seen of a photograph before any verdict.

    Attributes
    ----------
    segmentation : Segmentation
    face_px : float
        Width of the face in pixels of the photograph at full size.
    scale : float
        Pixels of the segmented image per pixel at full size.
    """

    segmentation: Segmentation
    face_px: float
    scale: float


def look_at(
    photo: Photo, *, segmenter: Segmenter, again: Path | bytes | None = None,
    base_deg: float | None = None, within: tuple[float, float, float, float] | None = None,
) -> Seen:
    """Find and segment the face; where it is small, on a larger copy of the photograph.

    Parameters
    ----------
    photo : Photo
    segmenter : Segmenter
    again : Path or bytes, optional
        Where to read a larger copy from; without it the first look stands.
    base_deg : float, optional
        Direction of the cane base in the image, degrees clockwise from the right.
    within : tuple of float, optional
        (row0, col0, row1, col1) of the part to look at, as shares of the photograph: the photo
        card's opening.
    """

    def find(image: Uint8) -> Segmentation:
        rows, cols = image.shape[:2]
        row0, col0, row1, col1 = 0, 0, rows, cols
        if within is not None:
            row0, row1 = round(within[0] * rows), round(within[2] * rows)
            col0, col1 = round(within[1] * cols), round(within[3] * cols)
        part = np.ascontiguousarray(image[row0:row1, col0:col1])
        seen = segment(part, segmenter=segmenter, base_direction_deg=base_deg)
        box = (seen.box[0] + row0, seen.box[1] + col0, seen.box[2] + row0, seen.box[3] + col0)
        return replace(seen, box=box, image_shape=(rows, cols),
                       face_share=seen.face_share * (col1 - col0) / cols)

    found = find(photo.image)
    side = found.box[2] - found.box[0]
    if again is not None and photo.scale < 1.0 and 0 < side < _LEAST_CROP_PX:
        wanted = round(max(photo.image.shape[:2]) * min(6.0, _LEAST_CROP_PX * 1.6 / side))
        photo = read_photo(again, max_side_px=wanted)
        found = find(photo.image)
    return Seen(found, found.face_share * photo.width_px, photo.scale)


def propose_photo(
    source: Path | bytes, *, proposer: Proposer, name: str = "", with_labels: bool = True,
    cane_base: str = "unknown",
) -> tuple[Proposal, Uint8 | None]:
    """Propose live, dead or unsure for each exposed tissue of a photograph.

    Parameters
    ----------
    source : Path or bytes
        The file, or what is in it.
    proposer : Proposer
    name : str, optional
        What the proposal calls the file; a path's own name when left out.
    with_labels : bool
        Whether to make the labels at full size, which costs about as much as the network.
    cane_base : str
        Side of the upright photograph on which the cane base lies, of `CANE_BASE_DEG`, or
        ``unknown``; a photo card in the picture says it better.

    Returns
    -------
    proposal : Proposal
        With `found` False and the reasons where the photograph cannot be read or judged; a bad
        photograph never raises.
    labels : ndarray of uint8, shape (height_px, width_px), or None
        Labels at the upright photograph's full size; None where nothing was found or wanted.
    """
    file = name or (source.name if isinstance(source, Path) else "photo")
    try:
        photo = read_photo(source, max_side_px=QUICK_SIDE_PX, name=file)
    except PhotoError as error:
        return _refused(file, _hash_of(source), error, proposer.label), None
    try:
        return _propose(photo, source, file, proposer, with_labels=with_labels,
                        base_deg=CANE_BASE_DEG.get(cane_base))
    except BudvisionError as error:
        return _refused(file, photo.sha256, error, proposer.label, photo), None
    except (cv2.error, ValueError, IndexError, ZeroDivisionError, FloatingPointError) as error:
        unexpected = PhotoError(
            f"the photograph could not be judged ({type(error).__name__}: {error})",
            where=file, do="Send it to the maintainers.", code="unexpected",
        )
        return _refused(file, photo.sha256, unexpected, proposer.label, photo), None


def _hash_of(source: Path | bytes) -> str:
    try:
        data = source if isinstance(source, bytes) else source.read_bytes()
    except OSError:
        return ""
    return hashlib.sha256(data).hexdigest()


def _refused(
    file: str, sha256: str, error: BudvisionError, model: str, photo: Photo | None = None
) -> Proposal:
    text = replace_where(error)
    return Proposal(
        file=file, sha256=sha256, width_px=None if photo is None else photo.width_px,
        height_px=None if photo is None else photo.height_px, found=False,
        reasons=(Reason(error.code, text),), mm_per_px=None, model=model, tissues={},
    )


def replace_where(error: BudvisionError) -> str:
    """Return the error's text without its place, which the proposal names already."""
    text = str(error)
    text = text.removeprefix(f"{error.where}: ") if error.where else text
    return text[:1].upper() + text[1:]


def _propose(
    photo: Photo, source: Path | bytes, file: str, proposer: Proposer, *, with_labels: bool,
    base_deg: float | None,
) -> tuple[Proposal, Uint8 | None]:
    card = find_card(photo.image, max_side_px=QUICK_SIDE_PX)
    if card is not None and card.refused is None:
        base_deg = -card.base_deg
    opening = None if card is None else _opening(card, photo.image.shape)
    seen = look_at(photo, segmenter=proposer.segmenter, again=source, base_deg=base_deg,
                   within=opening)
    if opening is not None and not seen.segmentation.found:    # the card lies beside the bud
        seen = look_at(photo, segmenter=proposer.segmenter, again=source, base_deg=base_deg)
    found = seen.segmentation
    plain = Proposal(
        file=file, sha256=photo.sha256, width_px=photo.width_px, height_px=photo.height_px,
        found=False, reasons=found.reasons, mm_per_px=None, model=proposer.label, tissues={},
    )
    reasons: tuple[Reason, ...] = ()
    if card is not None:
        if card.refused is None:
            plain = replace(plain, mm_per_px=card.mm_per_px * photo.scale)
        else:
            reasons = (card.refused,)
    if not found.found:
        kept = found.reasons or (Reason("no_cut_face", "No cut face of a bud was found. Cut the "
                                        "bud, go near and take it again."),)
        return replace(plain, reasons=kept + reasons), None
    poor = judge(found.crop, found.labels, face_px=seen.face_px)
    if poor:
        codes = {reason.code for reason in found.reasons}
        more = tuple(reason for reason in poor if reason.code not in codes)
        return replace(plain, reasons=found.reasons + more + reasons), None
    # The verdict model learned colours relative to the face's own wool. The card's white paper is
    # another neutral: with it every face looks strange to the model, so it is not passed on.
    tissues = judge_tissues(seen, verdict=proposer.verdict)
    shown = [one for one in tissues.values() if one.exposed]
    if not shown:
        return replace(plain, reasons=(*found.reasons, reason_for("too_shallow"), *reasons)), None
    if all(one.why == STRANGE for one in shown):
        strange = Reason(
            "unlike_a_cut_bud", "What was found looks unlike any cut bud the model knows. Check "
            "that the cut face fills the picture; if it does, call it by eye.",
        )
        return replace(plain, reasons=(*found.reasons, strange, *reasons)), None
    missing = tuple(
        Reason(f"{tissue}_not_exposed", f"The {tissue} is not exposed. Cut deeper if it is needed.")
        for tissue in TISSUES if not tissues[tissue].exposed
    )
    codes = {reason.code for reason in found.reasons}
    missing = tuple(reason for reason in missing if reason.code not in codes)
    labels = None
    if with_labels:
        table = np.arange(256, dtype=np.uint8)
        for tissue in TISSUES:  # a tissue said not to be exposed is no region of its own
            if not tissues[tissue].exposed:
                table[tissue.label] = LABEL_SCALES
        full = found.full_labels(photo.height_px, photo.width_px)
        labels = np.asarray(cv2.LUT(full, table), np.uint8)
    proposal = replace(
        plain, found=True, reasons=found.reasons + missing + reasons, tissues=tissues
    )
    return proposal, labels


def _opening(card: Card, shape: tuple[int, ...]) -> tuple[float, float, float, float] | None:
    """Return the card's opening with a margin, as shares of the image; None where it is tiny."""
    rows, cols = shape[:2]
    (row0, col0), (row1, col1) = card.opening.min(axis=0), card.opening.max(axis=0)
    margin = _OPENING_MARGIN * max(row1 - row0, col1 - col0)
    row0, row1 = max(0.0, row0 - margin), min(float(rows), row1 + margin)
    col0, col1 = max(0.0, col0 - margin), min(float(cols), col1 + margin)
    if min(row1 - row0, col1 - col0) < _LEAST_OPENING_PX:
        return None
    return row0 / rows, col0 / cols, row1 / rows, col1 / cols


def judge_tissues(
    seen: Seen, *, verdict: VerdictModel, card_white: npt.ArrayLike | None = None
) -> dict[Tissue, TissueProposal]:
    """Measure the tissues of a face and propose for each.

    Parameters
    ----------
    seen : Seen
    verdict : VerdictModel
    card_white : array_like of float, shape (3,), optional
        sRGB of the photo card's white.

    Returns
    -------
    dict of Tissue to TissueProposal
        All three; those not exposed say so and nothing else.
    """
    found = seen.segmentation
    features = measure(
        found.crop, found.labels, confidence=found.confidence,
        dead_map=found.dead_map, brown_map=found.brown_map, card_white=card_white,
    )
    result = {tissue: TissueProposal(exposed=False) for tissue in TISSUES}
    shown = [tissue for tissue in features if found.exposed[tissue] >= 0.5]
    if not shown:
        return result
    rows = np.stack([row_of(features[tissue]) for tissue in shown])
    p_dead = verdict.p_dead(rows)
    strange = verdict.novelty.distance(rows) > verdict.novelty.limit
    alone = dict(zip(shown, verdict.verdicts(rows), strict=True))
    settled = settle_sides(alone, swap_doubt=found.swap_doubt)
    both = Tissue.SECONDARY in alone and Tissue.TERTIARY in alone
    for tissue, row, share, far in zip(shown, rows, p_dead, strange, strict=True):
        call = settled[tissue]
        reason = (
            why(call, features[tissue], verdict.moved_by(row), strange=bool(far))
            if call == alone[tissue]
            else SIDES_UNCLEAR if both else ALONE_UNCLEAR
        )
        area, centre = _place(found, tissue, seen.scale)
        result[tissue] = TissueProposal(
            exposed=True, verdict=call, p_dead=round(float(share), 4), area_px=area, centre=centre,
            why=reason,
            features={name: round(value, 4) for name, value in features[tissue].items()},
        )
    return result


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
        at = np.unravel_index(int(np.argmax(depth)), depth.shape)
        row, col = float(at[0]), float(at[1])
    centre = (
        round(row0 / scale + (row + 0.5) * per_row, 1),
        round(col0 / scale + (col + 0.5) * per_col, 1),
    )
    return round(sums["m00"] * per_row * per_col), centre


def proposal_as_dict(proposal: Proposal) -> dict[str, Any]:
    """Return a proposal as the JSON object of one line of `budvision propose --jsonl`.

    Returns
    -------
    dict
        ``file``, ``sha256``, ``width_px``, ``height_px``, ``found``, ``reasons``, ``mm_per_px``,
        ``model`` and ``tissues``; a tissue that is not exposed holds ``exposed`` alone.
    """
    tissues: dict[str, Any] = {}
    for tissue, one in proposal.tissues.items():
        if not one.exposed:
            tissues[tissue.value] = {"exposed": False}
            continue
        assert one.verdict is not None
        tissues[tissue.value] = {
            "exposed": True, "verdict": Verdict(one.verdict).value, "p_dead": one.p_dead,
            "area_px": one.area_px, "centre": None if one.centre is None else list(one.centre),
            "why": one.why, "features": dict(one.features),
        }
    return {
        "file": proposal.file, "sha256": proposal.sha256, "width_px": proposal.width_px,
        "height_px": proposal.height_px, "found": proposal.found,
        "reasons": [{"code": reason.code, "text": reason.text} for reason in proposal.reasons],
        "mm_per_px": None if proposal.mm_per_px is None else round(proposal.mm_per_px, 6),
        "model": proposal.model, "tissues": tissues,
    }
