"""Photographs, and which bud and cut each one shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import (
    Connection,
    Integer,
    Row,
    Select,
    and_,
    bindparam,
    exists,
    func,
    or_,
    select,
)

from budvision.errors import ConflictError, InputError, NotFoundError
from budvision.store.queries.insertion import insert_row
from budvision.store.session import now
from budvision.store.tables import assignment, bud, cane, photo

__all__ = [
    "AddedPhoto",
    "Assignment",
    "Cut",
    "PhotoRow",
    "add_photo",
    "assign",
    "assignment_history",
    "assignment_of",
    "current_assignment",
    "cuts_of_bud",
    "cuts_of_buds",
    "cuts_of_sampling",
    "photo_by_id",
    "photo_by_sha256",
    "unassigned_photos",
]

SOURCES = ("manifest", "file_name", "bench", "tag", "page", "archive")
_AGAIN = "taken again"


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoRow:
    """One photograph; width and height are of the upright photograph at full size."""

    id: int
    sha256: str
    file_name: str
    format: str
    n_bytes: int
    width_px: int
    height_px: int
    taken_at: str | None
    camera: str
    added_at: str


@dataclass(frozen=True, slots=True)
class AddedPhoto:
    """The id of a photograph, and whether it is new to the season."""

    id: int
    new: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Assignment:
    """Which bud and cut a photograph shows; `bud_id` None takes the photograph out."""

    id: int
    photo_id: int
    bud_id: int | None
    cut: int
    person_id: int | None
    source: str
    note: str
    added_at: str
    replaces_id: int | None


@dataclass(frozen=True, slots=True)
class Cut:
    """One cut of a bud with its photograph."""

    bud_id: int
    cut: int
    photo: PhotoRow
    assignment_id: int
    source: str


def add_photo(
    conn: Connection, *, sha256: str, file_name: str, format: str, n_bytes: int, width_px: int,
    height_px: int, taken_at: str | None = None, camera: str = "",
) -> AddedPhoto:
    """Record a photograph whose bytes are in the photo store; the same bytes are recorded once."""
    found = conn.scalar(select(photo.c.id).where(photo.c.sha256 == sha256))
    if found is not None:
        return AddedPhoto(int(found), new=False)
    key = insert_row(
        conn, photo, sha256=sha256, file_name=file_name[-255:], format=format, n_bytes=n_bytes,
        width_px=width_px, height_px=height_px, taken_at=taken_at, camera=camera[:120],
        added_at=now(),
    )
    return AddedPhoto(key, new=True)


def photo_by_id(conn: Connection, photo_id: int) -> PhotoRow:
    """Return a photograph, or raise NotFoundError."""
    row = conn.execute(_of_id(), {"photo_id": photo_id}).one_or_none()
    if row is None:
        raise NotFoundError(f"there is no photograph number {photo_id}", where="photo",
                            do="Go back to the bud.", code="no_photo")
    return PhotoRow(**row._mapping)


@cache
def _of_id() -> Select[Any]:
    return select(photo).where(photo.c.id == bindparam("photo_id", type_=Integer))


def photo_by_sha256(conn: Connection, sha256: str) -> PhotoRow | None:
    """Return the photograph of that hash, or None."""
    row = conn.execute(select(photo).where(photo.c.sha256 == sha256)).one_or_none()
    return None if row is None else PhotoRow(**row._mapping)


def current_assignment() -> Any:
    """Return the SQL condition that an assignment is its photograph's newest."""
    newer = assignment.alias("newer")
    return ~exists().where(
        newer.c.photo_id == assignment.c.photo_id, newer.c.id > assignment.c.id
    )


def assignment_of(conn: Connection, photo_id: int) -> Assignment | None:
    """Return where a photograph belongs now; None where it never had a place."""
    row = conn.execute(
        select(assignment).where(assignment.c.photo_id == photo_id)
        .order_by(assignment.c.id.desc()).limit(1)
    ).one_or_none()
    return None if row is None else Assignment(**row._mapping)


def assignment_history(conn: Connection, photo_id: int) -> list[Assignment]:
    """Return every place a photograph has had, oldest first."""
    rows = conn.execute(
        select(assignment).where(assignment.c.photo_id == photo_id).order_by(assignment.c.id)
    )
    return [Assignment(**row._mapping) for row in rows]


def assign(
    conn: Connection, photo_id: int, bud_id: int | None, cut: int, *, source: str,
    person_id: int | None = None, note: str = "", retake: bool = False,
) -> int:
    """Say which bud and cut a photograph shows; a new row, the older ones stay.

    Parameters
    ----------
    photo_id : int
        The photograph.
    bud_id : int or None
        The bud; None takes the photograph out of its bud.
    cut : int
        1 to 50, going deeper.
    source : str
        manifest, file_name, bench, tag, page or archive.
    person_id : int, optional
        Who said so.
    note : str
        Why, where that is not plain.
    retake : bool
        Where another photograph has this bud and cut: True takes that one out (a blurred cut
        taken again), False refuses.

    Returns
    -------
    int
        Id of the assignment; of the standing one where nothing changes.

    Raises
    ------
    InputError
        When `cut` or `source` is out of bounds.
    ConflictError
        When the bud and cut have another photograph and `retake` is False.
    """
    if not 1 <= cut <= 50:
        raise InputError(f"cut is {cut}", expected="1 to 50", where="photo",
                         do="Correct the cut's number.")
    if source not in SOURCES:
        raise InputError(f"source is {source!r}", expected=f"one of {', '.join(SOURCES)}",
                         where="photo")
    standing = assignment_of(conn, photo_id)
    if standing is not None and standing.bud_id == bud_id and (
        bud_id is None or standing.cut == cut
    ):
        return standing.id
    if bud_id is not None:
        for other in cuts_of_bud(conn, bud_id):
            if other.cut != cut or other.photo.id == photo_id:
                continue
            if not retake:
                raise ConflictError(
                    f"cut {cut} of this bud has another photograph ({other.photo.file_name})",
                    where=photo_by_id(conn, photo_id).file_name, code="cut_taken",
                    expected="one photograph a cut",
                    do="Give it another cut number, or take the other photograph out first.",
                )
            _put(conn, other.photo.id, None, cut, source, person_id, _AGAIN, other.assignment_id)
    replaces = standing.id if standing is not None else None
    return _put(conn, photo_id, bud_id, cut, source, person_id, note, replaces)


def _put(
    conn: Connection, photo_id: int, bud_id: int | None, cut: int, source: str,
    person_id: int | None, note: str, replaces_id: int | None,
) -> int:
    return insert_row(
        conn, assignment, photo_id=photo_id, bud_id=bud_id, cut=cut, source=source,
        person_id=person_id, note=note, added_at=now(), replaces_id=replaces_id,
    )


def cuts_of_bud(conn: Connection, bud_id: int) -> list[Cut]:
    """Return a bud's cuts with their photographs, the shallowest first."""
    return cuts_of_buds(conn, [bud_id]).get(bud_id, [])


def cuts_of_buds(conn: Connection, bud_ids: Sequence[int]) -> dict[int, list[Cut]]:
    """Return the cuts of several buds, by bud; a bud without photographs is left out."""
    found: dict[int, list[Cut]] = {}
    for start in range(0, len(bud_ids), 500):
        part = list(bud_ids[start:start + 500])
        for row in conn.execute(_cuts_of_buds(), {"bud_ids": part}):
            cut = _cut(row)
            found.setdefault(cut.bud_id, []).append(cut)
    return found


@cache
def _cuts_of_buds() -> Select[Any]:
    return _cuts().where(
        assignment.c.bud_id.in_(bindparam("bud_ids", expanding=True, type_=Integer)))


def cuts_of_sampling(conn: Connection, sampling_id: int) -> list[Cut]:
    """Return every cut of a sampling in the order of the walk."""
    query = (
        _cuts().join(bud, assignment.c.bud_id == bud.c.id).join(cane, bud.c.cane_id == cane.c.id)
        .where(cane.c.sampling_id == sampling_id)
        .order_by(None).order_by(cane.c.position, cane.c.id, bud.c.node, assignment.c.cut,
                                 assignment.c.id)
    )
    return [_cut(row) for row in conn.execute(query)]


def photos_ever_of(conn: Connection, bud_id: int) -> dict[int, int]:
    """Return the photographs that a bud has or had, each with the cut it last was there."""
    rows = conn.execute(
        select(assignment.c.photo_id, assignment.c.cut).where(assignment.c.bud_id == bud_id)
        .order_by(assignment.c.id)
    )
    return {row.photo_id: row.cut for row in rows}


def still_of_bud(conn: Connection, bud_id: int, photo_ids: Sequence[int]) -> set[int]:
    """Return those photographs that are a bud's, or were until that cut was taken again."""
    of_it = or_(assignment.c.bud_id == bud_id,
                and_(assignment.c.bud_id.is_(None), assignment.c.note == _AGAIN))
    return set(conn.scalars(select(assignment.c.photo_id).where(
        assignment.c.photo_id.in_(photo_ids), current_assignment(), of_it)))


def batches(conn: Connection, note: str, *, most: int) -> list[str]:
    """Return the newest notes of assignments that begin with a word, the last one first."""
    rows = conn.scalars(
        select(assignment.c.note).where(assignment.c.note.startswith(note))
        .group_by(assignment.c.note).order_by(func.max(assignment.c.id).desc()).limit(most))
    return list(rows)


def standing_of_batch(conn: Connection, note: str) -> list[Assignment]:
    """Return the assignments of a note that still stand with a bud, oldest first."""
    rows = conn.execute(
        select(assignment).where(assignment.c.note == note, assignment.c.bud_id.is_not(None),
                                 current_assignment()).order_by(assignment.c.id))
    return [Assignment(**row._mapping) for row in rows]


def assignment_by_id(conn: Connection, assignment_id: int) -> Assignment:
    """Return an assignment that is known to be there."""
    row = conn.execute(select(assignment).where(assignment.c.id == assignment_id)).one()
    return Assignment(**row._mapping)


def unassigned_photos(conn: Connection) -> list[PhotoRow]:
    """Return the photographs that stand with no bud, oldest first."""
    last = select(func.max(assignment.c.id)).group_by(assignment.c.photo_id)
    placed = select(assignment.c.photo_id).where(
        assignment.c.id.in_(last), assignment.c.bud_id.is_not(None)
    )
    rows = conn.execute(select(photo).where(photo.c.id.not_in(placed)).order_by(photo.c.id))
    return [PhotoRow(**row._mapping) for row in rows]


def _cuts() -> Select[Any]:
    return (
        select(photo, assignment.c.bud_id, assignment.c.cut, assignment.c.source,
               assignment.c.id.label("assignment_id"))
        .join(photo, assignment.c.photo_id == photo.c.id)
        .where(current_assignment())
        .order_by(assignment.c.bud_id, assignment.c.cut, assignment.c.id)
    )


def _cut(row: Row[Any]) -> Cut:
    facts = row._mapping
    return Cut(
        bud_id=facts["bud_id"], cut=facts["cut"], assignment_id=facts["assignment_id"],
        source=facts["source"],
        photo=PhotoRow(**{column.name: facts[column.name] for column in photo.c}),
    )
