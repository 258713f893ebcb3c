"""A file is written whole or not at all, and only one function of the house does it."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

import budvision
from budvision.files import PART, beside, write_whole, writing


def test_the_new_content_replaces_the_old_in_one_step(tmp_path: Path) -> None:
    path = tmp_path / "calls.csv"
    write_whole(path, "old")
    with writing(path) as file:
        file.write(b"new")
        assert path.read_text() == "old"
        assert [one.suffix for one in tmp_path.iterdir() if one != path] == [PART]
    assert path.read_text() == "new"
    assert list(tmp_path.iterdir()) == [path]


def test_what_fails_leaves_the_old_and_no_scraps(tmp_path: Path) -> None:
    path = tmp_path / "calls.csv"
    write_whole(path, "old")
    with pytest.raises(OSError, match="No space left"), writing(path) as file:  # noqa: PT012
        file.write(b"ne")
        raise OSError(28, "No space left on device")
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_it_is_on_the_disk_before_it_has_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    done: list[str] = []
    fsync, replace = os.fsync, Path.replace
    monkeypatch.setattr(os, "fsync", lambda handle: (done.append("fsync"), fsync(handle))[1])
    monkeypatch.setattr(
        Path, "replace", lambda self, to: (done.append("rename"), replace(self, to))[1])
    write_whole(tmp_path / "a", b"x")
    assert done == ["fsync", "rename", "fsync"]
    done.clear()
    write_whole(tmp_path / "a", b"y", lasting=False)
    assert done == ["rename"]


def test_a_folder_appears_filled_or_not_at_all(tmp_path: Path) -> None:
    target = tmp_path / "bench-2"
    with pytest.raises(RuntimeError, match="stopped"), beside(target, hidden=True) as part:  # noqa: PT012
        part.mkdir()
        (part / "verdict.skops").write_bytes(b"half")
        raise RuntimeError("stopped")
    assert list(tmp_path.iterdir()) == []
    with beside(target, hidden=True) as part:
        assert part.name.startswith(".bench-2.")
        part.mkdir()
        (part / "verdict.skops").write_bytes(b"whole")
    assert (target / "verdict.skops").read_bytes() == b"whole"


def test_rights_are_set_before_the_name_is_given(tmp_path: Path) -> None:
    path = tmp_path / "key"
    with writing(path, mode=0o600) as file:
        (part,) = tmp_path.iterdir()
        assert part.stat().st_mode & 0o777 == 0o600
        file.write(b"secret")
    assert path.stat().st_mode & 0o777 == 0o600
    write_whole(tmp_path / "photo", b"x", mode=0o444)
    assert (tmp_path / "photo").stat().st_mode & 0o777 == 0o444


@pytest.mark.parametrize("name", ["a" * 240 + ".csv", "ブドウ" * 25 + ".csv"])
def test_long_names_can_be_written(tmp_path: Path, name: str) -> None:
    write_whole(tmp_path / name, b"x")
    assert (tmp_path / name).read_bytes() == b"x"


def test_nobody_else_renames_a_file_into_place() -> None:
    package = Path(budvision.__file__).parent
    others = {
        str(path.relative_to(package))
        for path in package.rglob("*.py")
        if path.name != "files.py"
        and re.search(r"fsync|os\.replace|\b(part|scratch|temporary)\.replace\((?!\")",
                      path.read_text(encoding="utf-8"))
    }
    assert not others, "write through budvision.files"
