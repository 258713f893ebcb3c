"""Photographs in an object store or any other place that fsspec reaches, with a local cache.

Only this module knows fsspec. The address names a protocol and a place, for example
``s3://bucket/winter``; keys, regions and endpoints come from the environment (for S3
``AWS_ACCESS_KEY_ID``, ``AWS_SECRET_ACCESS_KEY`` and ``AWS_ENDPOINT_URL``), never from the season.
"""

from __future__ import annotations

import contextlib
import hashlib
import re
import secrets
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from budvision.errors import (
    InputError,
    MissingLibraryError,
    NotFoundError,
    StorageError,
    VerificationError,
)
from budvision.store.photos import SUFFIXES, Added, PhotoStore, photo_suffix

__all__ = ["ObjectPhotoStore", "is_address"]

_ADDRESS = re.compile(r"[a-z][a-z0-9+.-]+://.+")
_KEY = re.compile(r"([0-9a-f]{2})/(\1[0-9a-f]{62})(\.[a-z]+)")
WAIT_S = 30
"""Longest wait for a store's next bytes, seconds; asked twice, a page waits for a minute at most.
"""
SLOWEST = 100_000
"""Bytes a second below which a store is as good as away; their time comes on top of that minute."""
MOST_S = 600
"""Longest wait for anything, seconds, however long a store says that it is."""

_away_until: dict[str, float] = {}
"""When a store that let somebody wait in vain is asked again, on the monotonic clock."""


def is_address(place: str) -> bool:
    """Return whether a place is an address such as ``s3://bucket/winter`` and not a folder."""
    return bool(_ADDRESS.fullmatch(place))


class ObjectPhotoStore(PhotoStore):
    """Keep photographs under their content's name in an object store, and copies beside it.

    A photograph counts as stored once the far store holds it. What is read comes from the cache
    where it lies there and from the far store otherwise; every byte fetched is hashed before it is
    used. The cache may be emptied at any time.

    Parameters
    ----------
    address : str
        Protocol and place, as fsspec takes them.
    cache : Path
        Local folder for copies.

    Raises
    ------
    InputError
        When the address is none, holds a password, or names a protocol that is not known.
    StorageError
        When the store is one that is asked at once, and does not answer.
    MissingLibraryError
        When the library for that protocol is not installed.
    """

    def __init__(self, address: str, cache: Path) -> None:
        super().__init__(cache)
        if not is_address(address):
            raise InputError(f"the photographs' address is {address!r}", where="budvision.toml",
                             expected="an address such as s3://bucket/winter", do="Correct it.")
        if _holds_password(address):
            raise InputError(
                "the photographs' address holds a password", where="budvision.toml",
                expected="an address without one, such as ftp://nas.example/photos",
                do="Set it in the environment, such as FSSPEC_FTP_USERNAME and "
                "FSSPEC_FTP_PASSWORD.")
        self.address = address.rstrip("/")
        self._fs, self._root = _reach(self.address)

    def __reduce__(self) -> tuple[Any, ...]:
        return ObjectPhotoStore, (self.address, self.folder)

    def _key(self, sha256: str, suffix: str) -> str:
        return f"{self._root}/{sha256[:2]}/{sha256}{suffix}"

    def add(self, data: bytes | Path) -> Added:
        """Store a photograph far and near, under the name of its content; see `PhotoStore.add`."""
        near = super().add(data)
        content = near.path.read_bytes()
        key = self._key(near.sha256, photo_suffix(content))
        with self._store_errors(f"the photograph {near.sha256[:12]} could not be stored"):
            held = self._far_hash(key, len(content))
            if held == near.sha256:
                return Added(near.sha256, new=False, path=near.path, repaired=near.repaired)
            # an object appears whole or not at all; a folder needs the detour by another name
            if "file" in self._protocols():
                self._ask("makedirs", key.rsplit("/", 1)[0], exist_ok=True)
                part = f"{key}.{secrets.token_hex(6)}.part"
                self._ask("pipe_file", part, content, n_bytes=len(content))
                self._ask("mv", part, key)
            else:
                self._ask("pipe_file", key, content, n_bytes=len(content))
            if self._far_hash(key, len(content)) != near.sha256:
                raise StorageError(
                    f"the photograph {near.sha256[:12]} came out changed", where=self.address,
                    do="Run the command again; where it stays so, see to the store.")
        return Added(near.sha256, new=held is None, path=near.path,
                     repaired=near.repaired or held is not None)

    def path(self, sha256: str) -> Path:
        """Return a local file of a photograph, fetched and hashed where the cache lacks it.

        Raises
        ------
        InputError
            When `sha256` is not 64 lower-case hexadecimal digits.
        NotFoundError
            When neither cache nor store holds it.
        VerificationError
            When the store's bytes do not have the hash that names them.
        """
        try:
            return super().path(sha256)
        except NotFoundError:
            return super().add(self._fetched(sha256)).path

    def read(self, sha256: str, *, verify: bool = False) -> bytes:
        """Return a photograph's bytes; with `verify`, a damaged copy in the cache is fetched anew.

        Parameters and errors are those of `PhotoStore.read`.
        """
        try:
            return super().read(sha256, verify=verify)
        except VerificationError:
            data = self._fetched(sha256)
            super().add(data)
            return data

    def _fetched(self, sha256: str) -> bytes:
        key, n_bytes = self._far_key(sha256)
        with self._store_errors(f"the photograph {sha256[:12]} could not be fetched"):
            data: bytes = self._ask("cat_file", key, n_bytes=n_bytes)
        if hashlib.sha256(data).hexdigest() != sha256:
            raise VerificationError(
                f"the photograph {sha256[:12]} has changed since it was taken in",
                where=self.address, expected="the bytes that were copied in",
                do="Take the original in again with `budvision intake`; it replaces the copy.")
        return data

    def reach(self) -> None:
        """Raise StorageError where the far store does not answer."""
        empty = contextlib.suppress(FileNotFoundError)  # nothing is in it yet
        with self._store_errors("the store of the photographs does not answer"), empty:
            self._ask("ls", self._root, detail=False, refresh=True)

    def sound(self, sha256: str) -> bool:
        """Return whether the far store's bytes still have the hash that names them."""
        key, n_bytes = self._far_key(sha256)
        with self._store_errors(f"the photograph {sha256[:12]} could not be fetched"):
            return self._far_hash(key, n_bytes) == sha256

    def __iter__(self) -> Iterator[str]:
        """Go over the hashes in the far store, in order."""
        for key in self._keys():
            if (match := _KEY.fullmatch(key)) and match[3] in SUFFIXES:
                yield match[2]

    def strangers(self) -> list[Path]:
        """Return the names in the far store that it does not give, and strangers of the cache."""
        far = [Path(key) for key in self._keys()
               if not ((match := _KEY.fullmatch(key)) and match[3] in SUFFIXES)]
        return [*super().strangers(), *(self.folder / path for path in far)]

    def _keys(self) -> list[str]:
        with self._store_errors("the photographs could not be listed"):
            if not self._ask("exists", self._root):
                return []
            self._fs.invalidate_cache()
            found = self._ask("find", self._root)
        return sorted(key.removeprefix(self._root).lstrip("/") for key in found)

    def _far_key(self, sha256: str) -> tuple[str, int]:
        """Return a photograph's name in the far store, and its bytes as the store counts them."""
        with self._store_errors(f"the photograph {sha256[:12]} could not be looked for"):
            for suffix in SUFFIXES:
                key = self._key(sha256, suffix)
                with contextlib.suppress(FileNotFoundError):
                    return key, self._ask("info", key).get("size") or 0
        raise NotFoundError(
            f"the photograph {sha256[:12]} is not in the photo store", where=self.address,
            do="Run `budvision check` to see what is missing, and take the original in again.")

    def _far_hash(self, key: str, n_bytes: int) -> str | None:
        try:
            return hashlib.sha256(self._ask("cat_file", key, n_bytes=n_bytes)).hexdigest()
        except FileNotFoundError:
            return None

    def _ask(self, deed: str, *given: Any, n_bytes: int = 0, **options: Any) -> Any:
        """Have the far store do something, for as long as so many bytes may take."""
        if time.monotonic() < _away_until.get(self.address, 0.0):
            raise TimeoutError("it let others wait in vain just now")
        limit_s = min(MOST_S, 2 * WAIT_S + n_bytes / SLOWEST)
        method, start = getattr(self._fs, deed), time.monotonic()
        try:
            if self._fs.async_impl:  # it gives its connection up
                return method(*given, timeout=limit_s, **options)
            return _within(limit_s, lambda: method(*given, **options))
        except FileNotFoundError:
            raise
        except Exception as error:
            if time.monotonic() - start >= WAIT_S:
                _away_until[self.address] = time.monotonic() + 2 * WAIT_S
            if isinstance(error, TimeoutError):
                raise _late(limit_s) from error
            raise

    def _protocols(self) -> tuple[str, ...]:
        protocol = self._fs.protocol
        return (protocol,) if isinstance(protocol, str) else tuple(protocol)

    @contextlib.contextmanager
    def _store_errors(self, what: str) -> Iterator[None]:
        """Tell a failing store (no network, no rights, no such bucket) from a bug of ours."""
        try:
            yield
        except StorageError:
            raise
        except Exception as error:
            library = type(error).__module__.partition(".")[0] not in ("builtins", "budvision")
            if not (isinstance(error, OSError) or library):
                raise
            raise StorageError(
                f"{what} ({error})", where=self.address,
                do="See to the connection and the rights, then run the command again; what was "
                "stored before is kept.") from error


def _within(limit_s: float, deed: Callable[[], Any]) -> Any:
    """Do something in a thread of its own, which is left to itself when it takes too long."""
    answer: Future[Any] = Future()

    def run() -> None:
        try:
            answer.set_result(deed())
        except BaseException as error:
            answer.set_exception(error)

    threading.Thread(target=run, daemon=True).start()
    try:
        return answer.result(limit_s)
    except TimeoutError as error:
        raise error if answer.done() else _late(limit_s) from error


def _late(limit_s: float) -> TimeoutError:
    return TimeoutError(f"it took longer than {limit_s:.0f} s")


def _reach(address: str) -> tuple[Any, str]:
    try:
        import fsspec
    except ImportError as error:
        raise MissingLibraryError(
            "fsspec is not installed", where=address, expected="the library for object stores",
            do='Install it: pip install "budvision[stores]".') from error
    try:
        filesystem, root = _within(2 * WAIT_S, lambda: fsspec.core.url_to_fs(
            address, **_patience(address)))
    except ImportError as error:
        raise MissingLibraryError(
            f"the library for {address.split('://', maxsplit=1)[0]} addresses is not installed",
            where=address, do='Install it: pip install "budvision[stores]".') from error
    except ValueError as error:
        raise InputError(f"the photographs' address is {address!r} ({error})", where=address,
                         expected="an address such as s3://bucket/winter",
                         do="Correct it.") from error
    except OSError as error:
        raise StorageError(
            f"the store of the photographs does not answer ({error})", where=address,
            do="See to the connection and the rights, then try again.") from error
    if "s3" in address.partition(":")[0]:
        filesystem.retries = 2
    return filesystem, str(root).rstrip("/")


def _holds_password(address: str) -> bool:
    with contextlib.suppress(ValueError):  # no host's name: the library says so
        return urlsplit(address).password is not None
    return False


def _patience(address: str) -> dict[str, Any]:
    """Return how long a library is to wait; by itself that of S3 waits for many minutes."""
    if "s3" not in address.partition(":")[0]:
        return {}
    return {"config_kwargs": {"connect_timeout": min(10, WAIT_S), "read_timeout": WAIT_S,
                              "retries": {"total_max_attempts": 1}}}
