"""How long the command line and the server take to be there, beside what is not ours.

    python tests/benchmarks/start.py
    python tests/benchmarks/start.py --season FOLDER

`budvision --help` against a process that imports Typer, and `budvision serve` on a season of one
cane until its address is told, until its first page is there, and until a photograph sent to the
bench at once is answered; medians of rounds taken in turns, by the clock and by processor time, its
decoding processes included. With `--season` the first review, results and models page of a copy of
that season are timed too, in a server of their own each, asked for at once.
Compiled modules are kept between the rounds, as they are once a package is installed; where
PYTHONDONTWRITEBYTECODE is set, all of budvision is compiled anew at each start, which costs a
good part of a second.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import load
import numpy as np

from budvision.settings import samples_folder
from budvision.store.queries import blocks, canes
from budvision.store.session import Season

ROUNDS = 5
PHOTO = sorted(samples_folder().glob("*.jpg"))[0]
OURS = [sys.executable, "-m", "budvision.cli.main"]


def ended(words: list[str], env: dict[str, str]) -> tuple[float, float]:
    """Return the seconds by the clock and by the processor of a process that ends by itself."""
    before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(words, env=env, check=True, stdout=subprocess.DEVNULL)
    spent, after = time.perf_counter() - begun, resource.getrusage(resource.RUSAGE_CHILDREN)
    return spent, (after.ru_utime + after.ru_stime) - (before.ru_utime + before.ru_stime)


@contextlib.contextmanager
def served(folder: Path, env: dict[str, str]) -> Iterator[tuple[str, Callable[[], float]]]:
    """Serve a season; yield its address and what asks for the processor time up to now."""
    with subprocess.Popen([*OURS, "serve", "--season", str(folder), "--port", "0"], env=env,
                          stderr=subprocess.PIPE, text=True) as server:
        assert server.stderr is not None
        try:
            yield server.stderr.readline().split()[1], lambda: spent_by(server.pid)
        finally:
            server.terminate()


def spent_by(pid: int) -> float:
    """Return the seconds of processor time of a process and of those that it started."""
    ticks = 0
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            told = stat.read_text()
            fields = told.rpartition(")")[2].split()
            if pid in (int(told.split()[0]), int(fields[1])):
                ticks += int(fields[11]) + int(fields[12])
    return ticks / os.sysconf("SC_CLK_TCK")


def server(folder: Path, env: dict[str, str]) -> dict[str, tuple[float, float]]:
    """Return clock and processor time of a start: address told, first page, first photograph."""
    found = {}
    begun = time.perf_counter()

    def note(what: str) -> None:
        found[what] = time.perf_counter() - begun, spent()

    with served(folder, env) as (address, spent):
        note("server ready")
        who = load.Somebody(address, "Maren Holt", load.Seen())
        note("first page")
        status, body, _ = load.send(who, 1, {"cane": 1, "node": 1, "cut": 1}, PHOTO.read_bytes())
        assert status == 200, body
        assert json.loads(body)["answer"], body
        note("first photograph")
        who.there.close()
    return found


def first(folder: Path, page: str, env: dict[str, str]) -> tuple[float, float]:
    """Return the same of a page that is asked for as soon as somebody is there."""
    with served(folder, env) as (address, spent):
        who = load.Somebody(address, "Maren Holt", load.Seen())
        begun, before = time.perf_counter(), spent()
        assert who.ask("GET", page)[0] == 200
        found = time.perf_counter() - begun, spent() - before
        who.there.close()
    return found


def main(season: Path | None) -> None:
    """Print the medians."""
    times: dict[str, list[tuple[float, float]]] = {}
    with tempfile.TemporaryDirectory(prefix="budvision-start-") as home:
        env = {name: value for name, value in os.environ.items()
               if name != "PYTHONDONTWRITEBYTECODE"}
        env["PYTHONPYCACHEPREFIX"] = f"{home}/compiled"
        for turn in range(ROUNDS + 1):
            folder = Path(home) / f"winter-{turn}"  # each server meets its first photograph
            with Season.create(folder) as made, made.write() as conn:
                at = blocks.ensure_sampling(conn, blocks.ensure_block(conn, "Larch"), "feb")
                canes.ensure_cane(conn, at, "1")
            found = {"import typer": ended([sys.executable, "-c", "import typer"], env),
                     "budvision --help": ended([*OURS, "--help"], env)} | server(folder, env)
            if turn:  # the first one compiles
                for name, one in found.items():
                    times.setdefault(name, []).append(one)
        if season is not None:
            shutil.copytree(season, Path(home) / "large")
            for page in ("/review", "/results/", "/models/"):
                times[f"first {page}"] = [first(Path(home) / "large", page, env)]
    clock, processor = ({name: float(np.median([one[way] for one in found]))
                         for name, found in times.items()} for way in (0, 1))
    for name in times:
        print(f"{name:18} {clock[name]:6.2f} s by the clock, {processor[name]:5.2f} s of processor")
    for how, medians in (("clock", clock), ("processor", processor)):
        print(f"--help over the import of Typer, by the {how}: "
              f"{medians['budvision --help'] / medians['import typer']:.2f} times")
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")


if __name__ == "__main__":
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--season", type=Path, help="a large season; it is copied")
    main(words.parse_args().season)
