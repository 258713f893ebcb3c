"""A phone at the bench: the address and its code, whose certificate it trusts, its home screen."""

from __future__ import annotations

import json
from urllib.parse import urlsplit

import segno
from flask import Response, abort, current_app, url_for
from flask.typing import ResponseReturnValue

from budvision.web.certificate import AUTHORITY, authority_fingerprint, certificate_folder
from budvision.web.guard import is_loopback_address

__all__ = ["address", "authority", "code", "fingerprint", "manifest"]


def address() -> str:
    """Return where a phone opens the bench, empty where this computer alone can."""
    asked = urlsplit(url_for("bench.start", _external=True))
    if not is_loopback_address(asked.hostname or ""):
        return asked.geturl()
    for name in current_app.config["TRUSTED_HOSTS"] or ():
        if not is_loopback_address(name):
            return asked._replace(netloc=f"{name}:{asked.port}" if asked.port else name).geturl()
    return ""


def code(address: str) -> str:
    """Return the code of an address as SVG, empty where there is none."""
    return segno.make(address, micro=False).svg_inline(omitsize=True, border=4, light="#fff") if (
        address) else ""


def fingerprint() -> str:
    """Return that of the season's own authority, empty where it has none."""
    return authority_fingerprint(certificate_folder(current_app)) if (
        current_app.config["OWN_CERTIFICATE"]) else ""


def authority() -> ResponseReturnValue:
    """Give the certificate of the season's own authority, for a phone to trust."""
    if not current_app.config["OWN_CERTIFICATE"]:
        abort(404)
    text = (certificate_folder(current_app) / AUTHORITY).read_bytes()
    return Response(text, mimetype="application/x-x509-ca-cert")


def manifest() -> ResponseReturnValue:
    """Say how the bench is put on a phone's home screen (W3C Web Application Manifest)."""
    shown = {
        "name": "Bud bench", "short_name": "Bud bench", "id": url_for("bench.start"),
        "start_url": url_for("bench.start"), "scope": url_for("bench.start"),
        "display": "standalone", "background_color": "#e7e6e4", "theme_color": "#5a3f7d",
        "icons": [{"src": url_for("static", filename="budvision.svg"), "sizes": "any",
                   "type": "image/svg+xml", "purpose": "any"},
                  *({"src": url_for("static", filename=f"budvision-{side}.png"),
                     "sizes": f"{side}x{side}", "type": "image/png", "purpose": "any"}
                    for side in (180, 512))],
    }
    return Response(json.dumps(shown), mimetype="application/manifest+json")
