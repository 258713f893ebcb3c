"""The season's results cost in proportion to its buds, in the database, in numpy and in memory.

The whole program, 10,000 blocks of 100 buds, is measured by hand: it is made (minutes), then
answered by the command itself in a process of its own, and the processor's seconds, the memory and
the machine's load are printed: ``python tests/benchmarks/test_season_speed.py 10000``.
"""

from __future__ import annotations

import os
import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import event

from budvision.store.queries import blocks, people
from budvision.store.remembered import Remembered
from budvision.store.session import Season, now
from budvision.workflow.answers.results import results

TISSUES = ("primary", "secondary", "tertiary")


def make_program(folder: Path, n_blocks: int) -> Season:
    """Make a season of blocks with 10 canes of 10 buds each, every tissue called."""
    with Season.create(folder) as season, season.write() as conn:
        blocks.ensure_site(conn, "Invented Valley")
        people.ensure_person(conn, "Maren Holt")
    at = now()

    def calls() -> Iterator[tuple[int, str, str, str]]:
        rng = np.random.default_rng(7)
        for bud in range(1, n_blocks * 100 + 1):
            for tissue, draw in zip(TISSUES, rng.random(3), strict=True):
                yield bud, tissue, "dead" if draw < 0.3 else "live", at

    with closing(sqlite3.connect(folder / "budvision.db")) as plain, plain:
        plain.execute("PRAGMA synchronous = OFF")
        every = range(1, n_blocks + 1)
        plain.executemany(
            "INSERT INTO block (id, site_id, name, cultivar, cultivar_class, training_system, "
            "layout, note, added_at) VALUES (?, 1, ?, '', '', '', '{}', '', ?)",
            ((k, f"block {k:05d}", at) for k in every))
        plain.executemany(
            "INSERT INTO sampling (id, block_id, label, plan, note, added_at) "
            "VALUES (?, ?, 'feb', '{}', '', ?)", ((k, k, at) for k in every))
        plain.executemany(
            "INSERT INTO cane (id, sampling_id, label, vine, vigor, zone, position, added_at) "
            "VALUES (?, ?, ?, '', '', '', ?, ?)",
            (((k - 1) * 10 + c, k, str(c), c, at) for k in every for c in range(1, 11)))
        plain.executemany(
            "INSERT INTO bud (id, cane_id, node, added_at) VALUES (?, ?, ?, ?)",
            (((c - 1) * 10 + n, c, n, at)
             for c in range(1, n_blocks * 10 + 1) for n in range(1, 11)))
        plain.executemany(
            "INSERT INTO call (bud_id, tissue, value, cause, note, person_id, round, source, "
            "blind, batch, added_at) VALUES (?, ?, ?, '', '', 1, 'first', 'import', 0, '', ?)",
            calls())
    return Season.open(folder)


def work_seconds(season: Season, *, repeats: int = 3) -> float:
    """Return the processor seconds of the season's whole answer, the best of some tries."""
    best = float("inf")
    for _ in range(repeats):
        season.remembered = Remembered()
        start = time.process_time()
        results(season)
        best = min(best, time.process_time() - start)
    return best


def statements_and_bytes(season: Season) -> tuple[int, int]:
    """Return the statements sent for the season's whole answer, and the most memory it took."""
    season.remembered = Remembered()
    sent: list[str] = []

    def note(conn: object, cursor: object, statement: str, *_: object) -> None:
        sent.append(statement)

    event.listen(season.engine, "before_cursor_execute", note)
    tracemalloc.start()
    try:
        results(season)
        return len(sent), tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
        event.remove(season.engine, "before_cursor_execute", note)


@pytest.mark.slow
def test_cost_is_in_proportion_to_buds(tmp_path: Path) -> None:
    with make_program(tmp_path / "small", 25) as small, \
            make_program(tmp_path / "large", 200) as large:
        assert len(results(small)["blocks"]) == 25
        assert len(results(large)["blocks"]) == 200
        ratio = work_seconds(large) / work_seconds(small)
        few, little = statements_and_bytes(small)
        many, much = statements_and_bytes(large)
    assert ratio < 2 * 200 / 25, f"eight times the buds cost {ratio:.1f} times as much"
    assert many == few, f"{few} statements for 25 blocks, {many} for 200"
    assert (much - little) / 175 < 80_000, f"{(much - little) / 175:.0f} bytes a block"


@pytest.mark.slow
def test_an_answer_loads_neither_figures_nor_all_of_scipy() -> None:
    code = ("import sys, budvision.workflow.answers.results; "
            "print([m for m in ('matplotlib', 'scipy.stats') if m in sys.modules])")
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def told_of_the_command(folder: Path) -> str:
    """Run the command on a season and say what it took."""
    wall = time.perf_counter()
    command = "from budvision.cli.main import run; run()"
    subprocess.run([sys.executable, "-c", command, "results", "--json", "--season", folder],
                   check=True, stdout=subprocess.DEVNULL)
    wall = time.perf_counter() - wall
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return (f"{used.ru_utime + used.ru_stime:.1f} s of processor time, {wall:.1f} s in all, "
            f"{used.ru_maxrss / 1024:.0f} MB at most, load {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    wanted = int(sys.argv[1])
    with tempfile.TemporaryDirectory() as home:
        make_program(Path(home) / "s", wanted).close()
        print(f"{wanted} blocks, {wanted * 100} buds: {told_of_the_command(Path(home) / 's')}")
