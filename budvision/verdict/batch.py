"""Proposals for many photographs, in order, over one or several processes."""

from __future__ import annotations

import gc
import logging
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import cv2

from budvision.errors import InputError, NothingToDoError, StorageError
from budvision.files import write_whole
from budvision.photo.overlay import encode_picture
from budvision.verdict.propose import Proposer, propose_photo
from budvision.vocabulary import CANE_BASE_DEG, Proposal, Reason

__all__ = ["PHOTO_SUFFIXES", "UNUSABLE", "Answer", "collect_photos", "cores", "propose_many"]

PHOTO_SUFFIXES: Final = (
    ".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif", ".bmp",
)
"""What is taken from a folder; a file named outright is tried whatever its name."""
UNUSABLE: Final = frozenset(
    {"empty_file", "truncated", "not_an_image", "animated", "too_many_pixels", "too_small",
     "unreadable"}
)
"""Reason codes of files that could not be used, as against photographs that were judged."""
_FEW: Final = 12
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Answer:
    """A proposal and what became of its mask.

    Attributes
    ----------
    path : Path
    proposal : Proposal
    mask : Path or None
        Where the labels were written.
    trouble : str
        Why they were not, where they should have been; else empty.
    failed : bool
        Whether the program itself failed on the photograph; it is logged with its traceback.
    """

    path: Path
    proposal: Proposal
    mask: Path | None = None
    trouble: str = ""
    failed: bool = False


def collect_photos(given: Sequence[Path]) -> list[Path]:
    """List the photographs that files and folders name, in order, folders by file name.

    Raises
    ------
    InputError
        When a path does not exist.
    NothingToDoError
        When there is no photograph among them.
    """
    found: list[Path] = []
    for path in given:
        if path.is_dir():
            found += sorted(
                one for one in path.rglob("*")
                if one.suffix.lower() in PHOTO_SUFFIXES and one.is_file()
                and not any(part.startswith(".") for part in one.relative_to(path).parts)
            )
        elif path.exists():
            found.append(path)
        else:
            raise InputError(
                "there is no such file or folder", expected="photographs or folders of them",
                where=str(path), do="Check the name.",
            )
    if not found:
        raise NothingToDoError(
            "the folders hold no photograph", expected=f"files such as {PHOTO_SUFFIXES[0]}",
            where=", ".join(str(path) for path in given), do="Check the folder's name.",
        )
    return found


def cores() -> int:
    """Return how many cores this process may use, on systems that do not say too."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@lru_cache(maxsize=2)
def _loaded(model: str | None, folders: tuple[Path, ...]) -> Proposer:
    return Proposer.load(model, folders=folders)


@lru_cache(maxsize=2)
def _settle(model: str | None, folders: tuple[Path, ...]) -> None:
    """Load the model in a process of its own, and exempt what is there from garbage collection.

    joblib collects garbage every second in processes that cannot measure their memory, which takes
    long where large libraries are loaded.
    """
    _loaded(model, folders)
    gc.freeze()


def _one_of_many(
    path: Path, mask: Path | None, trouble: str, model: str | None, folders: tuple[Path, ...],
    cane_base: str,
) -> Answer:
    _settle(model, folders)
    return _one(path, mask, trouble, model, folders, cane_base)


def _one(
    path: Path, mask: Path | None, trouble: str, model: str | None, folders: tuple[Path, ...],
    cane_base: str,
) -> Answer:
    cv2.setNumThreads(1)
    proposer = _loaded(model, folders)
    try:
        proposal, labels = propose_photo(
            path, proposer=proposer, with_labels=mask is not None, cane_base=cane_base
        )
    except Exception as error:    # one photograph must not end the batch
        _log.error("unexpected error at %s", path, exc_info=error)
        return Answer(path, _not_answered(path, error, proposer.label), failed=True)
    if mask is None or labels is None:
        return Answer(path, proposal, None, trouble)
    data = encode_picture(labels, "png")
    try:
        write_whole(mask, data)
    except OSError as error:
        return Answer(path, proposal, None, f"{mask}: cannot be written ({error.strerror}).")
    return Answer(path, proposal, mask)


def _not_answered(path: Path, error: Exception, model: str) -> Proposal:
    """Return the line of a photograph on which the program itself failed; it is no refusal."""
    reason = Reason(
        "unexpected", f"The program failed on this photograph ({type(error).__name__}: "
        f"{str(error)[:200]}). Run it with --debug and send what it says to the maintainers.")
    return Proposal(path.name, "", None, None, False, (reason,), None, model, {})


def _masks(paths: Sequence[Path], folder: Path | None) -> list[tuple[Path | None, str]]:
    """Name each photograph's mask; a name that is taken is not used again."""
    if folder is None:
        return [(None, "")] * len(paths)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StorageError(
            f"the folder cannot be made ({error.strerror})", where=str(folder),
            expected="a folder that can be written", do="Name another folder.",
        ) from error
    taken: dict[str, Path] = {}
    planned: list[tuple[Path | None, str]] = []
    for path in paths:
        mask = folder / f"{path.stem}.png"
        if path.stem in taken:
            planned.append((None, f"{mask}: not written for {path}; {taken[path.stem]} has the "
                            "same name. Run it with another folder."))
        elif mask.exists():
            planned.append((None, f"{mask}: not written, it exists already. Name an empty "
                            "folder."))
        else:
            planned.append((mask, ""))
        taken.setdefault(path.stem, path)
    return planned


def propose_many(
    paths: Sequence[Path], *, model: str | None = None, folders: Sequence[Path] = (),
    masks: Path | None = None, workers: int = 0, cane_base: str = "unknown",
) -> Iterator[Answer]:
    """Propose for each photograph, in order.

    Parameters
    ----------
    paths : sequence of Path
    model : str, optional
        Name or path of the model; the default model when left out.
    folders : sequence of Path
        Folders with registries of models of their own.
    masks : Path, optional
        Folder to write ``<stem>.png`` to: the labels at the upright photograph's full size.
        Nothing is overwritten; a clash is told in the answer.
    workers : int
        Processes; 0 takes one a core, or a single one for a dozen photographs or fewer.
    cane_base : str
        Side of every photograph on which the cane base lies, where no photo card shows it.

    Yields
    ------
    Answer
        One a photograph; a bad photograph gives an answer as well.

    Raises
    ------
    NotFoundError, VerificationError
        When the model cannot be loaded: before the first photograph.
    """
    if workers < 0:
        raise InputError(
            f"workers is {workers}", expected="0 or more", where="--workers", do="Leave it out.",
        )
    if cane_base != "unknown" and cane_base not in CANE_BASE_DEG:
        raise InputError(
            f"the side of the cane base is {cane_base!r}", where="--cane-base",
            expected=f"{', '.join(CANE_BASE_DEG)} or unknown", do="Correct it or leave it out.",
        )
    known = tuple(folders)
    _loaded(model, known)
    jobs = list(zip(paths, _masks(paths, masks), strict=True))
    n_workers = workers or (1 if len(jobs) <= _FEW else cores())
    if n_workers == 1:
        before = cv2.getNumThreads()
        try:
            for path, (mask, trouble) in jobs:
                yield _one(path, mask, trouble, model, known, cane_base)
        finally:
            cv2.setNumThreads(before)
        return
    from joblib import Parallel, delayed

    pool: Any = Parallel(
        n_jobs=n_workers, return_as="generator", batch_size=2, pre_dispatch="3*n_jobs",
    )
    yield from pool(
        delayed(_one_of_many)(path, mask, trouble, model, known, cane_base)
        for path, (mask, trouble) in jobs
    )
