"""Slips of the hand are looked for beside the pages: what learns takes seconds to be loaded."""

from __future__ import annotations

import threading
from dataclasses import dataclass

from flask import Flask

from budvision.store.counts import newest_ids
from budvision.store.session import Season
from budvision.workflow.learning.models import Slip, find_slips

__all__ = ["SlipSearch", "search_of"]

_KEY = "budvision.slips"


@dataclass(slots=True)
class _Found:
    """What came of a search, with the newest rows from which it began."""

    rows: dict[str, int]
    slips: tuple[Slip, ...] = ()
    error: Exception | None = None
    shown: bool = False


class SlipSearch:
    """One search at a time. What it found holds until something but proposals is written.

    While people save without a break it is shown once all the same.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._found: _Found | None = None

    @property
    def going_on(self) -> bool:
        """Whether slips are being looked for."""
        return self._thread is not None and self._thread.is_alive()

    def look(self, season: Season, *, wait_s: float) -> tuple[Slip, ...] | None:
        """Return the slips found; None where that takes longer than the wait.

        Raises
        ------
        Exception
            Whatever kept the search from its end; the next look begins another.
        """
        with season.read() as conn:
            rows = newest_ids(conn)
        del rows["proposal"]  # the search itself may add those that it lacks
        with self._lock:
            found = self._found
            if not self.going_on and (
                found is None or (found.shown and (found.rows != rows or found.error))
            ):
                self._found = None
                self._thread = threading.Thread(
                    target=self._go, args=(season, rows), name="slips", daemon=True)
                self._thread.start()
            thread = self._thread
        if thread is not None:
            thread.join(wait_s)
        found = self._found
        if found is None:
            return None
        found.shown = True
        if found.error is not None:
            raise found.error
        return found.slips

    def _go(self, season: Season, rows: dict[str, int]) -> None:
        try:
            self._found = _Found(rows, slips=tuple(find_slips(season)))
        except Exception as error:  # told to whoever asked
            self._found = _Found(rows, error=error)


def search_of(app: Flask) -> SlipSearch:
    """Return what looks for slips in the application's season."""
    found = app.extensions.setdefault(_KEY, SlipSearch())
    assert isinstance(found, SlipSearch)
    return found
