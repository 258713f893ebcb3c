"""What is known of readers' errors, and a share dead with them taken out: records of numbers."""

from __future__ import annotations

from dataclasses import dataclass, replace

from budvision.stats.agreement import LEAST_PAIRS
from budvision.vocabulary import CallValue

__all__ = ["LEAST_KNOWN", "CorrectedFacts", "ReaderErrors"]

LEAST_KNOWN = LEAST_PAIRS
"""Fewest dead, and fewest live buds known from two readings that tell how often readers err."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReaderErrors:
    """A person's readings of primaries that are known from two readings.

    Attributes
    ----------
    dead_wrong, n_dead : int
        Dead ones read live, of all dead ones that the person called live or dead.
    live_wrong, n_live : int
        Live ones read dead, of all live ones.
    """

    person: str
    dead_wrong: int = 0
    n_dead: int = 0
    live_wrong: int = 0
    n_live: int = 0

    @property
    def enough(self) -> bool:
        """Whether there are enough dead and enough live ones to tell anything."""
        return min(self.n_dead, self.n_live) >= LEAST_KNOWN

    def with_one(self, value: CallValue, known: CallValue) -> ReaderErrors:
        """Return the counts with one reading more."""
        wrong = int(value is not known)
        if known is CallValue.DEAD:
            return replace(self, dead_wrong=self.dead_wrong + wrong, n_dead=self.n_dead + 1)
        return replace(self, live_wrong=self.live_wrong + wrong, n_live=self.n_live + 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectedFacts:
    """Mortality with readers' errors taken out; no share where second readings tell too little.

    Attributes
    ----------
    dead_wrong, n_dead, live_wrong, n_live : int
        Dead primaries read live and live ones read dead, of those known from two readings.
    n_open : int
        Primaries on which two readers differ and nobody has settled.
    readers : tuple of ReaderErrors
        Each person, first and second readings alike.
    by_chance : bool
        Whether readers did no better than chance.
    """

    dead_wrong: int
    n_dead: int
    live_wrong: int
    n_live: int
    n_open: int
    readers: tuple[ReaderErrors, ...] = ()
    by_chance: bool = False
    share: float | None = None
    low: float | None = None
    high: float | None = None
