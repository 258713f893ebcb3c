"""Proposals for many photographs, in order, in processes of their own."""

from __future__ import annotations

import logging
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Final

from budvision.errors import InputError, NothingToDoError, PhotoError, StorageError
from budvision.files import write_whole
from budvision.photo.overlay import encode_picture
from budvision.photo.workers import cores, run, run_many, unhurried
from budvision.verdict.propose import Proposer, hash_of, propose_photo
from budvision.verdict.reasons import refused_photo
from budvision.verdict.registry import ModelEntry, find_model
from budvision.vocabulary import CANE_BASE_DEG, Proposal, Reason

__all__ = ["PHOTO_SUFFIXES", "UNUSABLE", "Answer", "collect_photos", "propose_many"]

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


@lru_cache(maxsize=2)
def _loaded(model: str | None, folders: tuple[Path, ...]) -> Proposer:
    with unhurried():
        return Proposer.load(model, folders=folders)


def _load_ahead(model: str | None, folders: tuple[Path, ...]) -> None:
    _loaded(model, folders)


def _one(
    path: Path, mask: Path | None, trouble: str, model: str | None, folders: tuple[Path, ...],
    cane_base: str,
) -> Answer:
    """Propose for one photograph and write its mask, in whatever process this runs."""
    proposer = _loaded(model, folders)
    proposal, labels = propose_photo(
        path, proposer=proposer, with_labels=mask is not None, cane_base=cane_base
    )
    png = None if mask is None or labels is None else encode_picture(labels, "png")
    return _kept(path, proposal, png, mask, trouble)


def _kept(
    path: Path, proposal: Proposal, png: bytes | None, mask: Path | None, trouble: str
) -> Answer:
    """Write a photograph's mask where one is wanted, and return its answer."""
    if mask is None or png is None:
        return Answer(path=path, proposal=proposal, trouble=trouble)
    try:
        write_whole(mask, png)
    except OSError as error:
        return Answer(path=path, proposal=proposal,
                      trouble=f"{mask}: cannot be written ({error.strerror}).")
    return Answer(path=path, proposal=proposal, mask=mask)


def _sent(
    model: str, data: bytes, name: str, cane_base: str, with_labels: bool
) -> tuple[Proposal, bytes | None]:
    """Propose for a photograph that came over the network, in whatever process this runs."""
    proposal, labels = propose_photo(
        data, proposer=_loaded(model, ()), name=name, with_labels=with_labels,
        cane_base=cane_base)
    return proposal, None if labels is None else encode_picture(labels, "png")


def _on_cluster(
    paths: Sequence[Path], masks: Sequence[tuple[Path | None, str]], entry: ModelEntry,
    cane_base: str, address: str,
) -> Iterator[Answer | Exception]:
    """Propose on a cluster; what cannot be read here is told of as without one."""
    unread: set[Path] = set()

    def jobs() -> Iterator[tuple[str, bytes, tuple[object, ...]]]:
        for path, (mask, _) in zip(paths, masks, strict=True):
            data = b""
            try:
                data = path.read_bytes()
            except OSError:
                unread.add(path)
            yield path.name, data, (path.name, cane_base, mask is not None)

    from budvision.verdict.cluster import cluster_many

    answers = cluster_many(_sent, jobs(), n=len(paths), address=address, model=entry)
    for path, (mask, trouble), answer in zip(paths, masks, answers, strict=True):
        if path in unread:
            yield from run_many(_one, [(path.name, (
                path.absolute(), None, trouble, str(entry.folder), (), cane_base))])
        elif isinstance(answer, Exception):
            yield answer
        else:
            proposal, png = answer
            yield _kept(path, proposal, png, mask, trouble)


def _answer(path: Path, answer: Answer | Exception) -> Answer:
    """Return what is said of a photograph, also where its process fell or the program failed."""
    if isinstance(answer, Answer):
        return replace(answer, path=path)
    if isinstance(answer, PhotoError):
        return Answer(path, refused_photo(path.name, answer, sha256=hash_of(path)))
    _log.error("unexpected error at %s", path, exc_info=answer)
    return Answer(path, _not_answered(path, answer), failed=True)


def _not_answered(path: Path, error: Exception) -> Proposal:
    """Return the line of a photograph on which the program itself failed; it is no refusal."""
    reason = Reason(
        "unexpected", f"The program failed on this photograph ({type(error).__name__}: "
        f"{str(error)[:200]}). Run it with --debug and send what it says to the maintainers.")
    return Proposal(file=path.name, sha256=hash_of(path), width_px=None, height_px=None,
                    found=False, reasons=(reason,), mm_per_px=None, model="", tissues={})


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
    masks: Path | None = None, workers: int = 0, cane_base: str = "unknown", cluster: str = "",
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
    cluster : str
        Address of a Dask scheduler whose workers propose, ``local`` for one of this machine's own;
        without it the processes of this machine do.

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
    known = tuple(folder.absolute() for folder in folders)
    run(_load_ahead, model, known, where=model or "the default model")
    planned = _masks(paths, masks)
    if cluster:
        entry = find_model(model, folders=known)
        on_cluster = _on_cluster(paths, planned, entry, cane_base, cluster)
        for path, answer in zip(paths, on_cluster, strict=True):
            yield _answer(path, answer)
        return
    jobs = [
        # the processes may have been started in another working directory
        (path.name, (path.absolute(), mask and mask.absolute(), trouble, model, known, cane_base))
        for path, (mask, trouble) in zip(paths, planned, strict=True)
    ]
    n_workers = workers or (1 if len(jobs) <= _FEW else cores())
    for path, answer in zip(paths, run_many(_one, jobs, n_workers=n_workers), strict=True):
        yield _answer(path, answer)
