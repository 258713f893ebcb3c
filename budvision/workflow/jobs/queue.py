"""Ask for long work, see how far it is, cancel it; done one by one, also after a restart.

The queue is a table of the season, so that pages, terminal and every station see the same. A piece
runs at the station where it was asked for. One that was killed is begun again: every deed may be
done twice (`deeds`).
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Mapping
from typing import Any
from uuid import uuid4

from budvision.errors import BudvisionError, ConflictError, InputError, NotFoundError, StorageError
from budvision.language import LANGUAGES, say, speaking, told
from budvision.store.queries import jobs
from budvision.store.queries.jobs import Job
from budvision.store.session import Season
from budvision.workflow.jobs.deeds import DEEDS, Deed, Halted

__all__ = ["Runner", "cancel", "current", "pending", "submit"]

_log = logging.getLogger("budvision.jobs")
_BEAT_S = 0.5
_SIGN_S = 10.0
LOST_AFTER_S = 90.0
"""Seconds without a sign of life after which a piece of work counts as killed."""


def submit(
    season: Season, kind: str, asked: Mapping[str, Any] | None = None, *, by: str
) -> int | None:
    """Have a piece of work done, after what was asked for before.

    Parameters
    ----------
    season : Season
        The season; this station of it does the work.
    kind : str
        A name of `deeds.DEEDS`.
    asked : mapping, optional
        What the deed wants to know, as JSON holds it.
    by : str
        Who asks.

    Returns
    -------
    int or None
        Its number; None where one of this kind waits or runs already.

    Raises
    ------
    InputError
        When there is no such kind.
    """
    _deed(kind)
    with season.write() as conn:
        return jobs.add_job(conn, kind, asked or {}, asked_by=by, station=season.station)


def _deed(kind: str) -> Deed:
    if kind not in DEEDS:
        raise InputError(f"the job is {kind!r}", where="jobs",
                         expected=f"one of {', '.join(DEEDS)}", do="Correct it.")
    return DEEDS[kind]


def current(season: Season) -> Job | None:
    """Return what is being done, else what comes next, else what was done last."""
    with season.read() as conn:
        rows = jobs.list_jobs(conn)
    at_work = [row for row in rows if row.state in ("running", "stopping")]
    waiting = [row for row in rows if row.state == "waiting"]
    ended = sorted((row for row in rows if not row.open), key=lambda row: row.changed_at)
    return next(iter([*at_work, *waiting, *reversed(ended)]), None)


def pending(season: Season) -> tuple[Job, ...]:
    """Return what waits, in its order."""
    with season.read() as conn:
        return tuple(row for row in jobs.list_jobs(conn) if row.state == "waiting")


def cancel(season: Season, job_id: int) -> str:
    """Cancel a piece of work; return its state: cancelled, or stopping where it runs.

    Raises
    ------
    NotFoundError
        When there is no such piece.
    ConflictError
        When it has ended already.
    """
    with season.write() as conn:
        state = jobs.cancel_job(conn, job_id)
    if not state:
        raise NotFoundError(f"there is no job number {job_id}", where="jobs", code="no_job",
                            do="See `budvision jobs list`.")
    if state in ("done", "failed"):
        raise ConflictError(f"job {job_id} has ended already ({state})", where="jobs",
                            expected="one that waits or runs", do="Nothing is to be done.")
    return state


class Runner:
    """Does a station's work, in a thread beside the pages or in the foreground.

    Parameters
    ----------
    season : Season
        The season.

    Attributes
    ----------
    failed : list of int
        Numbers of the pieces of work that failed here.
    """

    def __init__(self, season: Season) -> None:
        self.failed: list[int] = []
        self._season = season
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._ending = threading.Event()

    def wake(self) -> None:
        """See to it that a thread does what waits."""
        with self._lock:
            if not self._ending.is_set() and self._thread is None:
                self._thread = threading.Thread(target=self._go, name="jobs", daemon=True)
                self._thread.start()

    def stop(self, *, wait_s: float = 5.0) -> list[Job]:
        """Interrupt the work as the server ends; return what is left for the next start."""
        self._ending.set()
        with self._lock:
            thread = self._thread
        if thread is not None:
            thread.join(wait_s)
        with self._season.read() as conn:
            return [row for row in jobs.list_jobs(conn) if row.open]

    def work(self) -> int:
        """Do what waits until nothing is left; return how many pieces were done."""
        n = 0
        while not self._ending.is_set():
            with self._season.write() as conn:
                job = jobs.take_job(conn, self._season.station, lost_after_s=LOST_AFTER_S)
            if job is not None:
                self._do(job)
                n += 1
                continue
            with self._season.read() as conn:
                mine = [row for row in jobs.list_jobs(conn)
                        if row.open and row.station == self._season.station]
            if not mine:
                break
            self._ending.wait(1.0)  # another station, or a killed program, has the queue
        return n

    def _go(self) -> None:
        while True:
            try:
                self.work()
            except Exception:
                _log.exception("the queue of jobs could not be read")
            with self._lock:
                if self._ending.is_set() or not pending(self._season):
                    self._thread = None
                    return
            self._ending.wait(1.0)

    def _do(self, job: Job) -> None:
        beat = _Beat(self._season, job, self._ending)
        language = str(job.asked.get("language", ""))
        language = language if language in LANGUAGES else "en"
        try:
            with beat, speaking(language):
                came = _deed(job.kind).do(self._season, job.asked, beat.tell)
            state, text, model = "done", came.text, came.model
        except Halted as halt:
            if halt.again:
                with self._season.write() as conn:
                    jobs.put_job_back(conn, job.id)
                return
            with speaking(language):
                text = say("It was cancelled; what was done by then stays.")
            state, model = "cancelled", ""
        except BudvisionError as error:
            with speaking(language):
                text = told(error)
            state, model = "failed", ""
        except Exception as error:
            number = uuid4().hex[:8]
            _log.error("unexpected error %s in job %s", number, job.kind, exc_info=error)
            state, model = "failed", ""
            with speaking(language):
                text = told(BudvisionError(
                    f"something unexpected happened; it was logged as number {number}",
                    do="Try again; if it happens again, send the number and the log to the "
                    "maintainers.", code="unexpected"))
        if state == "failed":
            self.failed.append(job.id)
        with self._season.write() as conn:
            jobs.end_job(conn, job.id, state, text=text, model=model)


class _Beat:
    """Writes how far a deed is from a thread of its own: the deed may hold the writer's door."""

    def __init__(self, season: Season, job: Job, ending: threading.Event) -> None:
        self._season, self._job, self._ending = season, job, ending
        self._latest: tuple[str, int, int] = ("", 0, 0)
        self._halt, self._over = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._go, name="jobs-beat", daemon=True)

    def tell(self, what: str, done: int, total: int) -> None:
        """Be told a step; ends the deed where it was cancelled or the program ends."""
        self._latest = (what, done, total)
        if self._halt.is_set() or self._ending.is_set():
            raise Halted(again=not self._halt.is_set())

    def __enter__(self) -> None:
        self._thread.start()

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def _go(self) -> None:
        written, written_at, over = ("", 0, 0), time.monotonic(), False
        while not over:
            over = self._over.wait(_BEAT_S)  # the last step is noted too
            try:
                with self._season.read() as conn:
                    if jobs.job_state(conn, self._job.id) == "stopping":
                        self._halt.set()
                if self._latest != written or time.monotonic() - written_at > _SIGN_S:
                    written, written_at = self._latest, time.monotonic()
                    with self._season.write() as conn:
                        jobs.see_job(conn, self._job.id, *written)
            except StorageError as error:  # the next beat tells
                _log.warning("how far job %s is could not be noted: %s", self._job.id, error)
