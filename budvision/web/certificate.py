"""A certificate of one's own, so that a phone on the lab's network may use its camera.

Browsers give pages a camera over HTTPS only. Where no proxy and no bought certificate is at hand,
`own_certificate` makes an authority for this season and a certificate that it signs. Both lie in
the season's cache and leave it with no archive or backup; whoever deletes them gets new ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from flask import Flask

from budvision.errors import DamagedError
from budvision.files import write_whole

__all__ = [
    "AUTHORITY", "OwnCertificate", "authority_fingerprint", "certificate_folder",
    "own_certificate",
]

LASTS_DAYS = 397
"""Browsers refuse certificates that hold for longer (CA/Browser Forum, Baseline Requirements)."""
RENEW_DAYS = 30
AUTHORITY = "authority.pem"
"""File of who signed it: what a phone may be told to trust."""


@dataclass(frozen=True, slots=True)
class OwnCertificate:
    """Where a season's own certificate lies.

    Attributes
    ----------
    chain : Path
        The certificate, PEM.
    key : Path
        Its private key, PEM, for its owner alone.
    """

    chain: Path
    key: Path


def certificate_folder(app: Flask) -> Path:
    """Return where the certificate of the season that an application serves is kept."""
    return Path(app.config["SEASON_FOLDER"]) / "cache" / "certificate"


def own_certificate(folder: Path, names: Sequence[str]) -> OwnCertificate:
    """Return the certificate kept in a folder, made or renewed where need be.

    Parameters
    ----------
    folder : Path
        Made where it is not there.
    names : sequence of str
        Host names or addresses that browsers ask for.

    Raises
    ------
    OSError
        When the folder cannot be written.
    DamagedError
        When the authority that phones trust cannot be read.
    """
    import trustme

    folder.mkdir(parents=True, exist_ok=True)
    authority, secret = folder / AUTHORITY, folder / "authority-key.pem"
    chain, key = folder / "certificate.pem", folder / "certificate-key.pem"
    if not (authority.exists() and secret.exists()):
        made = trustme.CA(organization_name="budvision",
                          organization_unit_name="made on this computer for its own network")
        for old in (authority, chain):  # killed half-way, it is begun again
            old.unlink(missing_ok=True)
        write_whole(secret, made.private_key_pem.bytes(), mode=0o600)
        write_whole(authority, made.cert_pem.bytes())
    if not _pair(authority, secret):
        raise DamagedError(
            "the authority of its own certificate is damaged", where=str(folder),
            expected=f"{AUTHORITY} and its key",
            do="Remove that folder and serve again; phones have to trust the new one.")
    if not (_pair(chain, key) and _will_do(chain, authority, names)):
        signer = trustme.CA.from_pem(authority.read_bytes(), secret.read_bytes())
        now = datetime.now(UTC)
        leaf = signer.issue_cert(*names, common_name=names[0], not_before=now - timedelta(days=1),
                                 not_after=now + timedelta(days=LASTS_DAYS - 1))
        write_whole(key, leaf.private_key_pem.bytes(), mode=0o600)
        write_whole(chain, b"".join(one.bytes() for one in leaf.cert_chain_pems))
    return OwnCertificate(chain, key)


def authority_fingerprint(folder: Path) -> str:
    """Return the SHA-256 of the authority's certificate as phones show it, by pairs of digits."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes

    known = x509.load_pem_x509_certificate((folder / AUTHORITY).read_bytes())
    return known.fingerprint(hashes.SHA256()).hex(":").upper()


def _pair(certificate: Path, key: Path) -> bool:
    """Say whether both can be read, and the key is the certificate's."""
    from cryptography import x509
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives import serialization

    try:
        held = x509.load_pem_x509_certificate(certificate.read_bytes())
        secret = serialization.load_pem_private_key(key.read_bytes(), password=None)
    except (FileNotFoundError, ValueError, TypeError, UnsupportedAlgorithm):
        return False
    return held.public_key() == secret.public_key()


def _will_do(chain: Path, authority: Path, names: Sequence[str]) -> bool:
    """Say whether a certificate is this authority's, for these names, and holds a while yet."""
    from cryptography import x509
    from cryptography.exceptions import InvalidSignature

    held, signer = (x509.load_pem_x509_certificate(path.read_bytes())
                    for path in (chain, authority))
    try:
        held.verify_directly_issued_by(signer)
    except (ValueError, TypeError, InvalidSignature):
        return False
    listed = held.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    kept = {str(one.value) for one in listed}
    left = held.not_valid_after_utc - datetime.now(UTC)
    return set(names) <= kept and left > timedelta(days=RENEW_DAYS)
