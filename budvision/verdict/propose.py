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

from budvision.errors import PhotoError
from budvision.photo.card import Card, find_card
from budvision.photo.gate import doubts
from budvision.photo.quality import measure_quality, refusals
from budvision.photo.read import Photo, read_photo
from budvision.photo.refusals import NOT_EXPOSED, reason_for
from budvision.photo.segment import Segmentation, Segmenter, segment
from budvision.verdict.model import VerdictModel
from budvision.verdict.persist import load_to_judge
from budvision.verdict.reasons import STRANGE, refused_photo
from budvision.verdict.registry import ModelEntry, find_model, verify_model
from budvision.verdict.tissues import judge_tissues, name_reason
from budvision.vocabulary import (
    CANE_BASE_DEG,
    LABEL_SCALES,
    TISSUES,
    Proposal,
    Reason,
)

__all__ = [
    "Proposer",
    "Seen",
    "hash_of",
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
        verdict = load_to_judge(entry.folder / "verdict.skops")
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
        With `found` False and the reasons where the photograph cannot be read or judged. Only
        what is wrong with the photograph ends so; a defect of the program raises.
    labels : ndarray of uint8, shape (height_px, width_px), or None
        Labels at the upright photograph's full size; None where nothing was found or wanted.
    """
    file = name or (source.name if isinstance(source, Path) else "photo")
    try:
        photo = read_photo(source, max_side_px=QUICK_SIDE_PX, name=file)
        card, seen = _look(photo, source, proposer, CANE_BASE_DEG.get(cane_base))
    except PhotoError as error:
        return refused_photo(
            file, error, sha256=hash_of(source), model=proposer.label), None
    plain = Proposal(
        file=file, sha256=photo.sha256, width_px=photo.width_px, height_px=photo.height_px,
        found=False, reasons=(), mm_per_px=_scale_of(card, photo), model=proposer.label,
        tissues={},
    )
    refused = () if card is None or card.refused is None else (card.refused,)
    proposal = _judge(plain, seen, proposer, refused)
    labels = _labels_of(proposal, photo, seen) if with_labels and proposal.found else None
    return proposal, labels


def hash_of(source: Path | bytes) -> str:
    """Return the SHA-256 of a file or of bytes; empty where the file cannot be read."""
    try:
        data = source if isinstance(source, bytes) else source.read_bytes()
    except OSError:
        return ""
    return hashlib.sha256(data).hexdigest()


def _look(
    photo: Photo, source: Path | bytes, proposer: Proposer, base_deg: float | None
) -> tuple[Card | None, Seen]:
    """Find the photo card and the face, the face inside the card's opening where it lies there."""
    card = find_card(photo.image, max_side_px=QUICK_SIDE_PX)
    if card is not None and card.refused is None:
        base_deg = -card.base_deg
    opening = None if card is None else _opening(card, photo.image.shape)
    seen = look_at(photo, segmenter=proposer.segmenter, again=source, base_deg=base_deg,
                   within=opening)
    if opening is not None and not seen.segmentation.found:    # the card lies beside the bud
        seen = look_at(photo, segmenter=proposer.segmenter, again=source, base_deg=base_deg)
    return card, seen


def _scale_of(card: Card | None, photo: Photo) -> float | None:
    return None if card is None or card.refused is not None else card.mm_per_px * photo.scale


def _judge(
    plain: Proposal, seen: Seen, proposer: Proposer, card_refused: tuple[Reason, ...]
) -> Proposal:
    """Judge what was seen: a refusal with its reasons, or a proposal for each tissue."""
    found = seen.segmentation
    if not found.found:
        kept = found.reasons or (reason_for("no_cut_face"),)
        return replace(plain, reasons=kept + card_refused)
    quality = measure_quality(found.crop, found.labels, face_px=seen.face_px)
    poor = refusals(quality)
    if poor:
        return replace(plain, reasons=_without_repeats(found.reasons + poor) + card_refused)
    # The verdict model learned colours relative to the face's own wool. The card's white paper is
    # another neutral: with it every face looks strange to the model, so it is not passed on.
    tissues = judge_tissues(found, verdict=proposer.verdict, scale=seen.scale)
    shown = [one for one in tissues.values() if one.exposed]
    if not shown or all(one.why == STRANGE for one in shown):
        reason = reason_for("unlike_a_cut_bud" if shown else "too_shallow")
        return replace(plain, reasons=(*found.reasons, reason, *card_refused))
    missing = tuple(
        Reason(f"{tissue}_not_exposed", NOT_EXPOSED[tissue])
        for tissue in TISSUES if not tissues[tissue].exposed
    )
    look = doubts(found, quality, scale=seen.scale)
    reasons = _without_repeats(found.reasons + look + missing + name_reason(tissues))
    return replace(plain, found=True, reasons=reasons + card_refused, tissues=tissues)


def _without_repeats(reasons: tuple[Reason, ...]) -> tuple[Reason, ...]:
    """Keep the first reason of each code."""
    return tuple({reason.code: reason for reason in reversed(reasons)}.values())[::-1]


def _labels_of(proposal: Proposal, photo: Photo, seen: Seen) -> Uint8:
    """Return the labels at full size; a tissue said not to be exposed is no region of its own."""
    table = np.arange(256, dtype=np.uint8)
    for tissue in TISSUES:
        if not proposal.tissues[tissue].exposed:
            table[tissue.label] = LABEL_SCALES
    full = seen.segmentation.full_labels(photo.height_px, photo.width_px)
    return np.asarray(cv2.LUT(full, table), np.uint8)


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


def proposal_as_dict(proposal: Proposal) -> dict[str, Any]:
    """Return a proposal as the JSON object of one line of `budvision propose --jsonl`.

    Returns
    -------
    dict
        ``file``, ``sha256``, ``width_px``, ``height_px``, ``found``, ``reasons``, ``mm_per_px``,
        ``model``, ``tissues`` and ``answer``, the gate's; a tissue that is not exposed holds
        ``exposed`` alone. ``p_name`` and ``other_name`` tell the doubt about a flanker's name.
    """
    tissues: dict[str, Any] = {}
    for tissue, one in proposal.tissues.items():
        if not one.exposed:
            tissues[tissue.value] = {"exposed": False}
            continue
        assert one.verdict is not None
        tissues[tissue.value] = {
            "exposed": True, "verdict": one.verdict.value, "p_dead": one.p_dead,
            "area_px": one.area_px, "centre": None if one.centre is None else list(one.centre),
            "why": one.why, "features": dict(one.features), "p_name": one.p_name,
            "other_name": None if one.other_name is None else one.other_name.value,
        }
    return {
        "file": proposal.file, "sha256": proposal.sha256, "width_px": proposal.width_px,
        "height_px": proposal.height_px, "found": proposal.found,
        "reasons": [reason.as_dict() for reason in proposal.reasons],
        "mm_per_px": None if proposal.mm_per_px is None else round(proposal.mm_per_px, 6),
        "model": proposal.model, "tissues": tissues, "answer": proposal.answer.value,
    }
