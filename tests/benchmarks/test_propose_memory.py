"""Memory of `budvision propose` over many photographs, read in its own processes.

The target is flat and under 700 MB a process over 2,000 photographs; the test takes 48 a process.
The whole number is measured by hand: ``BUDVISION_PHOTOS=2000 pytest -s`` with this file.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from budvision.render.cut import render_cut
from budvision.render.world import sample_world

PEAK_MB, GROWTH_MB = 700.0, 40.0  # a decoded photograph kept each time would be hundreds
SIDES_PX = (4000, 4000, 4000, 5600, 2400, 1600)  # longest sides: 12, 12, 12, 24, 4 and 2 megapixels


@dataclass(frozen=True, slots=True)
class Memory:
    """Peak memory of a command's processes, by process number, in MB."""

    first_half: dict[int, float]
    whole: dict[int, float]
    n_found: int

    @property
    def peak(self) -> float:
        return max(self.whole.values())

    @property
    def growth(self) -> float:
        """Rise of the highest peak in the second half, whichever process had which photograph."""
        return max(self.whole.values()) - max(self.first_half.values())


def write_photographs(folder: Path) -> None:
    """Write twelve cuts of mixed sizes, JPEGs and a PNG."""
    rng = np.random.default_rng(2_400_000_300)
    folder.mkdir()
    cuts = [
        render_cut(rng, world=replace(sample_world(rng, depths=("full",), fault=""),
                                      face_share=0.35, exposure_stops=0.0),
                   size_px=700, aspect=0.75, out_px=1600).image
        for _ in range(4)
    ]
    for number in range(12):
        side_px = SIDES_PX[number % len(SIDES_PX)]
        image = cv2.resize(cuts[number % len(cuts)], (side_px, side_px * 3 // 4))
        noisy = cv2.add(image, rng.integers(0, 12, image.shape, np.uint8))
        kind = "png" if number == 10 else "jpg"
        (folder / f"{number:02d}.{kind}").write_bytes(
            cv2.imencode(f".{kind}", noisy[..., ::-1])[1].tobytes())


def name_photographs(kept: Path, folder: Path, n_photos: int) -> None:
    """Give the photographs of a folder `n_photos` names in another, by turns."""
    files = sorted(kept.iterdir())
    folder.mkdir()
    for number in range(n_photos):
        file = files[number % len(files)]
        (folder / f"cut_{number:05d}{file.suffix}").hardlink_to(file)


def peaks_of(process: int) -> dict[int, float]:
    """Return the peak resident memory so far of a process and all below it, in MB."""
    try:
        told = Path(f"/proc/{process}/status").read_text().split("VmHWM:")[1].split()[0]
        below = " ".join(  # a process belongs to the thread that started it
            one.read_text() for one in Path(f"/proc/{process}/task").glob("*/children")).split()
    except (OSError, IndexError):  # it has ended
        return {}
    found = {process: int(told) / 1024}
    for child in below:
        found.update(peaks_of(int(child)))
    return found


def memory_of_propose(folder: Path, n_photos: int, *, workers: int) -> Memory:
    """Run `budvision propose` over a folder; read its memory after each answer."""
    command = [sys.executable, "-m", "budvision.cli.main", "propose",
               str(folder), "--jsonl", "--workers", str(workers)]
    half: dict[int, float] = {}
    whole: dict[int, float] = {}
    n_seen = n_found = 0
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=folder.parent) as run:
        assert run.stdout is not None
        for line in run.stdout:
            n_seen += 1
            n_found += json.loads(line)["found"]
            whole.update(peaks_of(run.pid))
            if n_seen == n_photos // 2:
                half = dict(whole)
    assert run.returncode == 0
    assert n_seen == n_photos
    return Memory(half, whole, n_found)


@pytest.fixture(scope="module")
def photographs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder of twelve photographs that the tests take their names from."""
    folder = tmp_path_factory.mktemp("memory") / "cuts"
    write_photographs(folder)
    return folder


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="needs Linux's /proc")
@pytest.mark.parametrize("workers", [1, 2])
def test_memory_of_each_process_is_small_and_flat(
    workers: int, photographs: Path, tmp_path: Path,
    record_property: Callable[[str, object], None],
) -> None:
    n_photos = int(os.environ.get("BUDVISION_PHOTOS", str(48 * workers)))
    name_photographs(photographs, tmp_path / "cuts", n_photos)
    seen = memory_of_propose(tmp_path / "cuts", n_photos, workers=workers)
    print(f"{workers} at work: peak {seen.peak:.0f} MB a process, {seen.growth:.1f} MB more in the "
          "second half")
    record_property(
        f"{n_photos:,} photographs of 2 to 24 megapixels, processes at work: {workers}; most "
        "memory of one, and growth in the second half",
        f"{seen.peak:.0f} MB, {seen.growth:.1f} MB | under {PEAK_MB:.0f} MB, flat")
    assert seen.n_found > n_photos / 2
    assert len(seen.whole) == workers + 1  # the command, and each process at work
    assert seen.peak < PEAK_MB
    assert seen.growth < GROWTH_MB
