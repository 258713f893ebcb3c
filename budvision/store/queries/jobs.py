"""Long work that was asked for: one queue in the database, for every station and the terminal."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import Connection, or_, select, update

from budvision.store.queries.insertion import insert_row
from budvision.store.session import as_utc, now
from budvision.store.tables import job

__all__ = [
    "OPEN", "Job", "add_job", "cancel_job", "end_job", "job_state", "list_jobs", "put_job_back",
    "see_job", "take_job",
]

OPEN = ("waiting", "running", "stopping")


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One piece of long work.

    Attributes
    ----------
    kind : str
        What it is; two of one kind never wait at once.
    asked : mapping
        What goes with it, as JSON holds it.
    asked_by : str
        Who asked for it.
    station : str
        The folder of the season on the machine where it was asked for, which does it.
    state : str
        waiting, running, stopping (it was cancelled while it ran), done, failed or cancelled.
    what : str
        The step it is at.
    n_done, n_total : int
        Of that step; `n_total` 0 where it is not known.
    text : str
        What came of it, or why it failed.
    model : str
        The model that it made or asked.
    changed_at, seen_at : str
        When its state last changed, and when somebody was last seen at it, UTC.
    """

    id: int
    kind: str
    asked: Mapping[str, Any]
    asked_by: str
    station: str
    state: str
    what: str
    n_done: int
    n_total: int
    text: str
    model: str
    changed_at: str
    seen_at: str

    @property
    def open(self) -> bool:
        """Whether it waits or runs."""
        return self.state in OPEN


def add_job(
    conn: Connection, kind: str, asked: Mapping[str, Any], *, asked_by: str, station: str
) -> int | None:
    """Put a piece of work at the end of the queue; None where one of its kind is open already."""
    standing = select(job.c.id).where(job.c.kind == kind, job.c.state.in_(OPEN))
    if conn.scalar(standing.limit(1)) is not None:
        return None
    moment = now()
    return insert_row(
        conn, job, kind=kind, asked=json.dumps(dict(asked)), asked_by=asked_by, station=station,
        state="waiting", what="", n_done=0, n_total=0, text="", model="", added_at=moment,
        changed_at=moment, seen_at=moment)


def take_job(conn: Connection, station: str, *, lost_after_s: float) -> Job | None:
    """Take the oldest piece of work of a station, for it to be done now.

    A piece that nobody has been seen at for some time was killed: it is begun again.

    Parameters
    ----------
    station : str
        Whose work is taken.
    lost_after_s : float
        Seconds without a sign after which a running piece counts as killed.

    Returns
    -------
    Job or None
        None where nothing of this station's waits, or something runs at any station.
    """
    ago = datetime.now(UTC) - timedelta(seconds=lost_after_s)
    lost = as_utc(ago.isoformat())
    rows = conn.execute(select(job).where(job.c.state.in_(OPEN)).order_by(job.c.id)).all()
    if any(row.state != "waiting" and row.seen_at >= lost for row in rows):
        return None
    for row in rows:
        if row.state == "stopping":
            end_job(conn, row.id, "cancelled", text="It was cancelled.")
        elif row.station == station:
            moment = now()
            conn.execute(update(job).where(job.c.id == row.id).values(
                state="running", changed_at=moment, seen_at=moment))
            return _job({**row._mapping, "state": "running"})
    return None


def see_job(conn: Connection, job_id: int, what: str, n_done: int, n_total: int) -> None:
    """Note how far a running piece is, and that somebody is at it."""
    conn.execute(update(job).where(job.c.id == job_id).values(
        what=what, n_done=n_done, n_total=n_total, seen_at=now()))


def end_job(conn: Connection, job_id: int, state: str, *, text: str, model: str = "") -> None:
    """Note what came of a piece of work."""
    conn.execute(update(job).where(job.c.id == job_id).values(
        state=state, text=text, model=model[:80], changed_at=now()))


def put_job_back(conn: Connection, job_id: int) -> None:
    """Let a piece that was interrupted wait again, before those asked for later."""
    conn.execute(update(job).where(job.c.id == job_id, job.c.state == "running").values(
        state="waiting", changed_at=now()))


def cancel_job(conn: Connection, job_id: int) -> str:
    """Cancel a piece of work; one that runs stops at its next step.

    Returns
    -------
    str
        Its state now; empty where there is no such piece.
    """
    found = job_state(conn, job_id)
    if found == "waiting":
        end_job(conn, job_id, "cancelled", text="It was cancelled before it began.")
    elif found == "running":
        conn.execute(update(job).where(job.c.id == job_id).values(state="stopping"))
    return job_state(conn, job_id)


def job_state(conn: Connection, job_id: int) -> str:
    """Return the state of a piece of work, empty where there is none."""
    return conn.scalar(select(job.c.state).where(job.c.id == job_id)) or ""


def list_jobs(conn: Connection, *, most: int = 50) -> list[Job]:
    """Return what is open and the newest pieces of work, in the order of asking."""
    newest = select(job.c.id).order_by(job.c.id.desc()).limit(most).scalar_subquery()
    rows = conn.execute(select(job).where(or_(job.c.id.in_(newest), job.c.state.in_(OPEN)))
                        .order_by(job.c.id)).mappings().all()
    return [_job({**row}) for row in rows]


def _job(row: Mapping[str, Any]) -> Job:
    given = {name: row[name] for name in Job.__slots__}
    asked: object = None
    with contextlib.suppress(ValueError):  # written past the program: nothing that a deed takes
        asked = json.loads(row["asked"])
    return Job(**given | {"asked": asked if isinstance(asked, dict) else {}})
