"""Models that have proposed in this season, and which one proposes now."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, select

from budvision.errors import InputError, NotFoundError
from budvision.store.queries.insertion import insert_row
from budvision.store.session import now
from budvision.store.tables import model, person, promotion

__all__ = [
    "ModelRow", "Promotion", "current_model", "ensure_model", "find_model", "known_model",
    "list_models", "list_promotions", "model_by_id", "promote",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelRow:
    """One model known to the season; `path` is relative to the season, or a shipped name."""

    id: int
    name: str
    sha256: str
    path: str
    facts: Mapping[str, Any]
    added_at: str


@dataclass(frozen=True, slots=True)
class Promotion:
    """A person's decision that a model proposes from now on; `person` None is the program."""

    id: int
    model: ModelRow
    person: str | None
    reason: str
    added_at: str


def ensure_model(
    conn: Connection, name: str, sha256: str, path: str, *,
    facts: Mapping[str, Any] | None = None,
) -> int:
    """Return the id of the model with these contents, adding it when it is new.

    Raises
    ------
    InputError
        When `sha256` is not a SHA-256.
    """
    if len(sha256) != 64:
        raise InputError(f"the model's hash is {sha256!r}", expected="64 hexadecimal digits",
                         where=name)
    found = known_model(conn, sha256)
    if found is not None:
        return found
    return insert_row(conn, model, name=name, sha256=sha256, path=path, added_at=now(),
                      facts=json.dumps(dict(facts or {}), ensure_ascii=False))


def known_model(conn: Connection, sha256: str) -> int | None:
    """Return the id of the model with these contents, or None."""
    return conn.scalar(select(model.c.id).where(model.c.sha256 == sha256))


def list_models(conn: Connection) -> list[ModelRow]:
    """Return every model, oldest first."""
    return [_model(row) for row in conn.execute(select(model).order_by(model.c.id))]


def find_model(conn: Connection, name: str) -> ModelRow | None:
    """Return the newest model of that name, or None."""
    row = conn.execute(
        select(model).where(model.c.name == name).order_by(model.c.id.desc()).limit(1)
    ).one_or_none()
    return None if row is None else _model(row)


def model_by_id(conn: Connection, model_id: int) -> ModelRow:
    """Return a model, or raise NotFoundError."""
    row = conn.execute(select(model).where(model.c.id == model_id)).one_or_none()
    if row is None:
        raise NotFoundError(f"there is no model number {model_id}", where="model",
                            do="See `budvision models list`.", code="no_model")
    return _model(row)


def promote(conn: Connection, model_id: int, *, person_id: int | None, reason: str) -> int:
    """Let a model propose from now on; a new row, so that one can go back.

    Raises
    ------
    InputError
        When no reason is given.
    """
    if not reason.strip():
        raise InputError("the reason is empty", expected="why this model is to propose",
                         where="promotion", do="Say it in a sentence; it is kept.")
    model_by_id(conn, model_id)
    return insert_row(conn, promotion, model_id=model_id, person_id=person_id,
                      reason=reason.strip(), added_at=now())


def list_promotions(conn: Connection) -> list[Promotion]:
    """Return every promotion, oldest first; the last one holds."""
    rows = conn.execute(
        select(promotion, person.c.name.label("person"))
        .outerjoin(person, promotion.c.person_id == person.c.id).order_by(promotion.c.id)
    ).all()
    known = {row.id: row for row in list_models(conn)}
    return [
        Promotion(row.id, known[row.model_id], row.person, row.reason, row.added_at)
        for row in rows
    ]


def current_model(conn: Connection) -> ModelRow | None:
    """Return the model that proposes, None before the first promotion (then the default does)."""
    row = conn.execute(
        select(model).join(promotion, promotion.c.model_id == model.c.id)
        .order_by(promotion.c.id.desc()).limit(1)
    ).one_or_none()
    return None if row is None else _model(row)


def _model(row: Row[Any]) -> ModelRow:
    return ModelRow(id=row.id, name=row.name, sha256=row.sha256, path=row.path,
                    facts=json.loads(row.facts), added_at=row.added_at)
