"""Photographs proposed for by many machines: the only module that knows Dask.

A photograph goes out whole, under its hash, so that the machines need no common disk and nothing is
done twice; the model goes out once to each worker. Where there are many, several go together, fewer
towards the end. A worker that is lost costs what it had in hand, which another one takes. On each
worker decoding has the limits of `budvision.photo.workers`.
"""

from __future__ import annotations

import hashlib
import logging
import tempfile
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from budvision.errors import BudvisionError, UsageError
from budvision.photo.workers import cores, run
from budvision.verdict.registry import ModelEntry, add_model

__all__ = ["LOCAL", "cluster_many", "local_cluster"]

LOCAL = "local"
"""The address that starts a scheduler and workers on this machine."""
_ANSWER_S = 15
_AHEAD = 3  # batches sent for each worker before the first answer is waited for
_MOST, _MOST_BYTES = 8, 4_000_000  # of photographs that go together
_SHARE = 4  # a batch is the part of what is left that makes so many batches for each worker
_QUIET = {  # Dask watches its workers many times a second; nobody looks at that here
    "distributed.worker.profile.enabled": False,
    "distributed.admin.tick.interval": "2s",
    "distributed.admin.system-monitor.interval": "10s",
    "distributed.admin.system-monitor.gil.enabled": False,
    "distributed.worker.memory.monitor-interval": "1s",
}
_WHOLE = {"distributed.admin.large-graph-warning-threshold": "1GB"}  # photographs go out whole
Job = tuple[str, bytes, tuple[Any, ...]]
_kept: dict[str, tuple[tempfile.TemporaryDirectory[str], str]] = {}


@dataclass(frozen=True, slots=True)
class _Carried:
    """A model's files as they travel."""

    entry: ModelEntry
    files: tuple[tuple[str, bytes], ...]

    @property
    def sha256(self) -> str:
        return hashlib.sha256(repr(sorted(self.entry.files.items())).encode()).hexdigest()


def cluster_many(
    function: Callable[..., Any], jobs: Iterable[Job], *, n: int, address: str, model: ModelEntry,
) -> Iterator[Any]:
    """Call a function for each photograph on a cluster, and yield the answers in order.

    Parameters
    ----------
    function : callable
        Importable by name at the workers; takes the model's folder, the photograph's bytes and the
        job's arguments.
    jobs : iterable of (str, bytes, tuple)
        The photograph's name, its bytes and further arguments; read as workers become free.
    n : int
        How many jobs there are, about.
    address : str
        A Dask scheduler's, for instance ``tcp://10.0.0.5:8786``; ``local`` starts one here with a
        worker a core.
    model : ModelEntry
        The model that is sent along.

    Yields
    ------
    object or Exception
        What the function returned, or what kept it from returning.

    Raises
    ------
    UsageError
        When Dask is not installed, or no scheduler with a worker answers at the address.
    """
    with ExitStack() as stack:
        client = _connected(address, stack)
        carried = _Carried(model, tuple(
            (name, (model.folder / name).read_bytes()) for name in sorted(model.files)))
        # a task, not scattered data: what a lost worker alone had is made anew by the scheduler
        sent = client.submit(_model, carried, key=f"model-{carried.sha256}", pure=False)
        n_workers = max(1, sum(client.nthreads().values()))

        def submitted(batch: Sequence[Job]) -> Any:
            digest = hashlib.sha256(repr((function.__qualname__, carried.sha256)).encode())
            for name, data, args in batch:
                digest.update(repr((name, args)).encode() + hashlib.sha256(data).digest())
            key = f"{function.__name__}-{digest.hexdigest()}"
            return client.submit(_at_worker, function, sent, batch, key=key, pure=False)

        def answers(batch: Sequence[Job], future: Any) -> Iterator[Any]:
            try:
                yield from future.result()
            except Exception as error:  # a worker's, or that workers fell over it again and again
                if len(batch) == 1:
                    yield error if isinstance(error, BudvisionError) else _portable(error)
                    return
                for job in batch:  # which of them it was
                    yield from answers((job,), submitted((job,)))

        waiting: deque[tuple[Sequence[Job], Any]] = deque()
        for batch in _batches(jobs, n, n_workers):
            waiting.append((batch, submitted(batch)))
            if len(waiting) > _AHEAD * n_workers:
                yield from answers(*waiting.popleft())
        while waiting:
            yield from answers(*waiting.popleft())


def _batches(jobs: Iterable[Job], n: int, n_workers: int) -> Iterator[tuple[Job, ...]]:
    """Put jobs together, many at first and fewer towards the end, so that nobody waits long."""
    batch: list[Job] = []
    for done, job in enumerate(jobs, 1):
        batch.append(job)
        n_most = min(_MOST, (n - done + len(batch)) // (_SHARE * n_workers))
        if len(batch) >= n_most or sum(len(data) for _, data, _ in batch) >= _MOST_BYTES:
            yield tuple(batch)
            batch = []
    if batch:
        yield tuple(batch)


def local_cluster(n_workers: int = 0) -> Any:
    """Return a scheduler with workers on this machine, one a core unless said; it can be entered.

    What the workers would report of themselves many times a second they keep to themselves: that
    takes a tenth of two cores.
    """
    import dask
    from dask.distributed import LocalCluster

    with dask.config.set(_QUIET):
        return LocalCluster(  # type: ignore[no-untyped-call]
            n_workers=n_workers or cores(), threads_per_worker=1, processes=True,
            dashboard_address=None, silence_logs=logging.ERROR)


def _connected(address: str, stack: ExitStack) -> Any:
    try:
        import dask
        from dask.distributed import Client
    except ImportError as error:
        raise UsageError(
            "Dask is not installed", where="--cluster", expected="the library for clusters",
            do='Install it with `pip install "budvision[cluster]"`, here and at the workers.',
        ) from error
    try:
        place: Any = address
        if address == LOCAL:
            place = stack.enter_context(local_cluster())
        client = stack.enter_context(Client(  # type: ignore[no-untyped-call]
            place, timeout=_ANSWER_S, set_as_default=False))
        client.wait_for_workers(1, timeout=_ANSWER_S)
        stack.enter_context(dask.config.set(_WHOLE))
    except (OSError, TimeoutError, ValueError) as error:
        raise UsageError(
            f"no scheduler with a worker answers at {address} ({str(error)[:120]})",
            where="--cluster", expected="the address of a Dask scheduler, or local",
            do="Start one with `dask scheduler` and workers with `dask worker ADDRESS`.",
        ) from error
    return client


def _portable(error: Exception) -> Exception:
    """Return an error without what only the cluster can read, so that it can be logged."""
    return RuntimeError(f"{type(error).__name__}: {str(error)[:400]}")


# ---- at the worker ---------------------------------------------------------------------------


def _model(carried: _Carried) -> _Carried:
    return carried


def _at_worker(
    function: Callable[..., Any], carried: _Carried, batch: Sequence[Job]
) -> list[Any]:
    """Answer each job of a batch, or say what kept it from being answered."""
    found: list[Any] = []
    for name, data, args in batch:
        try:
            found.append(run(function, _folder_of(carried), data, *args, where=name))
        except Exception as error:
            found.append(error if isinstance(error, BudvisionError) else _portable(error))
    return found


def _folder_of(carried: _Carried) -> str:
    """Write the model to a folder of this worker's own, once."""
    if carried.sha256 not in _kept:
        home = tempfile.TemporaryDirectory(prefix="budvision-model-")
        folder = Path(home.name) / carried.entry.folder.name
        for name, content in carried.files:
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_bytes(content)
        add_model(replace(carried.entry, folder=folder))
        _kept[carried.sha256] = home, str(folder)
    return _kept[carried.sha256][1]
