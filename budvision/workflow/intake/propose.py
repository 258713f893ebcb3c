"""Proposals for the season's photographs: what the model says, kept beside what people say.

A photograph is looked at once by each model. Every version is kept; a bud whose three tissues a
person has called is not proposed anew. Each photograph is a transaction of its own.
"""

from __future__ import annotations

import contextlib
import hashlib
import logging
from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from budvision.errors import BudvisionError, PhotoError
from budvision.language import plain_count
from budvision.photo.workers import run, run_many, unhurried
from budvision.store.claims import Claims
from budvision.store.photos import PhotoStore
from budvision.store.queries import models, proposals
from budvision.store.queries.photos import PhotoRow
from budvision.store.session import Season
from budvision.store.shared_models import bring_model
from budvision.verdict.reasons import refused_photo
from budvision.vocabulary import Proposal

__all__ = [
    "Look", "ModelInUse", "ProposeReport", "crop_labels", "load_model", "model_folder",
    "model_in_use", "propose_in", "propose_waiting",
]

Labels = npt.NDArray[np.uint8]
Look = Callable[[bytes, str], tuple[Proposal, "Labels | None"]]
"""From a photograph's bytes and name to a proposal and the labels at full size."""
Progress = Callable[[int, int, str], None]

_log = logging.getLogger("budvision.propose")

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


@dataclass(frozen=True, slots=True, kw_only=True)
class ProposeReport:
    """What came of looking at the photographs that waited.

    Attributes
    ----------
    n_looked, n_found, n_refused : int
        Photographs looked at; of these, with proposals, and refused with a reason.
    n_missing : int
        Photographs that could not be read from the store; they go on waiting.
    n_failed : int
        Photographs that a mistake of the program kept from being judged; the mistake is logged
        whole and they go on waiting.
    """

    model: str
    n_looked: int
    n_found: int
    n_refused: int
    n_missing: int
    n_failed: int
    reasons: dict[str, int]

    @property
    def trouble(self) -> str:
        """What a person should know of photographs that go on waiting, in sentences, or empty."""
        sentences = []
        if self.n_missing:
            sentences.append(f"{plain_count(self.n_missing, 'photograph')} could not be read "
                             f"from the store; run "
                             "`budvision check`.")
        if self.n_failed:
            sentences.append(
                f"{plain_count(self.n_failed, 'photograph')} could not be judged by a mistake "
                f"of this program. "
                "They go on waiting; please report what the log says.")
        return " ".join(sentences)

    def as_dict(self) -> dict[str, object]:
        """Return the report as JSON has it."""
        return asdict(self)


def model_in_use(season: Season, model: str | Path | None = None) -> ModelInUse:
    """Return the model asked for, else the one promoted in the season, else the default.

    Raises
    ------
    NotFoundError
        When no registry lists it, and no other station has put it where this one finds it.
    """
    from budvision.verdict.registry import find_model

    if model is None:
        with season.read() as conn:
            promoted = models.current_model(conn)
        if promoted is not None:
            bring_model(season, promoted)
            inside = season.folder / promoted.path
            model = inside if promoted.path and inside.is_dir() else promoted.name
    elif isinstance(model, str):
        with season.read() as conn:
            known = models.find_model(conn, model)
        if known is not None:
            bring_model(season, known)
    entry = find_model(model, folders=[season.models_folder])
    listed = "\n".join(  # what proposes; the card and the figures beside it may be reworded
        f"{name} {sha}" for name, sha in sorted(entry.files.items())
        if not name.endswith((".md", ".json"))
    )
    own = entry.folder.resolve().is_relative_to(season.folder)
    return ModelInUse(
        label=entry.label,
        sha256=hashlib.sha256(f"{entry.label}\n{listed}".encode()).hexdigest(),
        path=(entry.folder.resolve().relative_to(season.folder).as_posix() if own
              else entry.label),
        facts={"files": dict(entry.files), "feature_version": entry.feature_version},
    )


def propose_waiting(
    season: Season, *, model: str | Path | None = None,
    photos: Sequence[PhotoRow] | None = None, look: Look | None = None,
    used: ModelInUse | None = None, jobs: int = _JOBS, cluster: str = "",
    progress: Progress | None = None,
) -> ProposeReport:
    """Let the model look at every placed photograph that waits for it, and keep what it says.

    Parameters
    ----------
    season : Season
        The season. Photographs that another run with the same model is at are left to it.
    model : str or Path, optional
        A model's name or folder; as `model_in_use` chooses when left out.
    photos : sequence of PhotoRow, optional
        These photographs, whether they wait or not (training measures called buds).
    look, used : optional
        Another way of looking, and the model it stands for.
    jobs : int
        Processes, where there are many photographs.
    cluster : str
        Address of a Dask scheduler whose workers look, ``local`` for one of this machine's own.
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
    with season.read() as conn:
        model_id = models.known_model(conn, chosen.sha256)
    if model_id is None:
        with season.write() as conn:
            model_id = models.ensure_model(
                conn, chosen.label, chosen.sha256, chosen.path, facts=chosen.facts)
    waiting = list(photos or ())
    if photos is None:
        with season.read() as conn:  # which takes seconds of a large season: no save waits for it
            waiting = proposals.photos_to_propose(conn, model_id)
    n_looked = n_found = n_missing = n_failed = 0
    reasons: Counter[str] = Counter()
    looked = _looked(season, waiting, chosen, model_id, look=look, jobs=jobs,
                     cluster=cluster, again=photos is not None)
    for done, (row, answer) in enumerate(looked):
        n_looked += 1
        if progress is not None:
            progress(done, len(waiting), row.file_name)
        if isinstance(answer, PhotoError):  # it ended, stopped or swelled the process that looked
            answer = _Judged(refused_photo(row.file_name, answer, sha256=row.sha256))
        if isinstance(answer, Exception):
            n_failed += 1
            _log.error("%s could not be judged", row.file_name, exc_info=answer)
            continue
        if answer.proposal is None:
            n_missing += 1
            continue
        with season.write() as conn:
            region_id = None
            if answer.labels is not None and answer.box is not None:
                region_id = proposals.save_region(
                    conn, row.id, answer.labels, answer.box, model_id=model_id
                )
            proposals.save_proposal(conn, row.id, model_id, answer.proposal, region_id=region_id)
        n_found += answer.proposal.found
        if not answer.proposal.found:
            reasons.update(reason.code for reason in answer.proposal.reasons)
    if progress is not None:
        progress(len(waiting), len(waiting), "")
    return ProposeReport(
        model=chosen.label, n_looked=n_looked, n_found=n_found,
        n_refused=n_looked - n_found - n_missing - n_failed, n_missing=n_missing,
        n_failed=n_failed, reasons=dict(reasons),
    )


@dataclass(frozen=True, slots=True)
class _Judged:
    """A proposal with its labels cut to their box; no proposal where the file is missing."""

    proposal: Proposal | None
    labels: Labels | None = None
    box: tuple[int, int, int, int] | None = None


def _looked(
    season: Season, waiting: Sequence[PhotoRow], chosen: ModelInUse, model_id: int, *,
    look: Look | None, jobs: int, cluster: str, again: bool,
) -> Iterator[tuple[PhotoRow, _Judged | Exception]]:
    """Look at each photograph that nobody else is at, nor has been since they were listed."""
    at_work: deque[PhotoRow] = deque()
    with Claims(season, model_id) as claims:
        def mine() -> Iterator[PhotoRow]:
            for row in waiting:
                if not again:
                    if not claims.take(row.id):
                        continue
                    with season.read() as conn:
                        waits = proposals.still_waits(conn, row.id, model_id)
                    if not waits:
                        claims.give(row.id)
                        continue
                at_work.append(row)
                yield row

        source = (
            (_look(season.photos, row, look) for row in mine()) if look is not None
            else _look_on_cluster(season, mine(), chosen, len(waiting), cluster) if cluster
            else _look_with_model(season, mine(), chosen, len(waiting), jobs))
        for answer in source:
            row = at_work.popleft()
            yield row, answer
            claims.give(row.id)


def _look(photos: PhotoStore, row: PhotoRow, look: Look) -> _Judged | Exception:
    try:
        data = photos.read(row.sha256, verify=True)
    except (BudvisionError, OSError):
        return _Judged(None)  # `budvision check` tells of it; the photograph goes on waiting
    try:
        proposal, labels = look(data, row.file_name)
    except Exception as error:  # one photograph must not end the batch
        return error
    return _Judged(proposal) if labels is None else _Judged(proposal, *crop_labels(labels))


def _look_with_model(
    season: Season, rows: Iterator[PhotoRow], chosen: ModelInUse, n_rows: int, jobs: int
) -> Iterator[_Judged | Exception]:
    """Look with the model itself, in a second process too where there is much to do."""
    if not n_rows:
        return iter(())
    folder, cane_base = model_folder(season, chosen), season.settings.cane_base
    run(load_model, folder, where=chosen.label)  # what does not load is told of before the rest
    near = PhotoStore(season.photos.folder)

    def work() -> Iterator[tuple[str, tuple[Any, ...]]]:
        for row in rows:
            # fetched here: a slow store must not pass for a photograph that takes long to decode
            with contextlib.suppress(BudvisionError, OSError):
                season.photos.path(row.sha256)
            yield row.file_name, (near, row, folder, cane_base)

    return run_many(_look_at_file, work(), n_workers=1 if n_rows < _MANY else jobs)


def _look_on_cluster(
    season: Season, rows: Iterator[PhotoRow], chosen: ModelInUse, n_rows: int, address: str
) -> Iterator[_Judged | Exception]:
    """Look with the model at a cluster's workers; the photographs go out from here."""
    from budvision.verdict.cluster import cluster_many
    from budvision.verdict.registry import find_model

    if not n_rows:
        return
    cane_base = season.settings.cane_base
    there: deque[bool] = deque()

    def work() -> Iterator[tuple[str, bytes, tuple[Any, ...]]]:
        for row in rows:
            data = b""  # of one that is gone `budvision check` tells; it goes on waiting
            with contextlib.suppress(BudvisionError, OSError):
                data = season.photos.read(row.sha256, verify=True)
            there.append(bool(data))
            yield row.file_name, data, (row.file_name, cane_base)

    entry = find_model(model_folder(season, chosen), folders=[season.models_folder])
    for answer in cluster_many(
        _look_at_bytes, work(), n=n_rows, address=address, model=entry
    ):
        yield answer if there.popleft() else _Judged(None)


def _look_at_bytes(model: str, data: bytes, name: str, cane_base: str) -> _Judged:
    """Look at a photograph that came over the network, in whatever process this runs."""
    proposal, labels = propose_in(model, data, name, cane_base)
    return _Judged(proposal) if labels is None else _Judged(proposal, *crop_labels(labels))


def _look_at_file(photos: PhotoStore, row: PhotoRow, model: str, cane_base: str) -> _Judged:
    """Look at one photograph of a store, in whatever process this runs."""
    answer = _look(photos, row, lambda data, name: propose_in(model, data, name, cane_base))
    if isinstance(answer, Exception):
        raise answer
    return answer


def propose_in(
    model: str, data: bytes, name: str, cane_base: str
) -> tuple[Proposal, Labels | None]:
    """Propose with a model that this process loads once."""
    from budvision.verdict.propose import propose_photo

    return propose_photo(data, proposer=_proposer(model), name=name, cane_base=cane_base)


def model_folder(season: Season, used: ModelInUse) -> str:
    """Return what a model is loaded by: its folder in the season, else its name."""
    inside = season.folder / used.path
    return str(inside) if inside.is_dir() else used.path


def load_model(model: str) -> None:
    """Load a model ahead of the first photograph."""
    _proposer(model)


@lru_cache(maxsize=2)
def _proposer(model: str) -> Any:
    from budvision.verdict.propose import Proposer

    with unhurried():
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
