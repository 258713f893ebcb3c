"""The season's results cost in proportion to its buds, in the database and in numpy.

The whole program, 10,000 blocks of 100 buds, is measured by hand:
``python tests/benchmarks/test_season_speed.py 10000``.
"""

from __future__ import annotations

import resource
import sqlite3
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np

from budvision.store.queries import blocks, people
from budvision.store.remembered import Remembered
from budvision.store.session import Season, now
from budvision.workflow.answers.results import results_as_dict, season_results

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
        results_as_dict(season_results(season))
        best = min(best, time.process_time() - start)
    return best


def test_cost_is_in_proportion_to_buds(tmp_path: Path) -> None:
    with make_program(tmp_path / "small", 25) as small, \
            make_program(tmp_path / "large", 200) as large:
        assert len(season_results(small)) == 25
        assert len(season_results(large)) == 200
        ratio = work_seconds(large) / work_seconds(small)
    assert ratio < 2 * 200 / 25, f"eight times the buds cost {ratio:.1f} times as much"


if __name__ == "__main__":
    wanted = int(sys.argv[1])
    with tempfile.TemporaryDirectory() as home, make_program(Path(home) / "s", wanted) as made:
        wall = time.perf_counter()
        seconds = work_seconds(made, repeats=1)
        wall = time.perf_counter() - wall
        most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(f"{wanted} blocks, {wanted * 100} buds: {seconds:.1f} s of processor time, "
              f"{wall:.1f} s in all, {most:.0f} MB at most")
