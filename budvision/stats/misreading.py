"""A share of dead buds corrected for a reader who errs at known rates."""

from __future__ import annotations

from budvision.errors import InputError
from budvision.stats.proportions import mortality_interval
from budvision.vocabulary import Interval

__all__ = ["rogan_gladen"]


def rogan_gladen(
    n_dead: float,
    n_judged: float,
    *,
    sensitivity: float,
    specificity: float,
    design_effect: float = 1.0,
    confidence: float = 0.95,
) -> tuple[float, Interval]:
    """Correct a share of dead buds for a reader who errs at known rates.

    Parameters
    ----------
    n_dead, n_judged : float
        Counts as read.
    sensitivity, specificity : float
        Share of dead buds read dead, and of live buds read live; their sum must exceed 1.
    design_effect : float
        At least 1, as in `mortality_interval`.
    confidence : float
        Nominal coverage in (0, 1).

    Returns
    -------
    share : float
        The corrected share, cut to [0, 1].
    interval : Interval
        The exact limits carried through the same correction and cut to [0, 1]; the error rates
        are taken as known.

    Raises
    ------
    InputError
        When the counts are impossible or the readings tell nothing (sum of rates at most 1).

    References
    ----------
    Rogan & Gladen (1978), Am. J. Epidemiol. 107:71-76; interval by transforming exact limits as
    in Reiczigel, Foldi & Ozsvari (2010), Epidemiol. Infect. 138:1674-1678.
    """
    gain = sensitivity + specificity - 1
    if not (0 < sensitivity <= 1 and 0 < specificity <= 1 and gain > 0):
        raise InputError(
            f"sensitivity is {sensitivity!r} and specificity {specificity!r}",
            expected="two shares whose sum exceeds 1",
            do="A reader no better than chance cannot be corrected for.",
        )
    raw = mortality_interval(
        n_dead, n_judged, design_effect=design_effect, confidence=confidence
    )

    def correct(share: float) -> float:
        return min(1.0, max(0.0, (share + specificity - 1) / gain))

    interval = Interval(correct(raw.low), correct(raw.high), confidence, "rogan_gladen_exact")
    return correct(n_dead / n_judged), interval
