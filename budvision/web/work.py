"""Long work of the pages: one piece after the other, beside the pages, told of as it goes.

What is being done lives in this process only. If the program ends meanwhile, the season is as
sound as after any killed command, and the work is asked for again.
"""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from uuid import uuid4

from flask import Flask, current_app

from budvision.errors import BudvisionError
from budvision.store.session import now

__all__ = ["Desk", "Done", "Work", "desk_of"]

_log = logging.getLogger("budvision.web")
_KEY = "budvision.desk"
_making = threading.Lock()

Tell = Callable[[str, int, int], None]
"""To be told what is being done, how much of it is done, and how much there is."""


@dataclass(frozen=True, slots=True)
class Done:
    """What came of a piece of work: a sentence, and the model that it is about."""

    text: str
    model: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """One piece of work as the page shows it.

    Attributes
    ----------
    kind : str
        What it is; two of one kind never wait at once.
    title, by : str
        In words, and who asked for it.
    state : str
        waiting, running, done or failed.
    what : str
        The step it is at.
    done, total : int
        Of that step; total 0 where it is not known.
    text : str
        What came of it, or why it failed.
    model : str
        The model that it made or asked.
    at : str
        When its state last changed, UTC.
    """

    kind: str
    title: str
    by: str
    state: str = "waiting"
    what: str = ""
    done: int = 0
    total: int = 0
    text: str = ""
    model: str = ""
    at: str = ""

    @property
    def open(self) -> bool:
        """Whether it waits or runs."""
        return self.state in ("waiting", "running")

    def as_dict(self) -> dict[str, object]:
        """Return the work for the page's script."""
        return {"kind": self.kind, "title": self.title, "by": self.by, "state": self.state,
                "what": self.what, "done": self.done, "total": self.total, "text": self.text,
                "model": self.model, "at": self.at}


class Desk:
    """Where work is asked for and looked up; safe to use from every thread of the server."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._waiting: deque[tuple[Work, Callable[[Tell], Done]]] = deque()
        self._now: Work | None = None
        self._thread: threading.Thread | None = None

    def ask(self, kind: str, title: str, by: str, do: Callable[[Tell], Done]) -> bool:
        """Have a piece of work done, after what is being done now.

        Parameters
        ----------
        do : callable
            Does it, telling how far it is; gives a `Done`.

        Returns
        -------
        bool
            False where work of this kind waits or runs already: it was not asked for again.
        """
        with self._lock:
            if any(work.kind == kind for work in self._open()):
                return False
            self._waiting.append((Work(kind=kind, title=title, by=by, at=now()), do))
            if self._thread is None:
                self._thread = threading.Thread(target=self._go, name="desk-work", daemon=True)
                self._thread.start()
            return True

    def look(self) -> Work | None:
        """Return what is being done, else what was done last; None where nothing ever was."""
        with self._lock:
            if self._waiting and (self._now is None or not self._now.open):
                return self._waiting[0][0]
            return self._now

    def next(self) -> tuple[Work, ...]:
        """Return what waits."""
        with self._lock:
            return tuple(work for work, _ in self._waiting)

    def left(self) -> list[str]:
        """Drop what waits, as the server ends; return the titles of all that was not done."""
        with self._lock:
            titles = [work.title for work in self._open()]
            self._waiting.clear()
            return titles

    def _open(self) -> list[Work]:
        running = [self._now] if self._now is not None and self._now.open else []
        return running + [work for work, _ in self._waiting]

    def _go(self) -> None:
        while True:
            with self._lock:
                if not self._waiting:
                    self._thread = None
                    return
                work, do = self._waiting.popleft()
                self._now = replace(work, state="running", at=now())
            try:
                came = do(self._tell)
                self._end("done", came.text, came.model)
            except BudvisionError as error:
                self._end("failed", str(error), "")
            except Exception as error:
                number = uuid4().hex[:8]
                _log.error("unexpected error %s in %s", number, work.kind, exc_info=error)
                self._end("failed", str(BudvisionError(
                    f"something unexpected happened; it was logged as number {number}",
                    do="Try again; if it happens again, send the number and the log to the "
                    "maintainers.", code="unexpected")), "")

    def _tell(self, what: str, done: int, total: int) -> None:
        with self._lock:
            if self._now is not None:
                self._now = replace(self._now, what=what, done=done, total=total)

    def _end(self, state: str, text: str, model: str) -> None:
        with self._lock:
            if self._now is not None:
                self._now = replace(self._now, state=state, text=text, model=model, at=now())


def desk_of(app: Flask | None = None) -> Desk:
    """Return the application's desk, made when first asked for."""
    home = (app or current_app).extensions
    with _making:
        desk = home.setdefault(_KEY, Desk())
    assert isinstance(desk, Desk)
    return desk
