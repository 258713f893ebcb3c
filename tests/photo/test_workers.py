"""Photographs that end, stop or swell a decoder are refused; everything else goes on."""

from __future__ import annotations

import contextlib
import io
import os
import signal
import struct
import subprocess
import sys
import time
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from budvision.errors import InputError, PhotoError
from budvision.photo import workers
from budvision.photo.read import read_photo

FIXTURES = Path(__file__).parent / "fixtures"
needs_proc = pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="needs /proc")


def flipped_heic() -> bytes:
    """Return the fixture with one bit flipped: its decoder reads beyond an array."""
    data = bytearray((FIXTURES / "orientation_3.heic").read_bytes())
    data[179] ^= 0x80
    return bytes(data)


def endless_jpeg(n_scans: int = 3000) -> bytes:
    """Return a progressive JPEG whose last scan stands there many times."""
    grid = np.indices((1500, 2000)).sum(axis=0) % 256
    out = io.BytesIO()
    Image.fromarray(np.stack([grid] * 3, axis=-1).astype(np.uint8)).save(
        out, "JPEG", progressive=True, quality=30)
    data = out.getvalue()
    last = data.rindex(b"\xff\xda")
    tables = data.rindex(b"\xff\xc4", 0, last)
    return data[:tables] + data[tables:-2] * n_scans + b"\xff\xd9"


def wide_png(n_bits: int = 8, side_px: int = 10_400) -> bytes:
    """Return a small file of 108 megapixels in four channels."""
    def chunk(name: bytes, body: bytes) -> bytes:
        check = struct.pack(">I", zlib.crc32(name + body))
        return struct.pack(">I", len(body)) + name + body + check

    packer = zlib.compressobj(1)
    line = bytes(1 + side_px * n_bits // 2)
    body = b"".join(packer.compress(line) for _ in range(side_px)) + packer.flush()
    head = struct.pack(">IIBBBBB", side_px, side_px, n_bits, 6, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


def deep_png() -> bytes:
    return wide_png(16)


def wide_webp(side_px: int = 10_400) -> bytes:
    out = io.BytesIO()
    plain = Image.new("RGBA", (side_px, side_px), (7, 8, 9, 200))
    plain.save(out, "WEBP", lossless=True, quality=0, method=0)
    return out.getvalue()


def peak_mb(process: int) -> float:
    told = Path(f"/proc/{process}/status").read_text()
    return int(told.split("VmHWM:")[1].split()[0]) / 1024


def goes_on(process: int) -> bool:
    try:
        return "State:\tZ" not in Path(f"/proc/{process}/status").read_text()
    except FileNotFoundError:
        return False


def nothing() -> int:
    return os.getpid()


def plant(what: str) -> None:
    """Do in a worker what a broken library or our own mistake would."""
    if what == "fall":
        os.kill(os.getpid(), signal.SIGSEGV)
    if what == "spin":
        while True:
            pass
    if what == "sleep":
        time.sleep(60)
    if what == "swell":
        held = [bytearray(50_000_000) for _ in range(100)]
        assert held
    if what == "mistake":
        [].pop()
    if what == "refuse":
        raise InputError("it is brown", expected="green", where="here", do="Paint it.", code="hue")


def test_a_flipped_bit_that_ends_the_decoder_is_a_refusal(jpeg: Callable[..., bytes]) -> None:
    with pytest.raises(PhotoError, match="bent.heic: the decoder fell") as caught:
        read_photo(flipped_heic(), name="bent.heic")
    assert caught.value.code == "unreadable"
    assert read_photo(jpeg()).width_px == 720


def test_a_jpeg_of_thousands_of_scans_is_refused_at_once() -> None:
    data = endless_jpeg()
    start = time.monotonic()
    with pytest.raises(PhotoError, match="3,0.. scans"):
        read_photo(data, max_side_px=1000)
    assert time.monotonic() - start < 30  # on a busy machine too; decoding them takes minutes


@needs_proc
@pytest.mark.slow
@pytest.mark.parametrize("make", [wide_png, deep_png, wide_webp])
def test_a_small_file_of_many_pixels_stays_in_its_memory(make: Callable[[], bytes]) -> None:
    data = make()
    start = time.monotonic()
    try:
        assert read_photo(data, max_side_px=1000).width_px == 10_400
    except PhotoError as error:
        assert error.code == "too_many_pixels"  # noqa: PT017
    assert time.monotonic() - start < 60  # on a busy machine; what hangs is ended after 300
    for worker in (*workers._pool.idle, *workers._pool.busy):
        assert peak_mb(worker.process.pid) < 1000


@pytest.mark.slow
@pytest.mark.parametrize("lossless", [True, False])
def test_a_webp_says_its_size_before_it_takes_its_memory(lossless: bool) -> None:
    from budvision.photo.decode import _webp_pixels

    out = io.BytesIO()
    Image.new("RGB", (701, 640)).save(out, "WEBP", lossless=lossless)
    assert _webp_pixels(out.getvalue()) == 701 * 640
    out = io.BytesIO()
    Image.new("RGBA", (701, 640), (1, 2, 3, 4)).save(out, "WEBP", lossless=lossless)
    assert _webp_pixels(out.getvalue()) == 701 * 640


@pytest.mark.slow
def test_a_webp_that_declares_too_much_is_refused_before_it_is_opened(
    monkeypatch: pytest.MonkeyPatch
) -> None:
    from budvision.photo import decode

    opened = []
    monkeypatch.setattr(decode.Image, "open", lambda *args, **_: opened.append(args))
    with pytest.raises(PhotoError, match="wide.webp: opening it takes more memory than 950 MB"):
        decode.decode(wide_webp(), "WEBP", max_side_px=1000, where="wide.webp")
    assert not opened
    monkeypatch.undo()
    with pytest.raises(PhotoError, match="takes more memory than 950 MB"):
        read_photo(wide_webp(), max_side_px=1000)


def test_a_worker_that_falls_is_started_again() -> None:
    before = workers.run(nothing, where="a")
    assert before != os.getpid()
    with pytest.raises(PhotoError, match="a.jpg: the decoder fell over it .SIGSEGV."):
        workers.run(plant, "fall", where="a.jpg")
    assert workers.run(nothing, where="a") != before


@pytest.mark.slow
@pytest.mark.parametrize("what", ["spin", "sleep"])
def test_a_job_without_end_is_stopped(what: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "MOST_CPU_S", 1)
    monkeypatch.setattr(workers, "MOST_WALL_S", 2.5)
    start = time.monotonic()
    with pytest.raises(PhotoError, match="took longer than") as caught:
        workers.run(plant, what, where="a.jpg")
    assert caught.value.code == "unreadable"
    assert time.monotonic() - start < 30  # on a busy machine too; not stopped, at least 60


def work_of_ours(unhurried: bool) -> str:
    with workers.unhurried() if unhurried else contextlib.nullcontext():
        until = time.process_time() + 2.5
        while time.process_time() < until:
            pass
    return "done"


@pytest.mark.slow
def test_loading_a_model_is_not_the_photographs_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "MOST_CPU_S", 1)
    assert workers.run(work_of_ours, True, where="a.jpg") == "done"
    with pytest.raises(PhotoError, match="took longer than 1 s"):
        workers.run(work_of_ours, False, where="a.jpg")


def test_a_job_that_swells_is_refused() -> None:
    with pytest.raises(PhotoError, match="a.jpg: opening it takes more memory") as caught:
        workers.run(plant, "swell", where="a.jpg")
    assert caught.value.code == "too_many_pixels"


def test_errors_arrive_as_they_were() -> None:
    with pytest.raises(InputError, match="here: it is brown; expected green. Paint it.") as caught:
        workers.run(plant, "refuse", where="a")
    assert caught.value.as_dict() == {
        "ok": False, "code": "hue", "where": "here", "what": "it is brown", "expected": "green",
        "do": "Paint it."}
    with pytest.raises(IndexError, match="pop from empty list") as told:
        workers.run(plant, "mistake", where="a")
    assert "in plant" in "".join(told.value.__notes__)


def test_many_come_in_order_and_go_on_past_each_fall() -> None:
    whats = ["", "fall", "", "mistake", "refuse", ""]
    told = list(workers.run_many(plant, [(f"{n}.jpg", (what,)) for n, what in enumerate(whats)],
                                 n_workers=2))
    assert [type(one) for one in told] == [
        type(None), PhotoError, type(None), IndexError, InputError, type(None)]


@needs_proc
def test_workers_end_with_their_parent() -> None:
    code = ("import time\nfrom budvision.photo import workers\n"
            "workers.run(time.sleep, 0, where='a')\n"
            "print(*(one.process.pid for one in workers._pool.idle), flush=True)\n"
            "workers.run(time.sleep, 50, where='a')\n")
    command = [sys.executable, "-c", code]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as parent:
        assert parent.stdout is not None
        worker = int(parent.stdout.readline())
        parent.kill()
    until = time.monotonic() + 10
    while goes_on(worker):
        assert time.monotonic() < until, "the worker goes on without its parent"
        time.sleep(0.05)


@pytest.mark.skipif(not hasattr(os, "nice"), reason="here priorities are classes of Windows")
def test_what_can_wait_gives_way_to_what_eyes_wait_for() -> None:
    workers.close()  # so that each is made for what it does
    own = os.nice(0)
    assert workers.run(os.nice, 0, where="to look at") == own
    assert workers.run(os.nice, 0, where="to judge", patient=True) == min(19, own + 5)


class _Stub:
    """Stands in for a process."""

    patient = judges = False

    def __init__(self, *, patient: bool = False) -> None:
        self.made_for_what_can_wait = patient


def test_what_can_wait_leaves_a_process_to_eyes(monkeypatch: pytest.MonkeyPatch) -> None:
    import threading

    from budvision.photo import pool

    monkeypatch.setattr(pool, "cores", lambda: 2)
    monkeypatch.setattr(pool, "Worker", _Stub)
    room = pool.Pool()
    judging = room.take(patient=True)
    got: list[object] = []
    second = threading.Thread(target=lambda: got.append(room.take(patient=True)), daemon=True)
    second.start()
    looking = room.take(patient=False)
    assert looking is not judging
    assert got == [], "a second photograph to judge waits, although there are two processes"
    room.give(looking, usable=True)
    second.join(0.1)
    assert got == [], "also while the other one is idle"
    room.give(judging, usable=True)
    second.join(5)
    assert got == [judging], "it gets the process that has the model loaded"
    assert room.take(patient=False) is looking


def test_the_process_with_the_model_is_kept_for_judging(monkeypatch: pytest.MonkeyPatch) -> None:
    from budvision.photo import pool

    monkeypatch.setattr(pool, "cores", lambda: 2)
    monkeypatch.setattr(pool, "Worker", _Stub)
    room = pool.Pool()
    judging, looking = room.take(patient=True), room.take(patient=False)
    room.give(judging, usable=True)
    assert room.take(patient=False) is judging, "eyes do not wait while it is idle"
    room.give(judging, usable=True)
    room.give(looking, usable=True)
    assert room.take(patient=True) is judging, "the other one would load the model anew"
    room.give(judging, usable=True)
    assert room.take(patient=False) is looking


def test_who_came_first_goes_first(monkeypatch: pytest.MonkeyPatch) -> None:
    import threading

    from budvision.photo import pool

    monkeypatch.setattr(pool, "cores", lambda: 2)
    monkeypatch.setattr(pool, "Worker", _Stub)
    room = pool.Pool()
    busy = [room.take(patient=False), room.take(patient=False)]
    order: list[str] = []

    def come(name: str, patient: bool) -> threading.Thread:
        def take() -> None:
            worker = room.take(patient=patient)
            order.append(name)
            room.give(worker, usable=True)

        there = len(room.waiting) + 1
        thread = threading.Thread(target=take, daemon=True)
        thread.start()
        until = time.monotonic() + 10
        while len(room.waiting) < there:
            assert time.monotonic() < until, "it does not wait its turn"
            time.sleep(0.001)
        return thread

    waiting = [come("judge", True), *(come(f"eyes {k}", False) for k in range(4))]
    room.give(busy[0], usable=True)
    for thread in waiting:
        thread.join(10)
    assert order == ["judge", "eyes 0", "eyes 1", "eyes 2", "eyes 3"]
