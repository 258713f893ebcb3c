"""Twenty reviewers and five benches at work on one server, by real requests: what they wait for.

    python tests/benchmarks/load.py --minutes 10 --photographs 200000
    python tests/benchmarks/load.py --minutes 10 --photographs 200000 --database postgresql://...
    python tests/benchmarks/load.py --minutes 20 --photographs 200000 --season FOLDER --fill
    python tests/benchmarks/load.py --minutes 10 --season FOLDER

The season is filled first: blocks of 100 buds, photographed, proposed for and called in full, and
as many waiting buds as the reviewers can call in that time, with photographs that are really there.
Then `budvision serve` runs as a process of its own, twice for one person alone, who looks at the
first pages after the fill and after a restart, then for all. Each reviewer does what the page does:
opens the bud, fetches what it shows and its picture, thinks, saves, and goes to the bud handed out
next; every tenth time the overview is looked at. Each bench sends a photograph now and then, which
the default model looks at. The season is made in a temporary folder, or in one that is named and
kept there: filled once (`--fill` does no more), it serves as many runs as it has buds that wait. A
database that is named must be empty; a kept season knows its own. Whoever asks runs on the same
machine and takes its share of the cores.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import io
import json
import math
import os
import random
import re
import subprocess
import sys
import tempfile
import threading
import time
import urllib.parse
import uuid
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from sqlalchemy import Table, func, insert, select

from budvision.settings import samples_folder
from budvision.store.queries import blocks, models, people
from budvision.store.queries.rows import settle_plans
from budvision.store.session import Season, now
from budvision.store.tables import (
    assignment,
    block,
    bud,
    call,
    cane,
    photo,
    proposal,
    proposal_tissue,
    sampling,
    sampling_count,
)
from budvision.vocabulary import TISSUES, Proposal, Tissue, TissueProposal, Verdict
from budvision.workflow.intake.propose import ModelInUse, model_in_use, propose_waiting

PER_BLOCK, PER_CANE, PART = 100, 10, 5000
SIDE_PX = 900


# ---- the season --------------------------------------------------------------------------------


def _look(data: bytes, name: str) -> tuple[Proposal, np.ndarray[Any, Any]]:
    """Stand in for a model: outlines in the middle, verdicts by the file's length."""
    with Image.open(io.BytesIO(data)) as picture:
        width, height = picture.size
    labels = np.zeros((height, width), np.uint8)
    labels[height // 5:-height // 5, width // 5:-width // 5] = 4
    tissues = {}
    for k, tissue in enumerate(TISSUES):
        left = width * (3 + 3 * k) // 12
        labels[height * 2 // 5:height * 3 // 5, left:left + width // 8] = tissue.label
        dead = (len(data) + k) % 3 == 0
        tissues[tissue] = TissueProposal(
            exposed=True, verdict=Verdict.DEAD if dead else Verdict.LIVE,
            p_dead=0.97 if dead else 0.04, area_px=height * width // 40,
            centre=(height / 2, left + width / 16), why="drawn", features={})
    return Proposal(file=name, sha256="", width_px=width, height_px=height, found=True, reasons=(),
                    mm_per_px=0.01, model="load", tissues=tissues), labels


def fill(season: Season, *, n_called: int, n_waiting: int) -> None:
    """Fill a season with called buds, and with buds that wait and can be looked at."""
    used = model_in_use(season)
    at, n = now(), n_called + n_waiting
    photographs = _pictures(season, n_waiting)
    with season.write() as conn:
        def put(table: Table, rows: Any) -> None:
            part: list[dict[str, Any]] = []
            for row in rows:
                part.append(row)
                if len(part) == PART:
                    conn.execute(insert(table), part)
                    part = []
            if part:
                conn.execute(insert(table), part)

        site = blocks.ensure_site(conn, "Invented Valley")
        person = people.ensure_person(conn, "Maren Holt", role="lead")
        model = models.ensure_model(conn, used.label, used.sha256, used.path, facts=used.facts)
        n_blocks, n_canes = math.ceil(n / PER_BLOCK), math.ceil(n / PER_CANE)
        put(block, ({"id": k + 1, "site_id": site, "name": f"Block {k + 1:05d}", "added_at": at}
                    for k in range(n_blocks)))
        put(sampling, ({"id": k + 1, "block_id": k + 1, "label": "feb", "added_at": at}
                       for k in range(n_blocks)))
        put(cane, ({"id": k + 1, "sampling_id": k * PER_CANE // PER_BLOCK + 1,
                    "label": str(k % (PER_BLOCK // PER_CANE) + 1), "position": k + 1,
                    "added_at": at} for k in range(n_canes)))
        put(bud, ({"id": k + 1, "cane_id": k // PER_CANE + 1, "node": k % PER_CANE + 1,
                   "added_at": at} for k in range(n)))
        put(photo, ({"id": k + 1, "file_name": f"{k}.jpg", "format": "JPEG", "n_bytes": 60_000,
                     "sha256": photographs[k] if k < n_waiting else f"{k:064x}",
                     "width_px": SIDE_PX, "height_px": SIDE_PX, "added_at": at}
                    for k in range(n)))
        put(assignment, ({"photo_id": k + 1, "bud_id": k + 1, "cut": 1, "source": "manifest",
                          "added_at": at} for k in range(n)))
        put(proposal, ({"id": k - n_waiting + 1, "photo_id": k + 1, "model_id": model,
                        "found": True, "added_at": at} for k in range(n_waiting, n)))
        put(proposal_tissue, (
            {"proposal_id": k - n_waiting + 1, "tissue": tissue.value, "exposed": True,
             "verdict": "dead" if (k + t) % 3 == 0 else "live",
             "p_dead": 0.97 if (k + t) % 3 == 0 else 0.04}
            for k in range(n_waiting, n) for t, tissue in enumerate(TISSUES)))
        put(call, (
            {"bud_id": k + 1, "tissue": tissue.value, "person_id": person.id, "source": "page",
             "value": "dead" if (k + t) % 3 == 0 else "live", "blind": k % 10 == 0,
             "proposal_id": k - n_waiting + 1, "added_at": at}
            for k in range(n_waiting, n) for t, tissue in enumerate(TISSUES)))
        for table in (block, sampling, cane, bud, photo, proposal):
            _go_on(conn, table)
        settle_plans(conn)
    propose_waiting(season, look=_look, used=ModelInUse(
        used.label, used.sha256, used.path, facts=used.facts))


def _go_on(conn: Any, table: Table) -> None:
    """Let PostgreSQL number on from the rows that brought their numbers along."""
    if conn.dialect.name == "postgresql":
        conn.execute(select(func.setval(
            func.pg_get_serial_sequence(f'"{table.name}"', "id"), select(
                func.coalesce(func.max(table.c.id), 1)).scalar_subquery())))


def _pictures(season: Season, n: int) -> list[str]:
    """Store sample photographs, each a file of its own by a comment in it."""
    whole = []
    for path in sorted(samples_folder().glob("*.jpg"))[:40]:
        with Image.open(path) as picture:
            small = picture.convert("RGB").resize((SIDE_PX, SIDE_PX))
        out = io.BytesIO()
        small.save(out, "JPEG", quality=85)
        whole.append(out.getvalue())
    return [season.photos.add(_commented(whole[k % len(whole)], k)).sha256 for k in range(n)]


def _commented(data: bytes, number: int) -> bytes:
    comment = f"{number:08d}".encode()
    return data[:2] + b"\xff\xfe" + (len(comment) + 2).to_bytes(2, "big") + comment + data[2:]


# ---- who works ---------------------------------------------------------------------------------


@dataclass
class Seen:
    """What everybody saw: milliseconds by deed, what went wrong, and what was saved."""

    times: dict[str, list[float]] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)
    saved: Counter[int] = field(default_factory=Counter)
    second: int = 0
    lock: threading.Lock = field(default_factory=threading.Lock)

    def add(self, deed: str, seconds: float) -> None:
        with self.lock:
            self.times.setdefault(deed, []).append(1000 * seconds)

    def fail(self, what: str) -> None:
        with self.lock:
            self.wrong.append(what)


class Somebody:
    """One person at one browser: a kept connection, a cookie, a token."""

    def __init__(self, address: str, name: str, seen: Seen) -> None:
        parts = urllib.parse.urlsplit(address)
        self.origin, self.seen = f"http://{parts.netloc}", seen
        self.there = http.client.HTTPConnection(parts.netloc, timeout=300)
        self.cookie = self.token = ""
        self.token = self._token()
        form = urllib.parse.urlencode({"csrf_token": self.token, "name": name, "next": "/me"})
        self.ask("POST", "/me", form.encode(), "application/x-www-form-urlencoded")
        self.token = self._token()

    def _token(self) -> str:
        page = self.ask("GET", "/me")[1].decode()
        found = re.search(r'name="csrf-token" content="([^"]+)"', page)
        assert found
        return found[1]

    def ask(self, method: str, path: str, body: bytes = b"", kind: str = "") -> tuple[
            int, bytes, str]:
        headers = {"Cookie": self.cookie, "Origin": self.origin, "Referer": f"{self.origin}/"}
        headers |= {"Content-Type": kind, "X-CSRFToken": self.token} if kind else {}
        self.there.request(method, path, body or None, headers)
        answer = self.there.getresponse()
        got = answer.read()
        if cookies := [one.split(";")[0] for one in answer.headers.get_all("Set-Cookie") or []]:
            self.cookie = "; ".join(cookies)
        if answer.status >= 400:
            self.seen.fail(f"{method} {path}: {answer.status} {got[:200]!r}")
        return answer.status, got, answer.headers.get("Location") or ""

    def json(self, method: str, path: str, given: Any = None) -> dict[str, Any]:
        body = b"" if given is None else json.dumps(given).encode()
        found = json.loads(self.ask(method, path, body, "application/json" if body else "")[1])
        assert isinstance(found, dict)
        return found


@dataclass(frozen=True)
class Before:
    """What a filled season holds before anybody works: its samplings, and what is known of it."""

    waiting: tuple[int, ...]
    n_samplings: int
    n_photos: int
    last_call: int
    last_cut: int

    @classmethod
    def of(cls, season: Season) -> Before:
        """Read it from the season."""
        with season.read() as conn:
            return cls(
                tuple(conn.scalars(select(sampling_count.c.sampling_id).where(
                    sampling_count.c.n_waiting > 0).order_by(sampling_count.c.sampling_id))),
                *(conn.scalar(select(func.coalesce(func.max(column), 0))) for column in (
                    sampling.c.id, photo.c.id, call.c.id, assignment.c.cut)))


def review(who: Somebody, first: int, before: Before, pause_s: float, until: float) -> None:
    """Call bud after bud, from one sampling to the next."""
    draw, seen, n = random.Random(first), who.seen, 0
    for turn in range(len(before.waiting)):
        at = before.waiting[(first + turn) % len(before.waiting)]
        _, _, there = who.ask("GET", f"/review/sampling/{at}")
        coming = [int(re.search(r"/bud/(\d+)", there)[1])] if there else []  # type: ignore[index]
        while coming and time.monotonic() < until:
            bud_id, begun = coming[0], time.perf_counter()
            facts = who.json("GET", f"/review/bud/{bud_id}/facts")
            who.ask("GET", f"/review/cut/{facts['cuts'][0]['photo_id']}/face/1000.jpg?v=1")
            who.json("POST", f"/review/bud/{bud_id}/open", {})
            seen.add("next bud", time.perf_counter() - begun)
            time.sleep(pause_s * draw.uniform(0.7, 1.3))
            calls = {t.value: {"value": draw.choice(("live", "dead"))} for t in Tissue}
            given = {"calls": calls, "seen": facts["seen"], "shown": facts["shown"],
                     "batch": uuid.uuid4().hex}
            begun = time.perf_counter()
            done = who.json("POST", f"/review/bud/{bud_id}/calls", given)
            seen.add("save", time.perf_counter() - begun)
            if "next" not in done:
                return
            with seen.lock:
                seen.saved[bud_id] += 1
                seen.second += done["round"] == "second"
            coming, n = done["next"], n + 1
            if n % 10 == 0:
                begun = time.perf_counter()
                who.ask("GET", "/review")
                seen.add("overview", time.perf_counter() - begun)
        if time.monotonic() >= until:
            return


def send(who: Somebody, sampling: int, fields: dict[str, int], data: bytes) -> tuple[
        int, bytes, str]:
    """Send a photograph to the bench, as its page does."""
    edge = uuid.uuid4().hex
    body = b"".join(f'--{edge}\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n'
                    f"{value}\r\n".encode() for name, value in fields.items())
    body += (f'--{edge}\r\nContent-Disposition: form-data; name="photo"; filename="p.jpg"\r\n'
             "Content-Type: image/jpeg\r\n\r\n").encode() + data + f"\r\n--{edge}--\r\n".encode()
    return who.ask("POST", f"/bench/{sampling}/photo", body,
                   f"multipart/form-data; boundary={edge}")


def photograph(who: Somebody, bench: int, before: Before, pause_s: float, until: float) -> None:
    """Send a photograph of a new cut now and then."""
    data = [path.read_bytes() for path in sorted(samples_folder().glob("*.jpg"))[:20]]
    node = 0
    while time.monotonic() < until:
        node += 1
        fields = {"cane": (node // 10) % 10 + 1, "node": node % 10 + 1,
                  "cut": node // 100 + before.last_cut + 1}
        one = _commented(
            data[node % len(data)], 10_000_000 + before.n_photos + 1_000_000 * bench + node)
        begun = time.perf_counter()
        send(who, before.n_samplings - bench, fields, one)
        who.seen.add("photograph at the bench", time.perf_counter() - begun)
        time.sleep(pause_s)


# ---- the table ---------------------------------------------------------------------------------


def make(asked: argparse.Namespace, folder: Path) -> None:
    """Fill a new season with as many waiting buds as are called in the time asked for."""
    n_waiting = PER_BLOCK * max(2, math.ceil(_wanted(asked) / PER_BLOCK))
    n_called = PER_BLOCK * max(1, (asked.photographs - n_waiting) // PER_BLOCK)
    begun = time.monotonic()
    with Season.create(folder, database_url=asked.database) as season:
        fill(season, n_called=n_called, n_waiting=n_waiting)
    config = folder / "budvision.toml"
    config.write_text(config.read_text().replace("[settings]", "[settings]\ntrial_buds = 0", 1))
    print(f"{n_called + n_waiting:,} photographs, {n_waiting:,} wait; filled in "
          f"{time.monotonic() - begun:.0f} s", flush=True)


def _wanted(asked: argparse.Namespace) -> float:
    return float(1.3 * asked.reviewers * 60 * asked.minutes / asked.pause)


def run(asked: argparse.Namespace) -> int:
    """Fill, serve, work, compare; return 1 where something was lost, doubled or went wrong."""
    with tempfile.TemporaryDirectory(prefix="budvision-load-") as home:
        folder = Path(asked.season or Path(home) / "winter")
        if not (folder / "budvision.toml").exists():
            make(asked, folder)
        if asked.fill:
            return 0
        with Season.open(folder) as season:
            before = Before.of(season)
            with season.read() as conn:
                n = conn.scalar(select(func.sum(sampling_count.c.n_waiting))) or 0
        print(f"{before.n_photos:,} photographs, {n:,} buds wait", flush=True)
        if n < _wanted(asked):
            print(f"{_wanted(asked):,.0f} should wait: fill another season", flush=True)
            return 1
        seen, alone = Seen(), Seen()
        for when in ("a fill past the pages", "a restart"):
            with _served(folder, Path(home) / "first") as address:
                who = Somebody(address, "Maren Holt", alone)
                for page in ("/review", "/results/", "/models/"):
                    begun = time.perf_counter()
                    who.ask("GET", page)
                    print(f"first {page} after {when}: {time.perf_counter() - begun:.2f} s",
                          flush=True)
                who.there.close()
        with _served(folder, Path(home) / "log") as address:
            begun = _ticks()
            _work(asked, address, before, seen)
            _tell_of_cores(begun, _ticks())
        _by_route(Path(home) / "log")
        seen.wrong += alone.wrong
        with Season.open(folder) as season:
            return _told(season, before, seen)


def _ticks() -> list[int]:
    """Return the machine's time so far by kind; empty where no /proc/stat tells."""
    told = Path("/proc/stat")
    return [int(n) for n in told.read_text().split("\n")[0].split()[1:9]] if told.exists() else []


def _tell_of_cores(begun: list[int], ended: list[int]) -> None:
    """Print how busy the cores were, and what a host gave to others meanwhile."""
    spent = [after - before for before, after in zip(begun, ended, strict=True)]
    if sum(spent):
        _, _, _, idle, waiting, _, _, stolen = spent
        busy = sum(spent) - idle - waiting - stolen
        print(f"the cores worked {100 * busy / sum(spent):.0f} % of the time; "
              f"{100 * stolen / sum(spent):.1f} % of it was taken by others on the host")


@contextlib.contextmanager
def _served(folder: Path, log: Path) -> Iterator[str]:
    """Serve the season by a process of its own; yield its address and print when it is ready."""
    out, begun = log.with_suffix(".out"), time.monotonic()
    with out.open("w") as told:
        server = subprocess.Popen(
            [sys.executable, "-m", "budvision.cli.main", "serve", "--season", str(folder),
             "--port", "0", "--log", str(log)], stderr=told)
        try:
            address = _address(out, server)
            print(f"server ready after {time.monotonic() - begun:.1f} s", flush=True)
            yield address
        finally:
            server.terminate()
            server.wait(60)


def _by_route(log: Path) -> None:
    """Print what the server itself says of its time: without the wait for a thread of it."""
    rows = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
    rows = [row for row in rows if row["kind"] == "request"]
    print(f"{'of these, in the server':44} {'n':>6} {'median':>8} {'p95':>8}  ms  {'queries':>7} "
          f"{'their ms':>8}")
    for route in sorted({row["route"] for row in rows}):
        found = [row for row in rows if row["route"] == route]
        ms = [row["ms"] for row in found]
        print(f"{route:44} {len(ms):6} {np.median(ms):8.0f} {np.quantile(ms, 0.95):8.0f}      "
              f"{np.median([row['queries'] for row in found]):7.0f} "
              f"{np.median([row['query_ms'] for row in found]):8.1f}")


def _address(out: Path, server: subprocess.Popen[bytes]) -> str:
    while not (found := re.search(r"Open (\S+)", out.read_text())):
        assert server.poll() is None, out.read_text()
        time.sleep(0.05)
    return found[1]


def _work(asked: argparse.Namespace, address: str, before: Before, seen: Seen) -> None:
    until = time.monotonic() + 60 * asked.minutes
    apart = len(before.waiting) / asked.reviewers
    jobs = [(review, f"Reviewer {k}", int(k * apart), before, asked.pause)
            for k in range(asked.reviewers)]
    jobs += [(photograph, f"Bench {k}", k, before, asked.bench_pause)
             for k in range(asked.benches)]

    def one(deed: Any, name: str, *how: Any) -> None:
        try:
            who = Somebody(address, name, seen)
            with contextlib.closing(who.there):
                deed(who, *how, until)
        except Exception as error:
            seen.fail(f"{name}: {error!r}")

    threads = [threading.Thread(target=one, args=job) for job in jobs]
    for thread in threads:
        thread.start()
        time.sleep(min(0.2, asked.pause / len(threads)))
    for thread in threads:
        thread.join()


def _told(season: Season, before: Before, seen: Seen) -> int:
    with season.read() as conn:
        kept = Counter(dict(conn.execute(
            select(call.c.bud_id, func.count()).where(call.c.id > before.last_call)
            .group_by(call.c.bud_id)).all()))
    lost = sum(max(0, 3 * n - kept[bud_id]) for bud_id, n in seen.saved.items())
    doubled = sum(max(0, n - 3 * seen.saved[bud_id]) for bud_id, n in kept.items())
    print(f"load of the machine in the last minute {os.getloadavg()[0]:.1f}, "
          f"cores {os.cpu_count()}, {season.engine.dialect.name}")
    print(f"{'':24} {'n':>6} {'median':>8} {'p95':>8}  ms")
    for deed, times in sorted(seen.times.items()):
        print(f"{deed:24} {len(times):6} {np.median(times):8.0f} {np.quantile(times, 0.95):8.0f}")
    twice = sum(n > 1 for n in seen.saved.values())
    print(f"errors {len(seen.wrong)}, calls lost {lost}, doubled {doubled}, "
          f"buds called twice unasked {twice + seen.second}")
    for what in seen.wrong[:5]:
        print("  ", what)
    return int(bool(seen.wrong or lost or doubled or twice or seen.second))


if __name__ == "__main__":
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--minutes", type=float, default=10)
    words.add_argument("--photographs", type=int, default=200_000)
    words.add_argument("--reviewers", type=int, default=20)
    words.add_argument("--benches", type=int, default=5)
    words.add_argument("--pause", type=float, default=3.0, help="seconds of thinking a bud")
    words.add_argument("--bench-pause", type=float, default=20.0, help="seconds a cut")
    words.add_argument("--season", help="folder in which the filled season is kept")
    words.add_argument("--fill", action="store_true", help="fill the season and do no more")
    words.add_argument("--database", help="address of an empty PostgreSQL database")
    sys.exit(run(words.parse_args()))
