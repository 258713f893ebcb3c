"""What a photograph costs: time, memory, room and network, and a million of them.

    python tests/benchmarks/arithmetic.py            the sample photographs, of 1 megapixel and less
    python tests/benchmarks/arithmetic.py --large    of 12 megapixels, as a phone takes them
    python tests/benchmarks/arithmetic.py FILE...    your own

Processor time of this process alone, decoding included; room as the SQLite file has it after the
real model proposed, and by what it grows for calls.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from test_import_speed import write_table

from budvision.photo import workers
from budvision.render.cut import render_cut
from budvision.render.world import sample_world
from budvision.settings import samples_folder
from budvision.store.engine import DATABASE
from budvision.store.session import Season
from budvision.verdict.propose import Proposer, propose_photo
from budvision.workflow.intake.intake import intake
from budvision.workflow.intake.propose import propose_waiting
from budvision.workflow.review.calls_table import import_calls

MILLION = 1_000_000


def seconds_a_photograph(paths: list[Path]) -> float:
    """Return the mean processor time from file to proposal, s."""
    workers._inside = True  # as in a process that proposes: it decodes itself
    cv2.setNumThreads(1)
    proposer = Proposer.load()
    propose_photo(paths[0].read_bytes(), proposer=proposer)
    spent = []
    for path in paths:
        begun = time.process_time()
        propose_photo(path.read_bytes(), proposer=proposer, with_labels=False)
        spent.append(time.process_time() - begun)
    workers._inside = False
    return float(np.mean(spent))


def bytes_a_photograph(folder: Path, paths: list[Path]) -> float:
    """Return what a photograph with its place, proposal and region takes in the database."""
    lines = ["file,block,cane,node,cut"]
    lines += [f"{path.name},Larch,{k // 10 + 1},{k % 10 + 1},1" for k, path in enumerate(paths)]
    (folder / "manifest.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    with Season.create(folder / "photographs") as season:
        empty = size(season)
        intake(season, paths, sampling="feb", manifest=folder / "manifest.csv")
        propose_waiting(season, jobs=1)
        return (size(season) - empty) / len(paths)


def bytes_a_call(folder: Path, n_buds: int = 5000) -> float:
    """Return what a call takes in the database, with its share of its bud and cane."""
    write_table(folder / "calls.csv", n_buds)
    with Season.create(folder / "calls") as season:
        empty = size(season)
        import_calls(season, folder / "calls.csv", reviewer="Maren Holt", sampling="feb",
                     create=True)
        return (size(season) - empty) / (3 * n_buds)


def size(season: Season) -> int:
    """Return the size of a season's database without its free pages, bytes."""
    season.engine.dispose()  # the last connection brings the write-ahead log into the file
    return (season.folder / DATABASE).stat().st_size


def large(folder: Path, n: int = 6) -> None:
    """Draw cuts on 4000 x 3000 pixels with a sensor's noise."""
    for k in range(n):
        rng = np.random.default_rng(2_400_000_200 + k)
        world = replace(sample_world(rng, depths=("full",), fault=""), face_share=0.35,
                        exposure_stops=0.0)
        image = render_cut(rng, world=world, size_px=900, aspect=0.75, out_px=4000).image
        noisy = np.clip(image + rng.normal(0, 5, image.shape), 0, 255).astype(np.uint8)
        cv2.imwrite(str(folder / f"{k}.jpg"), noisy[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 90])


def run(chosen: list[Path], home: Path) -> None:
    """Measure and print."""
    each_s = seconds_a_photograph(chosen)
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    file_mb = float(np.mean([path.stat().st_size for path in chosen])) / 1e6
    photo_b, call_b = bytes_a_photograph(home, chosen), bytes_a_call(home)
    hourly = 3600 / each_s
    print(f"a photograph of {file_mb:.2f} MB: {1000 * each_s:.0f} ms of processor time, "
          f"{hourly:,.0f} an hour a core, {peak_mb:.0f} MB of memory a process")
    print(f"in the database: {photo_b / 1000:.1f} kB a photograph with its region, "
          f"{call_b:.0f} bytes a call")
    print(f"network: {hourly * file_mb / 3600:.2f} MB/s to each worker of one core")
    print(f"a million: {MILLION / hourly:,.0f} core hours, {MILLION * file_mb / 1e6:.2f} TB of "
          f"photographs, {MILLION * photo_b / 1e9:.1f} GB of database, and "
          f"{3 * MILLION * call_b / 1e9:.1f} GB for three calls each")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as scratch:
        if sys.argv[1:2] == ["--draw"]:
            large(Path(sys.argv[2]))
        elif sys.argv[1:] == ["--large"]:  # drawn elsewhere: it takes more memory than a proposal
            subprocess.run([sys.executable, __file__, "--draw", scratch], check=True)
            run(sorted(Path(scratch).glob("*.jpg")), Path(scratch))
        else:
            named = [Path(name) for name in sys.argv[1:]]
            run(named or sorted(samples_folder().glob("*.jpg"))[:40], Path(scratch))
