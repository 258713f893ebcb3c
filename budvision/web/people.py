"""Who is asking: a name on this machine, a log-in when served to a network."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from hashlib import sha256
from typing import ParamSpec
from urllib.parse import urlsplit

from flask import (
    Blueprint,
    Flask,
    abort,
    current_app,
    flash,
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

from budvision.errors import BudvisionError, InputError
from budvision.store.queries import people as queries
from budvision.store.queries.people import ROLES, Person
from budvision.web.current import current_season, on_loopback
from budvision.web.errors import wants_json

__all__ = [
    "MIN_PASSWORD",
    "blueprint",
    "current_person",
    "hash_password",
    "install",
    "need_person",
    "need_role",
]

MIN_PASSWORD = 10
"""Shortest password accepted, in characters."""

P = ParamSpec("P")
blueprint = Blueprint("people", __name__)
_limiter = Limiter(get_remote_address, storage_uri="memory://", default_limits=[])
# Compared against when the name is unknown, so that the answer takes as long either way.
_NOBODY = generate_password_hash("nobody has this password", method="scrypt")


class _Visitor:
    """A person as Flask-Login wants to see them."""

    is_authenticated = True
    is_anonymous = False

    def __init__(self, person: Person) -> None:
        self.person = person

    @property
    def is_active(self) -> bool:
        return self.person.active

    def get_id(self) -> str:
        """Name the person and their password's state: a new password ends old visits."""
        mark = sha256((self.person.password_hash or "").encode()).hexdigest()[:16]
        return f"{self.person.id}.{mark}"


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


def current_person() -> Person | None:
    """Return the person who is asking, or None."""
    visitor = current_user._get_current_object() if current_user else None
    return visitor.person if isinstance(visitor, _Visitor) else None


def need_person() -> Person:
    """Return the person who is asking.

    Raises
    ------
    BudvisionError
        When nobody has given a name; pages redirect before it comes to this.
    """
    person = current_person()
    if person is None:
        raise BudvisionError(
            "nobody has said who is asking", do="Give your name, then try again.", code="no_person",
        )
    return person


def need_role(*roles: str) -> Callable[
    [Callable[P, ResponseReturnValue]], Callable[P, ResponseReturnValue]
]:
    """Open a page to people of the given roles only; on loopback, to everybody with a name."""

    def wrap(view: Callable[P, ResponseReturnValue]) -> Callable[P, ResponseReturnValue]:
        @wraps(view)
        def checked(*args: P.args, **kwargs: P.kwargs) -> ResponseReturnValue:
            person = current_person()
            if person is None:
                return ask_who()
            if not on_loopback() and person.role not in roles:
                abort(403)
            return view(*args, **kwargs)

        return checked

    return wrap


def ask_who() -> ResponseReturnValue:
    """Send the browser to give a name; tell a script that one is missing."""
    if wants_json():
        error = BudvisionError(
            "nobody has said who is asking", do="Give your name on the first page, then try again.",
            code="no_person",
        )
        return error.as_dict(), 401
    target = request.full_path.rstrip("?") if request.method == "GET" else "/"
    return redirect(url_for("people.me", next=target))


def install(app: Flask) -> None:
    """Add log-in to the application.

    Nothing is written by nobody: a request that may change something needs a person. Served to
    a network, every page but the log-in page needs one.
    """
    manager = LoginManager()
    manager.session_protection = "basic"
    manager.init_app(app)

    @manager.user_loader  # type: ignore[untyped-decorator]
    def _load(value: str) -> _Visitor | None:
        number, _, _ = value.partition(".")
        if not number.isdigit():
            return None
        with current_season().read() as conn:
            person = queries.person_by_id(conn, int(number))
        if person is None or not person.active:
            return None
        visitor = _Visitor(person)
        return visitor if visitor.get_id() == value else None

    _limiter.init_app(app)
    app.register_blueprint(blueprint)

    @app.before_request
    def _who() -> ResponseReturnValue | None:
        if request.endpoint in ("static", "people.me", "people.enter", None):
            return None
        reading = request.method in ("GET", "HEAD", "OPTIONS")
        if current_person() is None and not (on_loopback() and reading):
            return ask_who()
        return None

    @app.context_processor
    def _person() -> dict[str, object]:
        return {"person": current_person()}


@blueprint.get("/me")
def me() -> ResponseReturnValue:
    """Ask who is there."""
    names: list[Person] = []
    if on_loopback():
        with current_season().read() as conn:
            names = [row for row in queries.list_people(conn) if row.active]
    return render_template(
        "who.html", loopback=on_loopback(), people=names, roles=ROLES,
        next=_own_path(request.args.get("next", "")),
    )


@blueprint.post("/me")
@_limiter.limit("10 per minute; 60 per hour", exempt_when=lambda: on_loopback())
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
        stored = found.password_hash if found and found.password_hash else _NOBODY
        right = check_password_hash(stored, request.form.get("password", ""))
        known = bool(right and found and found.password_hash and found.active)
        if not known or found is None:
            current_app.logger.warning("log-in refused for %r", name[:120])
            flash("The name and the password do not belong together; nothing was opened.")
            return redirect(url_for("people.me", next=target))
        person = found
    if not known:
        flash(f"{person.name} is no longer active; ask the program lead.")
        return redirect(url_for("people.me", next=target))
    login_user(_Visitor(person))
    return redirect(target)


@blueprint.post("/leave")
def leave() -> ResponseReturnValue:
    """Forget who is there."""
    logout_user()
    return redirect(url_for("people.me"))


@blueprint.get("/people")
@need_role("lead")
def everybody() -> ResponseReturnValue:
    """Show the people of the season, and a form to add one."""
    with current_season().read() as conn:
        rows = queries.list_people(conn)
    return render_template("people.html", people=rows, roles=ROLES, min_password=MIN_PASSWORD)


@blueprint.post("/people")
@need_role("lead")
def add() -> ResponseReturnValue:
    """Add a person, with a password where they are to log in over a network."""
    password = request.form.get("password", "")
    hashed = hash_password(password) if password else None
    with current_season().write() as conn:
        person = queries.add_person(
            conn, request.form.get("name", ""), request.form.get("role", ""), password_hash=hashed
        )
    flash(f"{person.name} was added as {person.role}.")
    return redirect(url_for("people.everybody"))


@blueprint.post("/people/<int:person_id>/active")
@need_role("lead")
def open_or_close(person_id: int) -> ResponseReturnValue:
    """Open or close a person's log-in."""
    with current_season().write() as conn:
        person = queries.person_by_id(conn, person_id)
        if person is None:
            abort(404)
        queries.set_active(conn, person.name, request.form.get("active") == "yes")
    return redirect(url_for("people.everybody"))


def _own_path(target: str) -> str:
    """Return the path when it leads to a page of this site, else the first page."""
    parts = urlsplit(target)
    inside = (
        target.startswith("/") and not target.startswith(("//", "/\\"))
        and not parts.scheme and not parts.netloc and "\\" not in target
    )
    return target if inside else "/"
