"""Processes that decode: a foreign photograph may end, stop or swell one of them, and no more.

A decoder is a large program in C that reads what anybody sends. Here it works in processes of its
own, with limits of processor time and memory, started anew where they fall. What goes wrong there
is a refusal of that one photograph. The processes guard against falls and floods; against code
smuggled in by a photograph they are no wall.
"""

from __future__ import annotations

import atexit
import os
import pickle
import signal
import sys
import threading
import time
import traceback
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, TypeVar

from budvision.errors import PhotoError
from budvision.photo.pool import LENGTH, Pool, Worker, cores, read_message

if sys.platform != "win32":  # there, time is the only limit
    import resource

__all__ = [
    "MOST_CPU_S", "MOST_MB", "close", "cores", "no_room", "run", "run_many",
    "unhurried", "work",
]

T = TypeVar("T")

MOST_CPU_S = 8
"""Processor time, in seconds, that one photograph may take; 12 megapixels take about 0.1."""
MOST_WALL_S = 30.0 if sys.platform == "win32" else 300.0
"""The same by the clock, for what waits without working; a busy machine must not refuse."""
_OWN_CPU_S: Final = 600
MOST_MB = 950
"""Memory, in MB, of a process at work."""
_OLD_MB: Final = 600
"""A process that still holds so much after a job is replaced."""
_STATM = Path("/proc/self/statm")

_GIVES_WAY: Final = 5
"""How much nicer than the server a process that judges is: a third of a contended core."""

_inside = False
_cpu_s = MOST_CPU_S


_pool = Pool()


def _forget() -> None:
    """Begin anew in a forked process: its pipes belong to its parent."""
    global _pool
    _pool = Pool()


def close() -> None:
    """End every process; the next photograph starts new ones."""
    _pool.close()


atexit.register(close)
if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_forget)


def run(
    function: Callable[..., T], *args: Any, where: str, patient: bool = False, **options: Any
) -> T:
    """Call a function in a process that may fall.

    Parameters
    ----------
    function : callable
        Importable by name; its arguments and what it returns can be pickled. In such a process
        already, it is called at once.
    where : str
        The photograph's name, for refusals.
    patient : bool
        Nobody's eyes wait for it: one process is left free for what they do wait for.

    Returns
    -------
    object
        What the function returns.

    Raises
    ------
    PhotoError
        ``unreadable`` where the process fell or the work took too long, ``too_many_pixels`` where
        it took too much memory.
    Exception
        Whatever the function raised, with its traceback as a note.
    """
    if _inside:
        return function(*args, **options)
    job = pickle.dumps((function, args, options, MOST_CPU_S), protocol=5)
    for last in (False, True):  # a fall may be an accident; a second one is the photograph's
        worker = _pool.take(patient=patient)
        stopped = threading.Event()

        def stop(worker: Worker = worker, stopped: threading.Event = stopped) -> None:
            stopped.set()
            worker.process.kill()

        clock = threading.Timer(MOST_WALL_S, stop)
        clock.daemon = True
        clock.start()
        answer: bytes | None = None
        try:
            answer = worker.ask(job)
        finally:
            clock.cancel()
            usable = answer is not None and not stopped.is_set()
            ended = 0 if usable else worker.end()
            _pool.give(worker, usable=usable)
        if answer is not None:
            result: T = _unpacked(answer, where)
            return result
        if stopped.is_set() or ended == -getattr(signal, "SIGXCPU", 0):
            raise PhotoError(
                f"decoding it took longer than {MOST_CPU_S} s", where=where, code="unreadable",
                expected="a photograph as a camera takes it",
                do="Open it in another program and export it as a JPEG.",
            )
        if last:
            raise PhotoError(
                f"the decoder fell over it ({_name_of(ended)})", where=where, code="unreadable",
                expected="a photograph that other programs open",
                do="Copy it from the camera again, or export it as a JPEG.",
            )
    raise AssertionError("unreachable")


def run_many(
    function: Callable[..., T], jobs: Iterable[tuple[str, tuple[Any, ...]]], *, n_workers: int = 0
) -> Iterator[T | Exception]:
    """Call a function for each job, several at once, and yield the answers in order.

    Parameters
    ----------
    function : callable
        As for `run`.
    jobs : iterable of (str, tuple)
        The photograph's name and the function's arguments.
    n_workers : int
        Processes at once; 0 takes one a core.

    Yields
    ------
    object or Exception
        What the function returned, or what `run` raised: a refusal or a mistake of ours.
    """
    n_workers = min(n_workers or cores(), cores())
    waiting: deque[Future[T]] = deque()

    def answer(future: Future[T]) -> T | Exception:
        try:
            return future.result()
        except Exception as error:
            return error

    threads = ThreadPoolExecutor(n_workers, thread_name_prefix="decode")
    try:
        for where, args in jobs:
            waiting.append(threads.submit(run, function, *args, where=where))
            if len(waiting) > 2 * n_workers:
                yield answer(waiting.popleft())
        while waiting:
            yield answer(waiting.popleft())
    finally:
        threads.shutdown(wait=True, cancel_futures=True)


def _unpacked(answer: bytes, where: str) -> Any:
    done, result = pickle.loads(answer)  # noqa: S301 # nosec B301  (our own process)
    if done:
        return result
    if isinstance(result, MemoryError):
        raise no_room(where)
    raise result


def no_room(where: str) -> PhotoError:
    """Return the refusal of a photograph that takes too much memory."""
    return PhotoError(
        f"opening it takes more memory than {MOST_MB} MB", where=where, code="too_many_pixels",
        expected="a smaller photograph", do="Export it as a JPEG, or at half size.",
    )


def _name_of(ended: int) -> str:
    try:
        return signal.Signals(-ended).name
    except ValueError:
        return f"it ended with {ended}"


# ---- the other end -----------------------------------------------------------------------------


def work(*, patient: bool = False) -> None:
    """Answer one job after another, in a process of its own, until the parent closes the pipe.

    Where somebody's eyes do not wait for it, the processor goes to whoever else wants it.
    """
    global _inside
    _inside = True
    if patient and hasattr(os, "nice"):
        os.nice(_GIVES_WAY)
    jobs, answers = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    quiet = os.open(os.devnull, os.O_RDWR)
    for number in (0, 1):  # what a library prints must not come between two answers
        os.dup2(quiet, number)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with, args=(os.getppid(),), daemon=True).start()
    import cv2

    cv2.setNumThreads(1)
    while (job := read_message(jobs)) is not None:
        try:
            answer = pickle.dumps((True, _do(job)), protocol=5)
        except BaseException as error:
            answer = pickle.dumps((False, _portable(error)), protocol=5)
        del job
        try:
            answers.write(LENGTH.pack(len(answer)) + answer)
            answers.flush()
        except OSError:
            return
        if _held_mb()[1] > _OLD_MB:
            return


def _do(job: bytes) -> Any:
    global _cpu_s
    _limit(_OWN_CPU_S)  # what is imported now is ours
    function, args, options, _cpu_s = pickle.loads(job)  # noqa: S301 # nosec B301  (our parent)
    _limit(_cpu_s)
    return function(*args, **options)


def _limit(cpu_s: int) -> None:
    """Set what this job may take, beyond what the process has taken already."""
    if sys.platform == "win32":
        return
    used = resource.getrusage(resource.RUSAGE_SELF)
    _set(resource.RLIMIT_CPU, int(used.ru_utime + used.ru_stime) + 1 + cpu_s)
    _set(resource.RLIMIT_CORE, 0)
    mapped, resident = _held_mb()
    if mapped:
        _set(resource.RLIMIT_AS, round((mapped + max(100.0, MOST_MB - resident)) * 2**20))


@contextmanager
def unhurried() -> Iterator[None]:
    """Let work of our own, such as loading a model, take its time; the limit starts anew after."""
    if _inside:
        _limit(_OWN_CPU_S)
    try:
        yield
    finally:
        if _inside:
            _limit(_cpu_s)


def _set(kind: int, most: int) -> None:
    hard = resource.getrlimit(kind)[1]
    resource.setrlimit(kind, (most if hard == resource.RLIM_INFINITY else min(most, hard), hard))


def _held_mb() -> tuple[float, float]:
    """Return the memory that this process has mapped and that it holds, in MB; 0 where unknown."""
    try:
        mapped, resident = _STATM.read_text().split()[:2]
    except OSError:
        return 0.0, 0.0
    page = os.sysconf("SC_PAGE_SIZE") / 2**20
    return int(mapped) * page, int(resident) * page


def _portable(error: BaseException) -> BaseException:
    """Return the error as the parent can read it, with its traceback as a note."""
    error.add_note("".join(traceback.format_exception(error)))
    try:
        pickle.loads(pickle.dumps(error, protocol=5))  # noqa: S301 # nosec B301  (our own)
    except Exception:
        portable = RuntimeError(f"{type(error).__name__}: {error}")
        portable.__notes__ = error.__notes__
        return portable
    return error


def _end_with(parent: int) -> None:
    """End this process soon after its parent, even in the middle of a job."""
    while os.getppid() == parent:
        time.sleep(0.5)
    os._exit(1)
