"""Photographs from a camera card: sorted by the tags they show, doubtful runs listed."""

from __future__ import annotations

import io
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest
import segno
from PIL import ExifTags, Image

from budvision.errors import ConflictError, InputError, NotFoundError
from budvision.photo.tag import NEXT_BUD, TagText, parse_tag, read_codes, tag_text
from budvision.settings import Settings
from budvision.store.queries.canes import list_buds
from budvision.store.queries.people import add_person
from budvision.store.queries.photos import cuts_of_sampling
from budvision.store.session import Season
from budvision.workflow.bench.bench import mark_bud
from budvision.workflow.intake import watch
from budvision.workflow.intake.assignment import assign_from_page, assignment_board
from budvision.workflow.intake.runs import Seen, make_runs, part_run
from budvision.workflow.intake.sorting import sort_files
from budvision.workflow.intake.watch import watch_folder
from budvision.workflow.sampling.plan import describe_block, plan_sample, save_plan
from budvision.workflow.sampling.soak import record_times

START = datetime(2026, 1, 17, 18, 0, tzinfo=UTC)


def _tag_picture(text: str, rng: np.random.Generator, *, blur: float = 0.0) -> np.ndarray:
    """Photograph a tag: its code turned, tilted and lit unevenly on a bench."""
    buffer = io.BytesIO()
    segno.make(text, error="q", micro=False).save(buffer, kind="png", scale=10, border=4)
    code = cv2.imdecode(np.frombuffer(buffer.getvalue(), np.uint8), cv2.IMREAD_GRAYSCALE)
    side = code.shape[0]
    rows, cols = 540, 720
    middle, size = np.array([cols / 2, rows / 2]) + rng.uniform(-60, 60, 2), rng.uniform(130, 200)
    turn = rng.uniform(0, 2 * np.pi)
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * size / 2 * 1.3
    turned = corners @ np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    target = (middle + turned + rng.uniform(-9, 9, (4, 2))).astype(np.float32)
    source = np.array([[0, 0], [side, 0], [side, side], [0, side]], np.float32)
    picture = np.full((rows, cols), 120, np.uint8)
    cv2.warpPerspective(code, cv2.getPerspectiveTransform(source, target), (cols, rows), picture,
                        cv2.INTER_AREA, cv2.BORDER_TRANSPARENT)
    light = np.linspace(0.7, 1.0, cols)[None, :]
    picture = np.clip(picture * light + rng.normal(0, 5, picture.shape), 0, 255).astype(np.uint8)
    return cv2.GaussianBlur(picture, (0, 0), blur) if blur else picture


def _cut_picture() -> np.ndarray:
    picture = np.full((540, 720), 150, np.uint8)
    cv2.ellipse(picture, (360, 270), (170, 130), 0, 0, 360, 90, -1)
    return picture


class Card:
    """A camera card being filled, a file at a time, each with its time of exposure."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.folder.mkdir()
        self.rng = np.random.default_rng(12)
        self.at = START
        self.number = 998                       # so that the names pass from 999 to 1000
        self.cut = _cut_picture()

    def write(self, picture: np.ndarray, *, after_s: float = 5.0, name: str = "") -> Path:
        self.at += timedelta(seconds=after_s)
        exif = Image.Exif()
        time = self.at.strftime("%Y:%m:%d %H:%M:%S")
        exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.DateTimeOriginal] = time
        exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.OffsetTimeOriginal] = "+00:00"
        exif[ExifTags.Base.ImageDescription] = str(self.number)     # every file is its own
        path = self.folder / (name or f"IMG_{self.number}.JPG")
        self.number += 1
        Image.fromarray(picture).convert("RGB").save(path, "JPEG", quality=85, exif=exif)
        return path

    def tag(self, text: str, *, blur: float = 0.0) -> Path:
        return self.write(_tag_picture(text, self.rng, blur=blur), after_s=40)

    def bud(self, n_cuts: int, *, within_s: float = 6.0, before_s: float = 30.0) -> list[str]:
        return [self.write(self.cut, after_s=before_s if i == 0 else within_s).name
                for i in range(n_cuts)]


@pytest.fixture
def season(tmp_path: Path) -> Iterator[Season]:
    season = Season.create(tmp_path / "winter")
    layout = describe_block("Lark Terrace", n_rows=10, n_vines=30)
    save_plan(season, plan_sample(layout, settings=Settings(), sampling="s1", canes=20, nodes=8,
                                  draw=1, made_at="2026-01-15T00:00:00Z"))
    yield season
    season.close()


def _key(season: Season) -> str:
    from budvision.workflow.sampling.plan import season_plan

    return season_plan(season, 1).key


def _places(season: Season) -> dict[str, tuple[str, int, int]]:
    with season.read() as conn:
        buds = {bud.id: bud for bud in list_buds(conn, sampling_id=1)}
        return {cut.photo.file_name: (buds[cut.bud_id].cane, buds[cut.bud_id].node, cut.cut)
                for cut in cuts_of_sampling(conn, 1)}


@pytest.mark.slow
def test_three_hundred_photographs_sort_themselves_and_doubts_are_listed(
    season: Season, tmp_path: Path
) -> None:
    key, card = _key(season), Card(tmp_path / "DCIM")
    rng = np.random.default_rng(5)
    wanted: dict[str, tuple[str, int, int]] = {}
    doubtful: dict[str, list[str]] = {}
    for cane in range(1, 21):
        name = str(cane)
        if cane == 7:                           # the tag cannot be read
            card.tag(tag_text(key, name), blur=9.0)
            lost = [photo for _ in range(8) for photo in card.bud(1)]
            doubtful["6"] = [*doubtful.get("6", []), *lost]
            continue
        card.tag(tag_text("ZZZZZZ" if cane == 15 else key, name))
        if cane == 4:
            card.tag(tag_text(key, name))       # the tag twice before any bud: no harm
        flips = cane % 5 == 0
        files: list[str] = []
        for node in range(1, 9):
            if cane == 11 and node == 3:
                continue                        # seven photographs for eight nodes
            n_cuts = 1 if cane in (6, 11) else int(rng.integers(1, 4))
            # Between buds of cane 13 no more time passes than between cuts.
            before = 6.0 if cane == 13 else float(rng.uniform(20, 60))
            cuts = card.bud(n_cuts, within_s=float(rng.uniform(3, 9)), before_s=before)
            files += cuts
            if flips:
                card.write(_tag_picture(NEXT_BUD, card.rng))
            wanted |= {photo: (name, node, cut) for cut, photo in enumerate(cuts, start=1)}
        if cane in (6, 11, 13, 15):
            doubtful[name] = [*files, *doubtful.get(name, [])]
    for photo in (photo for files in doubtful.values() for photo in files):
        wanted.pop(photo, None)
    report = sort_files(season, [tmp_path / "DCIM"])
    n_files = len(list((tmp_path / "DCIM").iterdir()))
    assert n_files >= 300
    assert not report.refused
    assert _places(season) == wanted            # every legible run is right, nothing else placed
    listed = {row["cane"]: row["files"] for row in report.doubtful}
    # Cane 7's photographs lie in the run of cane 6: 16 for 8 nodes, at even gaps.
    assert set(listed) == {"6", "11", "13", "15"}
    assert sorted(listed["6"]) == sorted([*doubtful["6"], "IMG_" + listed_tag(card, listed["6"])])
    for cane in ("11", "13", "15"):
        assert listed[cane] == doubtful[cane]
    # Sorting the same card again changes nothing and doubles nothing.
    again = sort_files(season, [tmp_path / "DCIM"])
    assert (again.n_placed, again.n_known) == (0, len(wanted))
    assert _places(season) == wanted
    assert len(list(season.photos)) == n_files


def listed_tag(card: Card, files: list[str]) -> str:
    """Return the name's tail of the illegible tag, which nobody can tell from a cut."""
    numbers = [int(name[4:-4]) for name in files]
    whole = set(range(min(numbers), max(numbers) + 1))
    assert set(numbers) == whole
    return f"{sorted(numbers)[8]}.JPG"


def test_codes_are_read_turned_tilted_and_noisy() -> None:
    rng = np.random.default_rng(3)
    text = tag_text("ABC234", "10")
    read = [read_codes(np.repeat(_tag_picture(text, rng)[..., None], 3, axis=2))
            for _ in range(40)]
    assert sum(codes == (text,) for codes in read) >= 38
    assert parse_tag(text) == TagText("ABC234", "10")
    for other in ("hello", "BV1:abc234:10", "BV2:ABC234:10", "https://example.org"):
        assert parse_tag(other) is None
    with pytest.raises(InputError, match="the cane's label is 'cane seven'"):
        tag_text("ABC234", "cane seven")


def _seen(times: list[float], **more: object) -> list[Seen]:
    return [Seen(f"{i}.jpg", f"{i:064x}", START + timedelta(seconds=s), **more)  # type: ignore
            for i, s in enumerate(times)]


def test_gaps_part_cuts_into_buds_only_where_they_are_plain() -> None:
    plain = _seen([0, 5, 40, 46, 50, 95])
    buds, doubt = part_run(plain, 3)
    assert [len(bud) for bud in buds] == [2, 3, 1]
    assert doubt == ""
    _, doubt = part_run(_seen([0, 10, 22, 31, 44]), 3)
    assert "the gaps of time do not part 5 photographs into 3 buds plainly" in doubt
    assert part_run(plain, 6) == (tuple((one,) for one in plain), "")
    assert "which nodes have none is not known" in part_run(plain, 8)[1]
    assert "is not planned" in part_run(plain, None)[1]
    assert "do not rise" in part_run(_seen([0, 5, 40, 30, 90]), 3)[1]
    timeless = [Seen("a", "0" * 64), *plain]
    assert "not every one says when it was taken" in part_run(timeless, 3)[1]


def test_runs_know_strangers_and_tags_met_twice() -> None:
    ours, other = TagText("ABC234", "1"), TagText("ZZZZZZ", "1")
    tag = Seen("t.jpg", "1" * 64, START, ours)
    cuts = _seen([10, 50])
    runs = make_runs([*cuts, tag, *cuts, Seen("o.jpg", "2" * 64, START, other), *cuts, tag, *cuts],
                     {ours: 2})
    assert [run.tag for run in runs] == [None, ours, other, ours]
    assert runs[0].doubts == ("no tag stands before these photographs",)
    assert runs[1].doubts == runs[3].doubts == ("the tag of cane 1 begins 2 runs",)
    assert "of another season or plan" in runs[2].doubts[0]


@pytest.mark.slow
def test_old_photographs_and_taken_places_are_doubtful(season: Season, tmp_path: Path) -> None:
    key = _key(season)
    record_times(season, 1, collected_at="2026-01-18T00:00:00Z", at=START + timedelta(days=3))
    card = Card(tmp_path / "one")
    card.tag(tag_text(key, "1"))
    for _ in range(8):
        card.bud(1)
    report = sort_files(season, [tmp_path / "one"])
    assert "was taken before the canes were collected" in report.doubtful[0]["why"]
    record_times(season, 1, collected_at="", at=START + timedelta(days=3))
    assert sort_files(season, [tmp_path / "one"]).n_placed == 8
    second = Card(tmp_path / "two")
    second.number = 5000
    second.tag(tag_text(key, "1"))
    for _ in range(8):
        second.bud(1)
    report = sort_files(season, [tmp_path / "two"])
    assert report.doubtful[0]["why"] == "cut 1 of node 1 has a photograph already"
    bad = tmp_path / "two" / "broken.jpg"
    bad.write_bytes(b"no picture")
    assert [row["where"] for row in sort_files(season, [bad]).refused] == ["broken.jpg"]


def test_nodes_marked_as_missing_are_passed_over(season: Season, tmp_path: Path) -> None:
    for node, value in ((2, "missing"), (5, "blind")):
        mark_bud(season, sampling_id=1, cane="9", node=node, kind="node", value=value,
                 person_id=None)
    card = Card(tmp_path / "card")
    card.tag(tag_text(_key(season), "9"))
    files = [photo for _ in range(6) for photo in card.bud(1)]
    report = sort_files(season, [tmp_path / "card"])
    assert not report.doubtful
    assert _places(season) == {
        name: ("9", node, 1) for name, node in zip(files, (1, 3, 4, 6, 7, 8), strict=True)}


def test_the_assignment_page_places_what_a_person_lays_out(season: Season, tmp_path: Path) -> None:
    with season.write() as conn:
        person = add_person(conn, "Wren Adeyemi", "technician").id
    card = Card(tmp_path / "card")
    card.tag(tag_text(_key(season), "2"))
    files = [photo for _ in range(5) for photo in card.bud(1)]
    sort_files(season, [tmp_path / "card"])
    board = assignment_board(season)
    assert len(board.strips) == 1
    strip = board.strips[0]
    assert (strip.cane, strip.sampling_id) == ("2", 1)
    assert [photo["name"] for photo in strip.photos] == files
    assert [photo["hint"] for photo in strip.photos] == [f"{n}.1" for n in range(1, 6)]
    shas = [photo["sha256"] for photo in strip.photos]
    at = {"sampling_id": 1, "cane": "2"}
    places = [at | {"sha256": shas[0], "node": 1, "cut": 1},
              at | {"sha256": shas[1], "node": 1, "cut": 1}]
    with pytest.raises(ConflictError, match="cut 1 of this bud has another photograph"):
        assign_from_page(season, places, person_id=person)      # two of one place: nothing
    assert _places(season) == {}
    with pytest.raises(InputError, match="there is no cane 'x'"):
        assign_from_page(season, [at | {"sha256": shas[0], "cane": "x", "node": 1, "cut": 1}],
                         person_id=person)
    places[1] = at | {"sha256": shas[1], "node": 1, "cut": 2}
    places += [at | {"sha256": shas[2], "node": 7, "cut": 1}, {"sha256": shas[3], "aside": True}]
    assert assign_from_page(season, places, person_id=person) == 3
    assert _places(season) == {files[0]: ("2", 1, 1), files[1]: ("2", 1, 2),
                               files[2]: ("2", 7, 1)}
    left = assignment_board(season).strips
    assert [photo["name"] for strip in left for photo in strip.photos] == [files[4]]


@pytest.mark.slow
def test_a_watched_folder_waits_until_each_file_is_whole(season: Season, tmp_path: Path) -> None:
    key = _key(season)
    card, folder = Card(tmp_path / "away"), tmp_path / "microscope"
    folder.mkdir()
    order = [card.tag(tag_text(key, "3")), *(card.folder / p for _ in range(8)
                                             for p in card.bud(1)),
             card.tag(tag_text(key, "4")), *(card.folder / p for _ in range(8)
                                             for p in card.bud(1))]
    (folder / order[0].name).write_bytes(order[0].read_bytes())     # there before the watch
    stop = threading.Event()

    def save() -> None:
        for path in order[1:]:
            data = path.read_bytes()
            with (folder / path.name).open("wb") as file:           # a slow program, in pieces
                file.write(data[: len(data) // 2])
                file.flush()
                threading.Event().wait(0.08)
                file.write(data[len(data) // 2:])
        (folder / "settings.ini").write_text("not a photograph", encoding="utf-8")
        (folder / "broken.jpg").write_bytes(b"not a photograph either")

    writer = threading.Thread(target=save)
    writer.start()
    told = []
    for arrival in watch_folder(season, folder, stop=stop, settle_s=0.05, patience_s=5.0):
        told.append(arrival)
        if arrival.kind == "refused" or len(told) > 60:
            stop.set()
    writer.join()
    assert {kind: sum(a.kind == kind for a in told) for kind in ("photo", "sorted", "doubtful",
                                                                 "refused")} == {
        "photo": 18, "sorted": 2, "doubtful": 0, "refused": 1}
    assert _places(season) == {
        path.name: (cane, node, 1)
        for cane, run in (("3", order[1:9]), ("4", order[10:]))
        for node, path in enumerate(run, start=1)}
    with pytest.raises(NotFoundError, match="there is no such folder"):
        next(watch_folder(season, tmp_path / "nowhere"))


@pytest.mark.slow
def test_what_is_written_while_a_file_is_read_is_looked_at_again(
    season: Season, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file given up as damaged and finished at that moment was never taken in."""
    card, folder = Card(tmp_path / "away"), tmp_path / "microscope"
    folder.mkdir()
    data = (card.folder / card.bud(1)[0]).read_bytes()
    (folder / "late.jpg").write_bytes(data[: len(data) // 2])
    look_at, stop = watch.look_at, threading.Event()
    late = threading.Timer(60, stop.set)
    late.start()

    def finished_meanwhile(path: Path) -> tuple[Seen, bytes]:
        try:
            return look_at(path)
        finally:
            if path.stat().st_size < len(data):
                path.write_bytes(data)

    monkeypatch.setattr(watch, "look_at", finished_meanwhile)
    kinds = []
    for arrival in watch_folder(season, folder, stop=stop, settle_s=0.05, patience_s=0.2):
        kinds.append(arrival.kind)
        if len(kinds) == 2:
            stop.set()
    late.cancel()
    assert kinds[:2] == ["refused", "photo"]
