"""A certificate of one's own: made, kept, renewed, and served to who trusts its authority."""

from __future__ import annotations

import os
import re
import signal
import ssl
import subprocess
import sys
import urllib.error
import urllib.parse
import urllib.request
from datetime import UTC, datetime
from email.message import Message
from http.cookiejar import CookieJar
from pathlib import Path

import pytest
from cryptography import x509

from budvision.errors import DamagedError, UsageError
from budvision.store.queries import people
from budvision.store.session import Season
from budvision.web.certificate import AUTHORITY, authority_fingerprint, own_certificate
from budvision.web.people import hash_password
from budvision.web.serving import serve_season


def test_it_is_kept_and_made_anew_for_another_name(tmp_path: Path) -> None:
    first = own_certificate(tmp_path / "c", ["lab-pc.local", "192.168.7.4"])
    bytes_before = first.chain.read_bytes()
    held = x509.load_pem_x509_certificate(bytes_before)
    assert (held.not_valid_after_utc - datetime.now(UTC)).days in range(390, 398)
    own_certificate(tmp_path / "c", ["192.168.7.4"])
    assert first.chain.read_bytes() == bytes_before
    print_before = authority_fingerprint(tmp_path / "c")
    own_certificate(tmp_path / "c", ["other.local"])
    assert first.chain.read_bytes() != bytes_before
    assert authority_fingerprint(tmp_path / "c") == print_before, "phones trust it still"
    assert re.fullmatch(r"([0-9A-F]{2}:){31}[0-9A-F]{2}", print_before)
    if os.name == "posix":
        modes = {path.name: path.stat().st_mode & 0o77 for path in (tmp_path / "c").iterdir()}
        assert modes["authority-key.pem"] == modes["certificate-key.pem"] == 0


def _load(folder: Path) -> None:
    """Take the certificate as a server does, and see that its authority signed it."""
    made = own_certificate(folder, ["lab.local"])
    ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(made.chain, made.key)
    leaf, authority = (x509.load_pem_x509_certificate(path.read_bytes())
                       for path in (made.chain, folder / AUTHORITY))
    leaf.verify_directly_issued_by(authority)


@pytest.mark.parametrize("name", ["certificate.pem", "certificate-key.pem"])
def test_a_damaged_or_foreign_certificate_is_made_anew(tmp_path: Path, name: str) -> None:
    """The server ended with an error of the library, at this start and at every later one."""
    own_certificate(tmp_path / "other", ["lab.local"])
    _load(tmp_path / "c")
    known = authority_fingerprint(tmp_path / "c")
    for data in (b"", (tmp_path / "c" / name).read_bytes()[:200],
                 (tmp_path / "other" / name).read_bytes()):
        (tmp_path / "c" / name).write_bytes(data)
        _load(tmp_path / "c")
        assert authority_fingerprint(tmp_path / "c") == known, "phones trust it still"


@pytest.mark.parametrize("name", [AUTHORITY, "authority-key.pem"])
def test_a_damaged_authority_is_told_of(tmp_path: Path, name: str) -> None:
    """Phones would have to trust another: that is for a person to decide."""
    own_certificate(tmp_path / "other", ["lab.local"])
    _load(tmp_path / "c")
    path = tmp_path / "c" / name
    for data in (b"", path.read_bytes()[:200], (tmp_path / "other" / name).read_bytes()):
        path.write_bytes(data)
        with pytest.raises(DamagedError, match="phones have to trust the new one"):
            own_certificate(tmp_path / "c", ["lab.local"])
    path.unlink()  # as a person does, or a program that was killed while it made them
    _load(tmp_path / "c")


def test_it_is_refused_where_it_is_of_no_use(tmp_path: Path) -> None:
    for given in ({}, {"host": "0.0.0.0", "hosts": ("lab.local",), "https": True}):
        with pytest.raises(UsageError, match="for a network without a proxy"):
            serve_season(tmp_path, own=True, **given)


@pytest.mark.slow
def test_who_trusts_the_authority_is_served_and_others_are_not(tmp_path: Path) -> None:
    with Season.create(tmp_path / "w") as season, season.write() as conn:
        people.add_person(conn, "Ruth Okafor", "lead", password_hash=hash_password("long enough"))
    with subprocess.Popen(
        [sys.executable, "-m", "budvision.cli.main", "serve", "--season", str(tmp_path / "w"),
         "--port", "0", "--name", "lab.test", "--name", "127.0.0.1", "--own-certificate"],
        stderr=subprocess.PIPE, text=True,
    ) as run:
        try:
            assert run.stderr is not None
            name = urllib.parse.urlsplit(run.stderr.readline().split()[1])
            assert (name.scheme, name.hostname) == ("https", "lab.test")
            here = f"https://127.0.0.1:{name.port}"
            with pytest.raises(urllib.error.URLError, match="CERTIFICATE_VERIFY_FAILED"):
                urllib.request.urlopen(f"{here}/me")
            folder = tmp_path / "w" / "cache" / "certificate"
            trust = ssl.create_default_context(cafile=folder / AUTHORITY)
            phone = urllib.request.build_opener(
                urllib.request.HTTPSHandler(context=trust),
                urllib.request.HTTPCookieProcessor(CookieJar()))

            def ask(path: str, **form: str) -> tuple[str, Message]:
                sent = urllib.parse.urlencode(form).encode() or None
                with phone.open(urllib.request.Request(f"{here}{path}", sent, {
                    "Host": name.netloc, "Referer": f"https://{name.netloc}/"})) as answer:
                    return answer.read().decode(), answer.headers

            page, headers = ask("/me")
            assert "Secure" in headers["Set-Cookie"]
            assert "Strict-Transport-Security" not in headers, "a warning may be passed"
            token = re.search(r'name="csrf-token" content="([^"]+)"', page)
            assert token
            ask("/me", csrf_token=token[1], name="Ruth Okafor", password="long enough", next="/me")
            page, _ = ask("/bench/")
            assert f"https://{name.netloc}/bench/" in page
            assert authority_fingerprint(folder) in page
            assert 'crossorigin="use-credentials"' in page, "else the manifest needs a log-in"
            text, headers = ask("/bench/authority.crt")
            assert headers["Content-Type"] == "application/x-x509-ca-cert"
            assert text == (folder / AUTHORITY).read_text(encoding="utf-8")
            run.send_signal(signal.SIGTERM)
            assert run.wait(120) == 0
        finally:
            run.kill()
