"""Kill the season's verbs at random moments, and flip bits anywhere in a season's folder.

The long run is ``python tests/benchmarks/kills.py 1000``; 60 of each run with the tests. A process
that has everything imported forks for each trial, begins a verb and is killed with SIGKILL at a
moment drawn from the verb's own length. Then nothing confirmed may be lost or doubled, the newest
backup and archive have to verify, and the verb run again has to complete.
"""

from __future__ import annotations

import collections
import contextlib
import io
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from PIL import Image
from sqlalchemy import text

from budvision.errors import BudvisionError
from budvision.store import migrations
from budvision.store.queries import rows
from budvision.store.session import Season
from budvision.workflow.archive.backup import backup, generations_of
from budvision.workflow.archive.export import export_archive
from budvision.workflow.archive.merge import import_archive, verify_archive
from budvision.workflow.archive.proof import answers_of, differences
from budvision.workflow.archive.restore import restore
from budvision.workflow.intake.intake import intake
from budvision.workflow.review.calls_table import import_calls
from budvision.workflow.season.check import check


def _card(folder: Path, first: int, n: int) -> None:
    """Put photographs on a card, with a manifest and a paper tally."""
    folder.mkdir()
    lines, tally = ["file,block,cane,node,cut"], ["block,cane,node,primary,secondary,tertiary"]
    for i in range(first, first + n):
        pixels = np.random.default_rng(i).integers(0, 255, (480, 640, 3), np.uint8)
        buffer = io.BytesIO()
        Image.fromarray(pixels).save(buffer, "JPEG", quality=60)
        (folder / f"p{i}.jpg").write_bytes(buffer.getvalue())
        lines.append(f"p{i}.jpg,Larch,{i // 5 + 1},{i % 5 + 1},1")
        tally.append(f"Larch,{i // 5 + 1},{i % 5 + 1},{('live', 'dead')[i % 3 == 0]},live,")
    (folder / "manifest.csv").write_text("\n".join(lines) + "\n")
    (folder / "calls.csv").write_text("\n".join(tally) + "\n")


class Stand:
    """A season, its backup and archive, and the verbs that are killed on it."""

    def __init__(self, base: Path) -> None:
        self.base, self.folder = base, base / "season"
        for name, first, n in (("card", 0, 10), ("more", 10, 6)):
            _card(base / name, first, n)
        with Season.create(self.folder) as season:
            self.take(season, base / "card")
            self.tally(season, base / "card")
            backup(season, base / "backup")
            export_archive(season, base / "bag", whole=True)
        self.verbs: dict[str, Callable[[], None]] = {
            "intake": lambda: self.on(lambda s: self.take(s, base / "more")),
            "import calls": lambda: self.on(lambda s: self.tally(s, base / "more")),
            "export": lambda: self.on(lambda s: export_archive(s, base / "bag", whole=True)),
            "backup": lambda: self.on(lambda s: backup(s, base / "backup", keep=3)),
            "restore": self.restore, "import archive": self.bring, "migration": self.migrate,
        }
        self.n = 0

    @staticmethod
    def take(season: Season, card: Path) -> None:
        intake(season, [card], sampling="jan", manifest=card / "manifest.csv")

    @staticmethod
    def tally(season: Season, card: Path) -> None:
        import_calls(season, card / "calls.csv", reviewer="Ida Fenn", sampling="jan")

    def on(self, deed: Callable[[Season], object]) -> None:
        with Season.open(self.folder) as season:
            deed(season)

    def restore(self) -> None:
        target = self.base / "restored"
        if not target.exists():
            restore(self.base / "backup", target)

    def bring(self) -> None:
        target = self.base / "brought"
        if not (target / "budvision.toml").exists():
            Season.create(target).close()
        with Season.open(target) as season:
            import_archive(season, self.base / "bag")

    def migrate(self) -> None:
        """Open a season of an older form, which brings it up to date."""
        with Season.open(self.base / "older"):
            pass

    def fresh(self, verb: str) -> None:
        """Make the folder on which the verb begins."""
        for name in ("restored", ".restored.restore", "brought", "older"):
            shutil.rmtree(self.base / name, ignore_errors=True)
        if verb == "migration":
            shutil.copytree(self.folder, self.base / "older")
            with Season.open(self.base / "older") as season, season.write() as conn:
                migrations.downgrade(conn, "0003")
            (self.base / "older" / "written").unlink(missing_ok=True)

    def verify(self, verb: str, calls: int) -> None:
        """Say what a kill has broken, by an assertion."""
        where = {"migration": "older", "restore": "restored", "import archive": "brought"}
        folder = self.base / where.get(verb, "season")
        if (folder / "budvision.toml").exists():
            with Season.open(folder) as season:
                wrong = [one.as_dict() for one in check(season).findings if one.serious]
                assert not wrong, (verb, wrong[:2])
                with season.read() as conn:
                    n, different = conn.execute(text(
                        "SELECT COUNT(*), COUNT(DISTINCT bud_id || tissue) FROM call")).one()
                assert n == different, (verb, "a call stands twice")
                assert n >= (0 if verb == "import archive" else calls), (verb, "calls are gone", n)
        verify_archive(self.base / "bag")
        assert generations_of(self.base / "backup")
        if verb == "backup":
            target = self.base / "proof"
            restore(self.base / "backup", target)
            shutil.rmtree(target)


def kills(times: int, *, seed: int = 4) -> collections.Counter[str]:
    """Kill verbs `times` times in turn; return how many were cut before their end, by verb."""
    draw = random.Random(seed)
    cut: collections.Counter[str] = collections.Counter()
    with tempfile.TemporaryDirectory() as base:
        stand = Stand(Path(base))
        lengths: dict[str, float] = {}
        names = list(stand.verbs)
        for i in range(times):
            verb = names[i % len(names)]
            if i and i % (5 * len(names)) == 0:  # a season in which the card is new again
                shutil.rmtree(base)
                Path(base).mkdir()
                stand = Stand(Path(base))
            stand.fresh(verb)
            with Season.open(stand.folder) as season, season.read() as conn:
                calls = sum(1 for _ in rows.stream(conn, "call"))
            limit = draw.uniform(0, lengths.get(verb, 1.0)) if verb in lengths else None
            ended, took = _forked(stand.verbs[verb], limit)
            lengths[verb] = took if limit is None else lengths[verb]
            cut[verb] += not ended
            stand.verify(verb, calls)
            if not ended:
                stand.verbs[verb]()
                stand.verify(verb, calls)
    return cut


def _forked(deed: Callable[[], None], limit_s: float | None) -> tuple[bool, float]:
    """Do a deed in a forked process; return whether it came to its end, and the time it took."""
    start = time.perf_counter()
    pid = os.fork()
    if pid == 0:
        code = 1
        try:
            os.setsid()
            deed()
            code = 0
        finally:
            os._exit(code)
    if limit_s is not None:
        time.sleep(limit_s)
        with contextlib.suppress(ProcessLookupError):
            os.killpg(pid, signal.SIGKILL) if limit_s > 0.002 else os.kill(pid, signal.SIGKILL)
    _, status = os.waitpid(pid, 0)
    if os.WIFEXITED(status):
        assert os.WEXITSTATUS(status) == 0, "the verb itself failed"
    return os.WIFEXITED(status), time.perf_counter() - start


def flips(times: int, *, seed: int = 9) -> collections.Counter[str]:
    """Flip one bit somewhere in a season's folder, `times` times; each is noticed or harmless."""
    draw = random.Random(seed)
    out: collections.Counter[str] = collections.Counter()
    with tempfile.TemporaryDirectory() as base:
        stand = Stand(Path(base))
        with Season.open(stand.folder) as season:
            answers = answers_of(season)
            before = _rows(season)
        files = [p for p in sorted(stand.folder.rglob("*")) if p.is_file() and p.stat().st_size]
        for i in range(times):
            path = files[i % len(files)] if i % 2 else stand.folder / "budvision.db"
            copy = Path(base) / "flipped"
            shutil.rmtree(copy, ignore_errors=True)
            shutil.copytree(stand.folder, copy)
            victim = copy / path.relative_to(stand.folder)
            victim.chmod(0o644)
            data = bytearray(victim.read_bytes())
            data[draw.randrange(len(data))] ^= 1 << draw.randrange(8)
            victim.write_bytes(data)
            kind = victim.suffix or victim.name
            try:
                with Season.open(copy) as season:
                    if not check(season).ok:
                        out[f"{kind}: noticed by check"] += 1
                        continue
                    same = not differences(answers, answers_of(season)) and _rows(season) == before
            except BudvisionError:
                out[f"{kind}: refused at opening"] += 1
                continue
            assert same, f"a flipped bit in {victim.name} went unnoticed"
            out[f"{kind}: without effect"] += 1
    return out


def _rows(season: Season) -> dict[str, list[dict[str, object]]]:
    with season.read() as conn:
        return {table: list(rows.stream(conn, table)) for table in rows.ARCHIVED}


if __name__ == "__main__":
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    for title, found in (("cut before the end", kills(wanted)), ("bits flipped", flips(wanted))):
        print(f"{wanted} trials, {title}: {dict(found)}", flush=True)
