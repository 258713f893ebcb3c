"""Watch a folder that a microscope or camera program saves into, and sort what arrives.

A file counts as complete when its size has stood still and it can be read whole. A cane's run is
sorted when the next tag comes, or when the watching ends.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Generator, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import watchfiles

from budvision.errors import BudvisionError, NotFoundError, PhotoError
from budvision.language import plain_count
from budvision.photo.read import read_photo
from budvision.store.session import Season
from budvision.workflow.intake.runs import Seen, make_runs
from budvision.workflow.intake.sorting import (
    SortReport,
    keep_seen,
    look_at,
    nodes_of_tags,
    place_runs,
    taken_order,
)

__all__ = ["Arrival", "FolderWatch", "watch_folder"]

SETTLE_S = 1.0
"""A file whose size has not changed for this long may be complete."""
PATIENCE_S = 30.0
"""A file that cannot be read whole after this long is reported as damaged."""
_IGNORED = (".part", ".tmp", ".crdownload", ".json", ".xml", ".txt", ".csv", ".ini", ".db")


@dataclass(frozen=True, slots=True)
class Arrival:
    """One thing that happened: a photograph came, a cane was sorted, or a file was refused."""

    kind: str
    words: str
    report: SortReport | None = None


@dataclass
class FolderWatch:
    """What has come so far; `take` is fed with files, `finish` sorts the last run.

    Parameters
    ----------
    season : Season
    """

    season: Season
    _open: list[Seen] = field(default_factory=list)
    _met: set[str] = field(default_factory=set)

    def take(self, path: Path) -> list[Arrival]:
        """Take a complete file in; a tag closes the run before it.

        Raises
        ------
        PhotoError
            When it is no usable photograph.
        """
        one, data = look_at(path)
        if one.sha256 in self._met:
            return []
        self._met.add(one.sha256)
        keep_seen(self.season, data, one)
        arrivals: list[Arrival] = []
        if one.tag is not None and any(row.tag != one.tag for row in self._open):
            arrivals += self.finish()
        self._open.append(one)
        shows = (f"the tag of cane {one.tag.cane}" if one.tag is not None
                 else "the card's back: next bud" if one.flip else "a cut")
        return [*arrivals, Arrival("photo", f"{path.name}: {shows}")]

    def finish(self) -> list[Arrival]:
        """Sort what stands open, and say what became of it."""
        runs = make_runs(self._open, nodes_of_tags(self.season))
        self._open = []
        if not runs:
            return []
        report = place_runs(self.season, runs)
        arrivals = []
        if report.n_placed or report.n_known:
            canes = ", ".join(run.tag.cane for run in runs if run.tag is not None)
            arrivals.append(Arrival("sorted", f"cane {canes}: "
                                              f"{plain_count(report.n_placed, 'photograph')} "
                                              f"placed",
                                    report))
        for row in report.doubtful:
            arrivals.append(Arrival(
                "doubtful", f"cane {row['cane'] or '?'}: {row['why']}; place its "
                f"{plain_count(len(row['files']), 'photograph')} on the assignment page", report))
        return arrivals


def _complete(path: Path, *, settle_s: float, patience_s: float) -> bool:
    """Wait until a file stands still and can be read whole; False where it went away."""
    start = time.monotonic()
    size = -1
    while True:
        try:
            now_size = path.stat().st_size
        except OSError:
            return False
        if now_size == size and size > 0:
            try:
                read_photo(path, max_side_px=64)
                return True
            except PhotoError as error:
                if error.code not in ("truncated", "empty_file", "unreadable"):
                    return True         # it will be refused with its reason
        if time.monotonic() - start > patience_s:
            return True
        size = now_size
        time.sleep(settle_s)


def _wanted(path: Path) -> bool:
    return path.is_file() and not path.name.startswith((".", "~")) and (
        path.suffix.lower() not in _IGNORED)


def watch_folder(
    season: Season, folder: Path, *, stop: threading.Event | None = None,
    settle_s: float = SETTLE_S, patience_s: float = PATIENCE_S,
) -> Generator[Arrival, None, None]:
    """Watch a folder until told to stop, first taking what lies there already.

    Parameters
    ----------
    folder : Path
        Where the microscope program saves.
    stop : threading.Event, optional
        Set to end; an interrupt from the keyboard ends it, too.
    settle_s, patience_s : float
        How long a file's size must stand still, and when one that never becomes whole is given up.

    Returns
    -------
    generator of Arrival
        Each as it happens. The last run is sorted at the end.

    Raises
    ------
    NotFoundError
        When there is no such folder.
    """
    if not folder.is_dir():
        raise NotFoundError("there is no such folder", where=str(folder),
                            expected="the folder that the microscope program saves into",
                            do="Correct the path.")
    return _arrivals(FolderWatch(season), folder, ended=stop or threading.Event(),
                     settle_s=settle_s, patience_s=patience_s)


def _arrivals(
    state: FolderWatch, folder: Path, *, ended: threading.Event, settle_s: float, patience_s: float,
) -> Generator[Arrival, None, None]:
    done: dict[Path, tuple[int, int]] = {}

    def take(path: Path) -> list[Arrival]:
        if not _wanted(path) or not _complete(path, settle_s=settle_s, patience_s=patience_s):
            return []
        try:
            facts = path.stat()  # before it is read: what is written meanwhile is looked at again
            done[path] = (facts.st_size, facts.st_mtime_ns)
            return state.take(path)
        except (BudvisionError, OSError) as error:
            return [Arrival("refused", str(error))]

    def look() -> Iterator[Arrival]:
        """Take every file that is new or has changed, in the order of saving."""
        fresh: list[tuple[int, int, Path]] = []
        for number, path in enumerate(taken_order([folder])):
            try:
                facts = path.stat()
            except OSError:
                continue
            if done.get(path) != (facts.st_size, facts.st_mtime_ns):
                fresh.append((facts.st_mtime_ns, number, path))
        for _, _, path in sorted(fresh):
            yield from take(path)

    try:
        yield from look()
        # The whole folder is looked through at every word from the system: what arrived while
        # files were being read is not missed.
        for _ in watchfiles.watch(
            folder, stop_event=ended, debounce=300, step=100, rust_timeout=500,
            yield_on_timeout=True, raise_interrupt=False,
        ):
            yield from look()
        yield from look()
    finally:
        last = state.finish()
    yield from last
