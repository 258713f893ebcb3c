"""Time and memory of a proposal, as ratios taken in one run.

Run with ``pytest tests/benchmarks/test_propose_speed.py -s`` to see the figures.
"""

from __future__ import annotations

import os
import resource
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from budvision.render.cut import render_cut
from budvision.render.world import sample_world
from budvision.verdict.batch import propose_many
from budvision.verdict.propose import Proposer, propose_photo


@pytest.fixture(scope="module")
def twelve_megapixels() -> bytes:
    """A cut on 4000 x 3000 pixels with a sensor's noise, as a JPEG of about 2 MB."""
    rng = np.random.default_rng(2_400_000_200)
    world = replace(sample_world(rng, depths=("full",), fault=""), face_share=0.35,
                    exposure_stops=0.0)
    image = render_cut(rng, world=world, size_px=900, aspect=0.75, out_px=4000).image
    noisy = np.clip(image + rng.normal(0, 5, image.shape), 0, 255).astype(np.uint8)
    return cv2.imencode(".jpg", noisy[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 90])[1].tobytes()


def quickest(act: Callable[[], object], times: int = 9) -> float:
    """Return the least processor time of this thread, in seconds."""
    found = []
    for _ in range(times):
        start = time.thread_time()
        act()
        found.append(time.thread_time() - start)
    return min(found)


@pytest.mark.slow
def test_file_to_proposal_against_a_plain_decode(twelve_megapixels: bytes) -> None:
    """The target is 1.5 times a full-size cv2.imdecode of the same file, in one thread."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        proposer = Proposer.load()
        buffer = np.frombuffer(twelve_megapixels, np.uint8)
        assert propose_photo(twelve_megapixels, proposer=proposer)[0].found
        plain = quickest(lambda: cv2.imdecode(buffer, cv2.IMREAD_COLOR))
        whole = quickest(
            lambda: propose_photo(twelve_megapixels, proposer=proposer, with_labels=False)
        )
    finally:
        cv2.setNumThreads(before)
    told = f"decode {1000 * plain:.0f} ms, proposal {1000 * whole:.0f} ms"
    print(f"{told}, ratio {whole / plain:.2f}")
    assert whole / plain < 1.9  # the target is 1.5; the rest is for a busy machine


@pytest.mark.slow
def test_memory_stays_flat_over_many_photographs(
    twelve_megapixels: bytes, tmp_path: Path
) -> None:
    """Peak memory must not grow from the 30th photograph to the 120th."""
    path = tmp_path / "cut.jpg"
    path.write_bytes(twelve_megapixels)

    def peak() -> float:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024

    answers = propose_many([path] * 120, workers=1)
    for _ in range(30):
        next(answers)
    early = peak()
    n_more = sum(1 for _ in answers)
    print(f"peak {early:.0f} MB after 30, {peak():.0f} MB after {30 + n_more}")
    assert n_more == 90
    assert peak() - early < 20


@pytest.mark.slow
@pytest.mark.skipif(len(os.sched_getaffinity(0)) < 2, reason="needs two cores")
def test_two_processes_against_one(twelve_megapixels: bytes, tmp_path: Path) -> None:
    """The target is 1.8 times; on a busy machine less, so that the test asks for a gain only."""
    paths = []
    for number in range(40):
        path = tmp_path / f"cut_{number}.jpg"
        path.write_bytes(twelve_megapixels)
        paths.append(path)
    list(propose_many(paths[:8], workers=2))  # start the processes, load the model in each

    def seconds(workers: int) -> float:
        start = time.perf_counter()
        assert len(list(propose_many(paths, workers=workers))) == len(paths)
        return time.perf_counter() - start

    one, two = seconds(1), seconds(2)
    print(f"one process {one:.1f} s, two {two:.1f} s, ratio {one / two:.2f}")
    if os.getloadavg()[0] < 1.5 + len(os.sched_getaffinity(0)):
        assert one / two > 1.3
