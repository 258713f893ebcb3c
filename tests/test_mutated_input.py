"""Mutated tables, settings, policies, QR texts and model files: read, or refused in words.

The long run, with its figures printed::

    BUDVISION_MUTATIONS=100000 pytest -s --basetemp /dev/shm/mutated tests/test_mutated_input.py
"""

from __future__ import annotations

import hashlib
import importlib.util
import io
import os
import random
import resource
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
import segno
from openpyxl import Workbook

from budvision.errors import BudvisionError
from budvision.photo.segmenter import Segmenter
from budvision.photo.tag import parse_tag, read_codes
from budvision.settings import Settings, models_folder
from budvision.verdict.persist import load_verdict
from budvision.verdict.registry import list_models, verify_model
from budvision.vineyard.cold import read_cold_record
from budvision.vineyard.policies import load_policies
from budvision.workflow.intake.manifest import Found, from_manifest
from budvision.workflow.review.calls_file import read_calls

N = int(os.environ.get("BUDVISION_MUTATIONS", "60"))
_SPEC = importlib.util.spec_from_file_location(
    "mutations_of_photographs", Path(__file__).parent / "photo" / "test_mutations.py")
assert _SPEC is not None
assert _SPEC.loader is not None
_MUTATIONS = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(_MUTATIONS)

CALLS = "block;vine;cane;node;primary;secondary;tertiary;cause;note\n" + "".join(
    f"Höhe {i % 2};v{i};{i // 3};{i % 7 + 1};L;dead;;;x\n" for i in range(12))
COLD = "time,temp_c\n" + "".join(f"2026-01-{d:02} {h:02}:00,-{d},5\n".replace(",5\n", ".5\n")
                                 for d in (9, 10) for h in range(0, 24, 3))
WORDS = ["\0", "\r", '"', "\ufeff", "é", "9" * 400, "-1", "nan", "1e999", "\u202e", "=", "[[", "]",
         "'''", "\\u0000", "true", "{", "\n\n", ";", "\t", "\ud7ff", "٣"]

NONE = object()
"""What a text that is no tag of ours gives."""


def _book(rows: str) -> bytes:
    book = Workbook()
    for line in rows.splitlines():
        book.active.append(line.split(";"))
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def mutated(data: bytes, rng: random.Random) -> bytes:
    """Mutate as photographs are, or put an odd word somewhere."""
    if len(data) > 100 and rng.random() < 0.5:
        return bytes(_MUTATIONS.mutated(data, rng))
    at = rng.randrange(len(data) + 1)
    return data[:at] + rng.choice(WORDS).encode() + data[at + rng.randrange(12):]


def _settings(data: bytes, folder: Path) -> object:
    (folder / "budvision.toml").write_bytes(data)
    return Settings.load(folder / "budvision.toml")


def _manifest(data: bytes, folder: Path) -> object:
    (folder / "manifest.csv").write_bytes(data)
    return from_manifest(folder / "manifest.csv", Found((), (), 0))


def _policies(data: bytes, folder: Path) -> object:
    (folder / "policies.toml").write_bytes(data)
    return load_policies([folder / "policies.toml"])


def _verdict(data: bytes, folder: Path) -> object:
    (folder / "verdict.skops").write_bytes(data)
    return load_verdict(folder / "verdict.skops")


def _network(data: bytes, folder: Path) -> object:
    """Open a network, and let it look at a picture where it opens."""
    (folder / "segmenter.onnx").write_bytes(data)
    return Segmenter.load(folder).run(np.zeros((64, 64, 3), np.uint8))


def _registry(data: bytes, folder: Path) -> object:
    """Verify each model that is listed, the files of the first beside the list."""
    if not (folder / "tried-1").exists():
        (folder / "tried-1").mkdir()
        (folder / "tried-1" / "CARD.md").write_bytes(b"card")
    (folder / "registry.toml").write_bytes(data)
    for entry in list_models(folder):
        verify_model(entry)
    return None


REGISTRY = f"""
[[model]]
name = "tried"
version = "1"
feature_version = "f-1"
made = "2026-11-26"
[model.files]
"CARD.md" = "{hashlib.sha256(b"card").hexdigest()}"
[model.libraries]
numpy = "2.0"
"""


def _tag(data: bytes, _: Path) -> object:
    """Take a text apart, and read it from a picture of its code."""
    text = data.decode("utf-8", "replace")
    found = parse_tag(text)
    assert found is None or 1 <= len(found.cane) <= 12
    if not text.strip():
        return NONE
    made = segno.make_qr(text[:200], mask=len(text) % 8)
    code = np.array([[*row] for row in made.matrix], np.uint8)
    side = cv2.resize((1 - np.pad(code, 4)) * 255, None, fx=4, fy=4,
                      interpolation=cv2.INTER_NEAREST)
    read_codes(np.repeat(side[..., None], 3, axis=2))
    return NONE if found is None else found


def _network_bytes() -> bytes:
    """Return the shipped network; in a long run a narrow one of the same layers.

    Damage to 6 MB of weights harms nothing; in the narrow one a sixth of the bytes are structure,
    and it opens ten times as fast.
    """
    if N < 10_000:
        return (models_folder() / "bench-1.0" / "segmenter.onnx").read_bytes()
    import torch

    from budvision.learning.network import BudNet, export_onnx

    torch.manual_seed(20261127)
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # torch's own, of its older exporter
        export_onnx(BudNet(0.01).eval(), Path(folder) / "narrow.onnx", side_px=64)
        return (Path(folder) / "narrow.onnx").read_bytes()


POLICY = (Path(__file__).parents[1] / "budvision" / "vineyard" / "policies.toml")
KINDS: dict[str, tuple[Callable[[], bytes], Callable[[bytes, Path], object]]] = {
    "calls": (CALLS.encode, lambda data, _: read_calls(data)),
    "calls, workbook": (lambda: _book(CALLS), lambda data, _: read_calls(data)),
    "manifest": (lambda: b"file,block,cane,node,cut\n" + b"".join(
        b"p%d.jpg,Larch,%d,%d,1\n" % (i, i // 5 + 1, i % 5 + 1) for i in range(9)), _manifest),
    "cold record": (COLD.encode, lambda data, _: read_cold_record(data, zone="UTC", unit="C")),
    "settings": (lambda: b'[settings]\nnormal_nodes = 36\nunits = "us"\nlab = "H\xc3\xb6he"\n'
                 b'[database]\nurl = "postgresql://a@b/c"\n', _settings),
    "policies": (POLICY.read_bytes, _policies),
    "QR texts": (lambda: b"BV1:ABC234:12", _tag),
    "verdict model": ((models_folder() / "bench-1.0" / "verdict.skops").read_bytes, _verdict),
    "list of models": (REGISTRY.encode, _registry),
    "network": (_network_bytes, _network),
}


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_mutated_input_is_read_or_refused(
    kind: str, tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:
    plain, read = KINDS[kind]
    data, rng = plain(), random.Random(f"20261126 {kind}")
    read(data, tmp_path)
    before_mb = _most_mb()
    told: Counter[str] = Counter()
    slowest = 0.0
    for number in range(N):
        given = mutated(data, rng)
        start = time.process_time()
        try:
            told["read" if read(given, tmp_path) is not NONE else "no tag"] += 1
        except BudvisionError:
            told["refused"] += 1
        except BaseException:
            (tmp_path / "broke").write_bytes(given)
            print(f"{kind}: {number + 1:,} in, this one broke it: {given[:500]!r}")
            raise
        slowest = max(slowest, time.process_time() - start)
        if number % 10_000 == 9_999:
            print(f"{kind}: {number + 1:,}: {dict(told)}", flush=True)
    most_mb = _most_mb()
    print(f"{kind}: {N:,} mutated: {dict(told)}; slowest answer {slowest:.2f} s of processor time, "
          f"the process at most {most_mb:.0f} MB")
    record_property(f"{N} mutated {kind}", f"slowest {slowest:.2f} s, {most_mb:.0f} MB")
    assert told["read"] < N
    assert slowest < 10
    assert most_mb < 1000 or most_mb - before_mb < 100  # other tests of this process took the rest


def _most_mb() -> float:
    """Return the most memory that this process has had so far, MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
