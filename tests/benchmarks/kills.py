"""Kill the season's verbs at random moments: nothing is lost, nothing is doubled.

The long run is ``python tests/benchmarks/kills.py 1000``; 60 run with the tests. A process that
has everything imported forks for each trial, begins a verb and is killed with SIGKILL at a moment
drawn from the verb's own length; calls are saved over HTTP meanwhile. Then nothing that was
acknowledged may be lost or doubled, archive and newest backup verify, and the verb run again has
to complete.
"""

from __future__ import annotations

import collections
import contextlib
import gc
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from pathlib import Path
from types import FrameType

from sqlalchemy import text
from stand import Stand, Verb

from budvision.store.session import Season
from budvision.web import create_app
from budvision.workflow.archive.backup import generations_of
from budvision.workflow.archive.merge import verify_archive
from budvision.workflow.archive.restore import restore
from budvision.workflow.season.check import check

ROUNDS = 6
"""Kills of each verb before the season is made anew, so that it stays small."""


def verify(stand: Stand, name: str, *, ended: bool, calls: dict[Path, int]) -> None:
    """Say by an assertion what a kill has broken."""
    verb = stand.verbs[name]
    if (verb.folder / "budvision.toml").exists():
        with Season.open(verb.folder) as season:
            wrong = [one.as_dict() for one in check(season).findings
                     if one.serious and (name, one.code) != ("train", "missing")]
            assert not wrong, (name, wrong[:2])
            n = _calls(season)
        assert ended or name == "import archive" or n >= calls.get(verb.folder, 0), (
            name, "calls are gone", n)
        calls[verb.folder] = n
    verb.proof(ended)
    if name == "export":
        verify_archive(stand.bag)
    elif name == "backup":
        target = stand.base / "proof"
        restore(stand.backups, target)
        shutil.rmtree(target)
    assert generations_of(stand.backups)


def _calls(season: Season) -> int:
    with season.read() as conn:
        n, different = conn.execute(text(
            "SELECT COUNT(*), COUNT(DISTINCT bud_id || tissue || person_id || batch) FROM call"
        )).one()
    assert n == different, "a call stands twice"
    return int(n)


def kills(times: int, *, seed: int = 4) -> collections.Counter[str]:
    """Kill verbs `times` times in turn; return how many were cut before their end, by verb."""
    draw = random.Random(seed)
    cut: collections.Counter[str] = collections.Counter()
    acknowledged = 0
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as base:
        stand = Stand(Path(base))
        calls: dict[Path, int] = {}
        lengths = warm(stand)
        for i in range(times):
            if i and i % (ROUNDS * len(stand.verbs)) == 0:
                shutil.rmtree(base)
                Path(base).mkdir()
                stand, calls = Stand(Path(base)), {}
            name = list(stand.verbs)[i % len(stand.verbs)]
            verb = stand.verbs[name]
            verb.fresh()
            calls.pop(verb.folder, None) if name in ("restore", "migration") else None
            ended, _ = forked(verb, draw.uniform(0, lengths[name]))
            cut[name] += not ended
            acknowledged += len(stand.saved) if name == "save" else 0
            verify(stand, name, ended=ended and name != "save", calls=calls)
            if not ended:
                _, lengths[name] = forked(verb, None)
                verify(stand, name, ended=True, calls=calls)
            if (i + 1) % 50 == 0:
                print(f"{i + 1} kills after {time.monotonic() - begun:.0f} s: {dict(cut)}; "
                      f"{acknowledged} saves acknowledged before", file=sys.stderr, flush=True)
    return cut


def warm(stand: Stand) -> dict[str, float]:
    """Do each verb once in this process, so that a forked one finds what it would make anew.

    Returns
    -------
    dict of str to float
        Seconds that each took; those of runs after a kill take their place.
    """
    create_app(stand.desk).extensions["budvision.season"].close()
    lengths = {}
    for name, verb in stand.verbs.items():
        verb.fresh()
        start = time.perf_counter()
        if not verb.lasts:
            verb.deed()
        lengths[name] = max(0.3, time.perf_counter() - start) if verb.lasts else (
            time.perf_counter() - start)
    gc.freeze()
    return lengths


def forked(verb: Verb, limit_s: float | None) -> tuple[bool, float]:
    """Do a deed in a forked process; return whether it came to its end, and the time it took.

    The time to kill is set by the system's clock, in this process, that of a server from its first
    answer on.
    """
    pid = os.fork()
    if pid == 0:
        code = 1
        try:
            os.setpgid(0, 0)
            verb.deed()
            code = 0
        finally:
            os._exit(code)
    with contextlib.suppress(OSError):
        os.setpgid(pid, pid)
    start = took = 0.0

    def begin() -> None:
        nonlocal start
        start = time.perf_counter()
        if limit_s is not None:
            signal.setitimer(signal.ITIMER_REAL, max(1e-6, limit_s))

    def kill(_number: int, _frame: FrameType | None) -> None:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(pid, signal.SIGKILL)

    before = signal.signal(signal.SIGALRM, kill)
    try:
        verb.meanwhile(begin)
        took = time.perf_counter() - start
        if verb.lasts and limit_s is None:
            os.kill(pid, signal.SIGTERM)
        _, status = os.waitpid(pid, 0)
    except BaseException:
        kill(0, None)
        raise
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)
    took = took if verb.lasts else time.perf_counter() - start
    if os.WIFEXITED(status):
        assert os.WEXITSTATUS(status) == 0, "the verb itself failed"
    return os.WIFEXITED(status), took


if __name__ == "__main__":
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    found = kills(wanted)
    print(f"{wanted} trials, cut before the end: {dict(found)}", flush=True)
