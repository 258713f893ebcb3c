"""Who is asking: a name on this machine, a log-in when served to a network."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, wraps
from hashlib import sha256
from typing import ParamSpec
from urllib.parse import urlsplit

from flask import (
    Blueprint,
    Flask,
    abort,
    current_app,
    flash,
    g,
    redirect,
    render_template,
    request,
    url_for,
)
from flask.typing import ResponseReturnValue
from flask_limiter import Limiter
from flask_limiter.util import get_remote_address
from flask_login import LoginManager, current_user, login_user, logout_user
from werkzeug.security import check_password_hash, generate_password_hash

from budvision.errors import BudvisionError, ConflictError, InputError, StorageError
from budvision.language import say, told, told_parts
from budvision.store.names import name_key
from budvision.store.queries import people as queries
from budvision.store.queries.people import ROLES, Person
from budvision.store.queries.review import get_bookmark, set_bookmark
from budvision.web.current import current_season, on_loopback
from budvision.web.errors import wants_json
from budvision.web.observed import may_scrape
from budvision.web.roles import may

__all__ = [
    "MIN_PASSWORD",
    "blueprint",
    "current_person",
    "hash_password",
    "install",
    "need_person",
]

_VISITS = "visits"  # the bookmark that names a person's open visits
_MOST_VISITS = 20
MIN_PASSWORD = 10
"""Shortest password accepted, in characters."""

P = ParamSpec("P")


@dataclass(frozen=True, slots=True, kw_only=True)
class PeoplePage:
    """Everybody of the season, and what was typed into the form for a new one."""

    people: tuple[Person, ...]
    roles: tuple[str, ...]
    min_password: int
    problem: str
    name: str
    role: str


@dataclass(frozen=True, slots=True)
class WhoPage:
    """Who may be asking, and the page to go to then; over a network nobody is named."""

    loopback: bool
    people: list[Person]
    next: str
    roles: tuple[str, ...] = ROLES


blueprint = Blueprint("people", __name__)
_limiter = Limiter(get_remote_address, storage_uri="memory://", default_limits=[])


class _Visitor:
    """A person as Flask-Login wants to see them."""

    is_authenticated = True
    is_anonymous = False

    def __init__(self, person: Person, visit: str) -> None:
        self.person = person
        self.visit = visit

    @property
    def is_active(self) -> bool:
        return self.person.active

    def get_id(self) -> str:
        """Name the person, their password's state and the visit: a new password ends old visits."""
        mark = sha256((self.person.password_hash or "").encode()).hexdigest()[:16]
        return f"{self.person.id}.{mark}.{self.visit}"


def hash_password(password: str) -> str:
    """Return the scrypt hash of a password.

    Raises
    ------
    InputError
        When it is shorter than `MIN_PASSWORD` characters.
    """
    if len(password) < MIN_PASSWORD:
        raise InputError(
            f"the password has {len(password)} characters", expected=f"at least {MIN_PASSWORD}",
            do="Several plain words make a good one.", where="password",
        )
    return generate_password_hash(password, method="scrypt")


@cache
def _nobody() -> str:
    """Return what is compared against when the name is unknown: the answer takes as long."""
    return generate_password_hash("nobody has this password", method="scrypt")


def current_person() -> Person | None:
    """Return the person who is asking, or None."""
    visitor = current_user._get_current_object() if current_user else None
    return visitor.person if isinstance(visitor, _Visitor) else None


def need_person(*, named: str | None = None) -> Person:
    """Return the person who is asking.

    Parameters
    ----------
    named : str, optional
        Whose work it is, where a browser kept it before it could be sent.

    Raises
    ------
    BudvisionError
        When nobody has given a name; pages redirect before it comes to this.
    ConflictError
        When it is another person's work.
    """
    person = current_person()
    if person is None:
        raise BudvisionError(
            "nobody has said who is asking", do="Give your name, then try again.", code="no_person",
        )
    if named is not None and named != person.name:
        raise ConflictError(
            f"this is {named}'s work, and {person.name} is at this browser now",
            code="other_person", do=f"Give {named}'s name again; then it is saved.",
        )
    return person


def _lead_only(view: Callable[P, ResponseReturnValue]) -> Callable[P, ResponseReturnValue]:
    """Open a page of people to leads; on this machine to everybody while there is no lead yet."""

    @wraps(view)
    def checked(*args: P.args, **kwargs: P.kwargs) -> ResponseReturnValue:
        person = current_person()
        if person is None:
            return ask_who()
        if person.role != "lead":
            with current_season().read() as conn:
                leads = [row for row in queries.list_people(conn)
                         if row.role == "lead" and row.active]
            if leads or not on_loopback():
                abort(403)
        return view(*args, **kwargs)

    return checked


def ask_who() -> ResponseReturnValue:
    """Send the browser to give a name; tell a script that one is missing."""
    if wants_json():
        error = BudvisionError(
            "nobody has said who is asking", do="Give your name on the first page, then try again.",
            code="no_person",
        )
        return told_parts(error), 401
    target = request.full_path.rstrip("?") if request.method == "GET" else "/"
    return redirect(url_for("people.me", next=target))


def install(app: Flask) -> None:
    """Add log-in to the application.

    Nothing is written by nobody: a request that may change something needs a person. Served to
    a network, every page but the log-in page needs one.
    """
    if not app.config["BUDVISION_LOOPBACK"]:
        _nobody()
    manager = LoginManager()
    manager.session_protection = "basic"
    manager.init_app(app)

    @manager.user_loader  # type: ignore[untyped-decorator]
    def _load(value: str) -> _Visitor | None:
        number, _, rest = value.partition(".")
        visit = rest.rpartition(".")[2]
        if not number.isdigit() or g.get("no_database"):
            return None
        try:
            with current_season().read() as conn:
                person, visits = queries.person_and_bookmark(conn, int(number), _VISITS)
        except StorageError:
            g.no_database = True  # the page that says so is shown to nobody in particular
            raise
        if person is None or not person.active or visit not in (visits or []):
            return None
        visitor = _Visitor(person, visit)
        return visitor if visitor.get_id() == value else None

    _limiter.init_app(app)
    app.register_blueprint(blueprint)

    @app.before_request
    def _who() -> ResponseReturnValue | None:
        endpoint = request.endpoint
        if endpoint is None or may(endpoint, request.method, None) or may_scrape():
            return None
        person = current_person()
        if person is not None and may(endpoint, request.method, person.role):
            return None
        reading = request.method in ("GET", "HEAD", "OPTIONS")
        if person is None:
            return None if on_loopback() and reading else ask_who()
        if not on_loopback():
            abort(403)
        return None

    @app.context_processor
    def _person() -> dict[str, object]:
        return {"person": current_person()}


def _account() -> str:
    """Name the account that somebody tries, however it is spelt and from wherever."""
    return f"account {name_key(request.form.get('name', ''))[:200]}"


@blueprint.get("/me")
def me() -> ResponseReturnValue:
    """Ask who is there."""
    names: list[Person] = []
    if on_loopback():
        with current_season().read() as conn:
            names = [row for row in queries.list_people(conn) if row.active]
    return render_template("who.html", page=WhoPage(
        on_loopback(), names, _own_path(request.args.get("next", ""))))


@blueprint.post("/me")
@_limiter.limit("10 per minute; 60 per hour", exempt_when=lambda: on_loopback())
@_limiter.limit("20 per minute; 120 per hour", key_func=lambda: _account(),
                exempt_when=lambda: on_loopback())
def enter() -> ResponseReturnValue:
    """Take the name, and the password when served to a network."""
    name = request.form.get("name", "")
    target = _own_path(request.form.get("next", ""))
    if on_loopback():
        with current_season().write() as conn:
            person = queries.ensure_person(conn, name, request.form.get("role", "reviewer"))
        known = person.active
    else:
        with current_season().read() as conn:
            found = queries.find_person(conn, name) if name.strip() else None
        stored = found.password_hash if found and found.password_hash else _nobody()
        right = check_password_hash(stored, request.form.get("password", ""))
        known = bool(right and found and found.password_hash and found.active)
        if not known or found is None:
            current_app.logger.warning("log-in refused for %r", name[:120])
            flash(say("The name and the password do not belong together; nothing was opened."))
            return redirect(url_for("people.me", next=target))
        person = found
    if not known:
        flash(say("{name} is no longer active; ask the program lead.", name=person.name))
        return redirect(url_for("people.me", next=target))
    visit = secrets.token_hex(8)
    with current_season().write() as conn:
        visits = get_bookmark(conn, person.id, _VISITS) or []
        set_bookmark(conn, person.id, _VISITS, [*visits, visit][-_MOST_VISITS:])
    login_user(_Visitor(person, visit))
    return redirect(target)


@blueprint.post("/leave")
def leave() -> ResponseReturnValue:
    """Forget who is there: the visit ends here, whatever a browser still holds of it."""
    visitor = current_user._get_current_object() if current_user else None
    if isinstance(visitor, _Visitor):
        with current_season().write() as conn:
            visits = get_bookmark(conn, visitor.person.id, _VISITS) or []
            set_bookmark(conn, visitor.person.id, _VISITS,
                         [one for one in visits if one != visitor.visit])
    logout_user()
    return redirect(url_for("people.me"))


@blueprint.get("/people")
@_lead_only
def everybody() -> ResponseReturnValue:
    """Show the people of the season, and a form to add one."""
    return _people_page()


def _people_page(problem: str = "", **typed: str) -> str:
    with current_season().read() as conn:
        rows = queries.list_people(conn)
    return render_template("people.html", page=PeoplePage(
        people=tuple(rows), roles=ROLES, min_password=MIN_PASSWORD, problem=problem,
        name=typed.get("name", ""), role=typed.get("role", "reviewer"),
    ))


@blueprint.post("/people")
@_lead_only
def add() -> ResponseReturnValue:
    """Add a person, with a password where they are to log in over a network."""
    password, name = request.form.get("password", ""), request.form.get("name", "")
    role = request.form.get("role", "")
    try:
        hashed = hash_password(password) if password else None
        with current_season().write() as conn:
            person = queries.add_person(conn, name, role, password_hash=hashed)
    except (InputError, ConflictError) as error:
        if wants_json():
            raise
        return _people_page(told(error), name=name, role=role), 400
    flash(say("{name} was added as {role}.", name=person.name, role=say(person.role)))
    return redirect(url_for("people.everybody"))


@blueprint.post("/people/<int:person_id>/active")
@_lead_only
def open_or_close(person_id: int) -> ResponseReturnValue:
    """Open or close a person's log-in; closing is confirmed, and nobody closes himself."""
    wanted = request.form.get("active") == "yes"
    me = need_person()
    with current_season().write() as conn:
        person = queries.person_by_id(conn, person_id)
        if person is None:
            abort(404)
        if not wanted and person.id == me.id:
            raise ConflictError("one cannot close one's own log-in", where="people",
                                expected="another lead to do it", do="Ask another lead.")
        if not wanted and request.form.get("sure") != "yes":
            raise InputError(f"closing {person.name} was not confirmed", where="people",
                             expected="the box beside it ticked", do="Tick it, then close.")
        queries.set_active(conn, person.name, wanted)
    flash(say("{name} may work in the season again.", name=person.name) if wanted
          else say("{name} can no longer log in; what they called stays.", name=person.name))
    return redirect(url_for("people.everybody"))


def _own_path(target: str) -> str:
    """Return the path when it leads to a page of this site, else the first page."""
    parts = urlsplit(target)
    inside = (
        target.startswith("/") and not target.startswith(("//", "/\\"))
        and not parts.scheme and not parts.netloc and "\\" not in target
    )
    return target if inside else "/"
