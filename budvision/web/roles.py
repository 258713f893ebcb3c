"""Who may do what: every route by method and role, one table, shut where nothing stands.

Served to a network the table holds for every request. On this machine a name suffices, so there it
would keep nobody out; only the pages of people ask for a lead there too, once there is one.
"""

from __future__ import annotations

from fnmatch import fnmatchcase

__all__ = ["PERMISSIONS", "may", "roles_of"]

_ALL = ("technician", "reviewer", "lead")
_CALL = ("reviewer", "lead")
_LEAD = ("lead",)
_ANYBODY = ("nobody", *_ALL)

PERMISSIONS: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    ("static", "GET", _ANYBODY),
    ("*.static", "GET", _ANYBODY),
    ("people.me", "GET", _ANYBODY),
    ("people.enter", "POST", _ANYBODY),
    ("people.leave", "POST", _ALL),
    ("people.*", "GET", _LEAD),
    ("people.*", "POST", _LEAD),
    ("first_page", "GET", _ALL),
    ("bench.*", "GET", _ALL),
    ("bench.*", "POST", _ALL),
    ("review.*", "GET", _ALL),
    ("review.decide_trial", "POST", _LEAD),
    ("review.*", "POST", _CALL),
    ("results.table_stored", "POST", _CALL),
    ("results.*", "GET", _ALL),
    ("results.*", "POST", _ALL),
    ("models.*", "GET", _ALL),
    ("models.*", "POST", _LEAD),
    ("observed.health", "GET", _ANYBODY),
    ("observed.metrics", "GET", _LEAD),
    ("season.settings", "GET", _LEAD),
    ("season.health_page", "GET", _LEAD),
    ("season.*", "GET", _ALL),
    ("season.photo*", "POST", _ALL),
    ("season.*", "POST", _LEAD),
)
"""Endpoint (or pattern), method, roles; the first line that fits holds. `nobody`: no log-in."""


def roles_of(endpoint: str, method: str) -> tuple[str, ...]:
    """Return the roles that may use a route; a lead alone where no line speaks of it.

    Parameters
    ----------
    endpoint : str
        The route's name, as Flask has it: `review.calls`.
    method : str
        GET or POST; HEAD and OPTIONS are read as GET.
    """
    asked = "GET" if method in ("HEAD", "OPTIONS") else method
    for pattern, allowed, roles in PERMISSIONS:
        if allowed == asked and fnmatchcase(endpoint, pattern):
            return roles
    return _LEAD


def may(endpoint: str, method: str, role: str | None) -> bool:
    """Say whether a role, None for somebody without log-in, may use a route."""
    return (role or "nobody") in roles_of(endpoint, method)
