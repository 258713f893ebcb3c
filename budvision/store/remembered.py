"""What was worked out of rows, remembered by this process for as long as the rows are the same."""

from __future__ import annotations

import threading
from collections.abc import Callable, Hashable, Mapping
from typing import Any, TypeVar

__all__ = ["Remembered"]

T = TypeVar("T")


class Remembered:
    """What follows from the rows of one thing each, with the state of those rows.

    Safe to use from every thread of the server. Kept is the newest only: as many values of a kind
    as there are things.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: dict[Hashable, dict[int, tuple[Any, Any]]] = {}

    def each(
        self, kind: Hashable, states: Mapping[int, Any],
        work_out: Callable[[list[int]], Mapping[int, T]],
    ) -> dict[int, T]:
        """Return the value of each thing, worked out only where its state is another than before.

        Parameters
        ----------
        kind : hashable
            What the values are, with everything they depend on besides the things' states.
        states : mapping of int to any
            Number of each thing to what its value follows from, compared by ``==``: of a sampling,
            its version (`store.counts.versions`) as committed.
        work_out : callable
            Gives the values of the things with these numbers.
        """
        with self._lock:
            kept: dict[int, tuple[Any, Any]] = dict(self._kept.get(kind, {}))
        stale = [key for key, state in states.items()
                 if key not in kept or kept[key][0] != state]
        if stale:
            found = work_out(stale)
            fresh: dict[int, tuple[Any, Any]] = {
                key: (states[key], found[key]) for key in stale}
            kept |= fresh
            with self._lock:
                self._kept.setdefault(kind, {}).update(fresh)
        return {key: kept[key][1] for key in states}
