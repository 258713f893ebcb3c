"""The sample photographs are whole, ours to ship, and say what the scenario says."""

from __future__ import annotations

import csv
import hashlib
import re
from pathlib import Path

import numpy as np
from PIL import Image

from budvision.render.samples import BLOCKS, draw_samples
from budvision.workflow.review.calls_file import read_calls
from budvision.workflow.season import demo

ROOT = Path(__file__).resolve().parents[1]
SAMPLES = ROOT / "sample_images"


def _rows(name: str) -> list[dict[str, str]]:
    with (SAMPLES / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_every_photograph_is_as_listed() -> None:
    listed = dict(
        reversed(line.split("  ")) for line in  # type: ignore[misc]
        (SAMPLES / "SHA256SUMS").read_text(encoding="utf-8").splitlines())
    assert set(listed) == {path.name for path in SAMPLES.glob("*.jpg")}
    for name, sha256 in listed.items():
        data = (SAMPLES / name).read_bytes()
        assert hashlib.sha256(data).hexdigest() == sha256, name
        assert len(data) < 500_000, name


def test_manifest_names_two_blocks_with_enough_photographs_and_several_cuts() -> None:
    rows = _rows("manifest.csv")
    assert {row["file"] for row in rows} == {path.name for path in SAMPLES.glob("*.jpg")}
    for block in BLOCKS:
        own = [row for row in rows if row["block"] == block.name]
        assert len(own) >= 40
        assert len({row["cane"] for row in own}) == block.canes
        assert {"2", "3"} <= {row["cut"] for row in own}
    truths = _rows("truth.csv")
    assert len({row["light"] for row in truths}) >= 4
    assert 5 <= sum(row["usable"] == "0" for row in truths) <= 20


def test_recorded_calls_are_of_the_first_block_only() -> None:
    buds = read_calls(SAMPLES / "calls.csv").buds
    assert {bud.block for bud in buds} == {BLOCKS[0].name}
    assert len(buds) >= 40
    facts = demo.BLOCK_FACTS
    assert {block.name: (block.cultivar, block.normal_nodes) for block in BLOCKS} == {
        name: (row["cultivar"], row["normal_nodes"]) for name, row in facts.items()}


def test_some_photographs_are_stored_a_quarter_turn_off() -> None:
    turned = 0
    for path in SAMPLES.glob("creek_*.jpg"):
        with Image.open(path) as picture:
            exif = picture.getexif()
            assert re.fullmatch(r"2026:02:11 \d\d:\d\d:\d\d", str(exif[306]))
            assert 34853 not in exif  # no position
            turned += exif.get(274, 1) == 6
    assert 3 <= turned <= 30


def test_the_same_start_draws_the_same_photographs() -> None:
    first = next(draw_samples(BLOCKS[0], rng=np.random.default_rng(5)))
    again = next(draw_samples(BLOCKS[0], rng=np.random.default_rng(5)))
    assert np.array_equal(first.image, again.image)
    assert first.truth == again.truth
