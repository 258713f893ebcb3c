"""After a model was promoted or taken back: what waits is proposed anew, both versions kept.

Buds that people have called in full stay beside the proposals they were called with.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime

from sqlalchemy import Connection

from budvision.store.config import CONFIG
from budvision.store.counts import versions
from budvision.store.queries import learning, models
from budvision.store.queries.photos import PhotoRow
from budvision.store.remembered import Form
from budvision.store.session import Season, as_utc
from budvision.workflow.intake.propose import (
    Look,
    ModelInUse,
    ProposeReport,
    model_in_use,
    propose_waiting,
)

__all__ = ["count_out_of_step", "propose_anew"]

Progress = Callable[[int, int, str], None]
_AT_ONCE = 48
"""Photographs between two looks at what people have called and which model is in use."""


def _out_of_step(season: Season, used: ModelInUse) -> list[PhotoRow]:
    with season.read() as conn:
        return learning.photos_out_of_step(
            conn, _id_of(conn, used), named_before=_side_known_since(season))


def _id_of(conn: Connection, used: ModelInUse) -> int | None:
    return next((m.id for m in models.list_models(conn) if m.sha256 == used.sha256), None)


def _side_known_since(season: Season) -> str:
    """Return when the side of the cane base was set at the latest; empty where it is not known.

    What a flanker is called hangs on it: proposals made before may ask for names in vain.
    """
    if season.settings.cane_base == "unknown":
        return ""
    changed = (season.folder / CONFIG).stat().st_mtime
    return as_utc(datetime.fromtimestamp(changed, UTC).isoformat())


def count_out_of_step(season: Season) -> int:
    """Return how many photographs of waiting buds the model in use should look at anew.

    Those that show another model's proposal, and those whose flankers' names were doubted before
    the side of the cane base was set.

    Raises
    ------
    NotFoundError
        When the model in use is not there.
    """
    used, before = model_in_use(season), _side_known_since(season)
    with season.read() as conn:
        known = _id_of(conn, used)

        def work_out(ids: list[int]) -> dict[int, int]:
            return learning.count_out_of_step(conn, known, ids, named_before=before)

        return sum(season.remembered.each(
            "out of step", {key: (version, known, before) for key, version
                            in versions(conn).items()}, work_out,
            conn=conn, form=Form(put=int, take=int)).values())


def propose_anew(
    season: Season, *, look: Look | None = None, jobs: int = 2, cluster: str = "",
    progress: Progress | None = None,
) -> ProposeReport:
    """Let the model in use look at every waiting bud that shows another model's proposals.

    Every proposal made before is kept; the newest one is shown. People may go on calling
    meanwhile, and promote another model: both are heeded as it goes.

    Parameters
    ----------
    look : callable, optional
        Another way of looking.
    jobs : int
        Processes, where there are many photographs.
    cluster : str
        Address of a Dask scheduler whose workers look, ``local`` for one of this machine's own.
    progress : callable, optional
        Called with the number done, the number in all, and the file's name.

    Returns
    -------
    ProposeReport
        Counts over all photographs looked at; the model is the last one in use.

    Raises
    ------
    NotFoundError, VerificationError
        When the model is missing or not as listed.
    """
    tried: set[tuple[str, int]] = set()
    found = refused = missing = failed = 0
    reasons: Counter[str] = Counter()
    while True:
        used = model_in_use(season)
        waiting = [row for row in _out_of_step(season, used)
                   if (used.sha256, row.id) not in tried]
        done, total = len(tried), len(tried) + len(waiting)
        if not waiting:
            if progress is not None:
                progress(done, total, "")
            return ProposeReport(
                model=used.label, n_looked=done, n_found=found, n_refused=refused,
                n_missing=missing, n_failed=failed, reasons=dict(reasons))
        now = waiting[:_AT_ONCE * (40 if cluster else 1)]  # each part connects anew
        tried.update((used.sha256, row.id) for row in now)
        part = propose_waiting(
            season, photos=now, used=used, look=look, jobs=jobs, cluster=cluster,
            progress=_beyond(progress, done, total))
        found, refused = found + part.n_found, refused + part.n_refused
        missing, failed = missing + part.n_missing, failed + part.n_failed
        reasons.update(part.reasons)


def _beyond(progress: Progress | None, done: int, total: int) -> Progress | None:
    """Return what tells of a part of the work as of the whole."""
    if progress is None:
        return None
    return lambda n, _, name: progress(done + n, total, name)
