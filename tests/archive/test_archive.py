"""Export, verify, import: bagit-python and mlcroissant judge the form, rows and bytes the content.

RFC 8493 is the standard; bagit-python is its reference library, mlcroissant that of Croissant.
"""

from __future__ import annotations

import csv
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import pytest
import seasons

from budvision.archive.describe import split_of
from budvision.archive.privacy import without_private_metadata
from budvision.errors import ConflictError, StorageError, VerificationError
from budvision.files import sha256_of
from budvision.store import seal
from budvision.store.queries import rows
from budvision.store.queries.calls import save_calls
from budvision.store.session import Season
from budvision.verdict.registry import find_model, verify_model
from budvision.vocabulary import CallValue, Tissue
from budvision.workflow.archive.export import export_archive
from budvision.workflow.archive.merge import import_archive, verify_archive
from budvision.workflow.archive.settings import restore_settings
from budvision.workflow.season.check import check


@pytest.fixture
def season(tmp_path: Path) -> Season:
    return seasons.make_season(tmp_path / "season")


def test_bag_validates_in_full_with_the_reference_library(season: Season, tmp_path: Path) -> None:
    import bagit

    export_archive(season, tmp_path / "bag")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        bag = bagit.Bag(str(tmp_path / "bag"))
        assert bag.version_info == (1, 0)
        assert bag.algorithms == ["sha256"]
        assert bag.validate()
    assert verify_archive(tmp_path / "bag")["ok"] is True


@pytest.mark.slow
def test_description_loads_with_the_reference_library(
    season: Season, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mlc = pytest.importorskip("mlcroissant")
    monkeypatch.setenv("HOME", str(tmp_path))
    export_archive(season, tmp_path / "bag")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        data = mlc.Dataset(str(tmp_path / "bag" / "data" / "croissant.json"))
        assert not data.metadata.issues.errors
        calls = list(data.records("calls"))
        photos = list(data.records("photos"))
    assert len(calls) == 12
    assert {c["calls/value"] for c in calls} == {b"live", b"dead"}
    assert len(photos) == 6


OWN_SETTINGS = """\
# Our winter.
[settings]
normal_nodes = 36        # as in the lease
units = "us"
prior_icc = 0.3
"""


def _set(season: Season, text: str) -> Season:
    """Write a season's settings and open it anew."""
    season.close()
    (season.folder / "budvision.toml").write_text(text)
    return Season.open(season.folder)


@pytest.mark.slow
def test_whole_copy_gives_an_equal_season(season: Season, tmp_path: Path) -> None:
    """All rows, all bytes, the settings and the key that makes pseudonyms."""
    season = _set(season, OWN_SETTINGS)
    before = seasons.whole_content(season)
    export_archive(season, tmp_path / "bag", whole=True)
    key = (season.folder / "archive-key").read_bytes()
    season.close()
    shutil.rmtree(season.folder)
    with Season.create(tmp_path / "again") as again:
        with again.write() as conn:  # as `budvision init` leaves it
            rows.add_row(conn, "site", {"name": "again", "added_at": seasons.AT})
        report = import_archive(again, tmp_path / "bag")
        assert report.restored
        assert not report.conflicts
        assert seasons.whole_content(again) == before
        assert (again.folder / "budvision.toml").read_text() == OWN_SETTINGS
        assert (again.folder / "archive-key").read_bytes() == key
        assert again.settings.normal_nodes == 36
    with Season.open(tmp_path / "again") as opened:
        assert opened.settings == again.settings
        export_archive(opened, tmp_path / "bag2", whole=True)
    for name in ("rows", "photos", "regions", "models"):  # and the season's export is the same
        for path in (tmp_path / "bag" / "data" / name).rglob("*.*"):
            if path.is_file():
                other = tmp_path / "bag2" / path.relative_to(tmp_path / "bag")
                assert other.read_bytes() == path.read_bytes(), path


def _lose_a_photograph(season: Season) -> str:
    """Remove the file of a photograph of which tissues were called, and return its hash."""
    path = sorted((season.folder / "photos").rglob("*.jpg"))[0]
    path.unlink()
    return path.stem


@pytest.mark.parametrize("whole", [True, False], ids=["whole", "shared"])
def test_no_call_is_lost_with_a_lost_photograph(
    season: Season, tmp_path: Path, whole: bool
) -> None:
    """Its calls were left out, and the archive did not verify: "changed", though nobody had."""
    lost = _lose_a_photograph(season)
    assert export_archive(season, tmp_path / "bag", whole=whole).missing == (lost,)
    assert verify_archive(tmp_path / "bag")["missing"] == [lost]
    with Season.create(tmp_path / "again") as again:
        report = import_archive(again, tmp_path / "bag")
        assert report.conflicts == [f"photograph {lost[:12]} was missing at export"]
        with again.read() as conn, season.read() as old:
            for table in ("photo", "call", "proposal", "assignment"):
                assert [row["id"] for row in rows.stream(conn, table)] == [
                    row["id"] for row in rows.stream(old, table)], table
        assert report.n_photos_new == 5
        assert [(one.code, one.serious) for one in check(again).findings] == [("missing", True)]
        with again.write() as conn:  # a season in use now
            rows.add_row(conn, "site", {"name": "more", "added_at": seasons.AT})
        assert import_archive(again, tmp_path / "bag").added.get("call", 0) == 0


@pytest.mark.parametrize("whole", [True, False], ids=["whole", "shared"])
@pytest.mark.parametrize("damage", ["removed", "changed"])
def test_what_the_season_has_lost_stays_in_the_archive_that_is_written_again(
    season: Season, tmp_path: Path, whole: bool, damage: str
) -> None:
    """The last copy of a photograph and of a model went with the archive before."""
    bag = tmp_path / "bag"
    _list_the_model(season)
    export_archive(season, bag, whole=whole)
    held = {path.relative_to(bag) for path in bag.rglob("*") if path.is_file()}
    photo = sorted((season.folder / "photos").rglob("*.jpg"))[0]
    model = season.models_folder / "tuned-1" / "verdict.skops"
    for path in (photo, model, season.models_folder / "registry.toml"):
        path.chmod(0o644)
        path.write_bytes(b"[[") if damage == "changed" else path.unlink()
    report = export_archive(season, bag, whole=whole)
    assert report.missing == ()
    assert {path.relative_to(bag) for path in bag.rglob("*") if path.is_file()} == held
    assert (bag / "data" / "models" / "tuned-1" / "verdict.skops").read_bytes() == b"model bytes"
    assert verify_archive(bag)["models"] == []
    new = export_archive(season, tmp_path / "new", whole=whole)
    assert new.missing == (photo.stem,)


def _list_the_model(season: Season) -> None:
    """Give the row of the season's model the hashes of its files, as training does."""
    model = season.models_folder / "tuned-1" / "verdict.skops"
    facts = json.dumps({"files": {"verdict.skops": sha256_of(model)}})
    with season.engine.begin() as conn:
        conn.exec_driver_sql("DROP TRIGGER model_no_update")
        conn.exec_driver_sql("UPDATE model SET facts = ?", (facts,))
        seal.renew(conn)


def test_another_laboratorys_call_stands_without_its_lost_photograph(
    season: Season, tmp_path: Path
) -> None:
    lost = _lose_a_photograph(season)
    export_archive(season, tmp_path / "bag")
    with seasons.make_season(tmp_path / "other", first=50, block="Rowan", person="Ada Moreau",
                             at="2026-01-22T09:00:00.000Z") as other:
        report = import_archive(other, tmp_path / "bag")
        assert report.added["call"] == 12
        assert f"photograph {lost[:12]} was missing at export" in report.conflicts
        assert not [line for line in report.conflicts if line.startswith("call")]
        assert check(other).ok
        assert import_archive(other, tmp_path / "bag").added.get("call", 0) == 0


def test_settings_come_back_from_a_shared_archive_too(season: Season, tmp_path: Path) -> None:
    season = _set(season, OWN_SETTINGS)
    export_archive(season, tmp_path / "bag")
    assert not (tmp_path / "bag" / "data" / "budvision.toml").exists()  # it may hold remarks
    with Season.create(tmp_path / "again") as again:
        import_archive(again, tmp_path / "bag")
        assert again.settings == season.settings
    with Season.open(tmp_path / "again") as opened:
        assert opened.settings == season.settings


def test_where_a_season_lies_is_neither_exported_nor_overwritten(
    season: Season, tmp_path: Path
) -> None:
    season = _set(season, OWN_SETTINGS + '\n[photos]\nfolder = "photos"  # ours\n')
    export_archive(season, tmp_path / "bag", whole=True)
    assert "ours" not in (tmp_path / "bag" / "data" / "budvision.toml").read_text()
    with Season.create(tmp_path / "again", photos=tmp_path / "elsewhere") as again:
        import_archive(again, tmp_path / "bag")
    text = (tmp_path / "again" / "budvision.toml").read_text()
    assert text.startswith(OWN_SETTINGS)
    assert "elsewhere" in text
    with Season.open(tmp_path / "again") as opened:
        assert opened.photos.folder == tmp_path / "elsewhere"
        assert len(list(opened.photos)) == 6
        assert opened.settings.units == "us"


@pytest.mark.slow
def test_settings_that_the_new_season_has_stand(season: Season, tmp_path: Path) -> None:
    season = _set(season, OWN_SETTINGS)
    export_archive(season, tmp_path / "bag", whole=True)
    values = tmp_path / "bag" / "data" / "settings.json"
    Season.create(tmp_path / "again").close()
    again = tmp_path / "again" / "budvision.toml"
    again.write_text("[settings]\nunits = 'metric'\n[photos]\nfolder = 'photos'\n")
    with Season.open(tmp_path / "again") as opened:
        report = import_archive(opened, tmp_path / "bag")
    assert [line for line in report.conflicts if "units" in line] == [
        "setting units is 'metric' here and stays; it was 'us' there"]
    assert again.read_text() == (
        "[settings]\nnormal_nodes = 36\nprior_icc = 0.3\nunits = 'metric'\n"
        "[photos]\nfolder = 'photos'\n")
    # a setting of another version is left out and told of
    told = json.loads(values.read_text()) | {"moon": 3}
    values.write_text(json.dumps(told))
    Season.create(tmp_path / "third").close()
    with Season.open(tmp_path / "third") as opened:
        assert [line for line in restore_settings(opened, tmp_path / "bag") if "moon" in line]
        assert opened.settings.prior_icc == 0.3


def test_season_without_private_metadata_comes_back_equal_by_default(tmp_path: Path) -> None:
    """Where photographs hold nothing private, only people's names and logins differ."""
    season = seasons.make_season(tmp_path / "plain", private=False)
    before = seasons.whole_content(season)
    export_archive(season, tmp_path / "bag")
    with Season.create(tmp_path / "again") as again:
        import_archive(again, tmp_path / "bag")
        after = seasons.whole_content(again)
    assert after["files"] == before["files"]
    for table in rows.ARCHIVED:
        if table in ("person", "call"):
            drop = {"name", "password_hash", "note"}
            assert [{k: v for k, v in r.items() if k not in drop} for r in after[table]] == [
                {k: v for k, v in r.items() if k not in drop} for r in before[table]]
        else:
            assert after[table] == before[table]


def test_default_holds_nothing_private(season: Season, tmp_path: Path) -> None:
    report = export_archive(season, tmp_path / "bag")
    assert report.n_cleaned == 3
    for path in (tmp_path / "bag").rglob("*"):
        if path.is_file():
            assert b"Petra" not in path.read_bytes(), path
    with (tmp_path / "bag" / "data" / "photos.csv").open() as file:
        lines = list(csv.DictReader(file))
    assert sum(line["sha256"] != line["original_sha256"] for line in lines) == 3
    with season.read() as conn:
        assert {line["original_sha256"] for line in lines} == {
            row["sha256"] for row in rows.stream(conn, "photo")}


def test_names_are_given_when_asked(season: Season, tmp_path: Path) -> None:
    export_archive(season, tmp_path / "bag", names=True)
    assert "Petra Quill" in (tmp_path / "bag" / "data" / "calls.csv").read_text()


def test_second_export_adds_only_what_is_new(season: Season, tmp_path: Path) -> None:
    first = export_archive(season, tmp_path / "bag")
    assert (first.n_new, first.n_kept) == (6, 0)
    stored = season.photos.add(seasons.photo_bytes(99, private=True))
    with season.write() as conn:
        rows.add_row(conn, "photo", {
            "sha256": stored.sha256, "file_name": "new.jpg", "format": "JPEG", "n_bytes": 1,
            "width_px": 64, "height_px": 48, "added_at": seasons.AT})
    second = export_archive(season, tmp_path / "bag")
    assert (second.n_new, second.n_kept, second.n_cleaned) == (1, 6, 4)
    assert verify_archive(tmp_path / "bag")["ok"] is True


def test_split_is_by_block_and_never_moves() -> None:
    """Frozen values: a later version that moves a block spoils every comparison made before."""
    names = [f"block {i}" for i in range(2000)]
    held = [n for n in names if split_of("site", n) == "held_out"]
    assert 0.17 < len(held) / len(names) < 0.23
    assert held[:4] == ["block 0", "block 4", "block 19", "block 26"]


@pytest.mark.slow
@pytest.mark.parametrize("damage", [
    "byte", "missing", "extra", "newer", "tag", "letter", "link", "outside"])
def test_damage_is_refused_and_nothing_is_read(
    season: Season, tmp_path: Path, damage: str
) -> None:
    bag = tmp_path / "bag"
    export_archive(season, bag)
    photo = next((bag / "data" / "photos").rglob("*.jpg"))
    wanted = ""
    if damage == "byte":
        data = bytearray(photo.read_bytes())
        data[-5] ^= 1
        photo.write_bytes(data)
        wanted = "changed"
    elif damage == "missing":
        photo.unlink()
        wanted = "missing"
    elif damage == "extra":
        (bag / "data" / "more.txt").write_text("x")
        wanted = "not in the manifest"
    elif damage == "newer":
        facts = bag / "data" / "archive.json"
        facts.write_text(facts.read_text().replace('"format_version": 1', '"format_version": 2'))
        wanted = "format is budvision-archive 2"
    elif damage == "tag":
        with (bag / "bag-info.txt").open("a") as file:
            file.write("Contact-Name: x\n")
        wanted = "bag-info"
    elif damage == "letter":  # a flipped bit leaves what is no text
        info = bag / "bag-info.txt"
        info.write_bytes(info.read_bytes().replace(b"Payload", b"Pa\xf9load"))
        wanted = "bag-info.txt changed"
    elif damage == "link":
        (bag / "data" / "more.txt").symlink_to("/etc/hostname")
        wanted = "link"
    elif damage == "outside":
        manifest = bag / "manifest-sha256.txt"
        manifest.write_text(manifest.read_text() + f"{'0' * 64}  data/../../etc/passwd\n")
        wanted = "leads out of the archive"
    with pytest.raises(VerificationError, match=wanted):
        verify_archive(bag)
    with Season.create(tmp_path / "other") as other:
        with pytest.raises(VerificationError, match=wanted):
            import_archive(other, bag)
        assert not list(other.photos)
        with other.read() as conn:
            assert rows.is_empty(conn, "photo")


def test_unfinished_and_foreign_folders_are_told_apart(season: Season, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(VerificationError, match="not an archive"):
        verify_archive(tmp_path / "empty")
    export_archive(season, tmp_path / "bag")
    (tmp_path / "bag" / "bagit.txt").unlink()
    with pytest.raises(VerificationError, match="not finished"):
        verify_archive(tmp_path / "bag")
    (tmp_path / "used").mkdir()
    (tmp_path / "used" / "letter.txt").write_text("mine")
    with pytest.raises(ConflictError, match=r"letter\.txt"):
        export_archive(season, tmp_path / "used")
    with pytest.raises(ConflictError, match="kind is shared"):
        export_archive(season, tmp_path / "bag", whole=True)


def test_importing_twice_adds_nothing(season: Season, tmp_path: Path) -> None:
    export_archive(season, tmp_path / "bag")
    with seasons.make_season(tmp_path / "mine", first=100, person="Odo Marsh", block="Fen",
                             at="2026-01-21T09:00:00.000Z") as mine:
        first = import_archive(mine, tmp_path / "bag")
        assert not first.restored
        assert first.added["call"] == 12
        assert first.n_photos_new == 6
        before = seasons.whole_content(mine)
        second = import_archive(mine, tmp_path / "bag")
        assert seasons.whole_content(mine) == before
        assert second.n_photos_known == 6
        assert not sum(second.added.values())


def test_calls_that_come_back_by_way_of_another_laboratory_are_no_second_readings(
    season: Season, tmp_path: Path
) -> None:
    """People had other pseudonyms there: each call came as somebody else's, who always agreed."""
    with season.write() as conn:
        save_calls(conn, 1, {Tissue.SECONDARY: CallValue.DEAD}, person_id=1)
    export_archive(season, tmp_path / "ours")
    with Season.create(tmp_path / "theirs") as theirs:
        import_archive(theirs, tmp_path / "ours")
        export_archive(theirs, tmp_path / "from them")
    before = seasons.whole_content(season)
    report = import_archive(season, tmp_path / "from them")
    assert not sum(report.added.values())
    assert seasons.whole_content(season) == before


def test_own_archive_brings_nothing_back_twice(season: Season, tmp_path: Path) -> None:
    """Pseudonyms of the own laboratory are known again as the people they stand for."""
    export_archive(season, tmp_path / "bag")
    before = seasons.whole_content(season)
    report = import_archive(season, tmp_path / "bag")
    after = seasons.whole_content(season)
    assert {t: len(r) for t, r in after.items() if t != "call"} == {
        t: len(r) for t, r in before.items() if t != "call"}
    assert report.added.get("person", 0) == 0


def test_two_laboratories_reading_the_same_photographs(tmp_path: Path) -> None:
    """Same photo once, all calls kept as second readings, disagreement listed."""
    theirs = seasons.make_season(tmp_path / "theirs", person="Odo Marsh", value="live",
                                 at="2026-01-22T09:00:00.000Z")
    export_archive(theirs, tmp_path / "bag")
    with seasons.make_season(tmp_path / "mine", value="dead") as mine:
        report = import_archive(mine, tmp_path / "bag")
        assert report.n_photos_known == 6
        assert report.n_photos_new == 0
        with mine.read() as conn:
            calls = list(rows.stream(conn, "call"))
            assert len(list(rows.stream(conn, "bud"))) == 6
            assert len(list(rows.stream(conn, "promotion"))) == 1
    assert len(calls) == 24
    added = calls[12:]
    assert {c["round"] for c in added} == {"second"}
    assert {c["source"] for c in added} == {"archive"}
    assert len({c["person_id"] for c in calls}) == 2


@pytest.mark.slow
def test_models_come_back_listed_and_others_of_the_same_name_stand_apart(tmp_path: Path) -> None:
    theirs = seasons.make_season(tmp_path / "theirs", first=50, at="2026-01-22T09:00:00.000Z")
    export_archive(theirs, tmp_path / "bag")
    with Season.create(tmp_path / "again") as again:
        import_archive(again, tmp_path / "bag")
        verify_model(find_model("tuned-1", folders=[again.models_folder]))
    with seasons.make_season(tmp_path / "mine") as mine:
        (mine.models_folder / "tuned-1" / "verdict.skops").write_bytes(b"another model")
        report = import_archive(mine, tmp_path / "bag")
        verify_model(find_model(f"tuned-{report.lab}-1", folders=[mine.models_folder]))
        assert (mine.models_folder / "tuned-1" / "verdict.skops").read_bytes() == b"another model"
    assert any("model tuned-1 differs" in line for line in report.conflicts)


@pytest.mark.slow
@pytest.mark.parametrize("restored", [True, False])
def test_photographs_that_differ_in_private_metadata_only_become_one(
    season: Season, tmp_path: Path, restored: bool
) -> None:
    """A copy from a telephone and the same one from a cloud that took the place out."""
    plain = season.photos.add(without_private_metadata(seasons.photo_bytes(0, private=True)))
    with season.write() as conn:
        twin = rows.add_row(conn, "photo", {
            "sha256": plain.sha256, "file_name": "twin.jpg", "format": "JPEG", "n_bytes": 1,
            "width_px": 64, "height_px": 48, "added_at": seasons.AT})
        rows.add_row(conn, "assignment", {
            "photo_id": twin, "bud_id": 2, "cut": 2, "source": "manifest",
            "added_at": seasons.AT})
    export_archive(season, tmp_path / "bag")
    with (Season.create(tmp_path / "again") if restored else seasons.make_season(
            tmp_path / "again", first=80, block="Fen", at="2026-01-22T09:00:00.000Z")) as again:
        report = import_archive(again, tmp_path / "bag")
        assert len([line for line in report.conflicts if "kept as one" in line]) == 1
        assert report.n_photos_new == 6
        with again.read() as conn:
            assert len(list(rows.stream(conn, "photo"))) == (6 if restored else 12)
            assert len(list(rows.stream(conn, "assignment"))) == (6 if restored else 12)
        before = seasons.whole_content(again)
        import_archive(again, tmp_path / "bag")  # and once more changes nothing
        assert seasons.whole_content(again) == before


def test_conflicting_calls_are_listed(tmp_path: Path) -> None:
    theirs = seasons.make_season(tmp_path / "theirs", person="Odo Marsh", value="unsure",
                                 at="2026-01-22T09:00:00.000Z")
    export_archive(theirs, tmp_path / "bag", names=True)
    with seasons.make_season(tmp_path / "mine", value="dead") as mine:
        report = import_archive(mine, tmp_path / "bag")
    assert sum("is called unsure there" in line for line in report.conflicts) == 6
    assert ("Larch bench, jan, cane 1, node 1: primary is called unsure there and otherwise here"
            in report.conflicts)


@pytest.mark.slow
def test_sampling_of_the_same_photographs_is_the_same_by_any_label(tmp_path: Path) -> None:
    """Two laboratories name one collection differently; it must not stand twice in the results."""
    theirs = seasons.make_season(tmp_path / "theirs", person="Odo Marsh", value="live",
                                 at="2026-01-22T09:00:00.000Z")
    with theirs.write() as conn:
        conn.exec_driver_sql("UPDATE sampling SET label = 'winter'")
        conn.exec_driver_sql("UPDATE block SET name = 'Larch bench'")
    export_archive(theirs, tmp_path / "bag")
    with seasons.make_season(tmp_path / "mine") as mine:
        report = import_archive(mine, tmp_path / "bag")
        with mine.read() as conn:
            assert [row["label"] for row in rows.stream(conn, "sampling")] == ["jan"]
            assert len(list(rows.stream(conn, "bud"))) == 6
            assert {row["round"] for row in rows.stream(conn, "call") if row["id"] > 12} == {
                "second"}
    assert "sampling winter there is jan here: the same photographs" in report.conflicts
    assert not [line for line in report.conflicts if "another bud" in line]


@pytest.mark.slow
def test_other_laboratorys_block_and_person_of_the_same_name_stay_apart(tmp_path: Path) -> None:
    theirs = seasons.make_season(tmp_path / "theirs", first=50, at="2026-01-22T09:00:00.000Z")
    export_archive(theirs, tmp_path / "bag", names=True)
    with seasons.make_season(tmp_path / "mine") as mine:
        report = import_archive(mine, tmp_path / "bag")
        with mine.read() as conn:
            assert len(list(rows.stream(conn, "block"))) == 2
            assert len(list(rows.stream(conn, "person"))) == 2
    assert any("block of the same name" in line for line in report.conflicts)
    assert any("person of the same name" in line for line in report.conflicts)


def test_full_disk_leaves_the_season_and_a_rerun_completes(
    season: Season, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.fsync
    calls = {"n": 0}

    def full(handle: int) -> None:
        calls["n"] += 1
        if calls["n"] >= 4:
            raise OSError(28, "No space left on device")
        real(handle)

    before = seasons.whole_content(season)
    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        with pytest.raises(StorageError, match="No space left on device"):
            export_archive(season, tmp_path / "bag")
    with pytest.raises(VerificationError, match="not finished"):
        verify_archive(tmp_path / "bag")
    assert seasons.whole_content(season) == before
    export_archive(season, tmp_path / "bag")
    assert verify_archive(tmp_path / "bag")["ok"] is True


_CHILD = """
import sys
from budvision.store.session import Season
from budvision.verdict.registry import find_model, verify_model
from budvision.workflow.archive.export import export_archive
from budvision.workflow.archive.merge import import_archive
season = Season.open(sys.argv[2])
print("ready", flush=True)
if sys.argv[1] == "export":
    export_archive(season, __import__("pathlib").Path(sys.argv[3]))
else:
    import_archive(season, __import__("pathlib").Path(sys.argv[3]))
print("done", flush=True)
"""


def _run(verb: str, season: Path, bag: Path, *, kill_s: float | None = None) -> tuple[bool, float]:
    """Run a verb in a process of its own, killed after a while if asked.

    Returns whether it was cut short, and how long it took from where it was ready.
    """
    child = subprocess.Popen(
        [sys.executable, "-c", _CHILD, verb, str(season), str(bag)], stdout=subprocess.PIPE)
    assert child.stdout is not None
    assert child.stdout.readline() == b"ready\n"
    start = time.perf_counter()
    if kill_s is not None:
        time.sleep(kill_s)
        child.send_signal(signal.SIGKILL)
    done = child.stdout.readline().strip() == b"done"
    took_s = time.perf_counter() - start
    child.wait()
    child.stdout.close()
    return not done, took_s


@pytest.mark.slow
def test_killed_exports_and_imports_complete_on_a_rerun(season: Season, tmp_path: Path) -> None:
    """Killed at random points (BUDVISION_KILLS times, 50 in the long run), then run to the end.

    Points are drawn from the whole length of an export and of an import, as measured here. An
    export killed half-way is taken up by the next, so every third one begins anew.
    """
    times = int(os.environ.get("BUDVISION_KILLS", "3"))
    draw = random.Random(3)
    before = seasons.whole_content(season)
    bag = tmp_path / "bag"
    _, export_s = _run("export", season.folder, tmp_path / "first")
    n_cut = n_begun = 0
    for i in range(times):
        if i % 3 == 0:
            shutil.rmtree(bag, ignore_errors=True)
        cut, _ = _run("export", season.folder, bag, kill_s=draw.uniform(0, export_s))
        n_cut += cut
        n_begun += cut and bag.is_dir()
        if (bag / "bagit.txt").exists():  # an archive with this file is whole
            verify_archive(bag)
    assert n_cut > 0
    export_archive(season, bag)
    assert verify_archive(bag)["ok"] is True
    assert seasons.whole_content(season) == before
    assert not list(bag.rglob("*.part"))
    Season.create(tmp_path / "one").close()
    _, import_s = _run("import", tmp_path / "one", bag)
    Season.create(tmp_path / "other").close()
    n_short = 0
    for _ in range(times):
        n_short += _run("import", tmp_path / "other", bag, kill_s=draw.uniform(0, import_s))[0]
        with Season.open(tmp_path / "other") as other, other.read() as conn:
            n = [len(list(rows.stream(conn, t))) for t in ("photo", "call")]
            assert n in ([0, 0], [6, 12])
    with Season.open(tmp_path / "other") as other:
        import_archive(other, bag)
        with other.read() as conn:
            assert len(list(rows.stream(conn, "call"))) == 12
    print(f"{times} exports killed, {n_cut} before their end, {n_begun} with a folder begun (one "
          f"takes {export_s:.2f} s); {times} imports killed, {n_short} before their end (one takes "
          f"{import_s:.2f} s)")
    assert n_short > 0


def test_regions_come_as_polygons_in_photo_pixels(season: Season, tmp_path: Path) -> None:
    """A rectangle of known place: labels rows 8-20, columns 10-24 of 32 in a box of 48 pixels."""
    export_archive(season, tmp_path / "bag")
    coco = json.loads((tmp_path / "bag" / "data" / "regions.json").read_text())
    assert len(coco["images"]) == len(coco["annotations"]) == 6
    for image in coco["images"]:
        assert (tmp_path / "bag" / "data" / image["file_name"]).is_file()
    first = coco["annotations"][0]
    assert first["category_id"] == 1
    assert first["bbox"] == [8 + 10 * 1.5, 8 * 1.5, 14 * 1.5, 12 * 1.5]
    assert first["area"] == 14 * 12 * 1.5**2


def test_data_card_has_no_empty_section(season: Season, tmp_path: Path) -> None:
    export_archive(season, tmp_path / "bag")
    card = (tmp_path / "bag" / "data" / "README.md").read_text()
    for section in card.split("\n## ")[1:]:
        title, _, body = section.partition("\n")
        assert len(body.strip()) > 40, title
    assert "None" not in card


class _Killed(BaseException):
    """Stands for a kill: nothing catches it as an error."""


@pytest.mark.slow
def test_a_killed_export_never_touches_the_last_good_bag(
    season: Season, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed at each flush, link, rename and removal of a re-export in turn, the bag verifies."""
    bag = tmp_path / "bag"
    export_archive(season, bag)
    real = {name: getattr(os, name) for name in ("fsync", "link", "replace", "unlink")}
    state = {"left": 0}

    def deadly(name: str) -> Callable[..., object]:
        def act(*args: object, **kwargs: object) -> object:
            state["left"] -= 1
            if state["left"] == 0:
                raise _Killed
            return real[name](*args, **kwargs)
        return act

    n_killed = 0
    for at in range(1, 400, 7):
        stored = season.photos.add(seasons.photo_bytes(1000 + at, private=True))
        with season.write() as conn:
            rows.add_row(conn, "photo", {
                "sha256": stored.sha256, "file_name": "new.jpg", "format": "JPEG", "n_bytes": 1,
                "width_px": 64, "height_px": 48, "added_at": seasons.AT})
        state["left"] = at
        with monkeypatch.context() as patch:
            for name in real:
                patch.setattr(os, name, deadly(name))
            try:
                export_archive(season, bag)
                finished = True
            except _Killed:
                finished = False
        n_killed += not finished
        assert verify_archive(bag)["ok"] is True
        if finished:
            break
    assert n_killed > 10
    export_archive(season, bag)
    assert [p.name for p in tmp_path.iterdir() if "bag" in p.name] == ["bag"]


@pytest.mark.slow
def test_a_damaged_file_of_the_last_bag_is_written_anew(season: Season, tmp_path: Path) -> None:
    bag = tmp_path / "bag"
    export_archive(season, bag)
    photo = next((bag / "data" / "photos").rglob("*.jpg"))
    data = photo.read_bytes()
    photo.write_bytes(data[:-5] + b"\0" + data[-4:])
    report = export_archive(season, bag)
    assert (report.n_new, report.n_kept) == (1, 5)
    assert photo.read_bytes() == data
    assert verify_archive(bag)["ok"] is True


@pytest.mark.slow
def test_a_switch_killed_between_its_renames_is_made_good(
    season: Season, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where a system cannot exchange two names, the old folder is away for a moment."""
    from budvision.archive import generations

    monkeypatch.setattr(generations, "_exchanged", lambda one, other: False)
    bag = tmp_path / "bag"
    export_archive(season, bag)
    bag.rename(tmp_path / ".bag.before")
    generations.recover(bag)
    assert verify_archive(bag)["ok"] is True
    export_archive(season, bag)
    assert verify_archive(bag)["ok"] is True
    assert [p.name for p in tmp_path.iterdir() if "bag" in p.name] == ["bag"]
