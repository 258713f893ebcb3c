"""What a cluster costs and brings, as ratios taken in one run.

    python tests/benchmarks/cluster.py 60

Two local workers against two processes of this machine on so many sample photographs, in turns,
workers warm, by the clock and by the processor time of every process that takes part; and four
workers against one where each photograph takes half a second of waiting, as if every worker had a
core of its own.
"""

from __future__ import annotations

import contextlib
import os
import sys
import time
from pathlib import Path
from typing import Any

import psutil  # type: ignore[import-untyped]

from budvision.settings import samples_folder
from budvision.verdict.batch import propose_many
from budvision.verdict.cluster import cluster_many, local_cluster
from budvision.verdict.registry import find_model

COST_S = 0.5


def wait(_folder: str, data: bytes, *_args: Any) -> int:
    """Stand in for a proposal that takes its time."""
    time.sleep(COST_S)
    return len(data)


def fixed_s(n_workers: int, n: int) -> float:
    """Return the time of photographs that wait, on so many workers, s."""
    from cluster import wait as function  # by the name that workers find it under

    model = find_model()
    jobs = [(f"{k}", f"{k}".encode() * 20_000, ()) for k in range(n)]
    with local_cluster(n_workers) as there:
        address = there.scheduler_address
        list(cluster_many(function, jobs[:2 * n_workers], n=2 * n_workers, address=address,
                          model=model))
        begun = time.perf_counter()
        found = list(cluster_many(
            function, [(name, data + b"!", ()) for name, data, _ in jobs], n=n, address=address,
            model=model))
        spent = time.perf_counter() - begun
    assert all(isinstance(one, int) for one in found), found[:2]
    return spent


def processor_s() -> float:
    """Return the processor time of this process and of those that it started, s."""
    total, ours = 0.0, psutil.Process()
    for one in (ours, *ours.children(recursive=True)):
        with contextlib.suppress(psutil.NoSuchProcess):
            total += sum(one.cpu_times()[:2])
    return total


def against_joblib(paths: list[Path]) -> tuple[float, float]:
    """Return two workers' time over two processes', the better of two rounds each.

    First by the clock, then by the processor.
    """
    least = {"cluster": float("inf"), "joblib": float("inf")}
    work = dict(least)
    with local_cluster(2) as there:
        how: dict[str, dict[str, Any]] = {
            "cluster": {"cluster": there.scheduler_address}, "joblib": {"workers": 2}}
        for words in how.values():
            list(propose_many(paths[:14], **words))
        for turn in range(2):
            for name, words in how.items():
                chosen = [paths[-turn - 1], *paths[:-turn - 1]]
                begun, before = time.perf_counter(), processor_s()
                found = list(propose_many(chosen, **words))
                least[name] = min(least[name], time.perf_counter() - begun)
                work[name] = min(work[name], processor_s() - before)
                assert not any(one.failed for one in found)
    print({name: f"{spent:.1f} s" for name, spent in least.items()})
    print({name: f"{spent:.2f} s of processor" for name, spent in work.items()})
    return least["cluster"] / least["joblib"], work["cluster"] / work["joblib"]


if __name__ == "__main__":
    os.environ["PYTHONPATH"] = str(Path(__file__).parent)
    sys.path.insert(0, os.environ["PYTHONPATH"])
    asked = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    one, four = fixed_s(1, asked), fixed_s(4, asked)
    print(f"{asked} photographs of {COST_S} s: {one:.1f} s on one worker, {four:.1f} s on four: "
          f"{one / four:.2f} times")
    clock, processor = against_joblib(sorted(samples_folder().glob("*.jpg"))[:asked])
    print(f"two local workers take {clock:.2f} times what two processes take by the clock, "
          f"{processor:.2f} times by the processor; load of the machine "
          f"{os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
