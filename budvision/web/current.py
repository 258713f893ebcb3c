"""The season and the person that a request is about."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

from flask import current_app

if TYPE_CHECKING:
    from budvision.store.session import Season

__all__ = ["SEASON_KEY", "current_season", "on_loopback"]

SEASON_KEY = "budvision.season"


def current_season() -> Season:
    """Return the open season of the application that answers this request."""
    return cast("Season", current_app.extensions[SEASON_KEY])


def on_loopback() -> bool:
    """Say whether only this machine is served, so that a name suffices for log-in."""
    return bool(current_app.config["BUDVISION_LOOPBACK"])
