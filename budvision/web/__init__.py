"""Pages on loopback: bench, review, results, models and the season itself.

Each part is a package of its own with a `blueprint` and its word in the navigation,
`navigation = ("Word", "endpoint")`.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from flask import Flask
from werkzeug.routing import IntegerConverter

from budvision.errors import UsageError
from budvision.store.queries.people import list_people
from budvision.store.session import Season
from budvision.web import bench, errors, guard, models, observed, people, results, review
from budvision.web import season as season_pages
from budvision.web.current import SEASON_KEY

__all__ = ["create_app"]


class _Number(IntegerConverter):
    """A number in an address: no longer than a database's; any other is no page."""

    regex = r"\d{1,18}"


def create_app(
    season_folder: Path | str,
    *,
    testing: bool = False,
    loopback: bool = True,
    hosts: Sequence[str] = (),
    https: bool = False,
    own_certificate: bool = False,
    slow_query_ms: float = observed.SLOW_QUERY_MS,
) -> Flask:
    """Make the application that serves one season.

    Parameters
    ----------
    season_folder : path
        The folder that holds `budvision.toml`.
    testing : bool
        Let unexpected errors through to the caller instead of showing a page.
    loopback : bool
        True: only this machine is served and a name suffices. False: log-in is required.
    hosts : sequence of str
        Host names that a browser may ask for besides loopback's, without ports.
    https : bool
        A proxy in front speaks HTTPS: cookies are marked secure, and its forwarded address and
        scheme are believed.
    own_certificate : bool
        The server speaks HTTPS itself: cookies are marked secure, and the bench's page says how a
        phone comes to trust its certificate.
    slow_query_ms : float
        Milliseconds from which a query is written to the log (`observed`).

    Returns
    -------
    flask.Flask
        The application; `app.extensions["budvision.season"]` is the open season.

    Raises
    ------
    SeasonError
        When the folder is not a season.
    UsageError
        When the season is to be served to a network and no host name is given, or nobody could
        log in.
    """
    if not loopback and not hosts:
        raise UsageError(
            "no host name is given", expected="the names by which browsers reach this machine",
            do="Add --name NAME once for each, for example --name lab-pc.local.", where="serve",
        )
    season = Season.open(Path(season_folder))
    if not loopback:
        _need_passwords(season)
    app = Flask(__name__)
    app.url_map.converters["int"] = _Number
    app.extensions[SEASON_KEY] = season
    app.config.update(
        TESTING=testing,
        BUDVISION_LOOPBACK=loopback,
        OWN_CERTIFICATE=own_certificate,
        SEASON_FOLDER=season.folder,
    )
    observed.install(app, season, slow_query_ms=slow_query_ms)
    guard.install(app, season, hosts=hosts, https=https)
    app.config["SESSION_COOKIE_SECURE"] = https or own_certificate
    errors.install(app)
    people.install(app)
    words: list[tuple[str, str]] = []
    for part in (bench, review, results, models, season_pages):  # in the order of the navigation
        app.register_blueprint(part.blueprint)
        words.append(part.navigation)
    guard.install_pages(app, season, words)
    return app


def _need_passwords(season: Season) -> None:
    """Refuse a network where nobody could log in."""
    with season.read() as conn:
        known = [row for row in list_people(conn) if row.active and row.password_hash]
    if not known:
        season.close()
        raise UsageError(
            "nobody has a password yet, so nobody could log in over the network", where="serve",
            expected="at least one person with a password",
            do='Add one with `budvision people add "NAME" --role lead`, then serve again.',
        )
