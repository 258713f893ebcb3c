"""A table of calls is recorded in proportion to its rows, at a few times what the rows cost alone.

300,000 calls at once: ``python tests/benchmarks/test_import_speed.py 100000`` (buds of 3 calls).
"""

from __future__ import annotations

import resource
import sqlite3
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

from budvision.store.session import Season
from budvision.workflow.review.calls_table import import_calls


def write_table(path: Path, n_buds: int) -> None:
    """Write a table of blocks with 100 canes of 10 buds."""
    rows = ["block,cane,node,primary,secondary,tertiary\n"]
    for number in range(n_buds):
        block, rest = divmod(number, 1000)
        cane, node = divmod(rest, 10)
        value = "dead" if number % 3 == 0 else "live"
        rows.append(f"Block {block},{cane + 1},{node + 1},{value},live,unsure\n")
    path.write_text("".join(rows), encoding="utf-8")


def import_s(folder: Path, n_buds: int) -> float:
    """Return the processor time of recording a table in a new season, s."""
    folder.mkdir(parents=True)
    write_table(folder / "calls.csv", n_buds)
    with Season.create(folder / "season") as season:
        begun = time.process_time()
        done = import_calls(season, folder / "calls.csv", reviewer="Maren Holt",
                            sampling="feb", create=True)
        spent = time.process_time() - begun
    assert (done.n_calls, done.n_new_buds) == (3 * n_buds, n_buds)
    return spent


def plain_s(database: Path) -> float:
    """Return the processor time of writing the same rows of calls by SQLite alone, s."""
    with closing(sqlite3.connect(database)) as plain:
        rows = plain.execute("SELECT * FROM call").fetchall()
        last = rows[-1][0]
        marks = ",".join("?" * len(rows[0]))
        begun = time.process_time()
        with plain:
            plain.executemany(f"INSERT INTO call VALUES ({marks})",
                              [(row[0] + last, *row[1:]) for row in rows])
        return time.process_time() - begun


def test_a_table_costs_in_proportion_and_little_more_than_its_rows(tmp_path: Path) -> None:
    small = large = alone = float("inf")  # the best of some, in turns: others use the machine too
    for turn in range(3):
        small = min(small, import_s(tmp_path / f"small {turn}", 1000))
        large = min(large, import_s(tmp_path / f"large {turn}", 4000))
        alone = min(alone, plain_s(tmp_path / f"large {turn}" / "season" / "budvision.db"))
    print(f"4,000 buds against 1,000: {large / small:.1f} times; against their rows alone: "
          f"{large / alone:.1f} times")
    assert large < 6 * small
    assert large < 6 * alone


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as scratch:
        wanted = int(sys.argv[1])
        taken = import_s(Path(scratch) / "table", wanted)
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(f"{3 * wanted:,} calls: {taken:.1f} s of processor time, {peak_mb:.0f} MB at most")
