"""Flip bits anywhere in a season, its backup or its archive: each is noticed, or harmless.

The long run is ``python tests/benchmarks/flips.py 1000``; 60 run with the tests. By turns one bit
of the database, a photograph, a model's file, the settings and policies, the backup or the archive
is flipped. Then `check` tells it (for a backup `restore`, for an archive `archive verify`), or
every row and answer is as it was.
"""

from __future__ import annotations

import collections
import random
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from stand import Stand

from budvision.errors import BudvisionError
from budvision.store.queries import rows
from budvision.store.session import Season
from budvision.workflow.archive.merge import import_archive, verify_archive
from budvision.workflow.archive.proof import answers_of, differences
from budvision.workflow.archive.restore import restore
from budvision.workflow.season.check import check


def flips(times: int, *, seed: int = 9) -> collections.Counter[str]:
    """Flip one bit `times` times; return how many of each place were noticed or harmless."""
    draw = random.Random(seed)
    out: collections.Counter[str] = collections.Counter()
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as base:
        stand = Stand(Path(base))
        with Season.open(stand.folder) as season:
            assert not check(season).findings
            before = _what_counts(season)
        home = stand.folder
        places: dict[str, tuple[Path, list[Path]]] = {
            "database": (home, [home / "budvision.db"]),
            "photographs": (home, list((home / "photos").rglob("*.*"))),
            "models": (home, [p for p in (home / "models").rglob("*") if p.is_file()]),
            "settings": (home, [p for p in home.iterdir()
                                if p.is_file() and p.name != "budvision.db"]),
            "backup": (stand.backups, [p for p in stand.backups.rglob("*") if p.is_file()]),
            "archive": (stand.bag, [p for p in stand.bag.rglob("*") if p.is_file()]),
        }
        look: dict[str, Callable[[Path], object]] = {"backup": _restored, "archive": _imported}
        for i in range(times):
            if i and i % 50 == 0:
                print(f"{i} flips after {time.monotonic() - begun:.0f} s: {dict(out)}",
                      file=sys.stderr, flush=True)
            name = list(places)[i % len(places)]
            whole, files = places[name]
            path = draw.choice(sorted(p for p in files if p.stat().st_size))
            copy = Path(base) / "flipped"
            shutil.rmtree(copy, ignore_errors=True)
            shutil.copytree(whole, copy)
            flip(copy / path.relative_to(whole), draw)
            try:
                found = look.get(name, _checked)(copy)
            except BudvisionError:
                out[f"{name}: refused"] += 1
                continue
            except Exception:
                print(f"flip {i + 1}, in {path}, ended in a mistake of the program:",
                      file=sys.stderr)
                raise
            if isinstance(found, str):
                out[f"{name}: {found}"] += 1
                continue
            assert found[0] == before[0], f"a flipped bit in {path} changed rows unnoticed"
            assert not (differ := differences(before[1], found[1])), (
                f"a flipped bit in {path} changed answers unnoticed: {differ[:2]}")
            out[f"{name}: without effect"] += 1
    return out


def flip(path: Path, draw: random.Random) -> None:
    """Flip one bit of a file."""
    path.chmod(0o644)
    data = bytearray(path.read_bytes())
    data[draw.randrange(len(data))] ^= 1 << draw.randrange(8)
    path.write_bytes(data)


def _what_counts(season: Season) -> tuple[object, object]:
    """Return every row and every answer of a season."""
    with season.read() as conn:
        kept = {table: list(rows.stream(conn, table)) for table in rows.ARCHIVED}
    return kept, answers_of(season)


def _checked(copy: Path) -> object:
    with Season.open(copy) as season:
        report = check(season)
        if not report.ok:
            return "noticed by check"
        return "remarked on by check" if report.findings else _what_counts(season)


def _restored(copy: Path) -> object:
    target = copy.with_name("restored-from-flipped")
    try:
        restore(copy, target)
        with Season.open(target) as season:
            return _what_counts(season)
    finally:
        shutil.rmtree(target, ignore_errors=True)
        shutil.rmtree(target.with_name(f".{target.name}.restore"), ignore_errors=True)


def _imported(copy: Path) -> object:
    verify_archive(copy)
    target = copy.with_name("imported-from-flipped")
    try:
        with Season.create(target) as season:
            import_archive(season, copy)
            return _what_counts(season)
    finally:
        shutil.rmtree(target, ignore_errors=True)


if __name__ == "__main__":
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    print(f"{wanted} bits flipped: {dict(sorted(flips(wanted).items()))}", flush=True)
