"""The page that makes a season where there is none, and the way on in the same process."""

from __future__ import annotations

import re
import secrets
import threading
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from flask import Blueprint, Flask, current_app, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from budvision.errors import BudvisionError, InputError
from budvision.language import LANGUAGES, told
from budvision.settings import SETTINGS, Setting, Settings
from budvision.store.config import CONFIG
from budvision.store.engine import DATABASE
from budvision.store.queries.jobs import Job
from budvision.version import __version__
from budvision.web import create_app, errors
from budvision.web.current import SEASON_KEY
from budvision.web.guard import PageFrame, shield
from budvision.web.work import runner_of
from budvision.workflow.season.make import begin

if TYPE_CHECKING:
    from _typeshed.wsgi import StartResponse, WSGIEnvironment

__all__ = ["Doorway", "begin_app", "may_begin"]

ASKED = ("lab", "units", "paper", "language", "cane_base")
"""Settings that the page asks for; the others wait on the settings page."""
_DOORWAY = "budvision.doorway"


class Doorway:
    """What the server serves: the page that makes a season, then the season's pages.

    Attributes
    ----------
    app : flask.Flask
        The application that answers now.
    """

    def __init__(self, app: Flask) -> None:
        self.app = app
        self._one = threading.Lock()
        app.extensions[_DOORWAY] = self

    def __call__(
        self, environ: WSGIEnvironment, start_response: StartResponse
    ) -> Iterable[bytes]:
        """Answer a request by the application that stands behind the door now."""
        return self.app(environ, start_response)

    @property
    def has_season(self) -> bool:
        """Whether a season stands behind the door already."""
        return SEASON_KEY in self.app.extensions

    def lead_on(self, folder: Path, *, site: str, lead: str, typed: dict[str, str]) -> str:
        """Make the season and serve it from now on; return the address of its first step."""
        with self._one:
            begin(folder, site=site, lead=lead, typed=typed)
            app = create_app(folder)
            self.app = app
        with app.test_request_context():
            return url_for("people.me", next=url_for("season.home"))

    def wake(self) -> None:
        """Go on with the season's long work, where there is a season."""
        if self.has_season:
            runner_of(self.app).wake()

    def close(self) -> list[Job]:
        """Let go of the season, where there is one; return what long work is left of it."""
        if not self.has_season:
            return []
        left = runner_of(self.app).stop()
        self.app.extensions[SEASON_KEY].close()
        return left


@dataclass(frozen=True, slots=True, kw_only=True)
class BeginPage:
    """The form that makes a season, with what was typed."""

    place: str
    empty: bool
    typed: dict[str, str]
    settings: dict[str, Setting]
    languages: Mapping[str, str]
    problem: str


def may_begin(folder: Path) -> bool:
    """Say whether a folder is there and holds no season, nor what is left of one."""
    return folder.is_dir() and not (folder / CONFIG).exists() and not (
        folder / DATABASE).exists()


def begin_app(folder: Path) -> Flask:
    """Make the application that makes a season in a folder, or in a new folder inside it."""
    app = Flask("budvision.web")
    app.register_blueprint(Blueprint("templates", __name__, template_folder="templates"))
    app.config.update(BUDVISION_LOOPBACK=True, BUDVISION_PLACE=folder.resolve())
    shield(app, folder, secret=secrets.token_bytes(32),
           most_mb=Settings().max_upload_mb)
    errors.install(app)
    frame = PageFrame(season="", season_key="", words=(), version=__version__, loopback=True)
    app.context_processor(lambda: {"frame": frame, "person": None, "backup_due": ""})
    app.add_url_rule("/", "first_page", _ask, methods=["GET"])
    app.add_url_rule("/", "make", _make, methods=["POST"])
    return app


def _ask() -> ResponseReturnValue:
    typed = {name: str(getattr(Settings(), name)) for name in ASKED}
    return _page(typed | {"site": "", "lead": "", "folder": "", "cane_base": ""}, "")


def _make() -> ResponseReturnValue:
    form = {name: request.form.get(name, "") for name in ("folder", "site", "lead", *ASKED)}
    form["language"] = form["language"] or Settings().language
    place: Path = current_app.config["BUDVISION_PLACE"]
    doorway = current_app.extensions[_DOORWAY]
    assert isinstance(doorway, Doorway)
    try:
        folder = _folder(place, form["folder"])
        if not form["cane_base"]:
            raise InputError("the side of the cane base is not chosen", where="photographs",
                             expected="a side, or that it differs", do="Choose one.")
        target = doorway.lead_on(folder, site=form["site"], lead=form["lead"],
                                 typed={name: form[name] for name in ASKED})
    except BudvisionError as error:
        return _page(form, told(error)), 400
    return redirect(target, 303)


def _folder(place: Path, name: str) -> Path:
    """Return the folder of that name inside the place; the place itself where it is empty."""
    name = name.strip()
    if not name and not any(place.iterdir()):
        return place
    if not re.fullmatch(r"[\w][\w .-]{0,79}", name) or name.endswith((".", " ")):
        raise InputError(
            f"the folder is {name[:90]!r}", where="folder", do="For example winter-2026.",
            expected="a name of letters, digits, hyphens and spaces, since other files lie here")
    return place / name


def _page(typed: dict[str, str], problem: str) -> str:
    place: Path = current_app.config["BUDVISION_PLACE"]
    known = {row.name: row for row in SETTINGS if row.name in ASKED}
    return render_template("season/begin.html", page=BeginPage(
        place=str(place), empty=not any(place.iterdir()), typed=typed, settings=known,
        languages=LANGUAGES, problem=problem))
