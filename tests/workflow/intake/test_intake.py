"""Intake: idempotent, going on past bad files, whole after a kill at any point."""

from __future__ import annotations

import csv
import errno
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from budvision.errors import NothingToDoError, StorageError
from budvision.store.queries import blocks, canes, photos
from budvision.store.session import Season
from budvision.workflow.intake.intake import IntakeReport, intake
from budvision.workflow.season.check import check

N = 6


@pytest.fixture
def card(tmp_path: Path, jpeg: Callable[..., bytes]) -> Path:
    """Make a folder with six photographs of two canes and their manifest."""
    folder = tmp_path / "card"
    folder.mkdir()
    with (folder / "m.csv").open("w", newline="") as file:
        write = csv.writer(file)
        write.writerow(["file", "block", "cane", "node", "cut", "vine", "vigor", "cultivar"])
        for number in range(N):
            (folder / f"p{number}.jpg").write_bytes(jpeg(number))
            write.writerow([f"p{number}.jpg", "Creek", 1 + number // 4, 1 + number % 4, 1,
                            f"v{1 + number // 4}", "small", "Riesling"])
    return folder


def _take(season: Season, card: Path, **more: Any) -> IntakeReport:
    return intake(season, [card], sampling="feb", manifest=card / "m.csv", **more)


def _places(season: Season) -> list[tuple[object, ...]]:
    with season.read() as conn:
        return [
            (place.block, place.cane, place.vine, place.vigor, place.node, cut.cut,
             cut.photo.file_name, cut.photo.sha256)
            for sampling in blocks.list_samplings(conn)
            for place in canes.list_buds(conn, sampling_id=sampling.id)
            for cut in photos.cuts_of_bud(conn, place.id)
        ]


def test_photographs_get_their_place(season: Season, card: Path) -> None:
    report = _take(season, card, person="Tobias Renn", collected_at="2026-02-09")
    assert (report.count("new"), report.refused, report.n_others) == (N, (), 1)
    places = _places(season)
    assert [row[:7] for row in places[3:5]] == [
        ("Creek", "1", "v1", "small", 4, 1, "p3.jpg"),
        ("Creek", "2", "v2", "small", 1, 1, "p4.jpg")]
    with season.read() as conn:
        [sampling] = blocks.list_samplings(conn)
        assert sampling.collected_at == "2026-02-09T00:00:00.000Z"
        assert blocks.get_block(conn, "Creek").cultivar == "Riesling"
        first = photos.photo_by_sha256(conn, str(places[0][7]))
        assert first is not None
        assert (first.width_px, first.height_px, first.format, first.camera) == (
            720, 640, "JPEG", "Lens Works Field 3")
        assert season.photos.read(first.sha256) == (card / "p0.jpg").read_bytes()


def test_a_second_run_changes_nothing(season: Season, card: Path) -> None:
    _take(season, card)
    before = _places(season)
    report = _take(season, card)
    assert (report.count("known"), report.count("new"), report.ok) == (N, 0, True)
    assert _places(season) == before
    with season.read() as conn:
        assert len(photos.assignment_history(conn, 1)) == 1


def test_the_same_bytes_are_one_photograph(season: Season, card: Path) -> None:
    (card / "copy.jpg").write_bytes((card / "p0.jpg").read_bytes())
    with (card / "m.csv").open("a") as file:
        file.write("copy.jpg,Creek,1,1,2,v1,small,Riesling\n")
    report = _take(season, card)
    told = sorted(str(bad.error) for bad in report.refused)
    assert len(told) == 2  # one photograph cannot be two cuts, and which is right is unknown
    assert "copy.jpg (block Creek, cane 1, node 1, cut 2) has the same bytes as p0.jpg" in told[1]
    assert report.count("new") == N - 1
    (card / "m.csv").write_text("file,block,cane,node,cut\np0.jpg,Creek,1,1,1\n")
    assert _take(season, card).count("new") == 1
    again = intake(season, [card / "copy.jpg"], sampling="feb", block="Creek",
                   pattern="<cane>_<node>")
    assert again.count("new") == 0  # its name says no place
    assert "its name does not say which bud" in str(again.refused[0].error)


def test_two_names_of_one_place_are_reported(season: Season, tmp_path: Path,
                                             jpeg: Callable[..., bytes]) -> None:
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "Creek_1_n1_c1.jpg").write_bytes(jpeg(1))
    report = intake(season, [tmp_path / "a"], sampling="feb")
    assert report.count("new") == 1
    report = intake(season, [tmp_path / "b"], sampling="feb")
    assert (report.count("known"), report.count("new")) == (1, 0)


def test_bad_files_are_reported_and_the_rest_taken(
    season: Season, card: Path, jpeg: Callable[..., bytes]
) -> None:
    whole = jpeg(50)
    bad = {
        "empty.jpg": b"", "cut_off.jpg": whole[: len(whole) // 2], "text.jpg": b"hello " * 200,
        "page.png": b"<html><body>no</body></html>" * 9,
    }
    frames = [Image.fromarray(np.full((700, 700), shade, np.uint8)) for shade in (0, 99, 200)]
    frames[0].save(card / "moves.webp", save_all=True, append_images=frames[1:])
    Image.fromarray(np.zeros((90, 90), np.uint8)).save(card / "tiny.png")
    with (card / "m.csv").open("a") as file:
        for node, name in enumerate([*bad, "moves.webp", "tiny.png"], start=20):
            if name in bad:
                (card / name).write_bytes(bad[name])
            file.write(f"{name},Creek,9,{node},1,v9,,\n")
    report = _take(season, card)
    assert report.count("new") == N
    codes = {bad.file: bad.error.code for bad in report.refused}
    assert codes == {
        "empty.jpg": "empty_file", "cut_off.jpg": "truncated", "text.jpg": "not_an_image",
        "page.png": "not_an_image", "moves.webp": "animated", "tiny.png": "too_small"}
    assert all("row" in str(bad.error) for bad in report.refused)
    assert len(_places(season)) == N  # no half-written record of a bad one
    assert check(season).findings == ()


@pytest.mark.shared
def test_real_photographs_are_taken_in_as_they_are(season: Season, shared_photos: Path) -> None:
    files = sorted(p for p in shared_photos.rglob("*") if p.suffix in (".jpg", ".png"))[:6]
    manifest = season.folder / "m.csv"
    manifest.write_text("file,block,cane,node,cut\n" + "".join(
        f"{p.name},Creek,1,{n},1\n" for n, p in enumerate(files, start=1)))
    report = intake(season, files, sampling="feb", manifest=manifest)
    assert len(report.taken) + len(report.refused) == len(files)
    assert report.taken
    for one in report.taken:
        kept = season.photos.read(one.sha256)
        assert kept == next(p for p in files if p.name == one.file).read_bytes()


def test_a_photograph_with_another_place_is_moved_only_when_asked(
    season: Season, card: Path
) -> None:
    _take(season, card)
    (card / "m.csv").write_text("file,block,cane,node,cut\np0.jpg,Creek,1,9,1\n")
    report = intake(season, [], sampling="feb", manifest=card / "m.csv")
    assert "expected block Creek, sampling feb, cane 1, node 1, cut 1, where it stands" in str(
        report.refused[0].error)
    report = intake(season, [], sampling="feb", manifest=card / "m.csv", move=True)
    assert report.count("moved") == 1
    with season.read() as conn:
        history = photos.assignment_history(conn, report.taken[0].photo_id)
    assert len(history) == 2
    assert history[1].replaces_id == history[0].id


def test_a_cut_that_has_a_photograph_refuses_another(
    season: Season, card: Path, jpeg: Callable[..., bytes]
) -> None:
    _take(season, card)
    (card / "new.jpg").write_bytes(jpeg(77))
    (card / "m.csv").write_text("file,block,cane,node,cut\nnew.jpg,Creek,1,1,1\n")
    report = intake(season, [], sampling="feb", manifest=card / "m.csv")
    assert "cut 1 of this bud has another photograph (p0.jpg)" in str(report.refused[0].error)
    assert report.refused[0].error.where == "m.csv, row 2 (new.jpg)"


def test_other_facts_of_a_cane_are_refused(season: Season, card: Path) -> None:
    _take(season, card)
    (card / "m.csv").write_text("file,block,cane,node,cut,vigor\np0.jpg,Creek,1,1,1,large\n")
    report = intake(season, [], sampling="feb", manifest=card / "m.csv")
    assert "row 2 (p0.jpg): vigor is 'large'; expected 'small'" in str(report.refused[0].error)


def test_a_full_disk_stops_and_keeps_what_was_taken(
    season: Season, card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, calls = os.fsync, []

    def full(handle: int) -> None:
        calls.append(handle)
        if len(calls) > 4:  # a photograph is synced twice: file and folder
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(handle)

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StorageError, match="No space left on device"):
        _take(season, card)
    monkeypatch.undo()
    assert len(_places(season)) == 2
    assert check(season).ok
    report = _take(season, card)
    assert (report.count("known"), report.count("new")) == (2, N - 2)
    assert check(season).findings == ()


def test_nothing_is_nothing_to_do(season: Season, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(NothingToDoError, match="no photograph among the files"):
        intake(season, [tmp_path / "empty"], sampling="feb")


@pytest.mark.slow
def test_killed_at_random_points_and_run_again(
    tmp_path: Path, card: Path, season: Season
) -> None:
    """SIGKILL gives no time to tidy: every state it leaves must be sound, and a rerun completes."""
    script = (
        "import sys; from pathlib import Path; from budvision.store.session import Season\n"
        "from budvision.workflow.intake.intake import intake\n"
        "card = Path(sys.argv[2]); print('ready', flush=True)\n"
        "with Season.open(sys.argv[1]) as season:\n"
        "    intake(season, [card], sampling='feb', manifest=card / 'm.csv')\n"
    )
    command = [sys.executable, "-c", script, str(season.folder), str(card)]
    rng = np.random.default_rng(20260211)
    killed = 0
    for _ in range(5):
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        time.sleep(float(rng.uniform(0.0, 0.25)))
        process.send_signal(signal.SIGKILL)
        killed += process.wait() == -signal.SIGKILL
        process.stdout.close()
        report = check(season)
        assert report.ok, report.findings
    assert killed
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    assert len(_places(season)) == N
    assert len({row[7] for row in _places(season)}) == N
    found = check(season, tidy=True).findings
    assert {finding.code for finding in found} <= {"half_written"}
    assert check(season).findings == ()


def test_other_pictures_of_the_folder_are_told_of_and_left(
    season: Season, card: Path, jpeg: Callable[..., bytes]
) -> None:
    (card / "tag_of_cane_1.jpg").write_bytes(jpeg(60))
    report = _take(season, card)
    assert (report.ok, report.count("new"), report.not_listed) == (True, N, ("tag_of_cane_1.jpg",))
    named = intake(season, [card / "tag_of_cane_1.jpg"], sampling="feb", manifest=card / "m.csv")
    assert "the manifest has no row for it" in str(named.refused[0].error)


def test_what_should_be_looked_at_is_remarked_on(
    season: Season, tmp_path: Path, jpeg: Callable[..., bytes]
) -> None:
    for number, (label, day) in enumerate((("late", "2026-03-01"), ("early", "2026-02-01"))):
        folder = tmp_path / label
        folder.mkdir()
        (folder / "Creek_1_n1_c1.jpg").write_bytes(jpeg(number))
        told = intake(season, [folder], sampling=label, collected_at=day).remarks
        assert "does not say on which side" in told[0]
        assert told[1:] == (() if label == "late" else (
            "Sampling early of block Creek was collected 2026-02-01, before sampling late "
            "(2026-03-01), which the season had first. Check the two days.",))
