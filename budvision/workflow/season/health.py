"""Say whether a season's parts are well, for whoever looks after the server."""

from __future__ import annotations

import contextlib
import shutil
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from budvision.errors import BudvisionError
from budvision.language import told
from budvision.store import migrations
from budvision.store.object_photos import ObjectPhotoStore
from budvision.store.queries import overview
from budvision.store.queries.jobs import OPEN, list_jobs
from budvision.store.session import Season
from budvision.workflow.season.remind import backup_reminder, known_backups

__all__ = ["Health", "SeasonFigures", "health", "season_figures"]


@dataclass(frozen=True, slots=True)
class SeasonFigures:
    """What a season holds, in numbers that grow or fall: by name the meaning and the number.

    Attributes
    ----------
    counts : mapping of str to (str, float)
    jobs : mapping of str to int
        Long work that is open, by state.
    """

    counts: Mapping[str, tuple[str, float]]
    jobs: Mapping[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """How a station of a season is.

    Attributes
    ----------
    database, revision : str
        SQLite or PostgreSQL; the revision of its form.
    database_ms : float
        Time of reading the counts.
    photographs : str
        Where they are kept: a folder or an address.
    free_gb : float or None
        Room on the disk of the photographs, or of the copies of a store's; GB. None where that
        disk is not there.
    photographs_fault : str
        Why they cannot be reached, '' where they can.
    figures : SeasonFigures
    backup_at, backup_lacks, backup_due : str
        When any station made the last whole backup; what a later one lacks; the reminder that one
        is due. Each may be ''.
    fault : str
        What was wrong between database and folder when the season was opened.
    """

    database: str
    revision: str
    database_ms: float
    photographs: str
    free_gb: float | None
    photographs_fault: str
    figures: SeasonFigures
    backup_at: str
    backup_lacks: str
    backup_due: str
    fault: str


def season_figures(season: Season) -> SeasonFigures:
    """Return what a season holds, from the counts kept with every write.

    Raises
    ------
    StorageError
        When the database does not answer.
    """
    with season.read() as conn:
        held = overview.count_rows(conn)
        waiting = sum(one.n_waiting for one in overview.sampling_counts(conn))
        states = [job.state for job in list_jobs(conn)]
    last = known_backups(season).whole
    counts: dict[str, tuple[str, float]] = {
        "buds": ("Buds of the season.", held.n_buds),
        "buds_waiting": ("Photographed buds that are not called in full.", waiting),
        "calls": ("Rows of calls.", held.n_calls),
        "photographs": ("Photographs taken in.", held.n_photos),
        "photographs_without_proposal": ("Photographs of buds that no model has looked at.",
                                         held.n_without_proposal),
    }
    if last is not None:
        counts["backup_age_seconds"] = ("Time since the last whole backup.", last.days() * 86400)
    return SeasonFigures(counts, {state: states.count(state) for state in OPEN})


def _free_gb(folder: Path) -> float | None:
    with contextlib.suppress(OSError):
        return shutil.disk_usage(folder).free / 1e9
    return None


def health(season: Season) -> Health:
    """Say how a season's database, photographs, queue and backups are.

    Raises
    ------
    StorageError
        When the database does not answer.
    """
    begun = time.perf_counter()
    figures = season_figures(season)
    taken_ms = (time.perf_counter() - begun) * 1000
    with season.read() as conn:
        revision = migrations.current(conn) or ""
    photos, fault = season.photos, ""
    try:
        photos.reach()
    except BudvisionError as error:
        fault = told(error)
    backups = known_backups(season)
    last = backups.whole
    far = isinstance(photos, ObjectPhotoStore)
    return Health(
        database={"sqlite": "SQLite"}.get(season.engine.dialect.name, "PostgreSQL"),
        revision=revision, database_ms=taken_ms,
        photographs=photos.address if isinstance(photos, ObjectPhotoStore) else str(photos.folder),
        free_gb=_free_gb(season.folder if far else photos.folder),
        photographs_fault=fault, figures=figures,
        backup_at=last.at[:16].replace("T", " ") if last else "",
        backup_lacks=backups.newer_lacks, backup_due=backup_reminder(season),
        fault=season.fault)
