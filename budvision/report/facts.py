"""What a page of paper is made of: plain facts of one block, before they become words.

Shares are in [0, 1], lengths in metres, nodes are per vine. Nothing here knows the database; the
workflow fills it in from confirmed calls only.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

__all__ = [
    "BandFacts",
    "BlockFacts",
    "BudLine",
    "PhotoFacts",
    "PolicyFacts",
    "ReaderFacts",
    "RuleFacts",
    "TissueFacts",
]


@dataclass(frozen=True, slots=True)
class TissueFacts:
    """Counts and share of one tissue; the share is None where nothing is judged."""

    name: str
    n_live: int
    n_dead: int
    n_unsure: int
    n_not_exposed: int
    share: float | None
    low: float | None
    high: float | None

    @property
    def n_judged(self) -> int:
        """Buds called live or dead."""
        return self.n_live + self.n_dead


@dataclass(frozen=True, slots=True)
class BandFacts:
    """One band of the policy in use, with the probability that the true share lies in it."""

    name: str
    low: float
    high: float
    action: str
    probability: float | None


@dataclass(frozen=True, slots=True)
class RuleFacts:
    """Nodes to retain on a vine by one rule; None where the rule gives no number."""

    name: str
    retain: float | None
    low: float | None
    high: float | None
    note: str = ""


@dataclass(frozen=True, slots=True)
class PolicyFacts:
    """What one published policy says of the block."""

    title: str
    action: str
    rule: RuleFacts
    chosen: bool = False


@dataclass(frozen=True, slots=True)
class ReaderFacts:
    """Who judged how many buds, from which day to which."""

    name: str
    n_buds: int
    first: dt.date
    last: dt.date


@dataclass(frozen=True, slots=True)
class PhotoFacts:
    """An example photograph: the JPEG as it goes to paper, and whose it is."""

    jpeg: bytes
    caption: str
    mark: str


@dataclass(frozen=True, slots=True)
class BudLine:
    """One bud of the appendix: its place, the calls as words, who called and from what."""

    cane: str
    node: int
    vine: str
    primary: str
    secondary: str
    tertiary: str
    reader: str
    called_on: str
    photos: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class BlockFacts:
    """All that the sheet of one block says.

    Attributes
    ----------
    waiting, unsure : tuple of str
        Buds by name with a tissue that nobody has called yet, or called unsure.
    n_unseen : int
        Those of `waiting` that have neither photograph nor call.
    more_buds : int or None
        Buds that would settle the band; 0 when settled, None when not known.
    warnings, notes : tuple of str
        Sentences: limits of the result, and what people wrote.
    confidence : float
        Nominal coverage of the intervals, in (0, 1).
    normal_nodes : float or None
        Nodes retained on a vine in a normal year.
    arrangement : str
        The nodes as canes or spurs of the block's training system; empty when unknown.
    options : tuple of str
        What else can be done, in words, where the last band is in question.
    """

    block: str
    site: str = ""
    cultivar: str = ""
    sampling: str = ""
    collected_on: dt.date | None = None
    n_buds: int = 0
    n_canes: int = 0
    tissues: tuple[TissueFacts, ...] = ()
    crop_share: tuple[float, float, float] | None = None
    bands: tuple[BandFacts, ...] = ()
    band: str = ""
    action: str = ""
    policy: str = ""
    more_buds: int | None = None
    normal_nodes: float | None = None
    rules: tuple[RuleFacts, ...] = ()
    policies: tuple[PolicyFacts, ...] = ()
    arrangement: str = ""
    vines_per_ha: float | None = None
    options: tuple[str, ...] = ()
    readers: tuple[ReaderFacts, ...] = ()
    n_photos: int = 0
    photos: tuple[PhotoFacts, ...] = ()
    waiting: tuple[str, ...] = ()
    unsure: tuple[str, ...] = ()
    n_unseen: int = 0
    causes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    confidence: float = 0.95
    appendix: tuple[BudLine, ...] = field(default=())
