"""What a backup, a restore and an export say they hold is what they hold."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
import seasons
from typer.testing import CliRunner

from budvision.cli.main import app
from budvision.errors import (
    ConflictError,
    InputError,
    NotFoundError,
    StorageError,
    VerificationError,
)
from budvision.language import speaking
from budvision.store.backups import last_backup
from budvision.store.photos import PhotoStore
from budvision.store.queries import blocks, people
from budvision.store.queries.trust import Subject, add_trust
from budvision.store.session import Season
from budvision.workflow.answers.results import results
from budvision.workflow.archive.backup import backup, generations_of
from budvision.workflow.archive.export import export_archive
from budvision.workflow.archive.merge import import_archive, verify_archive
from budvision.workflow.archive.proof import answers_of, differences
from budvision.workflow.archive.restore import restore
from budvision.workflow.jobs.deeds import DEEDS
from budvision.workflow.season.check import check
from budvision.workflow.season.remind import known_backups


@pytest.fixture
def made(tmp_path: Path) -> Season:
    return seasons.make_season(tmp_path / "season")


def _photos(season: Season) -> list[Path]:
    return sorted(season.photos.folder.glob("??/*"))


def _spoil(path: Path) -> None:
    path.chmod(0o644)
    path.write_bytes(b"other")


def _run(*words: object) -> tuple[int, str]:
    told = CliRunner().invoke(app, [str(word) for word in words])
    return told.exit_code, " ".join(told.output.split())


def test_a_backup_counts_what_it_holds(made: Season, tmp_path: Path) -> None:
    """It said "6 photographs", and "missing" of one that was there and damaged."""
    first, second, *_ = _photos(made)
    first.unlink()
    _spoil(second)
    code, said = _run("backup", tmp_path / "b", "--season", made.folder)
    assert code == 3
    assert "is verified; 4 photographs, 4 of them new." in said
    for path in (first, second):
        assert f"photograph {path.stem[:12]} is missing or damaged in the season" in said


def _break_off(made: Season, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Back up while the place of the photographs does not answer."""
    def away(*_: object, **__: object) -> bytes:
        raise StorageError("the photograph could not be fetched (no network)")

    with monkeypatch.context() as patch:
        patch.setattr(PhotoStore, "read", away)
        with pytest.raises(StorageError, match="no network"):
            backup(made, folder)


def test_a_store_that_does_not_answer_leaves_no_backup_without_photographs(
    made: Season, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All were called missing, the backup verified, and its reminder was silent for a week."""
    _break_off(made, tmp_path / "b", monkeypatch)
    assert generations_of(tmp_path / "b") == []
    assert last_backup(made.folder) is None
    assert backup(made, tmp_path / "b").n_photos == 6


def test_one_photograph_that_the_disk_does_not_give_keeps_no_backup_away(
    made: Season, tmp_path: Path
) -> None:
    """It said that the backup's disk could not be read, and there was no backup or archive at all.
    """
    path = _photos(made)[0]
    path.unlink()
    path.mkdir()  # as good as a sector that cannot be read
    assert backup(made, tmp_path / "b").missing == (path.stem,)
    assert export_archive(made, tmp_path / "bag").missing == (path.stem,)


def test_a_damaged_copy_in_the_cache_is_not_a_damaged_photograph(tmp_path: Path) -> None:
    """The far store held it well, and the backup left it out as missing."""
    pytest.importorskip("fsspec")
    with Season.create(tmp_path / "far", photos=f"file://{tmp_path / 'store'}") as season:
        added = season.photos.add(seasons.photo_bytes(1, private=False))
        _spoil(added.path)
        assert season.photos.read(added.sha256, verify=True) == added.path.read_bytes()
        assert PhotoStore(season.folder / "photos").sound(added.sha256)


@pytest.mark.parametrize("damage", ["file", "list", "folder"])
def test_a_damaged_model_is_named(made: Season, tmp_path: Path, damage: str) -> None:
    """Backup and archive held it as it was, and said that all is verified."""
    model = made.models_folder / "tuned-1"
    if damage == "file":
        (model / "verdict.skops").write_bytes(b"half")
    elif damage == "list":
        (made.models_folder / "registry.toml").write_text("[[model")
    else:
        shutil.rmtree(made.models_folder)
    where = "models/registry.toml" if damage == "list" else "models/tuned-1"
    told = f"{where} is missing or damaged in the season; run `budvision check`."
    for words in (("backup", tmp_path / "b"), ("archive", "export", tmp_path / "bag")):
        code, said = _run(*words, "--season", made.folder)
        assert (code, told in said) == (3, True), said
    code, said = _run("archive", "verify", tmp_path / "bag")
    assert (code, "model tuned-1 was missing or damaged when it was exported." in said) == (0, True)
    with Season.create(tmp_path / "again") as again:
        conflicts = import_archive(again, tmp_path / "bag").conflicts
        assert any("is in no list of models" in one for one in conflicts) is (damage == "list")
        assert [one.code for one in check(again).findings if one.serious] == ["model"]
    asked = {"folder": str(tmp_path / "b")}
    assert f"{where}. Check it." in DEEDS["backup"].do(made, asked, lambda *_: None).text
    code, said = _run("move", tmp_path / "new", "--season", made.folder)
    assert f"{where} is missing or damaged in both" in said


def test_a_restore_brings_what_came_after_the_backup(made: Season, tmp_path: Path) -> None:
    lost, *_ = _photos(made)
    data = lost.read_bytes()
    lost.unlink()
    older = backup(made, tmp_path / "b")
    code, said = _run("restore", tmp_path / "b", tmp_path / "one")
    assert code == 3, "a season without all of its photographs is not a whole one"
    assert f"photograph {lost.stem[:12]} is not in this backup; take its original in" in said
    made.photos.add(data)  # its original was found
    backup(made, tmp_path / "b")
    report = restore(tmp_path / "b", tmp_path / "two", generation=older.generation)
    assert (report.missing, report.n_photos) == ((), 6)


def test_one_damaged_photograph_of_a_backup_keeps_not_all_others_away(
    made: Season, tmp_path: Path
) -> None:
    """Refused with advice for a season that is gone, and there was no way to the others."""
    backup(made, tmp_path / "b")
    damaged, *others = sorted((tmp_path / "b" / "photos").glob("??/*"))
    _spoil(damaged)
    with pytest.raises(VerificationError, match="remove that file to restore the season"):
        restore(tmp_path / "b", tmp_path / "new")
    damaged.unlink()
    report = restore(tmp_path / "b", tmp_path / "new")
    assert (report.n_photos, report.missing) == (5, (damaged.stem,))
    with Season.open(tmp_path / "new") as season:
        assert [one.code for one in check(season).findings if one.serious] == ["missing"]
    for path in others:
        path.unlink()
    with pytest.raises(NotFoundError, match="it holds none of the season's photographs"):
        restore(tmp_path / "b", tmp_path / "more")
    assert not (tmp_path / "more").exists()


def test_a_season_whose_photographs_were_all_gone_is_restored(
    made: Season, tmp_path: Path
) -> None:
    for path in _photos(made):
        path.unlink()
    backup(made, tmp_path / "b")
    assert restore(tmp_path / "b", tmp_path / "new").n_photos == 0


def _decide(season: Season) -> None:
    """Have the lead decide that readers see proposals, as a trial ends."""
    with season.write() as conn:
        who = people.find_person(conn, "Petra Quill")
        assert who is not None
        add_trust(conn, Subject("season"), "shown", person_id=who.id)


def test_a_shared_archive_neither_names_who_decided_nor_calls_it_a_change(
    made: Season, tmp_path: Path
) -> None:
    """The kept answers held the lead's name, and with a pseudonym they came out otherwise."""
    _decide(made)
    assert "as Petra Quill decided" in json.dumps(results(made))
    export_archive(made, tmp_path / "bag")
    for path in (tmp_path / "bag").rglob("*"):
        assert not path.is_file() or b"Petra" not in path.read_bytes(), path
    assert verify_archive(tmp_path / "bag")["answers_equal"] is True


def test_a_copy_made_from_a_page_in_another_language_is_equal_everywhere(
    made: Season, tmp_path: Path
) -> None:
    """A backup asked for in French was verified, and could not be restored from a terminal."""
    _decide(made)
    with speaking("fr"):
        backup(made, tmp_path / "b")
        export_archive(made, tmp_path / "bag", whole=True)
    assert restore(tmp_path / "b", tmp_path / "new").answers_compared == "all"
    assert verify_archive(tmp_path / "bag")["answers_equal"] is True


def test_copies_that_kept_who_decided_are_compared_without(made: Season) -> None:
    now = answers_of(made)
    kept = json.loads(json.dumps(now))
    kept["answers"]["(newest)"]["Larch bench"]["trust"] = "as Petra Quill decided"
    assert differences(kept, now) == []
    kept["answers"]["(newest)"]["Larch bench"]["sampling"] = "feb"
    assert len(differences(kept, now)) == 1


def test_an_archive_that_could_not_be_verified_is_not_written(
    made: Season, tmp_path: Path
) -> None:
    """Exit code 0, and `archive verify` called it a changed archive."""
    (made.folder / "policies.toml").write_text("[ours\n")
    with pytest.raises(InputError, match="it is not TOML"):
        export_archive(made, tmp_path / "bag")
    assert not (tmp_path / "bag").exists()


@pytest.mark.parametrize("name", ["archive-key", "signing-key", "policies.toml"])
def test_a_damaged_key_or_policy_is_named(made: Season, tmp_path: Path, name: str) -> None:
    """The backup was verified and whole; after fourteen of them no good key was left."""
    (made.folder / name).write_text("[[half")
    code, said = _run("backup", tmp_path / "b", "--season", made.folder)
    assert (code, f"{name} is missing or damaged in the season" in said) == (3, True)
    assert known_backups(made).whole is None
    assert name in [one.where for one in check(made).findings]
    code, said = _run("move", tmp_path / "new", "--season", made.folder)
    assert f"{name} is missing or damaged in both" in said
    restore(tmp_path / "b", tmp_path / "again")
    with Season.open(tmp_path / "again") as again:
        assert known_backups(again).whole is None


def test_the_last_backup_that_lacks_nothing_is_never_pushed_out(
    made: Season, tmp_path: Path
) -> None:
    """The last good key, and the last good model, went with it."""
    backup(made, tmp_path / "b")
    good = backup(made, tmp_path / "b").generation
    (made.models_folder / "tuned-1" / "verdict.skops").write_bytes(b"half")
    for _ in range(3):
        newest = backup(made, tmp_path / "b", keep=1).generation
    assert generations_of(tmp_path / "b") == [good, newest]
    restore(tmp_path / "b", tmp_path / "again", generation=good)
    (made.models_folder / "tuned-1" / "verdict.skops").write_bytes(b"model bytes")
    newest = backup(made, tmp_path / "b", keep=1).generation
    assert generations_of(tmp_path / "b") == [newest]


def test_a_season_that_is_only_planned_keeps_its_backups(made: Season, tmp_path: Path) -> None:
    """With no photograph yet, another season's backups went beside them and pushed them out."""
    with Season.create(tmp_path / "planned") as planned:
        with planned.write() as conn:
            blocks.ensure_block(conn, "Rowan")
        backup(planned, tmp_path / "b")
        with pytest.raises(ConflictError, match="holds rows that this season does not have"):
            backup(made, tmp_path / "b", keep=1)
        backup(planned, tmp_path / "b")


def test_a_backup_does_not_lie_in_another_season(made: Season, tmp_path: Path) -> None:
    with Season.create(tmp_path / "other") as other, pytest.raises(
            InputError, match="would lie in another season"):
        backup(made, other.folder / "photos" / "b")


def test_a_backup_that_was_never_finished_is_called_so(
    made: Season, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was said to be no backup."""
    _break_off(made, tmp_path / "b", monkeypatch)
    with pytest.raises(NotFoundError, match="no backup that was begun there was finished"):
        restore(tmp_path / "b", tmp_path / "again")
