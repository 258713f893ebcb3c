"""Sign an archive, and tell who signed one: Ed25519 over its list of tag files.

`tagmanifest-sha256.txt` lists the hash of the manifest, which lists every payload file, so that a
signature over it covers all bytes. The signature stands beside it in `signature.json`. A key that
comes with an archive proves nothing: compare it with one that its laboratory gave you.

References
----------
Josefsson & Liusvaara (2017), RFC 8032, https://www.rfc-editor.org/rfc/rfc8032
"""

from __future__ import annotations

import json
from pathlib import Path

from budvision.errors import InputError, StorageError, VerificationError
from budvision.files import write_whole

__all__ = ["SIGNATURE", "SigningKey", "check_signature"]

SIGNATURE = "signature.json"
_SIGNED = "tagmanifest-sha256.txt"
_PREFIX = "ed25519:"
_FOR = b"budvision archive\n"


class SigningKey:
    """A laboratory's private key, in the season's folder, made when first needed.

    Parameters
    ----------
    folder : Path
        The season's folder; the file `signing-key` there is readable by its owner alone.

    Raises
    ------
    StorageError
        When there is no key and none can be written.
    InputError
        When the file there holds none.
    """

    def __init__(self, folder: Path) -> None:
        from cryptography.hazmat.primitives import serialization as form
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

        path = folder / "signing-key"
        if not path.exists():
            made = Ed25519PrivateKey.generate()
            try:
                write_whole(path, made.private_bytes(
                    form.Encoding.PEM, form.PrivateFormat.PKCS8, form.NoEncryption()), mode=0o600)
            except OSError as error:
                raise StorageError(
                    f"the key that signs could not be made ({error.strerror})", where=str(path),
                    do="Make it where the season may be written, with `budvision archive key`.",
                ) from error
        try:
            key = form.load_pem_private_key(path.read_bytes(), password=None)
        except ValueError as error:
            raise InputError("it is no key", where=str(path), expected="an Ed25519 key as PEM",
                             do="Put it back from a backup, or remove it to make a new one.",
                             ) from error
        if not isinstance(key, Ed25519PrivateKey):
            raise InputError("it is another kind of key", where=str(path),
                             expected="an Ed25519 key", do="Remove it to make a new one.")
        self._key = key

    @property
    def public(self) -> str:
        """The public key, to be given to whoever receives archives: ``ed25519:`` and 64 digits."""
        return _PREFIX + self._key.public_key().public_bytes_raw().hex()

    def sign(self, listed: bytes) -> bytes:
        """Return the content of `signature.json` for the list of tag files."""
        return json.dumps({"public_key": self.public,
                           "signature": self._key.sign(_FOR + listed).hex()}, indent=1).encode()


def check_signature(folder: Path, *, key: str | None = None) -> str:
    """Return the public key under which an archive is signed, '' where it is not.

    Parameters
    ----------
    folder : Path
        The archive, its tag files verified.
    key : str, optional
        The public key that it has to be signed with.

    Raises
    ------
    VerificationError
        When the signature is not one of these bytes, or not by `key`.
    InputError
        When `key` is no public key.
    """
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    if key is not None and len(_raw(key)) != 32:
        raise InputError(f"the key is {key[:80]!r}", where="--key",
                         expected="ed25519: and 64 hexadecimal digits",
                         do="Ask the laboratory for what `budvision archive key` prints.")
    path = folder / SIGNATURE
    do = "Do not use this archive; ask its laboratory for another copy."
    if not path.is_file():
        if key is not None:
            raise VerificationError("it is not signed", where=str(folder), do=do,
                                    expected=f"a signature by {key}")
        return ""
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        public, signature = str(document["public_key"]), bytes.fromhex(document["signature"])
        Ed25519PublicKey.from_public_bytes(_raw(public)).verify(
            signature, _FOR + (folder / _SIGNED).read_bytes())
    except (OSError, ValueError, KeyError, TypeError, InvalidSignature) as error:
        raise VerificationError("the signature is not one of these bytes", where=str(folder),
                                expected="an archive as it was signed", do=do) from error
    if key is not None and _raw(key) != _raw(public):
        raise VerificationError(f"it is signed by {public}", where=str(folder), do=do,
                                expected=f"a signature by {key}")
    return public


def _raw(key: str) -> bytes:
    try:
        return bytes.fromhex(key.strip().removeprefix(_PREFIX))
    except ValueError:
        return b""
