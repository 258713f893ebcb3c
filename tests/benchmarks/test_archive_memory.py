"""An archive's export, verification and import take memory that hardly grows with the photographs.

Each verb runs in a process of its own, whose highest resident memory is read. Tens of thousands
are measured by hand: ``python tests/benchmarks/test_archive_memory.py 2000 20000``.
"""

from __future__ import annotations

import hashlib
import io
import itertools
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image
from sqlalchemy import insert

from budvision.photo.features import FEATURE_NAMES
from budvision.store.queries import blocks, people
from budvision.store.session import Season, now
from budvision.store.tables import metadata

VERBS = ("export", "verify", "import", "again")
_CHILD = """
import sys, time
from pathlib import Path
from sqlalchemy import event
from sqlalchemy.pool import Pool
from budvision.store.session import Season
from budvision.workflow.archive.export import export_archive
from budvision.workflow.archive.merge import import_archive, verify_archive
verb, home = sys.argv[1], Path(sys.argv[2])
bag = home / "bag"
if verb in ("verify", "import"):
    @event.listens_for(Pool, "checkout")
    def small(dbapi, *_):
        dbapi.execute("PRAGMA cache_size=-2000")
start = time.perf_counter()
if verb in ("export", "again"):
    with Season.open(home / "season") as season:
        export_archive(season, bag)
elif verb == "verify":
    verify_archive(bag)
else:
    with Season.create(home / "other") as season:
        import_archive(season, bag)
seconds = time.perf_counter() - start
most = [row.split()[1] for row in open("/proc/self/status") if row.startswith("VmHWM")][0]
print(int(most) / 1024, seconds)
"""


def make_season(folder: Path, n_photos: int) -> None:
    """Make a season of tiny photographs, each with a region, a proposal of 3 tissues, 3 calls."""
    at = now()
    with Season.create(folder) as season:
        with season.write() as conn:
            blocks.ensure_site(conn, "Invented Valley")
            people.ensure_person(conn, "Maren Holt")
        store = season.photos.folder
    exif = Image.Exif()
    exif[0x013B] = "Maren Holt"
    rng = np.random.default_rng(9)
    labels = np.zeros((64, 64), np.uint8)
    labels[8:40, 10:44], labels[44:60, 12:30], labels[44:60, 36:52] = 1, 2, 3
    features = json.dumps(dict.fromkeys(FEATURE_NAMES, 0.123456789))

    shas = []
    for _ in range(n_photos):
        buffer = io.BytesIO()
        Image.fromarray(rng.integers(0, 256, (16, 16, 3), np.uint8)).save(
            buffer, "JPEG", exif=exif, quality=90)
        sha256 = hashlib.sha256(buffer.getvalue()).hexdigest()
        path = store / sha256[:2] / f"{sha256}.jpg"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(buffer.getvalue())
        shas.append(sha256)

    def png(k: int) -> bytes:
        labels[0, :32] = [(k >> (i % 16)) & 1 for i in range(32)]
        return cv2.imencode(".png", labels)[1].tobytes()

    with Season.open(folder) as season, season.write() as conn:
        def fill(table: str, rows: Iterator[dict[str, object]]) -> None:
            while chunk := list(itertools.islice(rows, 1000)):
                conn.execute(insert(metadata.tables[table]), chunk)

        every = range(1, n_photos + 1)
        fill("block", ({"id": b, "site_id": 1, "name": f"block {b}", "added_at": at}
                       for b in range(1, n_photos // 100 + 2)))
        fill("sampling", ({"id": b, "block_id": b, "label": "feb", "added_at": at}
                          for b in range(1, n_photos // 100 + 2)))
        fill("cane", ({"id": c, "sampling_id": (c - 1) // 10 + 1, "label": str(c), "added_at": at}
                      for c in range(1, n_photos // 10 + 2)))
        fill("bud", ({"id": k, "cane_id": (k - 1) // 10 + 1, "node": (k - 1) % 10 + 1,
                      "added_at": at} for k in every))
        fill("model", iter([{"id": 1, "name": "bench-1.0", "sha256": "b" * 64,
                             "path": "bench-1.0", "added_at": at}]))
        fill("photo", ({"id": k, "sha256": shas[k - 1], "file_name": f"{k}.jpg", "format": "JPEG",
                        "n_bytes": 1000, "width_px": 16, "height_px": 16, "added_at": at}
                       for k in every))
        fill("assignment", ({"photo_id": k, "bud_id": k, "cut": 1, "source": "manifest",
                             "added_at": at} for k in every))
        fill("region", ({"id": k, "photo_id": k, "model_id": 1, "labels_png": png(k),
                         "box": "[0, 0, 8, 8]", "added_at": at} for k in every))
        fill("proposal", ({"id": k, "photo_id": k, "model_id": 1, "region_id": k, "found": True,
                           "added_at": at} for k in every))
        for tissue in ("primary", "secondary", "tertiary"):
            fill("proposal_tissue", (
                {"proposal_id": k, "tissue": tissue, "exposed": True, "verdict": "live",
                 "p_dead": 0.1, "features": features} for k in every))
            fill("call", ({"bud_id": k, "tissue": tissue, "value": "live", "person_id": 1,
                           "source": "page", "proposal_id": k, "added_at": at} for k in every))


def peaks(home: Path, n_photos: int) -> dict[str, tuple[float, float]]:
    """Return for each verb the highest resident memory in MB, and its seconds."""
    make_season(home / "season", n_photos)
    out = {}
    for verb in VERBS:
        told = subprocess.run(
            [sys.executable, "-c", _CHILD, verb, str(home)], check=True, stdout=subprocess.PIPE,
            text=True, env=os.environ | {"OMP_NUM_THREADS": "1"}).stdout.split()
        out[verb] = (float(told[0]), float(told[1]))
    return out


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="needs Linux's /proc")
def test_memory_hardly_grows_with_the_photographs(tmp_path: Path) -> None:
    """A photograph more costs its names and hashes, not its bytes and rows (5 kB of features).

    Both seasons are large enough for the buffers of fixed size to be full; the largest of them, the
    database's cache of 64 MB where rows are written, is made smaller for that.
    """
    small, large = peaks(tmp_path / "small", 1000), peaks(tmp_path / "large", 2200)
    for verb in VERBS:
        grown = (large[verb][0] - small[verb][0]) / 1200 * 1000
        assert grown < 6, f"{verb}: {grown:.1f} kB for each photograph more"


if __name__ == "__main__":
    told: dict[int, dict[str, tuple[float, float]]] = {}
    for wanted in [int(word) for word in sys.argv[1:]]:
        with tempfile.TemporaryDirectory() as place:
            told[wanted] = peaks(Path(place), wanted)
        for verb, (mb, seconds) in told[wanted].items():
            print(f"{wanted} photographs, {verb}: {mb:.0f} MB at most, {seconds:.1f} s", flush=True)
