"""The photo store: content addressed, written once, whole or not at all."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from collections.abc import Callable
from pathlib import Path

import pytest

from budvision.errors import InputError, NotFoundError, StorageError, VerificationError
from budvision.store.photos import PhotoStore

# FIPS 180-4 (NIST), example of SHA-256 over the three bytes "abc"
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


@pytest.fixture
def store(tmp_path: Path) -> PhotoStore:
    return PhotoStore(tmp_path / "photos")


def test_a_photograph_is_named_by_the_hash_of_its_bytes(store: PhotoStore) -> None:
    added = store.add(b"abc")
    assert added.sha256 == ABC
    assert added.new
    assert added.path == store.folder / "ba" / f"{ABC}.bin"
    assert store.read(ABC) == b"abc"
    assert list(store) == [ABC]


@pytest.mark.parametrize(
    ("head", "suffix"),
    [(b"\xff\xd8\xff\xe0", ".jpg"), (b"\x89PNG\r\n\x1a\n", ".png"), (b"II*\x00", ".tif"),
     (b"MM\x00*", ".tif"), (b"RIFF\x10\0\0\0WEBPVP8 ", ".webp"),
     (b"\0\0\0\x18ftypheic", ".heic"), (b"RIFF\x10\0\0\0WAVE", ".bin"), (b"", ".bin")],
)
def test_the_ending_follows_the_content(store: PhotoStore, head: bytes, suffix: str) -> None:
    assert store.add(head).path.suffix == suffix


def test_the_same_bytes_are_kept_once(store: PhotoStore, tmp_path: Path) -> None:
    first = store.add(b"abc")
    before = first.path.stat()
    (tmp_path / "copy.jpg").write_bytes(b"abc")
    again = store.add(tmp_path / "copy.jpg")
    assert not again.new
    assert again.path.stat().st_mtime_ns == before.st_mtime_ns
    assert again.path.stat().st_ino == before.st_ino


def test_a_stored_photograph_is_read_only(store: PhotoStore) -> None:
    mode = stat.S_IMODE(store.add(b"abc").path.stat().st_mode)
    assert mode == 0o444


def test_a_changed_byte_is_found_and_put_right_by_the_original(store: PhotoStore) -> None:
    path = store.add(b"abc").path
    path.chmod(0o644)
    path.write_bytes(b"abd")
    assert not store.sound(ABC)
    with pytest.raises(VerificationError, match="has changed since it was taken in"):
        store.read(ABC, verify=True)
    added = store.add(b"abc")
    assert added.repaired
    assert not added.new
    assert store.sound(ABC)


def test_a_full_disk_leaves_nothing_behind(
    store: PhotoStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StorageError, match=r"No space left on device.*Make room"):
        store.add(b"abc")
    monkeypatch.undo()
    assert list(store) == []
    assert store.half_written() == []
    assert store.add(b"abc").new


def test_a_killed_write_leaves_a_part_that_is_no_photograph(
    store: PhotoStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Killed(BaseException):
        pass

    def kill(*_args: object) -> None:
        raise Killed

    monkeypatch.setattr(Path, "replace", kill)
    monkeypatch.setattr(Path, "unlink", lambda *_a, **_k: None)  # the killed have no time to tidy
    with pytest.raises(Killed):
        store.add(b"abc")
    monkeypatch.undo()
    assert list(store) == []
    assert [p.suffix for p in store.half_written()] == [".part"]
    assert store.strangers() == []
    assert store.add(b"abc").new


def test_names_are_never_paths(store: PhotoStore) -> None:
    for name in ("../../etc/passwd", "AB" * 32, "a" * 63, ""):
        with pytest.raises(InputError, match="64 hexadecimal digits"):
            store.path(name)
    with pytest.raises(NotFoundError, match="is not in the photo store"):
        store.path("0" * 64)
    assert ABC not in store
    assert "../x" not in store


def test_strangers_are_listed(store: PhotoStore) -> None:
    store.add(b"abc")
    (store.folder / "holiday.jpg").write_bytes(b"x")
    wrong = store.folder / "cc" / f"{ABC}.jpg"
    wrong.parent.mkdir()
    wrong.write_bytes(b"abc")
    assert store.strangers() == sorted([wrong, store.folder / "holiday.jpg"])


def test_original_bytes_are_kept(store: PhotoStore, jpeg: Callable[..., bytes]) -> None:
    data = jpeg(3)
    added = store.add(data)
    assert added.path.read_bytes() == data
    assert hashlib.sha256(data).hexdigest() == added.path.stem


def test_a_missing_file_is_named(store: PhotoStore, tmp_path: Path) -> None:
    with pytest.raises(StorageError, match=r"gone\.jpg: it cannot be read"):
        store.add(tmp_path / "gone.jpg")
