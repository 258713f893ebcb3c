"""Long work of the pages: asked for here, done beside them, shown wherever it is looked at."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from typing import Any

from flask import Flask, current_app

from budvision.language import say, spoken, told_text
from budvision.store.queries.jobs import Job
from budvision.web.current import SEASON_KEY, current_season
from budvision.workflow.jobs.deeds import DEEDS
from budvision.workflow.jobs.queue import Runner, current, pending, submit

__all__ = ["ask", "next_work", "runner_of", "shown_work", "work_as_dict"]

_KEY = "budvision.jobs"
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
    return {"id": job.id, "kind": job.kind, "title": say(deed.title) if deed else job.kind,
            "by": job.asked_by, "state": job.state, "open": job.open, "what": job.what,
            "done": job.n_done, "total": job.n_total, "text": told_text(job.text),
            "model": job.model, "at": job.changed_at}
