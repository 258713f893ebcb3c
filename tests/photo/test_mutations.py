"""Mutated photographs of each format through the door: a photograph or a refusal, never a fall.

The long run, with its figures printed::

    BUDVISION_MUTATIONS=100000 pytest -s tests/photo/test_mutations.py
"""

from __future__ import annotations

import io
import os
import random
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from budvision.errors import PhotoError
from budvision.photo import workers
from budvision.photo.read import read_photo

N = int(os.environ.get("BUDVISION_MUTATIONS", "2000"))
HEIC = Path(__file__).parent / "fixtures" / "orientation_3.heic"


def plain(kind: str) -> bytes:
    """Return a photograph of a format, as small as is taken: headers are hit more often."""
    if kind == "HEIC":
        return HEIC.read_bytes()
    grid = np.indices((64, 660)).sum(axis=0) % 251
    picture = Image.fromarray(np.stack([grid, grid[::-1], 250 - grid], axis=-1).astype(np.uint8))
    out = io.BytesIO()
    options = {"JPEG": {"quality": 80}, "JPEG progressive": {"progressive": True}}.get(kind, {})
    picture.save(out, kind.split()[0], **options)
    return out.getvalue()


def mutated(data: bytes, rng: random.Random) -> bytes:
    """Flip bits, write odd bytes, cut out, double or cut off; more often near the start."""
    changed = bytearray(data)
    for _ in range(rng.choice([1, 1, 2, 5, 20])):
        at = rng.randrange(max(1, min(len(changed), rng.choice([64, 700, len(changed)]))))
        if at >= len(changed):  # nothing is left of it
            break
        kind = rng.randrange(6)
        if kind == 0:
            changed[at] ^= 1 << rng.randrange(8)
        elif kind == 1:
            changed[at] = rng.choice([0, 1, 0x7F, 0x80, 0xFF])
        elif kind == 2:
            changed[at:at + 4] = rng.choice([b"\0\0\0\0", b"\xff\xff\xff\xff", b"\x7f\xff\xff\xff"])
        elif kind == 3:
            del changed[at:at + rng.randrange(1, 40)]
        elif kind == 4:
            changed[at:at] = changed[at:at + rng.randrange(1, 4000)]
        else:
            del changed[max(at, 100):]
    return bytes(changed)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["JPEG", "JPEG progressive", "PNG", "TIFF", "WEBP", "HEIC", "BMP"])
def test_a_mutated_photograph_is_read_or_refused(
    kind: str, record_property: Callable[[str, object], None]
) -> None:
    data, rng = plain(kind), random.Random(f"20261126 {kind}")
    told: Counter[str] = Counter()
    slowest, peak = 0.0, 0.0
    for number in range(N):
        if number and number % 10_000 == 0:
            print(f"{kind}: {number:,}: {dict(told)}", flush=True)
        start = time.monotonic()
        try:
            read_photo(mutated(data, rng), max_side_px=1000)
            told["read"] += 1
        except PhotoError as error:
            told["fell" if "the decoder fell" in str(error) else error.code] += 1
        slowest = max(slowest, time.monotonic() - start)
        for worker in (*workers._pool.idle, *workers._pool.busy):
            status = Path(f"/proc/{worker.process.pid}/status")
            if status.exists() and "VmHWM:" in (text := status.read_text()):
                peak = max(peak, int(text.split("VmHWM:")[1].split()[0]) / 1024)
    print(f"{kind}: {N:,} mutated: {dict(told)}; slowest answer {slowest:.2f} s, a process at most "
          f"{peak:.0f} MB")
    record_property(f"{N} mutated {kind}", f"slowest {slowest:.2f} s, peak {peak:.0f} MB")
    assert sum(told.values()) == N
    assert slowest < 10
    assert peak < 1000
