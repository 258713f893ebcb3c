"""A season's own models at other stations of its database: what comes is a model's files alone."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from budvision.store import shared_models
from budvision.store.queries.models import ensure_model
from budvision.store.session import Season, now
from budvision.store.shared_models import shared_hashes, sync_models
from budvision.workflow.archive.incoming import rows_of


@pytest.fixture
def station(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Season]:
    """A season that takes its database to be shared."""
    monkeypatch.setattr(shared_models, "_is_shared", lambda season: True)
    with Season.create(tmp_path / "season") as season:
        yield season


def _known(season: Season, number: int, name: str, path: str, facts: Mapping[str, Any]) -> None:
    with season.write() as conn:
        ensure_model(conn, name, str(number) * 64, path, facts=facts)


def test_nothing_but_a_models_files_in_its_folder_is_written(station: Season) -> None:
    stored = station.photos.add(b"not of this season").sha256
    before = {path: path.read_bytes() for path in station.folder.glob("*.toml")}
    for number, (name, path, files) in enumerate([
            ("..", "models/..", {"budvision.toml": stored}),
            ("registry.toml", "models/registry.toml", {"verdict.skops": stored}),
            ("tuned-1", "models/tuned-1", {"..": stored}),
            ("tuned-2", "models/tuned-2", {"a\\b": stored}),
            ("tuned-3", "models/tuned-3", {"verdict.skops": "../" + "0" * 61}),
            ("tuned-4", "models/tuned-4", [stored])]):
        _known(station, number, name, path, {"files": files})
    assert sync_models(station) == ()
    assert shared_hashes(station) == frozenset()
    assert {path: path.read_bytes() for path in station.folder.glob("*.toml")} == before
    assert not [path for path in station.folder.rglob("*") if "tuned" in path.name]


def test_a_model_damaged_everywhere_keeps_no_other_away(station: Season) -> None:
    """A backup brings models first: it ended where one could not be brought."""
    hashes = [station.photos.add(data).sha256 for data in (b"first", b"second")]
    for number, sha256 in enumerate(hashes, start=1):
        _known(station, number, f"tuned-{number}", f"models/tuned-{number}",
               {"files": {"verdict.skops": sha256}})
    broken = station.photos.path(hashes[0])
    broken.chmod(0o644)
    broken.write_bytes(b"other")
    assert sync_models(station) == ("tuned-2",)
    assert (station.models_folder / "tuned-2" / "verdict.skops").read_bytes() == b"second"
    assert not (station.models_folder / "tuned-1").exists()


@pytest.mark.parametrize("name", ["tuned-1", "tuned+own-1.2", "a" * 60 + "-1"])
def test_a_model_that_an_archive_brings_goes_to_every_station(
    station: Season, tmp_path: Path, name: str
) -> None:
    """Its name and its files' names pass one door; what one let in the other left out, unsaid."""
    stored = station.photos.add(b"weights").sha256
    facts = {"files": {"weights+own.onnx": stored}}
    rows = tmp_path / "bag" / "data" / "rows" / "model.jsonl"
    rows.parent.mkdir(parents=True)
    rows.write_text(json.dumps({
        "id": 1, "name": name, "sha256": "1" * 64, "path": f"models/{name}",
        "facts": json.dumps(facts), "added_at": now()}))
    assert [row["name"] for row in rows_of(tmp_path / "bag", "model")] == [name]
    _known(station, 1, name, f"models/{name}", facts)
    assert sync_models(station) == (name,)
    assert (station.models_folder / name / "weights+own.onnx").read_bytes() == b"weights"
