"""Correcting outlines: a person's steps applied to the labels, kept beside the original.

The steps are the whole correction: the page sends them, the same function shows what they give
and, when asked, keeps it. A correction is a new region with its maker's name; the model's own
stays. The proposals are then computed again from the corrected outlines.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from budvision.errors import BudvisionError, InputError
from budvision.photo.colour import to_lab
from budvision.photo.read import read_photo
from budvision.store.queries import models, proposals
from budvision.store.queries.people import Person
from budvision.store.queries.photos import PhotoRow, photo_by_id
from budvision.store.queries.proposals import Region
from budvision.store.session import Season
from budvision.vocabulary import (
    LABEL_BACKGROUND,
    LABEL_SCALES,
    Proposal,
    Tissue,
    TissueProposal,
)
from budvision.workflow.intake.propose import ModelInUse, model_in_use
from budvision.workflow.review.steps import Point, Step, renamed

__all__ = [
    "Corrected", "Judge", "apply_steps", "correct", "preview",
]

Labels = npt.NDArray[np.uint8]
Uint8 = npt.NDArray[np.uint8]
Box = tuple[int, int, int, int]
Judge = Callable[[bytes, Labels, Box, str], Proposal]
"""From a photograph's bytes, corrected labels, their box and the file's name to a proposal."""

_SIDE = 512
_LIKE_LAB = 11.0


@dataclass(frozen=True, slots=True)
class Corrected:
    """What a correction did.

    Attributes
    ----------
    region_id : int
        The new region.
    proposal_id : int or None
        The proposal computed again from it; None where that could not be done.
    message : str
        What the person should know.
    """

    region_id: int
    proposal_id: int | None
    message: str


def apply_steps(
    image: Uint8, scale: float, labels: Labels, box: Box, steps: Sequence[Step]
) -> Labels:
    """Apply a person's steps to labels.

    Parameters
    ----------
    image : ndarray of uint8, shape (rows, columns, 3)
        The upright photograph, perhaps reduced; sRGB.
    scale : float
        Pixels of `image` per pixel at full size.
    labels : ndarray of uint8, shape (n, m)
        Labels of the square `box`; not modified.
    box : tuple of int
        (row0, col0, row1, col1) at full size.
    steps : sequence of Step
        In order.

    Returns
    -------
    ndarray of uint8, shape (n, m)
        Corrected labels. Ground that a tissue gives up becomes scales and wool.
    """
    out = labels.copy()
    for step in steps:
        if step.kind == "original":
            out = labels.copy()
            continue
        if step.kind == "named":
            continue
        assert step.tissue is not None
        label = step.tissue.label
        if step.kind == "delete":
            out[out == label] = LABEL_SCALES
        elif step.kind == "rename":
            assert step.to is not None
            mine, other = out == label, out == step.to.label
            out[mine], out[other] = step.to.label, label
        else:
            mask = (
                _inside(step.points, out.shape, box) if step.kind == "draw"
                else _like(image, scale, step.points[0], out, box, label)
            )
            if step.mode == "take":
                out[mask & (out == label)] = LABEL_SCALES
            else:
                if step.mode == "replace":
                    out[out == label] = LABEL_SCALES
                out[mask] = label
    return out


def _places(points: Sequence[Point], shape: tuple[int, ...], box: Box) -> npt.NDArray[np.float64]:
    """Return points as (x, y) of the labels' own pixels."""
    rows = (np.array([p[0] for p in points]) - box[0]) * shape[0] / (box[2] - box[0]) - 0.5
    cols = (np.array([p[1] for p in points]) - box[1]) * shape[1] / (box[3] - box[1]) - 0.5
    return np.stack([cols, rows], axis=1)


def _inside(points: Sequence[Point], shape: tuple[int, ...], box: Box) -> npt.NDArray[np.bool_]:
    mask = np.zeros(shape, np.uint8)
    fine = np.rint(_places(points, shape, box) * 16.0).astype(np.int32)
    cv2.fillPoly(mask, [fine], 1, cv2.LINE_8, shift=4)
    return mask.astype(bool)


def _like(
    image: Uint8, scale: float, point: Point, labels: Labels, box: Box, label: int
) -> npt.NDArray[np.bool_]:
    """Grow from a click over connected ground of like colour, never into another tissue."""
    shape = labels.shape
    step_x = (box[3] - box[1]) * scale / shape[1]
    step_y = (box[2] - box[0]) * scale / shape[0]
    matrix = np.array([[step_x, 0.0, box[1] * scale], [0.0, step_y, box[0] * scale]])
    crop = cv2.warpAffine(
        image, matrix, (shape[1], shape[0]), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    lab = cv2.GaussianBlur(to_lab(np.asarray(crop, np.uint8)), (0, 0), shape[0] / 170)
    x, y = np.rint(_places([point], shape, box)[0]).astype(int)
    if not (0 <= x < shape[1] and 0 <= y < shape[0]):
        raise InputError("the click lies outside the cut face", where="outlines",
                         expected="a point of the tissue", do="Click in the middle of it.")
    weights = np.array([0.5, 1.0, 1.0])  # light falls off over a face faster than its colour
    away = np.sqrt((((lab - lab[y, x]) * weights) ** 2).sum(axis=2))
    free = (labels == label) | (labels == LABEL_BACKGROUND) | (labels == LABEL_SCALES)
    near = ((away < _LIKE_LAB) & free).astype(np.uint8)
    near[y, x] = 1
    _, pieces = cv2.connectedComponents(near, connectivity=4)
    grown = (pieces == pieces[y, x]).astype(np.uint8)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
    grown = cv2.morphologyEx(cv2.morphologyEx(grown, cv2.MORPH_CLOSE, kernel), cv2.MORPH_OPEN,
                             kernel)
    holes, _ = cv2.findContours(grown, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(grown, holes, -1, 1, -1)
    mask = (grown > 0) & free
    if mask.mean() > 0.35:
        raise InputError(
            "the colour at the click runs over most of the face", where="outlines",
            expected="a point whose colour differs from its surroundings",
            do="Draw the outline instead.",
        )
    return np.asarray(mask)


def _ground(photo: PhotoRow, region: Region | None, steps: Sequence[Step]) -> tuple[Labels, Box]:
    """Return the labels to start from; an empty square round the steps where there are none."""
    if region is not None:
        return region.labels, region.box
    points = [point for step in steps for point in step.points]
    if not points:
        return np.zeros((_SIDE, _SIDE), np.uint8), (0, 0, photo.height_px, photo.width_px)
    rows, cols = [p[0] for p in points], [p[1] for p in points]
    reach = max(max(rows) - min(rows), max(cols) - min(cols))
    side = round(max(3.0 * reach, 0.4 * min(photo.height_px, photo.width_px)))
    top = round((max(rows) + min(rows)) / 2 - side / 2)
    left = round((max(cols) + min(cols)) / 2 - side / 2)
    return np.zeros((_SIDE, _SIDE), np.uint8), (top, left, top + side, left + side)


def _applied(
    season: Season, photo: PhotoRow, regions: Sequence[Region], current: Region | None,
    steps: Sequence[Step],
) -> tuple[Labels, Box]:
    made = [region for region in regions if region.person_id is None]
    start = current
    if any(step.kind == "original" for step in steps) and made:
        start = made[-1]  # what comes before "original" is undone by it in any case
        last = max(i for i, step in enumerate(steps) if step.kind == "original")
        steps = steps[last + 1:]
    labels, box = _ground(photo, start, steps)
    image, scale = np.zeros((1, 1, 3), np.uint8), 1.0
    if any(step.kind == "grow" for step in steps):
        seen = read_photo(season.photos.path(photo.sha256), max_side_px=2400)
        image, scale = seen.image, seen.scale
    return apply_steps(image, scale, labels, box, steps), box


def preview(season: Season, photo_id: int, steps: Sequence[Step]) -> tuple[Labels, Box]:
    """Return what steps would give, keeping nothing."""
    with season.read() as conn:
        photo = photo_by_id(conn, photo_id)
        current = proposals.current_region(conn, photo_id)
        regions = proposals.regions_of_photo(conn, photo_id)
    return _applied(season, photo, regions, current, steps)


def correct(
    season: Season, photo_id: int, steps: Sequence[Step], *, person: Person, note: str = "",
    judge: Judge | None = None, used: ModelInUse | None = None,
) -> Corrected:
    """Keep a person's correction, and compute the proposals again from it.

    Parameters
    ----------
    photo_id : int
        The photograph.
    steps : sequence of Step
        At least one.
    person : Person
        Who corrected it.
    note : str
        Why, where that is not plain.
    judge, used : optional
        Another way of proposing, and the model it stands for; the model in use when left out.

    Returns
    -------
    Corrected
        The outlines are kept even where the program cannot judge them.
    """
    if not steps:
        raise InputError("nothing was corrected", where="outlines", expected="at least one step",
                         do="Correct an outline, or go back.")
    with season.read() as conn:
        photo = photo_by_id(conn, photo_id)
        current = proposals.current_region(conn, photo_id)
        regions = proposals.regions_of_photo(conn, photo_id)
        latest = proposals.latest_proposals(conn, photo_ids=[photo_id]).get(photo_id)
    labels, box = _applied(season, photo, regions, current, steps)
    proposed: Proposal | None = None
    chosen: ModelInUse | None = None
    message = "Kept. The program's own outlines stay in the record."
    try:
        chosen = used or model_in_use(season)
        proposed = (judge or _judge_with(chosen, season.folder))(
            season.photos.read(photo.sha256, verify=True), labels, box, photo.file_name
        )
        if latest is not None:  # the photograph's own scale and doubts are not corrected away
            proposed = replace(
                proposed, mm_per_px=proposed.mm_per_px or latest.mm_per_px,
                reasons=proposed.reasons or tuple(r for r in latest.reasons if r.look),
            )
    except BudvisionError as error:
        chosen = None
        proposed = None if latest is None else renamed(latest, photo, steps)
        message = f"The outlines are kept. The proposals were not computed again: {error}"
    with season.write() as conn:
        region_id = proposals.save_region(
            conn, photo_id, labels, box, person_id=person.id, note=note,
            replaces_id=None if current is None else current.id,
        )
        proposal_id = None
        if proposed is not None:
            if chosen is not None:
                model_id = models.ensure_model(
                    conn, chosen.label, chosen.sha256, chosen.path, facts=chosen.facts
                )
            elif latest is not None:
                model_id = latest.model_id
            proposal_id = proposals.save_proposal(
                conn, photo_id, model_id, proposed, region_id=region_id
            )
    return Corrected(region_id, proposal_id, message)


@lru_cache(maxsize=2)
def _loaded(model: str, sha256: str) -> Any:
    """Load a model once; `sha256` tells a changed one from the one loaded before."""
    from budvision.verdict.propose import Proposer

    return Proposer.load(model)


def _judge_with(chosen: ModelInUse, season_folder: Path) -> Judge:
    """Return the model in use as a judge of corrected outlines."""
    from budvision.verdict import propose as verdict
    from budvision.verdict.tissues import judge_tissues

    inside = season_folder / chosen.path
    proposer = _loaded(str(inside) if inside.is_dir() else chosen.path, chosen.sha256)

    def judge(data: bytes, labels: Labels, box: Box, name: str) -> Proposal:
        photo = read_photo(data, max_side_px=verdict.QUICK_SIDE_PX, name=name)
        seen = verdict.look_at(photo, segmenter=proposer.segmenter, again=data)
        found = seen.segmentation
        if not found.found:
            raise InputError("the program finds no cut face in this photograph", where=name,
                             expected="one that it can judge", do="Your own call is what counts.")
        target = tuple(edge / seen.scale for edge in found.box)
        moved = _moved(labels, box, target, found.labels.shape)
        shown = {tissue: float((moved == tissue.label).any()) for tissue in Tissue}
        # a person has said which is which
        corrected: Any = replace(found, labels=moved, exposed=shown, swap_doubt=0.0)
        tissues: Mapping[Tissue, TissueProposal] = judge_tissues(
            corrected, verdict=proposer.verdict, scale=seen.scale
        )
        return Proposal(
            file=name, sha256=photo.sha256, width_px=photo.width_px, height_px=photo.height_px,
            found=True, reasons=(), mm_per_px=None,
            model=proposer.label, tissues=tissues,
        )

    return judge


def _moved(
    labels: Labels, box: Box, target: Sequence[float], shape: tuple[int, ...]
) -> Labels:
    """Bring labels from one box to the pixels of another."""
    step_x = (target[3] - target[1]) / shape[1] * labels.shape[1] / (box[3] - box[1])
    step_y = (target[2] - target[0]) / shape[0] * labels.shape[0] / (box[2] - box[0])
    start_x = (target[1] - box[1]) * labels.shape[1] / (box[3] - box[1]) + (step_x - 1) / 2
    start_y = (target[0] - box[0]) * labels.shape[0] / (box[2] - box[0]) + (step_y - 1) / 2
    matrix = np.array([[step_x, 0.0, start_x], [0.0, step_y, start_y]])
    return np.asarray(cv2.warpAffine(
        labels, matrix, (shape[1], shape[0]), flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
    ), np.uint8)
