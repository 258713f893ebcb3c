"""How long the command line and the server take to be there, beside what is not ours.

    python tests/benchmarks/start.py

`budvision --help` against a process that imports Typer, and `budvision serve` on an empty season
until its address is told; medians of rounds taken in turns, by the clock and by processor time.
Compiled modules are kept between the rounds, as they are once a package is installed; where
PYTHONDONTWRITEBYTECODE is set, all of budvision is compiled anew at each start, which costs a
good part of a second.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

ROUNDS = 9
OURS = [sys.executable, "-m", "budvision.cli.main"]


def ended(words: list[str], env: dict[str, str]) -> tuple[float, float]:
    """Return the seconds by the clock and by the processor of a process that ends by itself."""
    before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(words, env=env, check=True, stdout=subprocess.DEVNULL)
    spent, after = time.perf_counter() - begun, resource.getrusage(resource.RUSAGE_CHILDREN)
    return spent, (after.ru_utime + after.ru_stime) - (before.ru_utime + before.ru_stime)


def ready(folder: Path, env: dict[str, str]) -> tuple[float, float]:
    """Return the same of a server, up to the line with its address."""
    begun = time.perf_counter()
    with subprocess.Popen([*OURS, "serve", "--season", str(folder), "--port", "0"], env=env,
                          stderr=subprocess.PIPE, text=True) as server:
        assert server.stderr is not None
        assert "Open http" in server.stderr.readline()
        spent = time.perf_counter() - begun
        ticks = Path(f"/proc/{server.pid}/stat").read_text().rpartition(")")[2].split()[11:13]
        server.terminate()
    return spent, sum(map(int, ticks)) / os.sysconf("SC_CLK_TCK")


def main() -> None:
    """Print the medians."""
    with tempfile.TemporaryDirectory(prefix="budvision-start-") as home:
        env = {name: value for name, value in os.environ.items()
               if name != "PYTHONDONTWRITEBYTECODE"}
        env["PYTHONPYCACHEPREFIX"] = f"{home}/compiled"
        folder = Path(home) / "winter"
        subprocess.run([*OURS, "init", str(folder)], env=env, check=True, capture_output=True)
        acts: dict[str, Callable[[], tuple[float, float]]] = {
            "import typer": lambda: ended([sys.executable, "-c", "import typer"], env),
            "budvision --help": lambda: ended([*OURS, "--help"], env),
            "server ready": lambda: ready(folder, env),
        }
        times: dict[str, list[tuple[float, float]]] = {name: [] for name in acts}
        for turn in range(ROUNDS + 1):
            for name, act in acts.items():
                found = act()
                if turn:  # the first one compiles
                    times[name].append(found)
    clock, processor = ({name: float(np.median([one[way] for one in found]))
                         for name, found in times.items()} for way in (0, 1))
    for name in acts:
        print(f"{name:18} {clock[name]:6.2f} s by the clock, {processor[name]:5.2f} s of processor")
    for how, medians in (("clock", clock), ("processor", processor)):
        print(f"--help over the import of Typer, by the {how}: "
              f"{medians['budvision --help'] / medians['import typer']:.2f} times")
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")


if __name__ == "__main__":
    main()
