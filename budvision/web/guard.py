"""What stands between a browser and the pages: hosts, sizes, cookies, tokens, headers."""

from __future__ import annotations

import contextlib
import ipaddress
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from flask import Flask, redirect, request, url_for
from flask.wrappers import Response
from flask_wtf.csrf import CSRFProtect
from werkzeug.middleware.proxy_fix import ProxyFix
from werkzeug.wrappers import Response as PlainResponse

from budvision.files import write_whole
from budvision.version import __version__
from budvision.web import language
from budvision.workflow.season.remind import backup_reminder
from budvision.workflow.season.status import season_name

if TYPE_CHECKING:
    from budvision.store.session import Season

__all__ = ["CACHE_FOLDER", "PageFrame", "install", "install_pages", "is_loopback_address", "shield"]

CACHE_FOLDER = "cache"
"""Folder of a season that may be deleted at any time: reduced photographs, the cookie secret."""

_LOOPBACK_NAMES = ("localhost", "127.0.0.1", "[::1]", "::1")
_POLICY = "; ".join((
    "default-src 'none'", "img-src 'self' blob: data:", "style-src 'self'", "script-src 'self'",
    "connect-src 'self'", "font-src 'self'", "media-src 'self' blob:", "manifest-src 'self'",
    "form-action 'self'", "frame-ancestors 'none'", "base-uri 'none'",
))


@dataclass(frozen=True, slots=True)
class PageFrame:
    """What `base.html` needs round every page: the navigation and the season's name."""

    season: str
    season_key: str
    words: tuple[tuple[str, str], ...]
    version: str
    loopback: bool


def is_loopback_address(host: str) -> bool:
    """Say whether an address given to `serve` reaches this machine only.

    Parameters
    ----------
    host : str
        A name or address, as given; `localhost` and 127.0.0.0/8 and ::1 are loopback.
    """
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def install(app: Flask, season: Season, *, hosts: Sequence[str], https: bool) -> None:
    """Set the limits and protections that Flask leaves off by default.

    Parameters
    ----------
    app : flask.Flask
        The application.
    season : Season
        Gives the settings, and the folder that keeps the cookie secret.
    hosts : sequence of str
        Host names accepted besides loopback's.
    https : bool
        Whether a proxy in front speaks HTTPS.
    """
    shield(app, season.folder, secret=_secret(season.folder / CACHE_FOLDER),
           most_mb=season.settings.max_upload_mb, hosts=hosts, https=https)


def shield(
    app: Flask, folder: Path, *, secret: bytes, most_mb: float, hosts: Sequence[str] = (),
    https: bool = False,
) -> None:
    """Set the limits and protections for a folder, which need not be a season yet.

    Parameters
    ----------
    app : flask.Flask
        The application.
    folder : Path
        What is served; it names the cookie.
    secret : bytes
        Signs the cookies.
    most_mb : float
        Largest file accepted, in megabytes.
    hosts, https
        As in `install`.
    """
    name = sha256(str(folder.resolve()).encode()).hexdigest()[:8]
    app.config.update(
        SECRET_KEY=secret,
        TRUSTED_HOSTS=[*_LOOPBACK_NAMES, *hosts],
        MAX_CONTENT_LENGTH=int((most_mb + 1) * 1_000_000),
        SESSION_COOKIE_NAME=f"budvision_{name}",
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Lax",
        SESSION_COOKIE_SECURE=https,
        WTF_CSRF_TIME_LIMIT=None,
        WTF_CSRF_SSL_STRICT=True,
        SEND_FILE_MAX_AGE_DEFAULT=0,
    )
    if https:
        app.wsgi_app = ProxyFix(app.wsgi_app, x_for=1, x_proto=1, x_host=1)  # type: ignore[method-assign]
    app.jinja_env.trim_blocks = True
    app.jinja_env.lstrip_blocks = True
    CSRFProtect(app)
    language.install(app)
    app.after_request(_headers)
    if https:
        app.after_request(_only_https)


def install_pages(app: Flask, season: Season, words: Sequence[tuple[str, str]]) -> None:
    """Give every template the frame, and the site's first page its address."""
    frame = PageFrame(
        season=Path(app.config["SEASON_FOLDER"]).resolve().name,
        season_key=app.config["SESSION_COOKIE_NAME"], words=tuple(words),
        version=__version__, loopback=bool(app.config["BUDVISION_LOOPBACK"]),
    )

    @app.context_processor
    def _frame() -> dict[str, object]:
        return {"frame": frame, "backup_due": backup_reminder(season),
                "season_name": season_name(season)}

    @app.get("/")
    def first_page() -> PlainResponse:
        """Send people to the review, or to the first part there is."""
        endpoints = [endpoint for _, endpoint in words]
        wanted = next((e for e in endpoints if e.startswith("review.")), None)
        return redirect(url_for(wanted or (endpoints[0] if endpoints else "people.me")))


def _headers(response: Response) -> Response:
    response.headers.setdefault("Content-Security-Policy", _POLICY)
    response.headers.setdefault("X-Content-Type-Options", "nosniff")
    response.headers.setdefault("Referrer-Policy", "same-origin")
    response.headers.setdefault("Cross-Origin-Opener-Policy", "same-origin")
    response.headers.setdefault("Cross-Origin-Resource-Policy", "same-origin")
    response.headers.setdefault(
        "Permissions-Policy", "camera=(self), microphone=(), geolocation=()"
    )
    if request.endpoint != "static":
        response.headers.setdefault("Cache-Control", "no-store")
    return response


def _only_https(response: Response) -> Response:
    """Tell browsers to come by HTTPS alone from now on (RFC 6797), for a year."""
    response.headers.setdefault("Strict-Transport-Security", "max-age=31536000")
    return response


def _secret(folder: Path) -> bytes:
    """Read the cookie secret, or make it. Deleting it logs everybody out, nothing more.

    Where it cannot be written it is one of this run alone.
    """
    path = folder / "cookie-secret"
    try:
        value = path.read_bytes()
        if len(value) >= 32:
            return value
    except FileNotFoundError:
        pass
    value = secrets.token_bytes(32)
    with contextlib.suppress(OSError):  # a season on a disk that may not be written, or is full
        folder.mkdir(exist_ok=True)
        write_whole(path, value, mode=0o600)
    return value
