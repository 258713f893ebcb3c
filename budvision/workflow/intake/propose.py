"""Proposals for the season's photographs: what the model says, kept beside what people say.

A photograph is looked at once by each model. Every version is kept; a bud whose three tissues a
person has called is not proposed anew. Each photograph is a transaction of its own.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from budvision.errors import BudvisionError, PhotoError
from budvision.store.photos import PhotoStore
from budvision.store.queries import models, proposals
from budvision.store.queries.photos import PhotoRow
from budvision.store.session import Season
from budvision.vocabulary import Proposal, Reason

__all__ = [
    "Look", "ModelInUse", "ProposeReport", "crop_labels", "model_in_use", "propose_waiting",
]

Labels = npt.NDArray[np.uint8]
Look = Callable[[bytes, str], tuple[Proposal, "Labels | None"]]
"""From a photograph's bytes and name to a proposal and the labels at full size."""
Progress = Callable[[int, int, str], None]

_MANY = 12  # from here on a second process is worth its start
_JOBS = 2
_LABELS_PX = 768  # longest side of stored labels
_MARGIN = 0.06


@dataclass(frozen=True, slots=True)
class ModelInUse:
    """Which model proposes: its name, what tells it from another, and where it lies."""

    label: str
    sha256: str
    path: str
    facts: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ProposeReport:
    """What came of looking at the photographs that waited."""

    model: str
    n_looked: int
    n_found: int
    n_refused: int
    n_missing: int
    reasons: dict[str, int]

    def as_dict(self) -> dict[str, object]:
        """Return the report as JSON has it."""
        return {
            "model": self.model, "n_looked": self.n_looked, "n_found": self.n_found,
            "n_refused": self.n_refused, "n_missing": self.n_missing, "reasons": self.reasons,
        }


def model_in_use(season: Season, model: str | Path | None = None) -> ModelInUse:
    """Return the model asked for, else the one promoted in the season, else the default.

    Raises
    ------
    NotFoundError
        When no registry lists it.
    """
    from budvision.verdict.registry import find_model

    if model is None:
        with season.read() as conn:
            promoted = models.current_model(conn)
        if promoted is not None:
            inside = season.folder / promoted.path
            model = inside if promoted.path and inside.is_dir() else promoted.name
    entry = find_model(model, folders=[season.models_folder])
    listed = "\n".join(  # what proposes; the card and the figures beside it may be reworded
        f"{name} {sha}" for name, sha in sorted(entry.files.items())
        if not name.endswith((".md", ".json"))
    )
    own = entry.folder.resolve().is_relative_to(season.folder)
    return ModelInUse(
        label=entry.label,
        sha256=hashlib.sha256(f"{entry.label}\n{listed}".encode()).hexdigest(),
        path=str(entry.folder.resolve().relative_to(season.folder)) if own else entry.label,
        facts={"files": dict(entry.files), "feature_version": entry.feature_version},
    )


def propose_waiting(
    season: Season, *, model: str | Path | None = None, sampling_id: int | None = None,
    photos: Sequence[PhotoRow] | None = None, look: Look | None = None,
    used: ModelInUse | None = None, jobs: int = _JOBS, progress: Progress | None = None,
) -> ProposeReport:
    """Let the model look at every placed photograph that waits for it, and keep what it says.

    Parameters
    ----------
    season : Season
        The season.
    model : str or Path, optional
        A model's name or folder; as `model_in_use` chooses when left out.
    sampling_id : int, optional
        Only photographs of this sampling.
    photos : sequence of PhotoRow, optional
        These photographs, whether they wait or not (training measures called buds).
    look, used : optional
        Another way of looking, and the model it stands for.
    jobs : int
        Processes, where there are many photographs.
    progress : callable, optional
        Called with the number done, the number in all, and the file's name.

    Returns
    -------
    ProposeReport

    Raises
    ------
    NotFoundError, VerificationError
        When the model is missing or not as listed.
    """
    chosen = used or model_in_use(season, model)
    with season.write() as conn:
        model_id = models.ensure_model(
            conn, chosen.label, chosen.sha256, chosen.path, facts=chosen.facts
        )
        waiting = list(photos) if photos is not None else proposals.photos_to_propose(
            conn, model_id, sampling_id=sampling_id)
    n_found = n_refused = n_missing = 0
    reasons: dict[str, int] = {}
    if look is not None:
        source: Iterator[_Said] = (_look(season, row, look) for row in waiting)
    else:
        source = _look_with_model(season, waiting, chosen, jobs)
    for done, (row, said) in enumerate(zip(waiting, source, strict=True)):
        if progress is not None:
            progress(done, len(waiting), row.file_name)
        if said.proposal is None:
            n_missing += 1
            continue
        with season.write() as conn:
            region_id = None
            if said.labels is not None and said.box is not None:
                region_id = proposals.save_region(
                    conn, row.id, said.labels, said.box, model_id=model_id
                )
            proposals.save_proposal(conn, row.id, model_id, said.proposal, region_id=region_id)
        n_found += said.proposal.found
        n_refused += not said.proposal.found
        if not said.proposal.found:
            for reason in said.proposal.reasons:
                reasons[reason.code] = reasons.get(reason.code, 0) + 1
    if progress is not None:
        progress(len(waiting), len(waiting), "")
    return ProposeReport(chosen.label, len(waiting), n_found, n_refused, n_missing, reasons)


@dataclass(frozen=True, slots=True)
class _Said:
    """A proposal with its labels cut to their box; no proposal where the file is missing."""

    proposal: Proposal | None
    labels: Labels | None = None
    box: tuple[int, int, int, int] | None = None


def _look(season: Season, row: PhotoRow, look: Look) -> _Said:
    try:
        data = season.photos.read(row.sha256, verify=True)
    except (BudvisionError, OSError):
        return _Said(None)  # `budvision check` tells of it; the photograph goes on waiting
    return _said(data, row, look)


def _said(data: bytes, row: PhotoRow, look: Look) -> _Said:
    try:
        proposal, labels = look(data, row.file_name)
    except Exception as error:  # one photograph must not end the batch
        told = error if isinstance(error, BudvisionError) else PhotoError(
            f"it could not be judged ({type(error).__name__}: {str(error)[:200]})",
            where=row.file_name, code="unexpected",
        )
        proposal, labels = Proposal(
            row.file_name, row.sha256, row.width_px, row.height_px, False,
            (Reason(told.code, str(told)),), None, "", {},
        ), None
    if labels is None:
        return _Said(proposal)
    crop, box = crop_labels(labels)
    return _Said(proposal, crop, box)


def _look_with_model(
    season: Season, waiting: Sequence[PhotoRow], chosen: ModelInUse, jobs: int
) -> Iterator[_Said]:
    """Look with the model itself, in a second process too where there is much to do."""
    if not waiting:
        return iter(())
    inside = season.folder / chosen.path
    folder = str(inside) if inside.is_dir() else chosen.path
    photos, cane_base = season.photos, season.settings.text("cane_base")
    _proposer(folder)  # a model that does not load is told of before anything is done
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    jobs = max(1, min(jobs, cores or 1))
    if jobs == 1 or len(waiting) < _MANY:
        return (_look_at_file(folder, photos, row, cane_base) for row in waiting)
    from joblib import Parallel, delayed

    work = (delayed(_look_at_file)(folder, photos, row, cane_base) for row in waiting)
    said: Iterator[_Said] = Parallel(n_jobs=jobs, return_as="generator")(work)
    return said


def _look_at_file(model: str, photos: PhotoStore, row: PhotoRow, cane_base: str) -> _Said:
    """Look at one photograph of a store, in whatever process this runs."""
    from budvision.verdict.propose import propose_photo

    try:
        data = photos.read(row.sha256, verify=True)
    except (BudvisionError, OSError):
        return _Said(None)
    proposer = _proposer(model)
    return _said(data, row, lambda d, name: propose_photo(
        d, proposer=proposer, name=name, cane_base=cane_base))


@lru_cache(maxsize=2)
def _proposer(model: str) -> Any:
    from budvision.verdict.propose import Proposer

    return Proposer.load(model)


def crop_labels(labels: Labels) -> tuple[Labels | None, tuple[int, int, int, int] | None]:
    """Cut labels at full size to the square round the face, and shrink it to be stored.

    Parameters
    ----------
    labels : ndarray of uint8, shape (height_px, width_px)
        0 background, 1 primary, 2 secondary, 3 tertiary, 4 scales.

    Returns
    -------
    labels : ndarray of uint8, shape (n, n), or None
        None where nothing is labelled.
    box : tuple of int, or None
        (row0, col0, row1, col1) of the square in the full-size photograph; it may reach outside.
    """
    rows = np.flatnonzero(labels.any(axis=1))
    cols = np.flatnonzero(labels.any(axis=0))
    if rows.size == 0:
        return None, None
    row0, row1, col0, col1 = int(rows[0]), int(rows[-1]) + 1, int(cols[0]), int(cols[-1]) + 1
    side = max(row1 - row0, col1 - col0)
    side += 2 * max(1, round(side * _MARGIN))
    top, left = (row0 + row1 - side) // 2, (col0 + col1 - side) // 2
    height, width = labels.shape
    square = np.zeros((side, side), np.uint8)
    inner = labels[max(0, top):min(height, top + side), max(0, left):min(width, left + side)]
    at_row, at_col = max(0, -top), max(0, -left)
    square[at_row:at_row + inner.shape[0], at_col:at_col + inner.shape[1]] = inner
    if side > _LABELS_PX:
        small = cv2.resize(square, (_LABELS_PX, _LABELS_PX), interpolation=cv2.INTER_NEAREST)
        square = np.asarray(small, np.uint8)
    return square, (top, left, top + side, left + side)
