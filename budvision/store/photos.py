"""Photographs by content: each file is named by its SHA-256 and never changed."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from budvision.errors import InputError, NotFoundError, StorageError, VerificationError
from budvision.files import PART, sha256_of, write_whole

__all__ = ["SUFFIXES", "Added", "PhotoStore", "photo_suffix"]

_SHA256 = re.compile(r"[0-9a-f]{64}")
_SHORT_PATH = 259  # characters of a path on Windows where long ones are not switched on
SUFFIXES = (".jpg", ".png", ".tif", ".webp", ".heic", ".bin")
_HEIC_BRANDS = (b"heic", b"heix", b"hevc", b"heim", b"heis", b"mif1", b"msf1")


@dataclass(frozen=True, slots=True)
class Added:
    """What became of a photograph handed to the store.

    Attributes
    ----------
    sha256 : str
        Hash of the bytes, 64 hexadecimal digits; the photograph's name.
    new : bool
        False where the store held these bytes already.
    path : Path
        Where the bytes lie.
    repaired : bool
        True where the file held for this hash had been damaged and was put right.
    """

    sha256: str
    new: bool
    path: Path
    repaired: bool = False


class PhotoStore:
    """Keep photographs as ``photos/ab/abcdef....jpg``, written once and read-only.

    Parameters
    ----------
    folder : Path
        The season's ``photos`` folder.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def add(self, data: bytes | Path) -> Added:
        """Copy a photograph in, under the name of its content.

        The bytes go to a temporary file in the target folder, are flushed to the disk and then
        renamed, so that a killed program leaves no half-written photograph under its final name.

        Parameters
        ----------
        data : bytes or Path
            The original bytes, or the file that holds them.

        Raises
        ------
        StorageError
            When the file cannot be read or the store cannot be written (full disk, no rights).
        """
        if isinstance(data, Path):
            source = data
            try:
                data = source.read_bytes()
            except OSError as error:
                raise StorageError(
                    f"it cannot be read ({error.strerror})", where=source.name,
                    do="Check that the file exists and may be read.",
                ) from error
        sha256 = hashlib.sha256(data).hexdigest()
        target = self.folder / sha256[:2] / (sha256 + photo_suffix(data))
        damaged = False
        try:
            if target.exists():
                if target.read_bytes() == data:
                    return Added(sha256, new=False, path=target)
                damaged = True
            self._write(target, data)
        except OSError as error:
            raise StorageError(
                f"the photograph {sha256[:12]} could not be written ({error.strerror})",
                where=str(self.folder), do="Make room or mend the rights of the folder, then try "
                "again; what was stored before is kept.",
            ) from error
        return Added(sha256, new=not damaged, path=target, repaired=damaged)

    def check_length(self) -> None:
        """Refuse a folder so deep that this system takes no photograph's path in it.

        Windows takes 259 characters and no more unless long paths are switched on there; below
        that nothing is tried. Beyond, the longest name is written and removed.

        Raises
        ------
        StorageError
            When it cannot be written for its length.
        """
        longest = self.folder / "ff" / ("f" * 60 + "." + "f" * 12 + PART)
        most = _SHORT_PATH - len(str(longest)) + len(str(self.folder))
        if len(str(self.folder)) <= most:
            return
        made = [folder for folder in longest.parents if not folder.exists()]
        try:
            longest.parent.mkdir(parents=True, exist_ok=True)
            longest.write_bytes(b"")
            longest.unlink(missing_ok=True)
        except OSError as error:
            if error.errno not in (errno.ENOENT, errno.ENAMETOOLONG, errno.EINVAL):
                return  # a full disk, missing rights: whoever writes says it better
            raise StorageError(
                f"the path has {len(str(self.folder))} characters, too many for photographs in it",
                where=str(self.folder), code="path_too_long", expected=f"at most {most}",
                do="Choose a folder nearer to the top of the disk, or switch on long paths in "
                "Windows (LongPathsEnabled).",
            ) from error
        finally:
            for folder in made:
                with contextlib.suppress(OSError):  # somebody else's photographs came meanwhile
                    folder.rmdir()

    def _write(self, target: Path, data: bytes) -> None:
        target.parent.mkdir(parents=True, exist_ok=True)
        write_whole(target, data, mode=0o444)

    def path(self, sha256: str) -> Path:
        """Return the file of a photograph.

        Raises
        ------
        InputError
            When `sha256` is not 64 lower-case hexadecimal digits.
        NotFoundError
            When the store holds no such photograph.
        """
        if not _SHA256.fullmatch(sha256):
            raise InputError(
                f"the photograph's name is {sha256[:80]!r}", expected="64 hexadecimal digits",
                do="Use the SHA-256 of the photograph's bytes.",
            )
        stem = self.folder / sha256[:2] / sha256
        for suffix in SUFFIXES:
            path = stem.with_suffix(suffix)
            if path.exists():
                return path
        raise NotFoundError(
            f"the photograph {sha256[:12]} is not in the photo store", where=str(self.folder),
            do="Run `budvision check` to see what is missing, and take the original in again.",
        )

    def __contains__(self, sha256: object) -> bool:
        try:
            return isinstance(sha256, str) and self.path(sha256).exists()
        except (InputError, NotFoundError):
            return False

    def whole(self, sha256: str) -> bytes | None:
        """Return a photograph's bytes, None where it is not there, has changed or cannot be read.

        Raises
        ------
        StorageError
            When the place of the photographs does not answer: nothing of it is known then.
        """
        try:
            return self.read(sha256, verify=True)
        except (NotFoundError, VerificationError):
            return None
        except StorageError as error:
            if error.code != "unreadable":
                raise
            return None

    def read(self, sha256: str, *, verify: bool = False) -> bytes:
        """Return the original bytes of a photograph.

        Parameters
        ----------
        sha256 : str
            Name of the photograph.
        verify : bool
            Hash the bytes again and refuse them where they have changed.

        Raises
        ------
        NotFoundError
            When the store holds no such photograph.
        VerificationError
            With `verify`, when the bytes do not have the hash that names them.
        StorageError
            When the disk does not give them (code ``unreadable``).
        """
        path = self.path(sha256)
        try:
            data = path.read_bytes()
        except OSError as error:
            raise StorageError(
                f"the photograph {sha256[:12]} cannot be read ({error.strerror})", where=str(path),
                code="unreadable", do="Check the disk and the folder's rights.") from error
        if verify and hashlib.sha256(data).hexdigest() != sha256:
            raise VerificationError(
                f"the photograph {sha256[:12]} has changed since it was taken in",
                where=str(path), expected="the bytes that were copied in",
                do="Take the original in again with `budvision intake`; it replaces the "
                "damaged copy.",
            )
        return data

    def reach(self) -> None:
        """Raise StorageError where photographs can be neither read nor added just now."""
        if not os.access(self.folder, os.R_OK | os.W_OK | os.X_OK):
            raise StorageError(
                "the folder of the photographs cannot be reached", where=str(self.folder),
                expected="a folder with the right to read and write",
                do="Connect the disk, or mend the rights.")

    def sound(self, sha256: str) -> bool:
        """Return whether the stored bytes still have the hash that names them."""
        return sha256_of(self.path(sha256)) == sha256

    def __iter__(self) -> Iterator[str]:
        """Go over the hashes in the store, in order."""
        for path in sorted(self.folder.glob("??/*")):
            if path.suffix in SUFFIXES and _SHA256.fullmatch(path.stem):
                yield path.stem

    def half_written(self) -> list[Path]:
        """Return the temporary files that a killed program left behind."""
        return sorted(self.folder.glob(f"??/*{PART}"))

    def strangers(self) -> list[Path]:
        """Return the files whose name is not one that the store gives."""
        known = {
            path for path in self.folder.glob("??/*")
            if path.suffix == PART
            or (path.suffix in SUFFIXES and _SHA256.fullmatch(path.stem)
                and path.parent.name == path.stem[:2])
        }
        return sorted(p for p in self.folder.rglob("*") if p.is_file() and p not in known)


def photo_suffix(data: bytes) -> str:
    """Name the format by the first bytes; the photo reader judges it in full."""
    head = data[:16]
    if head.startswith(b"\xff\xd8\xff"):
        return ".jpg"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return ".png"
    if head[:4] in (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+"):
        return ".tif"
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return ".webp"
    if head[4:8] == b"ftyp" and head[8:12] in _HEIC_BRANDS:
        return ".heic"
    return ".bin"
