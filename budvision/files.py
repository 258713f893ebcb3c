"""Write a file, or a folder, whole or not at all.

What is written goes to a temporary name in the same folder, is flushed to the disk and then
renamed, so that neither a killed program nor a power cut leaves half a file under its final name.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import secrets
import shutil
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

__all__ = ["PART", "beside", "put", "remove", "sha256_of", "sync_folder", "write_whole", "writing"]

PART = ".part"
"""Ending of the temporary names; what a killed program left behind is known by it."""


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file, read piece by piece: 64 hexadecimal digits."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@contextmanager
def beside(
    path: Path, *, mode: int | None = None, hidden: bool = False, lasting: bool = True
) -> Iterator[Path]:
    """Give a temporary path beside `path`, and rename it to `path` when the block ends well.

    Parameters
    ----------
    path : Path
        The final name; a file there is replaced. Its folder must be there.
    mode : int, optional
        Rights of the file, set before it gets its name; what the system gives when left out.
    hidden : bool
        Begin the temporary name with a dot, where whoever lists the folder must not see it.
    lasting : bool
        Wait for the disk; False for what can be made again, such as a small picture.

    Yields
    ------
    Path
        Where the block writes a file, or makes a folder and fills it. Removed where the block
        raises, and where the file cannot get its name.

    Raises
    ------
    OSError
        When the disk is full or the folder may not be written; `path` is as it was.
    """
    part = path.with_name(
        f"{'.' if hidden else ''}{path.name[:60]}.{secrets.token_hex(6)}{PART}")
    try:
        yield part
        if lasting:
            _flush(part)
        if mode is not None:
            part.chmod(mode)
        _rename(part, path)
    except BaseException:
        remove(part)
        raise
    if lasting:
        sync_folder(path.parent)


@contextmanager
def writing(path: Path, *, mode: int | None = None, lasting: bool = True) -> Iterator[BinaryIO]:
    """Open `path` for writing bytes; it appears, or changes, when the block ends well.

    Parameters and errors are those of `beside`.
    """
    def opener(name: str, flags: int) -> int:  # nobody reads a secret while it is being written
        return os.open(name, flags, 0o666 if mode is None else mode | 0o200)

    with (
        beside(path, mode=mode, lasting=lasting) as part,
        open(part, "xb", opener=opener) as file,
    ):
        yield file


def write_whole(
    path: Path, data: bytes | str, *, mode: int | None = None, lasting: bool = True
) -> None:
    """Write bytes, or text as UTF-8, under a name, whole or not at all.

    Parameters and errors are those of `beside`.
    """
    with writing(path, mode=mode, lasting=lasting) as file:
        file.write(data.encode("utf-8") if isinstance(data, str) else data)


def put(part: Path, path: Path) -> None:
    """Bring a finished file or folder to the disk, then give it its final name."""
    _flush(part)
    _rename(part, path)
    sync_folder(path.parent)


def _rename(part: Path, path: Path) -> None:
    """Rename, on Windows too where a file that may not be written stands under the name."""
    try:
        part.replace(path)
    except PermissionError:
        if not path.is_file() or path.stat().st_mode & stat.S_IWRITE:
            raise
        path.chmod(stat.S_IREAD | stat.S_IWRITE)
        part.replace(path)


def _flush(part: Path) -> None:
    """Bring a file, or every file of a folder, to the disk."""
    for path in (part, *part.rglob("*")) if part.is_dir() else (part,):
        if path.is_file():
            # Windows brings to the disk only what is open for writing
            with path.open("r+b" if path.stat().st_mode & stat.S_IWRITE else "rb") as file:
                try:
                    os.fsync(file.fileno())
                except OSError as error:
                    if error.errno != errno.EBADF or file.writable():
                        raise


def sync_folder(folder: Path) -> None:
    """Make the new name last through a power cut, where the system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def remove(path: Path) -> None:
    """Remove a file or folder that is not needed, as far as it goes; no error is raised.

    On Windows what may not be written cannot be removed either: it is made writable first.
    """
    with contextlib.suppress(OSError):
        if not path.is_dir():
            path.unlink(missing_ok=True)
    shutil.rmtree(path, ignore_errors=True)
    if not path.exists():
        return
    for inner in (path, *path.rglob("*")):
        with contextlib.suppress(OSError):
            inner.chmod(inner.stat().st_mode | stat.S_IWRITE)
    with contextlib.suppress(OSError):
        if not path.is_dir():
            path.unlink(missing_ok=True)
    shutil.rmtree(path, ignore_errors=True)
