"""The season's own secret: names the laboratory and makes pseudonyms that stay the same."""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from pathlib import Path

from budvision.errors import DamagedError
from budvision.files import write_whole

__all__ = ["ArchiveKey", "is_key"]

_NAME = "archive-key"


def is_key(text: str) -> bool:
    """Tell whether a text is a key as `ArchiveKey` keeps it."""
    return re.fullmatch(r"[0-9a-f]{64}", text) is not None


class ArchiveKey:
    """A random key in the season's folder, made when first needed and never exported to others.

    Parameters
    ----------
    folder : Path
        The season's folder.
    keep : bool
        Write a new key there; without it, in a folder that may not be written, the key is one of
        this export alone.

    Raises
    ------
    DamagedError
        When the file there holds no key.
    """

    def __init__(self, folder: Path, *, keep: bool = True) -> None:
        self._path = folder / _NAME
        self._key = self._read_or_make(keep=keep)

    def _read_or_make(self, *, keep: bool) -> bytes:
        if self._path.exists():
            text = self._path.read_text(encoding="ascii", errors="replace").strip()
            if not is_key(text):
                raise DamagedError(
                    "it holds no key for pseudonyms", where=_NAME,
                    expected="64 hexadecimal digits", do="Put it back from a backup. Without it a "
                    "new one is made, and people and laboratory get other names in archives.")
            return bytes.fromhex(text)
        key = secrets.token_bytes(32)
        if keep:
            self.adopt_into(self._path, key.hex())
        return key

    @staticmethod
    def adopt_into(path: Path, text: str) -> None:
        """Write a key file whole or not at all, readable by its owner alone."""
        write_whole(path, text + "\n", mode=0o600)

    def adopt(self, text: str) -> None:
        """Take over the key of a whole copy that is being put back."""
        self._key = bytes.fromhex(text)
        self.adopt_into(self._path, text)

    @property
    def text(self) -> str:
        """The key as hexadecimal text, for a whole copy."""
        return self._key.hex()

    @property
    def lab(self) -> str:
        """A short name of the laboratory that tells nothing about it."""
        return "lab-" + hashlib.sha256(b"laboratory" + self._key).hexdigest()[:8]

    def pseudonym(self, name: str) -> str:
        """Return the name under which a person stands in archives; always the same one."""
        digest = hmac.new(self._key, name.encode("utf-8"), hashlib.sha256).hexdigest()
        return f"reader {digest[:10]}"
