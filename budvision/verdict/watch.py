"""Watch a model at work: agreement on blind buds, drift of what it sees, doubt and refusal.

References
----------
NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.3.2, proportion control charts:
limits at the centre plus and minus 3 sqrt(p (1 - p) / n).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from budvision.language import grouped, percent_text, say, say_n, spoken
from budvision.photo.feature_table import Feature
from budvision.photo.features import FEATURE_NAMES, FEATURES
from budvision.verdict.model import Novelty

__all__ = [
    "Advice", "ChartPoint", "Drift", "advise", "agreement_chart", "drift", "light_moved",
    "proportion_limits",
]

_GROUP = 25
_ENOUGH = 8
_GOOD = 0.93
"""Agreement below which training is advised (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPoint:
    """One point of the control chart.

    Attributes
    ----------
    at : str
        Time of the last call of the group.
    n : int
        Tissues of the group that the model called.
    agreement : float
        Share in which the model's hidden verdict and the blind call are the same.
    low, high : float
        Control limits for this n.
    out : bool
        Below the lower limit.
    """

    at: str
    n: int
    agreement: float
    centre: float
    low: float
    high: float
    out: bool


def proportion_limits(centre: float, n: int) -> tuple[float, float]:
    """Return the control limits of a proportion, held within 0 and 1.

    Parameters
    ----------
    centre : float
        Mean proportion, in [0, 1].
    n : int
        Size of the group, at least 1.
    """
    half = 3 * math.sqrt(centre * (1 - centre) / n)
    return max(0.0, centre - half), min(1.0, centre + half)


def agreement_chart(
    times: Sequence[str], agrees: Sequence[bool], *, group: int = _GROUP
) -> list[ChartPoint]:
    """Group blind calls in order and set control limits from the groups before each.

    Parameters
    ----------
    times : sequence of str
        Time of each call, ascending.
    agrees : sequence of bool
        Whether the model's verdict, where it gave one, was the call.
    group : int
        Calls a point; the last point may have fewer, but at least 8.

    Notes
    -----
    The centre of a point is the mean of all points before it (its own for the first), with one
    disagreement added, so that a perfect start does not make every later slip an alarm.
    """
    ends = [min(start + group, len(agrees)) for start in range(0, len(agrees), group)]
    if ends and ends[-1] % group and ends[-1] % group < min(_ENOUGH, group):
        ends.pop()
    so_far = np.cumsum(np.asarray(agrees, dtype=np.int64))
    points: list[ChartPoint] = []
    n_before = n_agree = 0
    for end in ends:
        hits, n = int(so_far[end - 1]), end - n_before
        centre = n_agree / (n_before + 1) if n_before else hits / (n + 1)
        low, high = proportion_limits(centre, n)
        share = (hits - n_agree) / n
        points.append(ChartPoint(at=times[end - 1], n=n, agreement=share, centre=centre, low=low,
                                 high=high, out=share < low))
        n_before, n_agree = end, hits
    return points


@dataclass(frozen=True, slots=True)
class Drift:
    """How far recent pictures lie from those the model was trained on.

    Attributes
    ----------
    n : int
        Recent tissues looked at.
    strange : float
        Share beyond the model's guard.
    moved : tuple
        (feature, what it speaks of, shift of the median in spreads of the training rows), largest
        first.
    """

    n: int
    strange: float
    moved: tuple[tuple[str, str, float], ...]


def _what(feature: Feature) -> str:
    """Say what a feature measures; its group alone in other languages than English."""
    return feature.meaning if spoken() == "en" else say(feature.group)


def drift(
    recent: NDArray[np.float64], training: NDArray[np.float64], novelty: Novelty, *, most: int = 5
) -> Drift:
    """Compare recent feature rows with training rows.

    Parameters
    ----------
    recent : ndarray, shape (n, d)
    training : ndarray, shape (m, d)
        The model's reserve of training rows.
    most : int
        Features listed.
    """
    if not len(recent) or not len(training):
        return Drift(len(recent), 0.0, ())
    spread = np.maximum(np.subtract(*np.quantile(training, [0.84, 0.16], axis=0)) / 2, 1e-3)
    shift = (np.median(recent, axis=0) - np.median(training, axis=0)) / spread
    order = np.argsort(-np.abs(shift))[:most]
    moved = tuple(
        (FEATURE_NAMES[i], _what(FEATURES[i]), float(shift[i]))
        for i in order if abs(shift[i]) > 0.5)
    return Drift(len(recent), float((novelty.distance(recent) > novelty.limit).mean()), moved)


_MOST_MOVED = (20.0, 10.0, 10.0)
"""Shift of L*, a*, b* that a change of lamp exceeds (common practice, no source)."""
_FEWEST = 20
"""Fewest tissues from which anything is said (our choice, no source)."""
_ENOUGH_BLIND = 40
"""Fewest blind calls from which an agreement is judged (our choice, no source)."""
_LITTLE = 1.0
"""Shift, in spreads, up to which pictures look as in training (our choice, no source)."""


def light_moved(
    before: Sequence[tuple[float, float, float]], after: Sequence[tuple[float, float, float]]
) -> str:
    """Say how far the light has moved between two sets of photographs, '' where it has not.

    Parameters
    ----------
    before, after : sequence of (L*, a*, b*)
        Colour as photographed less that after white balance, one a tissue: what the lamp and the
        camera's own balance add. Fewer than 20 on either side tell nothing.
    """
    if min(len(before), len(after)) < _FEWEST:
        return ""
    shift = np.median(np.array(after), axis=0) - np.median(np.array(before), axis=0)
    words = ("brightness", "green to red", "blue to yellow")
    moved = [f"{word} by {step:+.0f}" for word, step, most in zip(
        words, shift.tolist(), _MOST_MOVED, strict=True) if abs(step) > most]
    return ", ".join(moved)


@dataclass(frozen=True, slots=True)
class Advice:
    """A sentence, and how pressing it is: fine, look or stop."""

    level: str
    text: str


def _share(share: float) -> str:
    return percent_text(round(100 * share))


_LAMP = {"a_plain", "b_plain", "lightness_plain", "a_neutral", "b_neutral", "neutral_doubt"}


def _on_pictures(seen: Drift) -> Iterator[Advice]:
    """Advise on pictures that have moved away from those trained on."""
    if seen.n < _FEWEST:
        return
    if seen.strange > 0.25:
        yield Advice("stop", say(
            "{share} of recent tissues are unlike anything it was trained on. Confirm some fifty "
            "buds of these pictures and train before trusting it.", share=_share(seen.strange)))
    moved = [row for row in seen.moved if abs(row[2]) > 2]
    if any(row[0] in _LAMP for row in moved):
        yield Advice("look", say(
            "The colour or brightness of the pictures has moved far from training. Check the lamp, "
            "the camera's white balance and the photo card."))
    elif moved:
        yield Advice("look", say(
            "The tissues look different from training ({what}). A new cultivar or another way of "
            "cutting? Train again when some dozens are called.", what=moved[0][1]))


def _on_proposals(unsure: float, refused: float, n_proposed: int) -> Iterator[Advice]:
    """Advise on what is refused and what is left unsure."""
    if n_proposed < 20:
        return
    if refused > 0.2:
        yield Advice("look", say(
            "{share} of recent photographs were refused. Read the reasons on the bench page before "
            "cutting on.", share=_share(refused)))
    if unsure > 0.3:
        yield Advice("look", say(
            "{share} of recent tissues were left unsure. Training on the calls so far should lower "
            "that.", share=_share(unsure)))


def _on_agreement(points: Sequence[ChartPoint]) -> Iterator[Advice]:
    """Advise on how often blind calls and proposals agree over all points."""
    if not points:
        yield Advice("look", say("Too few blind calls to say how well it agrees with readers."))
        return
    n_called = sum(p.n for p in points)
    agreed = sum(p.agreement * p.n for p in points) / n_called if n_called else 1.0
    if n_called >= _ENOUGH_BLIND and agreed < _GOOD:
        yield Advice("look", say_n(
            "It agreed with {share} of {n} blind call. Train on the calls so far, compare, and "
            "promote what does better.",
            "It agreed with {share} of {n} blind calls. Train on the calls so far, compare, and "
            "promote what does better.", n_called, share=_share(agreed)))


def advise(
    points: Sequence[ChartPoint], seen: Drift, *, unsure: float, refused: float, n_proposed: int
) -> list[Advice]:
    """Say in words when to train, when to look at the lamp, and when not to trust.

    Parameters
    ----------
    unsure : float
        Share of recent exposed tissues left unsure.
    refused : float
        Share of recent photographs refused.
    n_proposed : int
        Recent photographs.
    """
    out: list[Advice] = []
    if points and points[-1].out:
        last = points[-1]
        out.append(Advice("stop", say_n(
            "Of the last {n} blind call the model agreed with {share}, below the limit of {low}. "
            "Do not lean on its proposals; look for what changed, then train again.",
            "Of the last {n} blind calls the model agreed with {share}, below the limit of {low}. "
            "Do not lean on its proposals; look for what changed, then train again.",
            last.n, share=_share(last.agreement), low=_share(last.low))))
    out += [*_on_pictures(seen), *_on_proposals(unsure, refused, n_proposed),
            *_on_agreement(points)]
    if not out:
        out.append(_nothing_found(points, seen))
    return out


def _nothing_found(points: Sequence[ChartPoint], seen: Drift) -> Advice:
    """Say what nothing stands against, and what there is too little of to say it."""
    n_called = sum(p.n for p in points)
    farthest = max((abs(row[2]) for row in seen.moved), default=0.0)
    few = []
    if n_called < _ENOUGH_BLIND:
        few.append(say_n("{n} blind call ({needed} are needed)",
                         "{n} blind calls ({needed} are needed)", n_called, needed=_ENOUGH_BLIND))
    if seen.n < _FEWEST:
        few.append(say_n("{n} tissue of recent pictures ({needed} are needed)",
                         "{n} tissues of recent pictures ({needed} are needed)", seen.n,
                         needed=_FEWEST))
    if few:
        return Advice("look", say("Too few to tell whether it can be leaned on: {what}.",
                                  what="; ".join(few)))
    if farthest > _LITTLE:
        return Advice("look", say(
            "Agreement on blind calls is within its limits; the pictures have moved from training "
            "by up to {spreads} spreads.", spreads=grouped(farthest, 1)))
    return Advice("fine", say("Agreement on blind calls is within its limits, and the pictures "
                              "look as in training."))
