"""What differs on Windows and macOS, played here by making the system behave as it does there."""

from __future__ import annotations

import io
import os
import shutil
import stat
import subprocess
import sys
from dataclasses import replace
from pathlib import Path, PureWindowsPath
from typing import Any

import pytest
import seasons

from budvision.archive.generations import switch
from budvision.errors import StorageError
from budvision.files import PART, remove, write_whole
from budvision.store.photos import PhotoStore
from budvision.store.session import Season
from budvision.verdict import registry
from budvision.verdict.registry import find_model
from budvision.workflow.answers.report import safe_name
from budvision.workflow.archive.backup import backup
from budvision.workflow.archive.restore import restore
from budvision.workflow.intake.intake import intake
from budvision.workflow.intake.propose import model_in_use
from budvision.workflow.season.check import check


@pytest.fixture
def windows(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let files that may not be written be neither replaced, removed nor flushed; nor folders."""
    import fcntl

    replace, unlink, fsync, rename = Path.replace, os.unlink, os.fsync, os.open

    def may(path: Any, folder: int | None = None) -> None:
        try:
            mode = os.stat(path, dir_fd=folder, follow_symlinks=False).st_mode
        except OSError:
            return
        if not mode & stat.S_IWRITE:
            raise PermissionError(13, "Access is denied", os.fsdecode(path))

    def replaced(self: Path, target: Path) -> Path:
        may(target)
        return replace(self, target)

    def unlinked(path: Any, *, dir_fd: int | None = None) -> None:
        may(path, dir_fd)
        unlink(path, dir_fd=dir_fd)

    def flushed(handle: int) -> None:
        if fcntl.fcntl(handle, fcntl.F_GETFL) & os.O_ACCMODE == os.O_RDONLY:
            raise OSError(9, "Bad file descriptor")
        fsync(handle)

    def opened(path: Any, flags: int, *args: Any, **facts: Any) -> int:
        if facts.get("dir_fd") is None and not flags & os.O_NOFOLLOW and Path(path).is_dir():
            raise PermissionError(13, "Permission denied", os.fsdecode(path))
        return rename(path, flags, *args, **facts)

    monkeypatch.setattr(shutil, "_use_fd_functions", False)
    monkeypatch.setattr(Path, "replace", replaced)
    monkeypatch.setattr(os, "unlink", unlinked)
    monkeypatch.setattr(os, "fsync", flushed)
    monkeypatch.setattr(os, "open", opened)


@pytest.mark.usefixtures("windows")
def test_files_are_written_whole_and_replaced(tmp_path: Path) -> None:
    path = tmp_path / "calls.csv"
    write_whole(path, "old", mode=0o444)
    write_whole(path, "new", mode=0o444)
    assert path.read_text("utf-8") == "new"
    assert not stat.S_IMODE(path.stat().st_mode) & stat.S_IWRITE
    assert [one.name for one in tmp_path.iterdir()] == ["calls.csv"]


@pytest.mark.usefixtures("windows")
def test_a_damaged_photograph_is_put_right(tmp_path: Path, jpeg: Any) -> None:
    store = PhotoStore(tmp_path / "photos")
    data = jpeg(3)
    first = store.add(data)
    first.path.chmod(0o644)
    first.path.write_bytes(b"damaged")
    first.path.chmod(0o444)
    assert store.add(data).repaired
    assert first.path.read_bytes() == data
    assert not list((tmp_path / "photos").rglob(f"*{PART}"))


@pytest.mark.usefixtures("windows")
def test_folders_with_files_that_may_not_be_written_are_removed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "platform", "win32")
    for name in ("old", "new"):
        (tmp_path / name / "photos").mkdir(parents=True)
        write_whole(tmp_path / name / "photos" / "a.jpg", name, mode=0o444)
    switch(tmp_path / "new", tmp_path / "old")
    assert (tmp_path / "old" / "photos" / "a.jpg").read_text("utf-8") == "new"
    assert [one.name for one in tmp_path.iterdir()] == ["old"]
    remove(tmp_path / "old")
    remove(tmp_path / "old")
    assert list(tmp_path.iterdir()) == []


def _deep(tmp_path: Path, n: int) -> Path:
    """Return a path of n characters that is not there yet."""
    folder = tmp_path
    while len(str(folder)) < n - 60:
        folder = folder / ("deep" * 10)
    return folder / ("w" * (n - len(str(folder)) - 1))


@pytest.mark.slow
def test_a_season_under_a_long_path_works(tmp_path: Path, jpeg: Any) -> None:
    deep = _deep(tmp_path, 300)
    assert len(str(deep)) == 300
    (tmp_path / "Larch_1_n1_c1.jpg").write_bytes(jpeg(1))
    with Season.create(deep) as season:
        report = intake(season, [tmp_path / "Larch_1_n1_c1.jpg"], sampling="jan")
        assert len(report.taken) == 1
        backup(season, _deep(tmp_path / "disk", 280))
    restored = _deep(tmp_path / "again", 320)
    restore(_deep(tmp_path / "disk", 280), restored)
    with Season.open(restored) as season:
        assert check(season).ok
        longest = max(len(str(path)) for path in restored.rglob("*"))
    assert longest == 320 + len("/photos/ff/") + 64 + len(".jpg")


@pytest.fixture
def short_paths(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Refuse paths as Windows does where long ones are not switched on; return the refused."""
    refused = []

    def short(path: Any, most: int) -> None:
        if not isinstance(path, int) and len(str(Path.cwd() / os.fsdecode(path))) > most:
            refused.append(os.fsdecode(path))
            raise FileNotFoundError(2, "The system cannot find the path specified", path)

    def guarded(name: str, most: int) -> None:
        plain = getattr(os, name)

        def played(path: Any, *args: Any, **facts: Any) -> Any:
            short(path, most)
            return plain(path, *args, **facts)

        monkeypatch.setattr(os, name, played)

    for name, most in (("open", 259), ("stat", 259), ("mkdir", 247), ("unlink", 259)):
        guarded(name, most)
    plain_open = io.open

    def opened(path: Any, *args: Any, **facts: Any) -> Any:
        short(path, 259)
        return plain_open(path, *args, **facts)

    monkeypatch.setattr(io, "open", opened)
    return refused


def test_a_path_too_long_for_windows_is_told_before_anything_is_lost(
    tmp_path: Path, jpeg: Any, short_paths: list[str]
) -> None:
    fits, deep = _deep(tmp_path, 170), _deep(tmp_path, 171)
    with Season.create(fits) as season:
        season.photos.add(jpeg(1))
    assert short_paths == []
    with pytest.raises(StorageError, match=r"has 178 characters.*expected at most 177.*nearer"):
        Season.create(deep)
    assert not deep.exists()
    fits.rename(deep)                                # moved where it no longer fits
    with pytest.raises(StorageError, match=r"has 178 characters.*LongPathsEnabled"):
        Season.open(deep)
    deep.rename(fits)
    with Season.open(fits) as season:
        assert len(list(season.photos)) == 1


def test_a_block_named_as_a_device_gets_a_file(tmp_path: Path) -> None:
    assert [safe_name(one) for one in ("Con", "LPT1", "Console", "a" * 79 + " b", "?")] == [
        "Con block", "LPT1 block", "Console", "a" * 79, "-"]


@pytest.mark.slow
def test_a_code_page_without_the_signs_of_the_answer(tmp_path: Path) -> None:
    """Written to a file, the answer is UTF-8; the sign for a confirmed band is in no old page."""
    (tmp_path / "tally.csv").write_text(
        "block,cane,node,primary,secondary,tertiary\nÉlan,1,1,live,dead,live\n", "utf-8")
    plain = {key: value for key, value in os.environ.items()
             if not key.startswith(("LC_", "LANG", "PYTHONIOENCODING"))}
    done = subprocess.run(
        [sys.executable, "-m", "budvision.cli.main", "tally", str(tmp_path / "tally.csv")],
        env={**plain, "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"},
        capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode()
    assert "Élan" in done.stdout.decode("utf-8")


def test_a_seasons_own_model_has_the_same_path_on_every_system(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With Windows' strokes in its row it was no model of the season, and archives were refused."""
    with seasons.make_season(tmp_path / "season") as season:
        made = find_model("tuned-1", folders=[season.models_folder])

        class Folder(type(made.folder)):  # type: ignore[misc]
            def resolve(self, strict: bool = False) -> Path:
                return self

            def relative_to(self, *_: object, **__: object) -> PureWindowsPath:
                return PureWindowsPath("models") / "tuned-1"

        there = replace(made, folder=Folder(made.folder))
        monkeypatch.setattr(registry, "find_model", lambda *_, **__: there)
        assert model_in_use(season, "tuned-1").path == "models/tuned-1"
