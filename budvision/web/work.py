"""Long work of the pages: asked for here, done beside them, shown wherever it is looked at."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from flask import Flask, current_app

from budvision.language import say, spoken, told_text
from budvision.store.queries.jobs import Job
from budvision.store.session import as_utc
from budvision.web.current import SEASON_KEY, current_season
from budvision.workflow.jobs.deeds import DEEDS
from budvision.workflow.jobs.queue import LOST_AFTER_S, Runner, current, pending, submit

__all__ = ["ask", "next_work", "runner_of", "shown_work", "work_as_dict"]

_KEY = "budvision.jobs"
_SILENT_S = 30.0
"""Whoever does long work gives a sign every ten seconds."""
_making = threading.Lock()


def runner_of(app: Flask) -> Runner:
    """Return what does the application's long work, made when first asked for."""
    with _making:
        runner = app.extensions.setdefault(_KEY, Runner(app.extensions[SEASON_KEY]))
    assert isinstance(runner, Runner)
    return runner


def ask(kind: str, by: str, asked: Mapping[str, Any] | None = None) -> bool:
    """Have a piece of work done; False where one of its kind waits or runs already."""
    taken = submit(current_season(), kind, {**(asked or {}), "language": spoken()}, by=by)
    app: Flask = current_app._get_current_object()  # type: ignore[attr-defined]
    runner_of(app).wake()
    return taken is not None


def shown_work() -> dict[str, object] | None:
    """Return the work that the pages show, None where nothing was ever asked for."""
    found = current(current_season())
    return None if found is None else work_as_dict(found)


def next_work() -> tuple[str, ...]:
    """Return the titles of what waits behind what is shown."""
    found = current(current_season())
    return tuple(say(DEEDS[job.kind].title) for job in pending(current_season())
                 if found is not None and job.id != found.id and job.kind in DEEDS)


def work_as_dict(job: Job) -> dict[str, object]:
    """Return a piece of work as pages and their script have it."""
    deed = DEEDS.get(job.kind)
    silent = job.state in ("running", "stopping") and _silent(job.seen_at)
    what = job.what if not silent else say(
        "No sign of it since {time} UTC: it was killed, or its station does not answer. Killed "
        "work begins again after {n} seconds.", time=job.seen_at[11:16], n=round(LOST_AFTER_S))
    return {"id": job.id, "kind": job.kind, "title": say(deed.title) if deed else job.kind,
            "by": job.asked_by, "state": job.state, "open": job.open, "silent": silent,
            "what": what, "done": job.n_done, "total": 0 if silent else job.n_total,
            "text": told_text(job.text), "model": job.model, "at": job.changed_at}


def _silent(seen_at: str) -> bool:
    ago = datetime.now(UTC) - timedelta(seconds=_SILENT_S)
    return seen_at < as_utc(ago.isoformat())
