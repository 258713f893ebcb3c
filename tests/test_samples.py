"""The sample photographs are whole, ours to ship, and say what the scenario says."""

from __future__ import annotations

import csv
import hashlib
import json
import re
from pathlib import Path

import numpy as np
from PIL import Image

from budvision.render.samples import BLOCKS, write_samples
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


def test_manifest_names_four_blocks_with_several_cuts_of_some_buds() -> None:
    rows = _rows("manifest.csv")
    assert {row["file"] for row in rows} == {path.name for path in SAMPLES.glob("*.jpg")}
    assert {row["block"] for row in rows} == {block.name for block in BLOCKS}
    for block in BLOCKS:
        own = [row for row in rows if row["block"] == block.name]
        assert len({(row["cane"], row["node"]) for row in own}) == len(block.dead) * block.nodes
        assert "2" in {row["cut"] for row in own}
    assert "3" in {row["cut"] for row in rows}
    truths = _rows("truth.csv")
    assert len({row["light"] for row in truths}) >= 4
    assert 5 <= sum(row["usable"] == "0" for row in truths) <= 20


def test_each_block_teaches_what_its_scenario_says() -> None:
    """The dead primaries drawn for each block are those of the scenario, cane by cane."""
    truth = {row["file"]: row for row in _rows("truth.csv")}
    deepest: dict[tuple[str, str, str], str] = {}
    for row in _rows("manifest.csv"):
        if truth[row["file"]]["usable"] == "1":
            deepest[row["block"], row["cane"], row["node"]] = truth[row["file"]]["primary"]
    for block in BLOCKS:
        dead = [
            sum(word == "dead" for (name, cane, _), word in deepest.items()
                if (name, cane) == (block.name, str(k)))
            for k in range(1, len(block.dead) + 1)]
        assert tuple(dead) == block.dead


def test_recorded_calls_leave_two_canes_to_whoever_tries_it() -> None:
    buds = read_calls(SAMPLES / "calls.csv").buds
    called = {(bud.block, bud.cane) for bud in buds}
    for block in BLOCKS:
        canes = range(1, len(block.dead) + block.paper_canes + 1)
        assert {cane for name, cane in called if name == block.name} == {
            str(cane) for cane in canes if cane not in block.uncalled}
    assert [block.uncalled for block in BLOCKS if block.uncalled] == [(2, 3)]
    assert {block.name: block.cultivar for block in BLOCKS} == {
        name: row["cultivar"] for name, row in demo.BLOCK_FACTS.items()}
    zones = {(bud.block, bud.zone) for bud in buds if bud.zone}
    assert zones == {("Long Slope", "slope"), ("Long Slope", "hollow")}


def test_some_photographs_are_stored_a_quarter_turn_off() -> None:
    turned = 0
    for path in SAMPLES.glob("*.jpg"):
        with Image.open(path) as picture:
            exif = picture.getexif()
            assert re.fullmatch(r"2026:02:1[12] \d\d:\d\d:\d\d", str(exif[306]))
            assert 34853 not in exif  # no position
            turned += exif.get(274, 1) == 6
    assert 3 <= turned <= 30


def test_the_same_start_chooses_the_same_photographs(tmp_path: Path) -> None:
    """Written twice from one folder of drawn photographs, every file is the same to the byte."""
    drawn = tmp_path / "drawn"
    (drawn / "images").mkdir(parents=True)
    seen = {"visible": True, "brown_fraction": 0.0, "centre_px": [12.0, 8.0]}
    lines = []
    for index in range(160):
        kind = "bud" if index < 140 else "unusable" if index < 150 else "distractor"
        verdict = "live" if index % 2 else "dead"
        Image.new("RGB", (24, 16), (index, 90, 40)).save(drawn / "images" / f"p{index}.png")
        lines.append(json.dumps({
            "file": f"images/p{index}.png", "kind": kind, "index": index, "lighting": "ring",
            "usable": kind == "bud", "unusable_reason": "very_dark",
            "tissues": {
                "primary": {**seen, "verdict": verdict},
                "secondary": {**seen, "verdict": "live", "centre_px": [12.0, 2.0]},
                "tertiary": {"visible": False}}}))
    (drawn / "truth.jsonl").write_text("\n".join(lines), encoding="utf-8")
    for name in ("first", "again"):
        write_samples(drawn, [drawn], tmp_path / name, rng=np.random.default_rng(5))
    files = sorted(path.name for path in (tmp_path / "first").iterdir())
    assert len(files) > 100
    for name in files:
        assert (tmp_path / "first" / name).read_bytes() == (tmp_path / "again" / name).read_bytes()
    with Image.open(tmp_path / "first" / "apricot_c1_n1_k2.jpg") as picture:
        assert sorted(picture.size) == [16, 24]
        assert picture.height > picture.width or picture.getexif().get(274) == 6  # turned left
