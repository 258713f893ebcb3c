"""The first pages of every room cost the same with a thousand calls as with a hundred thousand.

Both seasons have the same blocks, so that the pages show as many rows; the buds, calls, photographs
and proposals behind them are what grows. Each page is asked for again after a call was saved in a
block of the same size in both. What is compared is processor time, the two seasons asked in turn,
so that a busy machine slows both alike. By hand, a season of blocks of 100 buds:
``python tests/benchmarks/test_page_growth.py 1000000``.
"""

from __future__ import annotations

import sqlite3
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from budvision.store import counts
from budvision.store.queries import blocks, calls, models, people
from budvision.store.session import Season, now
from budvision.vocabulary import CallValue, Tissue
from budvision.web import create_app
from budvision.workflow.intake.propose import model_in_use

TISSUES = ("primary", "secondary", "tertiary")
PAGES = {
    "season": "/season/", "bench": "/bench/", "review": "/review", "results": "/results/",
    "models": "/models/",
}


def make_season(folder: Path, sizes: Sequence[int]) -> None:
    """Make a season of blocks with so many buds each, photographed, proposed for and called."""
    with Season.create(folder) as season:
        used = model_in_use(season)
        with season.write() as conn:
            blocks.ensure_site(conn, "Invented Valley")
            people.ensure_person(conn, "Maren Holt", role="lead")
            models.ensure_model(conn, used.label, used.sha256, used.path, facts=used.facts)
    at = now()
    where = np.repeat(np.arange(len(sizes)), sizes) + 1
    n, every = len(where), range(1, len(sizes) + 1)
    rng = np.random.default_rng(7)
    dead = rng.random((n, 3)) < 0.3
    order = np.concatenate([np.arange(size) for size in sizes])
    cane_key = where * 100_000 + order // 10
    keys, cane = np.unique(cane_key, return_inverse=True)
    with closing(sqlite3.connect(folder / "budvision.db")) as plain, plain:
        plain.execute("PRAGMA synchronous = OFF")

        def put(table: str, columns: str, rows: Any) -> None:
            marks = ", ".join("?" * len(columns.split(", ")))
            plain.executemany(f"INSERT INTO {table} ({columns}) VALUES ({marks})", rows)

        put("block", "id, site_id, name, name_key, cultivar, cultivar_class, training_system, "
            "layout, note, added_at",
            ((k, 1, f"block {k:05d}", f"block {k:05d}", "", "", "", "{}", "", at) for k in every))
        put("sampling", "id, block_id, label, plan, tops_up, note, added_at",
            ((k, k, "feb", "{}", "", "", at) for k in every))
        put("cane", "id, sampling_id, label, vine, vigor, zone, position, added_at",
            ((i + 1, int(key) // 100_000, str(int(key) % 100_000 + 1), "", "", "", i + 1, at)
             for i, key in enumerate(keys)))
        put("bud", "id, cane_id, node, added_at",
            ((i + 1, int(cane[i]) + 1, int(order[i]) % 10 + 1, at) for i in range(n)))
        put("photo", "id, sha256, file_name, format, n_bytes, width_px, height_px, camera, "
            "added_at",
            ((i + 1, f"{i:064x}", f"{i}.jpg", "JPEG", 9, 900, 900, "", at) for i in range(n)))
        put("assignment", "photo_id, bud_id, cut, source, note, added_at",
            ((i + 1, i + 1, 1, "manifest", "", at) for i in range(n)))
        put("proposal", "id, photo_id, model_id, found, reasons, added_at",
            ((i + 1, i + 1, 1, 1, "[]", at) for i in range(n)))
        put("proposal_tissue", "proposal_id, tissue, exposed, verdict, p_dead, why, features",
            ((i + 1, tissue, 1, "dead" if dead[i, t] else "live", 0.9 if dead[i, t] else 0.1, "",
              "{}") for i in range(n) for t, tissue in enumerate(TISSUES)))
        put("call", "bud_id, tissue, value, cause, note, person_id, round, source, blind, "
            "proposal_id, batch, added_at",
            ((i + 1, tissue, "dead" if dead[i, t] else "live", "", "", 1, "first", "page",
              int(i % 10 == 0), i + 1, "", at)
             for i in range(n) for t, tissue in enumerate(TISSUES)))
    with Season.open(folder) as season, season.write() as conn:
        counts.rebuild(conn)


def page_seconds(
    folders: Sequence[Path], *, repeats: int
) -> list[tuple[dict[str, float], dict[str, float]]]:
    """Return, of each season, the processor time of each page at first, and its best after saves.

    The seasons are asked in turn.
    """
    apps = [create_app(folder, testing=True) for folder in folders]
    clients = []
    for app in apps:
        app.config["WTF_CSRF_ENABLED"] = False
        clients.append(app.test_client())
        clients[-1].post("/me", data={"name": "Maren Holt"})
    seasons: list[Season] = [app.extensions["budvision.season"] for app in apps]
    found: list[tuple[dict[str, float], dict[str, float]]] = [({}, {}) for _ in apps]
    for turn in range(repeats + 1):
        for name, address in PAGES.items():
            for season, client, (first, best) in zip(seasons, clients, found, strict=True):
                with season.write() as conn:
                    value = CallValue.DEAD if turn % 2 else CallValue.LIVE
                    calls.save_calls(conn, 1, {Tissue.PRIMARY: value}, person_id=1)
                begun = time.process_time()
                answer = client.get(address)
                spent = time.process_time() - begun
                assert answer.status_code == 200, (address, answer.status_code)
                if turn:
                    best[name] = min(best.get(name, spent), spent)
                else:
                    first[name] = spent
    for season in seasons:
        season.close()
    return found


@pytest.mark.slow
def test_pages_do_not_grow_with_the_season(tmp_path: Path) -> None:
    make_season(tmp_path / "small", [17] * 20)
    make_season(tmp_path / "large", [17] + [1754] * 19)
    (_, small), (first, large) = page_seconds(
        [tmp_path / "small", tmp_path / "large"], repeats=15)
    for name in PAGES:
        print(f"{name}: {1e3 * small[name]:.1f} ms with 1,020 calls, {1e3 * large[name]:.1f} ms "
              f"with 100,029: {large[name] / small[name]:.2f} times (first time "
              f"{1e3 * first[name]:.0f} ms)")
    assert all(large[name] < 1.5 * small[name] for name in PAGES), "times"


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as home:
        wanted = int(sys.argv[1]) // 300
        make_season(Path(home) / "s", [100] * wanted)
        [(cold, warm)] = page_seconds([Path(home) / "s"], repeats=3)
        for page in PAGES:
            print(f"{page}: {1e3 * warm[page]:.0f} ms, {wanted} blocks, {wanted * 300:,} calls "
                  f"(first time {1e3 * cold[page]:.0f} ms)")
