"""Processes at the other end of pipes, and whose turn it is to have one."""

from __future__ import annotations

import contextlib
import os
import struct
import subprocess
import sys
import threading
from collections import deque
from typing import IO, Final

from budvision.errors import StorageError

__all__ = ["LENGTH", "Pool", "Worker", "cores", "read_message"]

LENGTH: Final = struct.Struct("<Q")
"""What stands before a message: its length in bytes."""
_BELOW_OTHERS = int(getattr(subprocess, "BELOW_NORMAL_PRIORITY_CLASS", 0))  # of Windows only


def cores() -> int:
    """Return how many processes of this machine may work at once."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _most() -> int:
    return max(2, cores())


class Worker:
    """One process at the other end of two pipes.

    `patient` is of the kind of its last job; `judges` says whether it was ever of that kind, and
    so has the model loaded. One that is made for what can wait gives way to all others.
    """

    patient = judges = False

    def __init__(self, *, patient: bool = False) -> None:
        known = os.pathsep.join(path for path in sys.path if path)
        quiet = {"PYTHONPATH": known, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
        begin = f"from budvision.photo.workers import work; work(patient={patient})"
        priority = _BELOW_OTHERS if patient else 0
        try:
            self.process = subprocess.Popen(
                [sys.executable, "-P", "-c", begin],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
                env={**os.environ, **quiet}, creationflags=priority,
            )
        except OSError as error:
            raise StorageError(
                f"no process for decoding can be started ({error.strerror or error})",
                where="photographs", expected="a system that lets budvision start processes",
                do="Close other programs and try again.",
            ) from error

    def ask(self, job: bytes) -> bytes | None:
        """Send a job and wait for its answer; None where the process ended instead."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        try:
            self.process.stdin.write(LENGTH.pack(len(job)))
            self.process.stdin.write(job)
            self.process.stdin.flush()
        except OSError:
            return None
        return read_message(self.process.stdout)

    def end(self) -> int:
        """Close its pipes, see that it is gone, and return how it ended."""
        self.process.kill()
        for pipe in (self.process.stdin, self.process.stdout):
            assert pipe is not None
            with contextlib.suppress(OSError):
                pipe.close()
        return self.process.wait()


class Pool:
    """Processes that wait for work, and how many there may be.

    What can wait (`patient`: judging a photograph) leaves one process to what a person looks at
    just now, and keeps to the same ones, which have its model loaded. Who came first goes first:
    neither kind waits for ever for the other.
    """

    def __init__(self) -> None:
        self.turn = threading.Condition()
        self.waiting: deque[tuple[bool, object]] = deque()
        self.idle: list[Worker] = []
        self.busy: set[Worker] = set()

    def take(self, *, patient: bool) -> Worker:
        """Wait for one's turn, and take a process, a new one where there are too few."""
        me = (patient, object())
        with self.turn:
            self.waiting.append(me)
            try:
                while next((one for one in self.waiting if self._is_room(one[0])), None) is not me:
                    self.turn.wait()
                worker = self._chosen(patient)
            finally:
                self.waiting.remove(me)
                self.turn.notify_all()
            self.busy.add(worker)
            return worker

    def _chosen(self, patient: bool) -> Worker:
        own = [worker for worker in self.idle if worker.judges is patient]
        if not own and len(self.idle) + len(self.busy) >= _most():
            own = self.idle
        worker = own[-1] if own else Worker(patient=patient)
        if own:
            self.idle.remove(worker)
        worker.patient = patient
        worker.judges |= patient
        return worker

    def _is_room(self, patient: bool) -> bool:
        n_patient = sum(worker.patient for worker in self.busy)
        return len(self.busy) < _most() and not (patient and n_patient >= _most() - 1)

    def give(self, worker: Worker, *, usable: bool) -> None:
        """Give a process back; one that is not usable has ended."""
        with self.turn:
            self.busy.discard(worker)
            if usable:
                self.idle.append(worker)
            self.turn.notify_all()

    def close(self) -> None:
        """End every process."""
        with self.turn:
            for worker in (*self.idle, *self.busy):
                worker.end()
            self.idle.clear()
            self.busy.clear()


def read_message(pipe: IO[bytes]) -> bytes | None:
    """Read one message; None at the end of the pipe."""
    try:
        head = pipe.read(LENGTH.size)
        if len(head) < LENGTH.size:
            return None
        (n_bytes,) = LENGTH.unpack(head)
        body = pipe.read(n_bytes)
    except (OSError, ValueError):
        return None
    return body if len(body) == n_bytes else None
