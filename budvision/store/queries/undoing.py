"""Taking calls back by new rows: what stood before stands again."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from budvision.errors import ConflictError, NotFoundError
from budvision.store.queries.calls import (
    WITHDRAWN,
    CallRow,
    _call,
    _newest_row,
    _rows,
    batch_rows,
)
from budvision.store.queries.insertion import insert_row
from budvision.store.session import now
from budvision.store.tables import call
from budvision.vocabulary import Tissue

__all__ = ["Undone", "undo"]


@dataclass(frozen=True, slots=True)
class Undone:
    """What an undo did: its own batch (to be undone in turn), rows taken back, rows left.

    A row is left where somebody has called that tissue again since. `bud_ids` are the buds of
    the batch, in the order in which they were saved.
    """

    batch: str
    restored: tuple[Tissue, ...]
    left: tuple[Tissue, ...]
    bud_ids: tuple[int, ...] = ()


_SAME = ("person_id", "value", "cause", "note", "blind", "proposal_id", "region_id")
"""What an undo copies of the call that it brings back."""


def undo(conn: Connection, batch: str, *, person_id: int) -> Undone:
    """Take a batch back by new rows: what stood before it stands again.

    Where a row of the batch replaced an earlier call, that call returns under its own person's
    name (`entered_by_id` says who pressed undo); else the row is `withdrawn`. Undoing an undo
    brings the batch back. Rows that somebody has replaced since are left.

    Raises
    ------
    NotFoundError
        When there is no such batch.
    ConflictError
        When every row of it has been replaced since, by an undo or by other calls.
    """
    rows = batch_rows(conn, batch)
    if not rows:
        raise NotFoundError(f"there is no batch {batch!r}", where="undo", code="no_batch",
                            do="It may have been saved in another season.")
    new_batch = uuid.uuid4().hex
    restored: list[Tissue] = []
    left: list[Tissue] = []
    for row in rows:
        newest = _newest_row(conn, row)
        if newest is None or row.id not in (newest.id, _brought_back(conn, newest).id):
            left.append(row.tissue)
            continue
        old = None if row.replaces_id is None else _row(conn, row.replaces_id)
        by = row.person_id if row.round == "second" else person_id
        facts: dict[str, Any] = {"value": WITHDRAWN, "person_id": by, "source": row.source}
        if old is not None and old.value is not None:
            facts = {
                "value": old.value.value, "cause": old.cause.value if old.cause else "",
                "note": old.note, "person_id": old.person_id, "source": old.source,
                "blind": old.blind, "proposal_id": old.proposal_id, "region_id": old.region_id,
            }
        insert_row(
            conn, call, bud_id=row.bud_id, tissue=row.tissue.value, round=row.round,
            batch=new_batch, added_at=now(), replaces_id=newest.id, entered_by_id=person_id,
            **facts,
        )
        restored.append(row.tissue)
    if not restored:
        raise ConflictError(
            "these calls have been replaced since", where="undo", code="already_replaced",
            expected="the newest calls of their bud", do="Open the bud to see what stands now.",
        )
    return Undone(new_batch, tuple(restored), tuple(left),
                  tuple(dict.fromkeys(row.bud_id for row in rows)))


def _brought_back(conn: Connection, row: CallRow) -> CallRow:
    """Return the row that an undo brought back by this one; the row itself where it is no undo."""
    if row.entered_by_id is None or row.replaces_id is None or row.value is None:
        return row
    undone = _row(conn, row.replaces_id)
    key = None if undone.value is None else _brought_back(conn, undone).replaces_id
    old = None if key is None else _row(conn, key)
    if old is not None and all(getattr(old, name) == getattr(row, name) for name in _SAME):
        return old
    return row


def _row(conn: Connection, key: int) -> CallRow:
    return _call(conn.execute(_rows().where(call.c.id == key)).one())
