"""A share of dead buds corrected for a reader who errs, at rates counted on some buds."""

from __future__ import annotations

import math
from dataclasses import dataclass

from budvision.errors import InputError
from budvision.language import plain_count
from budvision.stats.proportions import normal_quantile
from budvision.vocabulary import Interval

__all__ = ["Corrected", "ReadersRight", "corrected_share"]


@dataclass(frozen=True, slots=True)
class ReadersRight:
    """How often a reader was right about buds whose state is known.

    Attributes
    ----------
    dead_right, n_dead : int
        Dead buds read dead, of all known to be dead.
    live_right, n_live : int
        Live buds read live, of all known to be live.
    """

    dead_right: int
    n_dead: int
    live_right: int
    n_live: int

    def __post_init__(self) -> None:
        right = 0 <= self.dead_right <= self.n_dead and 0 <= self.live_right <= self.n_live
        if not (right and self.n_dead > 0 and self.n_live > 0):
            raise InputError(
                f"right about {self.dead_right} of {self.n_dead} dead and {self.live_right} of "
                f"{self.n_live} live", expected="0 to all, and at least one bud of each",
                do="Read more buds a second time before correcting.",
            )

    @property
    def sensitivity(self) -> float:
        """Share of dead buds read dead."""
        return self.dead_right / self.n_dead

    @property
    def specificity(self) -> float:
        """Share of live buds read live."""
        return self.live_right / self.n_live


@dataclass(frozen=True, slots=True)
class Corrected:
    """A share as read and as it is with the reader's errors taken out."""

    raw: float
    share: float
    interval: Interval


def _correct(share: float, sensitivity: float, specificity: float) -> float:
    gain = sensitivity + specificity - 1
    if not (0 < sensitivity <= 1 and 0 < specificity <= 1 and gain > 1e-9):
        raise InputError(
            f"sensitivity is {sensitivity!r} and specificity {specificity!r}",
            expected="two shares whose sum exceeds 1",
            do="A reader no better than chance cannot be corrected for.",
        )
    return (share + specificity - 1) / gain


def corrected_share(
    share: float, n_effective: float, readers: ReadersRight, *, confidence: float = 0.95
) -> Corrected:
    """Correct a share for a reader whose errors were counted on some buds, and are unsure too.

    Parameters
    ----------
    share : float
        Share dead as read, in [0, 1].
    n_effective : float
        Independent buds it rests on (`SharePosterior.n_effective`, or n_judged / design_effect).
    readers : ReadersRight
        Counted on buds whose state is known better: settled ones.
    confidence : float
        Nominal coverage in (0, 1).

    Returns
    -------
    Corrected
        Cut to [0, 1].

    Raises
    ------
    InputError
        When the reader is no better than chance.

    References
    ----------
    Rogan & Gladen (1978), Am. J. Epidemiol. 107:71-76; interval: Lang & Reiczigel (2014), Prev.
    Vet. Med. 113:13-22, doi 10.1016/j.prevetmed.2013.09.015.
    """
    if not (0 <= share <= 1 and n_effective > 0):
        raise InputError(f"the share is {share!r} of {plain_count(n_effective, 'bud')}",
                         expected="0 to 1, of more than 0")
    found = _correct(share, readers.sensitivity, readers.specificity)
    z = normal_quantile(confidence)
    total = n_effective + z * z
    seen = (n_effective * share + z * z / 2) / total
    dead, live = readers.n_dead + 2, readers.n_live + 2
    right_dead, right_live = (readers.dead_right + 1) / dead, (readers.live_right + 1) / live
    gain = right_dead + right_live - 1
    if gain <= 0:
        raise InputError(f"the reader is right about {right_dead:.0%} of the dead and "
                         f"{right_live:.0%} of the live", expected="better than chance",
                         do="A reader no better than chance cannot be corrected for.")
    middle = (seen + right_live - 1) / gain
    of_dead = right_dead * (1 - right_dead) / dead
    of_live = right_live * (1 - right_live) / live
    shift = 2 * z * z * (middle * of_dead - (1 - middle) * of_live)
    spread = math.sqrt(
        seen * (1 - seen) / total + middle**2 * of_dead + (1 - middle) ** 2 * of_live) / gain
    ends = (middle + shift - z * spread, middle + shift + z * spread)
    share_right, low, high = (min(1.0, max(0.0, point)) for point in (found, *ends))
    return Corrected(share, share_right, Interval(
        min(low, share_right), max(high, share_right), confidence, "lang_reiczigel"))
