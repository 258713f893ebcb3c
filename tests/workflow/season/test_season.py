"""The season as a whole: made, counted, checked; one byte changed is found."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from budvision.errors import InputError, NotFoundError, SeasonError
from budvision.store.queries import blocks
from budvision.store.queries.marks import set_mark
from budvision.store.session import Season
from budvision.workflow.intake.intake import intake
from budvision.workflow.season.check import check
from budvision.workflow.season.make import init, set_block
from budvision.workflow.season.status import status


@pytest.fixture
def taken(season: Season, jpeg: Callable[..., bytes]) -> Season:
    folder = season.folder.parent / "card"
    folder.mkdir()
    for node in (1, 2, 3):
        (folder / f"Creek_1_n{node}_c1.jpg").write_bytes(jpeg(node))
    assert intake(season, [folder], sampling="feb").count("new") == 3
    return season


def _first_photo(season: Season) -> Path:
    return season.photos.path(next(iter(season.photos)))


def test_init_names_the_site(tmp_path: Path) -> None:
    with init(tmp_path / "s", site="  Wren   Lake ") as made, made.read() as conn:
        assert blocks.list_blocks(conn) == []
    with Season.open(tmp_path / "s") as season:
        found = set_block(season, "Creek", create=True, normal_nodes=40.0)
        assert (found.site, found.normal_nodes) == ("Wren Lake", 40.0)
    with pytest.raises(SeasonError, match="is a season already"):
        init(tmp_path / "s", site="Other")
    with pytest.raises(InputError, match="the site is"):
        init(tmp_path / "t", site="x" * 200)
    assert not (tmp_path / "t").exists()


def test_facts_of_a_block(season: Season) -> None:
    with pytest.raises(NotFoundError, match="there is no block 'Creek'"):
        set_block(season, "Creek", normal_nodes=30.0)
    set_block(season, "Creek", create=True, cultivar="Foch", policy="common")
    found = set_block(season, "Creek", vine_spacing_m=1.8)
    assert (found.cultivar, found.policy, found.vine_spacing_m) == ("Foch", "common", 1.8)
    with pytest.raises(SeasonError, match=r"no policy 'mine'; expected one of common"):
        set_block(season, "Creek", policy="mine")
    with pytest.raises(InputError, match="normal_nodes is 0; expected 1 to 1000"):
        set_block(season, "Creek", normal_nodes=0.0)
    with pytest.raises(InputError, match="colour cannot be changed"):
        set_block(season, "Creek", colour="red")


def test_a_sound_season(taken: Season) -> None:
    report = check(taken)
    assert (report.ok, report.findings, report.n_photos) == (True, (), 3)


def test_one_byte_changed_is_found_and_put_right_by_intake(taken: Season) -> None:
    path = _first_photo(taken)
    path.chmod(0o644)
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    [finding] = check(taken).findings
    assert finding.code == "changed"
    assert finding.serious
    assert "run" not in finding.what
    assert "in again with `budvision intake`" in finding.do
    again = intake(taken, [taken.folder.parent / "card"], sampling="feb")
    assert again.ok
    assert check(taken).ok, "intake of the original must repair the copy"


def test_a_missing_photograph_is_found_and_put_right_by_intake(taken: Season) -> None:
    _first_photo(taken).unlink()
    [finding] = check(taken).findings
    assert (finding.code, finding.serious) == ("missing", True)
    intake(taken, [taken.folder.parent / "card"], sampling="feb")
    assert check(taken).findings == ()


def test_leftovers_are_notes(taken: Season, jpeg: Callable[..., bytes]) -> None:
    taken.photos.add(jpeg(99))  # a kill between copying and recording
    part = taken.photos.folder / "ab" / "abcdef.1234.part"
    part.parent.mkdir(exist_ok=True)
    part.write_bytes(b"half")
    (taken.photos.folder / "holiday.jpg").write_bytes(b"x")
    report = check(taken)
    assert report.ok
    assert {finding.code for finding in report.findings} == {
        "no_record", "half_written", "stranger"}
    assert part.exists()
    check(taken, tidy=True)
    assert not part.exists()


def test_a_guard_taken_off_is_found(taken: Season) -> None:
    with closing(sqlite3.connect(taken.folder / "budvision.db")) as plain:
        plain.execute("DROP TRIGGER call_no_delete")
        plain.commit()
    [finding] = check(taken).findings
    assert (finding.code, finding.where) == ("no_guard", "table call")


def test_a_row_that_refers_to_nothing_is_found(taken: Season) -> None:
    with closing(sqlite3.connect(taken.folder / "budvision.db")) as plain:
        plain.execute("DELETE FROM bud WHERE id = 2")  # foreign keys are off outside budvision
        plain.commit()
    findings = check(taken).findings
    assert [finding.code for finding in findings] == ["database", "changed_row"]
    assert "of assignment refers to a row of bud that is not there" in findings[0].what


def test_labels_that_cannot_be_read_are_found(taken: Season) -> None:
    with closing(sqlite3.connect(taken.folder / "budvision.db")) as plain:
        plain.execute("INSERT INTO person (name, role, active, added_at) "
                      "VALUES ('x', 'lead', 1, '')")
        plain.execute("INSERT INTO region (photo_id, person_id, labels_png, box, note, added_at) "
                      "VALUES (1, 1, x'00', '[0, 0, 9, 9]', '', '')")
        plain.commit()
    *added, finding = check(taken).findings
    assert [one.code for one in added] == ["changed_row"] * 2  # two rows past the program
    assert (finding.code, finding.where) == ("region", "region 1")


def test_status_counts(taken: Season) -> None:
    told = status(taken)
    [one] = told.samplings
    assert (one.block, one.sampling, one.n_canes, one.n_buds, one.n_photos) == (
        "Creek", "feb", 1, 3, 3)
    assert (one.n_called, one.n_waiting, one.n_missing) == (0, 3, 0)
    assert (told.counts.n_photos, told.counts.n_unassigned, told.counts.n_without_proposal) == (
        3, 0, 3)
    with taken.write() as conn:
        set_mark(conn, 1, "skipped", "yes")
    (one,) = status(taken).samplings
    assert (one.n_waiting, one.n_skipped) == (2, 1)


@pytest.mark.postgres
def test_two_stations_share_a_database_and_photographs(
    tmp_path: Path, postgres_url: str, jpeg: Callable[..., bytes]
) -> None:
    shared = tmp_path / "share" / "photos"
    with (
        init(tmp_path / "one", site="Wren Lake", database_url=postgres_url, photos=shared) as one,
        init(tmp_path / "two", database_url=postgres_url, photos=shared) as two,
    ):
        (tmp_path / "Creek_1_n1_c1.jpg").write_bytes(jpeg(1))
        [taken] = intake(one, [tmp_path / "Creek_1_n1_c1.jpg"], sampling="feb").taken
        assert two.photos.read(taken.sha256) == jpeg(1)
        with two.read() as conn:
            assert blocks.list_sites(conn) == ["Wren Lake"]
        assert status(two).counts.n_photos == 1
        assert check(two).ok
        assert intake(two, [tmp_path / "Creek_1_n1_c1.jpg"], sampling="feb").count("known") == 1
    with Season.open(tmp_path / "two") as again:
        assert again.photos.folder == shared


def test_a_photo_folder_that_is_away_is_told_of(tmp_path: Path) -> None:
    init(tmp_path / "s", photos=tmp_path / "share").close()
    (tmp_path / "share").rmdir()
    with pytest.raises(SeasonError, match="the folder of the photographs is not there"):
        Season.open(tmp_path / "s")
