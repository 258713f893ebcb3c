"""Who works in a season: technicians, reviewers, leads."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from typing import Any
from unicodedata import normalize

from sqlalchemy import (
    Connection,
    Integer,
    Select,
    String,
    and_,
    bindparam,
    insert,
    select,
    update,
)

from budvision.errors import ConflictError, InputError, NotFoundError, UsageError
from budvision.store.names import name_key
from budvision.store.session import now
from budvision.store.tables import bookmark, person

__all__ = [
    "ROLES",
    "Person",
    "active_person",
    "add_person",
    "check_active",
    "ensure_person",
    "find_person",
    "list_people",
    "person_and_bookmark",
    "person_by_id",
    "set_active",
    "set_password_hash",
    "set_role",
]

ROLES: tuple[str, ...] = ("technician", "reviewer", "lead")


@dataclass(frozen=True, slots=True)
class Person:
    """One person of the season.

    Attributes
    ----------
    role : str
        technician, reviewer or lead.
    password_hash : str or None
        None: the person cannot log in over a network, only on this machine.
    active : bool
        False: calls stay, log-in is closed.
    """

    id: int
    name: str
    role: str
    password_hash: str | None
    active: bool


def clean_name(name: str) -> str:
    """Return the name with single spaces, or raise InputError when it is no name."""
    clean = normalize("NFC", " ".join(name.split()))
    if not clean or len(clean) > 120 or not clean.isprintable():
        raise InputError(
            f"the name is {name[:130]!r}", expected="1 to 120 printable characters",
            do="Give the name under which calls are to be kept.", where="person",
        )
    return clean


def _check_role(role: str) -> None:
    if role not in ROLES:
        raise InputError(
            f"the role is {role!r}", expected=f"one of {', '.join(ROLES)}", where="person",
            do="Correct the role.",
        )


def find_person(conn: Connection, name: str) -> Person | None:
    """Return the person of that name, letter case apart, or None.

    Of two whom an older season kept apart by case alone, the one spelt like this.
    """
    clean = clean_name(name)
    row = conn.execute(
        select(person).where(person.c.name_key == name_key(clean))
        .order_by(person.c.name != clean, person.c.id).limit(1)
    ).one_or_none()
    return None if row is None else _person(row)


def person_by_id(conn: Connection, person_id: int) -> Person | None:
    """Return the person with that number, or None."""
    row = conn.execute(_by_id(), {"person_id": person_id}).one_or_none()
    return None if row is None else _person(row)


@cache
def _by_id() -> Select[Any]:
    return select(person).where(person.c.id == bindparam("person_id", type_=Integer))


def person_and_bookmark(
    conn: Connection, person_id: int, page: str
) -> tuple[Person | None, Any]:
    """Return the person with that number and what their page kept, None where there is none."""
    row = conn.execute(_with_bookmark(), {"person_id": person_id, "page": page}).one_or_none()
    if row is None:
        return None, None
    return _person(row), None if row.kept is None else json.loads(row.kept)


@cache
def _with_bookmark() -> Select[Any]:
    kept = and_(bookmark.c.person_id == person.c.id,
                bookmark.c.page == bindparam("page", type_=String))
    return select(person, bookmark.c.value.label("kept")).outerjoin(bookmark, kept).where(
        person.c.id == bindparam("person_id", type_=Integer))


def list_people(conn: Connection) -> list[Person]:
    """Return everybody, by name."""
    rows = conn.execute(select(person).order_by(person.c.name_key))
    return [_person(row) for row in rows]


def add_person(
    conn: Connection, name: str, role: str = "reviewer", *, password_hash: str | None = None
) -> Person:
    """Add a person.

    Raises
    ------
    ConflictError
        When the name is taken.
    InputError
        When the name is empty or the role unknown.
    """
    _check_role(role)
    clean = clean_name(name)
    taken = find_person(conn, clean)
    if taken is not None:
        raise ConflictError(
            f"{taken.name} is there already", expected="a name not yet in use", where="people",
            do="Add a middle name or a number, so that calls can be told apart.",
        )
    conn.execute(insert(person).values(
        name=clean, role=role, password_hash=password_hash, active=True, added_at=now(),
    ))
    found = find_person(conn, clean)
    assert found is not None
    return found


def ensure_person(conn: Connection, name: str, role: str = "reviewer") -> Person:
    """Return the person of that name, adding them when they are new."""
    return find_person(conn, name) or add_person(conn, name, role)


def active_person(conn: Connection, name: str) -> Person:
    """Return the active person of that name; nobody is made up.

    Raises
    ------
    UsageError
        When the name is empty.
    NotFoundError
        When the season does not know the person.
    InputError
        When the person is no longer active.
    """
    if not name.strip():
        raise UsageError("nobody is named", where="people", do="Give the name; commands take it as "
                         '--person "NAME".', expected="the name of the person whose work this is")
    found = find_person(conn, name)
    if found is None:
        raise NotFoundError(f"there is nobody called {name}", where="people", code="no_person",
                            do="Add them with `budvision people add`.")
    check_active(found)
    return found


def check_active(one: Person) -> None:
    """Refuse a person whose log-in is closed."""
    if not one.active:
        raise InputError(f"{one.name} is no longer active", where="people", code="not_active",
                         expected="an active person",
                         do="Open the person with `budvision people open`.")


def set_password_hash(conn: Connection, name: str, password_hash: str) -> Person:
    """Replace a person's password hash."""
    return _change(conn, name, password_hash=password_hash)


def set_role(conn: Connection, name: str, role: str) -> Person:
    """Change a person's role."""
    _check_role(role)
    return _change(conn, name, role=role)


def set_active(conn: Connection, name: str, active: bool) -> Person:
    """Open or close a person's log-in; their calls stay either way."""
    return _change(conn, name, active=active)


def _change(conn: Connection, name: str, **values: object) -> Person:
    found = find_person(conn, name)
    if found is None:
        raise NotFoundError(
            f"there is nobody called {name}", where="people",
            do="See `budvision people list` for the names.",
        )
    conn.execute(update(person).where(person.c.id == found.id).values(**values))
    changed = person_by_id(conn, found.id)
    assert changed is not None
    return changed


def _person(row: object) -> Person:
    return Person(
        id=row.id, name=row.name, role=row.role,  # type: ignore[attr-defined]
        password_hash=row.password_hash, active=bool(row.active),  # type: ignore[attr-defined]
    )
