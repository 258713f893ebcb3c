"""An intake taken back: its photographs leave the buds that it gave them, by new rows."""

from __future__ import annotations

from dataclasses import dataclass

from budvision.errors import ConflictError, NothingToDoError
from budvision.store.queries import canes, people, photos
from budvision.store.queries.calls import called_among
from budvision.store.queries.photos import Assignment
from budvision.store.session import Season
from budvision.workflow.intake.intake import BATCH
from budvision.workflow.intake.sorting import UNDONE_NOTE

__all__ = ["Batch", "list_batches", "undo_intake"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """Photographs that were taken in together and still stand where that put them.

    Attributes
    ----------
    note : str
        Names the intake.
    by : str
        Who took them in, empty where nobody was named.
    at : str
        When the first was.
    sampling : str
        Label of the first one's sampling.
    n_photos, n_called : int
        Photographs, and those whose bud somebody has called.
    """

    note: str
    by: str
    at: str
    sampling: str
    n_photos: int
    n_called: int


def list_batches(season: Season) -> tuple[Batch, ...]:
    """Return those of the last five intakes of which something still stands, the newest first."""
    found = []
    with season.read() as conn:
        names = {one.id: one.name for one in people.list_people(conn)}
        for note in photos.batches(conn, f"{BATCH} ", most=5):
            rows = photos.standing_of_batch(conn, note)
            if not rows:
                continue
            place = canes.bud_place(conn, _bud(rows[0]))
            n_called = len(called_among(conn, [_bud(row) for row in rows]))
            found.append(Batch(
                note=note, by=names.get(rows[0].person_id or 0, ""), at=rows[0].added_at,
                sampling=place.sampling, n_photos=len(rows), n_called=n_called))
    return tuple(found)


def undo_intake(season: Season, note: str, *, person_id: int) -> int:
    """Take an intake back: photographs go to where they were before it, or to no bud.

    Rows are added and none is removed; photographs, proposals and the empty nodes stay. What was
    given another place since stays there.

    Parameters
    ----------
    note : str
        As in `Batch`.
    person_id : int
        Who takes it back.

    Returns
    -------
    int
        How many photographs.

    Raises
    ------
    NothingToDoError
        When nothing of that intake stands.
    ConflictError
        When a bud of it is called, or a photograph's place of before has another one now; nothing
        is taken back then.
    """
    with season.write() as conn:
        rows = photos.standing_of_batch(conn, note) if note.startswith(f"{BATCH} ") else []
        if not rows:
            raise NothingToDoError("nothing of this intake stands", where="photographs",
                                   do="Load the page again.")
        if called := called_among(conn, [_bud(row) for row in rows]):
            place = canes.bud_place(conn, min(called))
            raise ConflictError(
                f"{len(called)} of its buds are called, the first block {place.block}, cane "
                f"{place.cane}, node {place.node}", where="photographs", code="called",
                expected="an intake that no call hangs on", do="Take those calls back first.")
        for row in rows:
            before = None if row.replaces_id is None else photos.assignment_by_id(
                conn, row.replaces_id)
            bud_id, cut = (None, row.cut) if before is None else (before.bud_id, before.cut)
            photos.assign(conn, row.photo_id, bud_id, cut, source="page", person_id=person_id,
                          note=UNDONE_NOTE)
    return len(rows)


def _bud(row: Assignment) -> int:
    assert row.bud_id is not None
    return row.bud_id
