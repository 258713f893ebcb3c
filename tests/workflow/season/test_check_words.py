"""What `check` says was looked at, removed or sound is what was."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from typer.testing import CliRunner

from budvision.cli.main import app
from budvision.errors import DamagedError, StorageError
from budvision.store import archive_key
from budvision.store.archive_key import ArchiveKey
from budvision.store.photos import PhotoStore
from budvision.store.queries import blocks, rows
from budvision.store.session import Season, now
from budvision.workflow.intake.intake import intake
from budvision.workflow.jobs.deeds import DEEDS
from budvision.workflow.season import check as checking
from budvision.workflow.season.check import CheckReport, check
from budvision.workflow.season.status import status


@pytest.fixture
def taken(season: Season, tmp_path: Path, jpeg: Callable[..., bytes]) -> Season:
    """A season with three photographs."""
    (tmp_path / "card").mkdir()
    for i in (1, 2, 3):
        (tmp_path / "card" / f"Creek_1_n{i}_c1.jpg").write_bytes(jpeg(i))
    intake(season, [tmp_path / "card"], sampling="feb")
    return season


def _codes(report: CheckReport) -> list[tuple[str, bool]]:
    return [(one.code, one.serious) for one in report.findings]


def test_photographs_that_are_gone_or_changed_are_not_called_verified(taken: Season) -> None:
    """It said "3 photographs verified. 2 to be put right."."""
    first, second, _ = sorted(taken.photos.folder.glob("??/*"))
    first.unlink()
    second.chmod(0o644)
    second.write_bytes(b"other")
    report = check(taken)
    assert (report.n_photos, report.n_verified) == (3, 1)
    told = CliRunner().invoke(app, ["check", "--season", str(taken.folder)])
    assert told.exit_code == 5
    assert "1 of 3 photographs verified. 2 to be put right." in told.stdout


def test_a_store_that_is_away_verifies_nothing(
    taken: Season, monkeypatch: pytest.MonkeyPatch
) -> None:
    def away(_: PhotoStore) -> None:
        raise StorageError("the photographs could not be listed")

    monkeypatch.setattr(PhotoStore, "__iter__", away)
    report = check(taken)
    assert (report.n_verified, _codes(report)) == (0, [("unreadable", True)])
    with pytest.raises(Exception, match=r"^0 photographs and every row were verified"):
        DEEDS["check"].do(taken, {}, lambda *_: None)


def test_nothing_is_said_to_be_removed_that_stays(
    taken: Season, monkeypatch: pytest.MonkeyPatch
) -> None:
    part = taken.folder / "policies.toml.0123.part"
    part.write_bytes(b"half")
    taken.read_only = True
    [finding] = check(taken, tidy=True).findings
    assert finding.do.startswith("Run `budvision check --tidy`")
    taken.read_only = False
    with monkeypatch.context() as patch:
        patch.setattr(checking, "remove", lambda _: None)  # a folder without the right to write
        [finding] = check(taken, tidy=True).findings
    assert finding.do.startswith("It could not be removed")
    assert part.exists()
    [finding] = check(taken, tidy=True).findings
    assert finding.do == "It was removed."


def test_what_a_running_program_is_writing_is_not_a_killed_ones(taken: Season) -> None:
    part = taken.folder / "budvision.toml.0123.part"
    part.write_bytes(b"half")
    assert check(taken, progress=lambda *_: part.unlink(missing_ok=True)).findings == ()


def test_a_photograph_taken_in_meanwhile_is_not_a_killed_intakes(
    taken: Season, jpeg: Callable[..., bytes]
) -> None:
    """Its copy was there before its row: "it is in no record: an intake was killed"."""
    stored = taken.photos.add(jpeg(9)).sha256

    def record(*_: object) -> None:
        with taken.write() as conn:
            if rows.find_id(conn, "photo", sha256=stored) is None:
                rows.add_row(conn, "photo", {
                    "sha256": stored, "file_name": "new.jpg", "format": "JPEG", "n_bytes": 1,
                    "width_px": 64, "height_px": 48, "added_at": now()})

    assert _codes(check(taken)) == [("no_record", False)]
    assert check(taken, progress=record).findings == ()


@pytest.mark.parametrize("text", ["[ours\n", "[ours]\ntitle = 1\n"])
def test_policies_that_cannot_be_read_are_found(taken: Season, text: str) -> None:
    """It said that the season is sound, and no block had an answer."""
    (taken.folder / "policies.toml").write_text(text)
    assert _codes(check(taken)) == [("policies", True)]


def test_a_block_whose_policy_is_gone_is_found(taken: Season) -> None:
    with taken.write() as conn:
        [block] = blocks.list_blocks(conn)
        blocks.update_block(conn, block.id, policy="ours")
    [finding] = check(taken).findings
    assert (finding.code, finding.what) == ("policies", "there is no policy 'ours'")


@pytest.mark.parametrize("text", ["", "ab" * 16, "abc", "é" * 64])
def test_a_damaged_key_is_found_and_makes_no_other_names(taken: Season, text: str) -> None:
    """Half a key gave people and laboratory other names, and an archive that came in nowhere."""
    path = taken.folder / archive_key._NAME
    whole = ArchiveKey(taken.folder).text
    path.write_text(text)
    assert _codes(check(taken)) == [("key", True)]
    with pytest.raises(DamagedError, match="it holds no key for pseudonyms"):
        ArchiveKey(taken.folder)
    path.write_text(whole)
    assert check(taken).findings == ()


@pytest.mark.parametrize("table", ["call", "photo", "bud"])
def test_a_seal_that_is_gone_is_a_finding(taken: Season, table: str) -> None:
    """`check` itself ended with an error of ours, and so did status."""
    with closing(sqlite3.connect(taken.folder / "budvision.db")) as plain:
        plain.execute("DELETE FROM seal WHERE table_name = ?", (table,))
        plain.commit()
    assert ("changed_row", True) in _codes(check(taken))
    assert status(taken).counts.n_photos == 3
    with pytest.raises(DamagedError, match=f"the seal of table {table} is gone"), taken.write():
        pass
