"""What each request of one reviewer costs: processor time and queries, on a machine however busy.

    python tests/benchmarks/routes.py 200000
    python tests/benchmarks/routes.py 200000 --season FOLDER

The season is filled as `load.py` fills it, in a temporary folder or in the one that is named, where
it is found again the next time. The requests are answered in this process, one after another; what
the processes that decode take is not in it.
"""

from __future__ import annotations

import argparse
import tempfile
import time
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from load import PER_BLOCK, fill
from sqlalchemy import event

from budvision.store.session import Season
from budvision.vocabulary import Tissue
from budvision.web import create_app

N_WAITING, N_BUDS, EVERY = 2000, 30, 5
PAGES = ("/review", "/bench/", "/results/", "/models/", "/season/")
CALLS = {tissue.value: {"value": "live"} for tissue in Tissue}


def run(folder: Path) -> None:
    """Call buds, look at the pages in between, and print what each kind of request took."""
    app = create_app(folder, testing=True)
    app.config["WTF_CSRF_ENABLED"] = False
    season: Season = app.extensions["budvision.season"]
    queries: list[int] = []
    spent: dict[str, list[tuple[float, int]]] = {}
    event.listen(season.engine, "before_cursor_execute", lambda *_: queries.append(1))
    client = app.test_client()
    client.post("/me", data={"name": f"Reviewer {uuid.uuid4().hex[:6]}"})

    def ask(name: str, how: Callable[..., Any], address: str, given: Any = None) -> Any:
        queries.clear()
        begun = time.process_time()
        answer = how(address, json=given) if given is not None else how(address)
        spent.setdefault(name, []).append((1000 * (time.process_time() - begun), len(queries)))
        assert answer.status_code < 400, (address, answer.status_code)
        return answer

    def first_waiting() -> list[int]:
        for sampling in range(1, N_WAITING // PER_BLOCK + 1):
            there = client.get(f"/review/sampling/{sampling}").headers.get("Location", "")
            if there:
                return [int(there.split("/bud/")[1].split("?")[0])]
        return []

    coming: list[int] = []
    for number in range(N_BUDS):
        coming = coming or first_waiting()
        bud = f"/review/bud/{coming[0]}"
        facts = ask("facts of a bud", client.get, f"{bud}/facts").json
        ask("its picture", client.get,
            f"/review/cut/{facts['cuts'][0]['photo_id']}/face/1000.jpg?v=1")
        ask("its lease", client.post, f"{bud}/open", {})
        coming = ask("its save", client.post, f"{bud}/calls", {
            "calls": CALLS, "seen": facts["seen"], "shown": facts["shown"],
            "batch": uuid.uuid4().hex}).json["next"]
        if number % EVERY == 0:
            for page in PAGES:
                ask(page, client.get, page)
    season.close()
    print(f"{'':16} {'first':>8} {'least':>8} {'median':>8}  ms of processor time  queries")
    for name, rows in spent.items():
        ms = [row[0] for row in rows[1:]]
        print(f"{name:16} {rows[0][0]:8.0f} {min(ms):8.1f} {np.median(ms):8.1f}  "
              f"{np.median([row[1] for row in rows[1:]]):28.0f}")


def main(asked: argparse.Namespace) -> None:
    """Fill the season where it is not there yet, then ask."""
    with tempfile.TemporaryDirectory(prefix="budvision-routes-") as home:
        folder = Path(asked.season or home) / "winter"
        if not (folder / "budvision.toml").exists():
            with Season.create(folder) as season:
                fill(season, n_called=max(PER_BLOCK, asked.photographs - N_WAITING),
                     n_waiting=N_WAITING)
            config = folder / "budvision.toml"
            config.write_text(
                config.read_text().replace("[settings]", "[settings]\ntrial_buds = 0", 1))
        run(folder)


if __name__ == "__main__":
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("photographs", type=int)
    words.add_argument("--season", help="folder in which the filled season is kept")
    main(words.parse_args())
