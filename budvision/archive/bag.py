"""Write and verify the archive as a BagIt bag (RFC 8493, version 1.0, SHA-256).

A finished archive is never written into. The next one is built beside it, sharing the files that
stay by hard links, verified, and then the two change places in one step (`generations`). The first
is built in its place and `bagit.txt` comes last, so that a folder without it is an unfinished
archive. Either can be taken up again: payload files that are there with the right content are left
alone, and every file is written under a temporary name and renamed. Verifying is left to
bagit-python, with checks on top for what BagIt leaves open.

References
----------
Kunze, Littman, Madden, Scancella & Adams (2018), RFC 8493, https://www.rfc-editor.org/rfc/rfc8493
"""

from __future__ import annotations

import hashlib
import json
import os
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping, Set
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import IO, Self

from budvision.archive.generations import beside, link, recover, switch
from budvision.archive.signature import SIGNATURE
from budvision.errors import ConflictError, InputError, StorageError, VerificationError
from budvision.files import PART, sha256_of, write_whole, writing
from budvision.version import __version__

__all__ = ["FORMAT", "FORMAT_VERSION", "BagWriter", "disk", "listed_hashes", "read_facts", "verify"]

FORMAT, FORMAT_VERSION = "budvision-archive", 1
FACTS = "data/archive.json"
_ROOT_FILES = {"bagit.txt", "bag-info.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt",
               SIGNATURE}


class _Hashed:
    """A binary file that hashes what is written to it."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file = file
        self.digest = hashlib.sha256()
        self.size = 0

    def write(self, data: bytes) -> None:
        self._file.write(data)
        self.digest.update(data)
        self.size += len(data)


class BagWriter:
    """Build or extend a bag in a folder; use as a context manager.

    Parameters
    ----------
    folder : Path
        New, empty, an unfinished archive, or an archive written earlier by this program.
    info : mapping of str to str
        Lines for ``bag-info.txt``, besides size and date.
    date : str
        Day of bagging, ISO 8601.
    sign : callable, optional
        Gives the content of ``signature.json`` for the list of tag files.

    Raises
    ------
    ConflictError
        When the folder holds other files.
    StorageError
        When the disk is full or may not be written.
    """

    def __init__(
        self, folder: Path, *, info: Mapping[str, str], date: str,
        sign: Callable[[bytes], bytes] | None = None,
    ) -> None:
        self._sign = sign
        self.folder = self.target = folder
        self._info = dict(info)
        self._date = date
        self._before: dict[str, str] = {}
        self._sure: set[str] = set()  # kept, and hashed a moment ago
        self.hashes: dict[str, str] = {}
        self.n_kept = 0

    def __enter__(self) -> Self:
        with disk(self.target):
            recover(self.target)
            if self.target.exists():
                strangers = sorted(
                    p.name for p in self.target.iterdir()
                    if p.name not in _ROOT_FILES | {"data"} and not p.name.endswith(PART))
                if strangers or (not (self.target / "data").is_dir() and any(
                        self.target.iterdir())):
                    raise ConflictError(
                        f"it holds other files ({', '.join(strangers[:3]) or 'not an archive'})",
                        where=str(self.target), expected="a new folder or an earlier archive",
                        do="Name another folder; nothing was written.")
                self._before = listed_hashes(self.target / "manifest-sha256.txt")
                if (self.target / "bagit.txt").exists():
                    self.folder = beside(self.target)
            for name in ("tagmanifest-sha256.txt", "bagit.txt", SIGNATURE):
                (self.folder / name).unlink(missing_ok=True)
            (self.folder / "data").mkdir(parents=True, exist_ok=True)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is not None:
            return
        with disk(self.target):
            self._finish()
            try:
                verify(self.folder, sure=self._sure)
            except VerificationError:
                (self.folder / "bagit.txt").unlink()
                raise
            if self.folder != self.target:
                switch(self.folder, self.target)

    def keep(self, name: str, sha256: str) -> int:
        """Keep a payload file that the earlier manifest lists with this hash and that has it.

        Returns
        -------
        int
            Its size; 0 where it is not there, not listed so, or no longer sound.
        """
        if self._before.get(name) != sha256 or not self.has(name, sha256):
            return 0
        return (self.folder / name).stat().st_size

    def has(self, name: str, sha256: str) -> bool:
        """Tell whether a payload file with this content is there (it is hashed), and keep it."""
        for folder in (self.folder, self.target):
            path = folder / _safe(name)
            if path.is_file() and not path.is_symlink() and sha256_of(path) == sha256:
                break
        else:
            return False
        with disk(self.target):
            link(path, self.folder / name)
        self.hashes[name] = sha256
        self._sure.add(name)
        self.n_kept += 1
        return True

    @contextmanager
    def writing(self, name: str) -> Iterator[_Hashed]:
        """Open a payload file, `data/...`, for writing; it appears when the block ends well."""
        path = self.folder / _safe(name)
        with disk(self.folder):
            path.parent.mkdir(parents=True, exist_ok=True)
            with writing(path) as raw:
                file = _Hashed(raw)
                yield file
        self.hashes[name] = file.digest.hexdigest()
        self._sure.discard(name)

    def add(self, name: str, data: bytes) -> str:
        """Write a payload file from bytes and return its hash; equal content is left alone."""
        sha256 = hashlib.sha256(data).hexdigest()
        if not self.has(name, sha256):
            with self.writing(name) as file:
                file.write(data)
        return sha256

    def add_lines(self, name: str, lines: Iterable[str]) -> int:
        """Write a text file line by line and return how many there were."""
        n = 0
        with self.writing(name) as file:
            for line in lines:
                file.write(line.encode("utf-8") + b"\n")
                n += 1
        return n

    def _finish(self) -> None:
        n_bytes = 0
        for name, entry in _files(self.folder, "data/"):
            if name not in self.hashes:
                Path(entry.path).unlink()  # left by an earlier or a killed export, no part of it
            else:
                n_bytes += entry.stat().st_size
        for path in self.folder.glob(f"*{PART}"):
            path.unlink()
        info = {**self._info, "Bagging-Date": self._date,
                "Bag-Software-Agent": f"budvision {__version__}",
                "Payload-Oxum": f"{n_bytes}.{len(self.hashes)}"}
        declaration = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
        tags = {
            "manifest-sha256.txt": "".join(
                f"{sha}  {_encoded(name)}\n" for name, sha in sorted(self.hashes.items())
            ).encode(),
            "bag-info.txt": "".join(f"{k}: {v}\n" for k, v in sorted(info.items())).encode(),
            "bagit.txt": declaration,
        }
        listed = "".join(
            f"{hashlib.sha256(body).hexdigest()}  {name}\n" for name, body in sorted(tags.items()))
        last = tags.pop("bagit.txt")
        if self._sign is not None:
            tags[SIGNATURE] = self._sign(listed.encode())
        for name, body in (*tags.items(), ("tagmanifest-sha256.txt", listed.encode()),
                           ("bagit.txt", last)):
            write_whole(self.folder / name, body)


@contextmanager
def disk(
    folder: Path, *, kept: str = "it goes on where it stopped, and the season is as it was"
) -> Iterator[None]:
    """Say what to do where the disk refuses, and that what was `kept` is whole."""
    try:
        yield
    except StorageError:
        raise
    except OSError as error:
        raise StorageError(
            f"it could not be written or read ({error.strerror or error})", where=str(folder),
            do=f"Make room or mend the rights, then run the command again; {kept}.") from error


def _files(folder: Path, below: str = "") -> Iterator[tuple[str, os.DirEntry[str]]]:
    """Yield every file and link below a folder with its name there, one folder at a time."""
    with os.scandir(folder / below) as entries:
        inner = sorted(entries, key=lambda entry: entry.name)
    for entry in inner:
        if entry.is_dir(follow_symlinks=False):
            yield from _files(folder, f"{below}{entry.name}/")
        else:
            yield below + entry.name, entry


def _encoded(name: str) -> str:
    return name.replace("%", "%25").replace("\n", "%0A").replace("\r", "%0D")


def _decoded(name: str) -> str:
    return name.replace("%0A", "\n").replace("%0D", "\r").replace("%25", "%")


def listed_hashes(path: Path) -> dict[str, str]:
    """Return the hash that a manifest lists for each file, by its name in the archive."""
    if not path.exists():
        return {}
    lines = path.read_text(encoding="utf-8", errors="replace").split("\n")
    pairs = (line.split(None, 1) for line in lines)
    return {_decoded(pair[1]): pair[0] for pair in pairs if len(pair) == 2}


def _safe(name: str) -> str:
    parts = name.split("/")
    if (name.startswith("/") or "\\" in name or ":" in parts[0] or "\0" in name
            or any(part in ("", ".", "..") for part in parts)):
        raise VerificationError(
            f"the path {name[:120]!r} leads out of the archive", where="manifest-sha256.txt",
            expected="a plain path below data/", do="Do not use this archive; ask for a new copy.")
    return name


def read_facts(folder: Path) -> dict[str, object]:
    """Return what the archive says of itself, after checking its format.

    Raises
    ------
    VerificationError
        When the folder is no archive, unfinished, or of a newer format.
    """
    if not (folder / "bagit.txt").is_file():
        unfinished = (folder / "data").is_dir()
        raise VerificationError(
            "the export was not finished (bagit.txt is missing)" if unfinished
            else "it is not an archive (bagit.txt is missing)", where=str(folder),
            expected="a folder written by `budvision archive export`",
            do="Run the export again; it goes on where it stopped." if unfinished
            else "Name the folder that holds bagit.txt.")
    try:
        facts = json.loads((folder / FACTS).read_text(encoding="utf-8"))
        version = int(facts["format_version"])
        kind = str(facts["format"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise VerificationError(
            f"{FACTS} is missing or unreadable", where=str(folder),
            expected="the description that every budvision archive has",
            do="Ask for a new copy of the archive.") from error
    if kind != FORMAT or version > FORMAT_VERSION:
        raise VerificationError(
            f"its format is {kind} {version}", where=str(folder),
            expected=f"{FORMAT} up to {FORMAT_VERSION}", code="newer_format",
            do="Install a newer budvision; nothing was read from it.")
    return dict(facts)


def verify(
    folder: Path, *, progress: Callable[[int, int], None] | None = None,
    sure: Set[str] = frozenset(),
) -> dict[str, int]:
    """Check an archive in full: every byte, no file missing, none too many, no way out.

    Parameters
    ----------
    progress : callable, optional
        Called with (files done, files in all).
    sure : set of str
        Payload files that the caller has just hashed; only their presence is checked.

    Returns
    -------
    dict of str to int
        ``n_files`` and ``n_bytes`` of the payload.

    Raises
    ------
    VerificationError
        Naming the first few files that are changed, missing, extra or badly named.
    """
    import bagit

    read_facts(folder)
    listed = listed_hashes(folder / "manifest-sha256.txt")
    for name in listed:
        if not _safe(name).startswith("data/"):
            raise _bad(folder, f"the manifest lists {name!r}", "paths below data/")
    extra, n_found = [], 0
    for name, entry in _files(folder):
        if entry.is_symlink():
            raise _bad(folder, f"{name} is a link", "plain files")
        n_found += name in listed
        if name not in listed and name not in _ROOT_FILES:
            extra.append(name)
    missing = [] if n_found == len(listed) else [
        name for name in sorted(listed) if not (folder / name).is_file()]
    if missing:
        raise _bad(folder, f"{_some(missing)} missing", "every file of the manifest")
    if extra:
        raise _bad(folder, f"{_some(sorted(extra))} not in the manifest",
                   "no file besides those listed")
    changed, n_bytes = [], 0
    for i, (name, sha256) in enumerate(sorted(listed.items())):
        path = folder / name
        if name not in sure and sha256_of(path) != sha256:
            changed.append(name)
        n_bytes += path.stat().st_size
        if progress is not None:
            progress(i + 1, len(listed))
    n_files = len(listed)
    del listed  # bagit-python reads the manifest for itself
    if changed:
        raise _bad(folder, f"{_some(changed)} changed", "the bytes that were exported")
    _check_tags(folder)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            # content was hashed above; this checks declaration, oxum, tag files and completeness
            bag = bagit.Bag(str(folder))
            bag.validate(completeness_only=True)
        except (bagit.BagError, ValueError, LookupError) as error:  # no text, no such encoding
            raise _bad(folder, str(error), "a valid bag (RFC 8493)") from error
    if bag.version_info != (1, 0):
        raise _bad(folder, f"its BagIt version is {bag.version_info}", "1.0")
    return {"n_files": n_files, "n_bytes": n_bytes}


def _check_tags(folder: Path) -> None:
    for name, sha256 in listed_hashes(folder / "tagmanifest-sha256.txt").items():
        path = folder / _safe(name)
        if not path.is_file() or sha256_of(path) != sha256:
            raise _bad(folder, f"{name} changed", "the bytes that were exported")


def _some(names: list[str]) -> str:
    text = ", ".join(names[:3])
    more = f" and {len(names) - 3} more" if len(names) > 3 else ""
    return f"{text}{more} {'is' if len(names) == 1 else 'are'}"


def _bad(folder: Path, what: str, expected: str) -> VerificationError:
    return VerificationError(
        what, where=str(folder), expected=expected,
        do="Do not use this copy; fetch or export the archive again. Nothing was read from it.")


def open_payload(folder: Path, name: str) -> IO[bytes]:
    """Open a payload file for reading, never outside the archive.

    Raises
    ------
    InputError
        When the file does not exist.
    """
    path = folder / _safe(name)
    if not os.path.isfile(path):  # noqa: PTH113  (False for impossible names)
        raise InputError(f"{name} is not in the archive", where=str(folder),
                         expected="a file of the manifest", do="Verify the archive.")
    return path.open("rb")
