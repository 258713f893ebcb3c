"""How long answers take: one block, a program of 10,000 blocks, and cost linear in buds.

Told in processor time, the best of some: others use the machine too.
"""

from __future__ import annotations

import time
import tracemalloc

import numpy as np
import pytest

from budvision.stats import posterior
from budvision.stats.kept import Kept
from budvision.vineyard import more_buds
from budvision.vineyard.buds import BudTable, Factor
from budvision.vineyard.mortality import summarise_table


def program(n_blocks, *, canes=10, nodes=10):
    rng = np.random.default_rng(5)
    n = n_blocks * canes * nodes
    at = np.arange(n)
    share = rng.beta(1, 3, size=n_blocks)[at // (canes * nodes)]
    calls = np.where(rng.random((n, 3)) < share[:, None] * [1, 0.5, 0.3], 1, 0)
    calls[rng.random((n, 3)) < 0.05] = 2
    block = Factor(tuple(f"block {number}" for number in range(n_blocks)), at // (canes * nodes))
    return BudTable.from_columns(
        block=block, cane=at // nodes, node=at % nodes + 1, calls=calls.astype(np.int8)
    )


@pytest.fixture(autouse=True)
def nothing_worked_out_before(monkeypatch):
    # What stays in memory from one answer to the next would make small tables look cheaper.
    def forget():
        monkeypatch.setattr(posterior, "_KEPT", Kept(4096))
        monkeypatch.setattr(more_buds, "_KEPT", Kept(65536))

    forget()
    return forget


def seconds(table, times=3, forget=lambda: None):
    best = float("inf")
    for _ in range(times):
        forget()
        start = time.process_time()
        results = summarise_table(table)
        best = min(best, time.process_time() - start)
    assert len(results) == len(table.block.names)
    return best


def test_cost_is_linear_in_buds(nothing_worked_out_before):
    # Ratios taken in one run: ten times the buds cost at most 15 times as much.
    small, large = (
        seconds(program(blocks), forget=nothing_worked_out_before) for blocks in (300, 3000)
    )
    assert large / small < 15, f"{large / small:.1f} times for ten times the buds"


def test_many_blocks_cost_far_less_than_one_by_one():
    one, many = seconds(program(1), times=5), seconds(program(1000))
    assert many / 1000 < one / 3, f"one {one * 1e3:.1f} ms, of a thousand {many:.2f} ms each"


@pytest.mark.parametrize("n_blocks", [1, 10_000])
def test_time(benchmark, n_blocks):
    table = program(n_blocks)
    results = benchmark.pedantic(summarise_table, args=(table,), rounds=1)
    assert len(results) == n_blocks


def test_memory_of_a_program():
    table = program(2000)
    tracemalloc.start()
    summarise_table(table)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    # 10,000 blocks may take 1 GB; a fifth of them a fifth of it.
    assert peak < 200e6, f"{peak / 1e6:.0f} MB"
