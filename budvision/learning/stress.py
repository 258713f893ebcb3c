"""Stress a model: each kind of trouble that benches bring as a slice, with counts and intervals."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from budvision.learning.evaluate import all_strange, settled_verdicts
from budvision.learning.observe import BORDERLINE, HALF_DEAD, NO_TISSUE
from budvision.render.staging import KINDS
from budvision.stats.proportions import wilson
from budvision.verdict.model import VerdictModel
from budvision.vocabulary import TISSUES, Verdict

__all__ = [
    "Slice", "behind", "beside_lines", "slices", "stress_lines", "whole", "worst_slices",
]

Columns = Mapping[str, npt.NDArray[Any]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Slice:
    """What a model does with one kind of photograph.

    Attributes
    ----------
    kind : str
        Of `budvision.render.staging.KINDS`.
    photos, refused_good : int
        Photographs that can be judged, and how many of them were refused.
    unusable, refused : int
        Photographs that cannot be judged, and how many of them were refused.
    tissues, inside : tuple of int
        Tissues exposed in photographs that were judged, primary to tertiary; those whose centre
        was found inside.
    asked, called, right : int
        Tissues found whose life is asked; those called; those called right.
    dead, dead_called_live : int
        Dead tissues among them, and those of them called live.
    half_dead, left_unsure : int
        Tissues that people would leave unsure, and those left so.
    said, no_bud, no_bud_called : int
        Tissues shown in photographs that were judged; those of them where no bud tissue lies
        under most of what was outlined, and those of these that were called all the same.
    """

    kind: str
    photos: int
    refused_good: int
    unusable: int
    refused: int
    tissues: tuple[int, ...]
    inside: tuple[int, ...]
    asked: int
    called: int
    right: int
    dead: int
    dead_called_live: int
    half_dead: int
    left_unsure: int
    said: int
    no_bud: int
    no_bud_called: int

    @property
    def wrong(self) -> float:
        """Share of called tissues whose call is wrong; 0 where none was called."""
        return 1 - self.right / self.called if self.called else 0.0


def slices(table: Columns, model: VerdictModel) -> list[Slice]:
    """Count what a model does with each kind of observation.

    Parameters
    ----------
    table : mapping of str to ndarray
        From `load_observations` or `columns_of`.
    model : VerdictModel

    Returns
    -------
    list of Slice
        The kinds that came up, in the order of `KINDS`.
    """
    kinds = np.char.add(np.char.add(",", table["kinds"].astype(str)), ",")
    count = _counter(table, model, "dead")
    owned = {kind: np.char.find(kinds, f",{kind},") >= 0 for kind in KINDS}
    return [count(kind, own) for kind, own in owned.items() if own.any()]


def whole(table: Columns, model: VerdictModel, *, as_drawn: bool = False) -> Slice:
    """Count what a model does with all observations.

    Parameters
    ----------
    table : mapping of str to ndarray
        From `load_observations` or `columns_of`.
    model : VerdictModel
    as_drawn : bool
        Ask for the life of tissue, too, that nobody could judge in the photograph.
    """
    count = _counter(table, model, "drawn" if as_drawn else "dead")
    return count("all", np.ones(table["usable"].shape, np.bool_))


def _counter(
    table: Columns, model: VerdictModel, state: str
) -> Callable[[str, npt.NDArray[np.bool_]], Slice]:
    """Return what counts the photographs of a kind; `state` is the column that says what is true.
    """
    verdict = settled_verdicts(table, model)
    measured = np.isfinite(table["row"]).all(axis=2)
    usable, found = table["usable"], table["found"] & ~all_strange(table, model)
    bad = ~usable & (table["why_not"] != BORDERLINE)
    judged = (usable & found)[:, None]
    shown = judged & table["exposed_true"] & table["clear"]
    asked = shown & measured & (table[state] >= 0)
    called = asked & (verdict != "") & (verdict != Verdict.UNSURE.value)
    dead = table[state] > 0
    right = called & ((verdict == Verdict.DEAD.value) == dead)
    half = shown & measured & (table[state] == HALF_DEAD)
    said = judged & measured & table["exposed_said"]
    no_bud = said & (table["dead_here"] == NO_TISSUE)

    def count(kind: str, own: npt.NDArray[np.bool_]) -> Slice:
        def n(where: npt.NDArray[Any]) -> int:
            return int(where[own].sum())

        def each(where: npt.NDArray[Any]) -> tuple[int, ...]:
            return tuple(int(one) for one in where[own].sum(axis=0))

        return Slice(
            kind=kind, photos=n(usable), refused_good=n(usable & ~found), unusable=n(bad),
            refused=n(bad & ~found), tissues=each(shown),
            inside=each(shown & table["centre_inside"]), asked=n(asked), called=n(called),
            right=n(right), dead=n(asked & dead),
            dead_called_live=n(called & dead & (verdict == Verdict.LIVE.value)),
            half_dead=n(half), left_unsure=n(half & (verdict == Verdict.UNSURE.value)),
            said=n(said), no_bud=n(no_bud),
            no_bud_called=n(no_bud & (verdict != Verdict.UNSURE.value)))

    return count


@dataclass(frozen=True, slots=True, kw_only=True)
class _Measure:
    """A figure that was asked for: counts of it, and what is wanted of their share."""

    name: str
    counts: Callable[[Slice], tuple[int, int]]
    wanted: float
    at_most: bool = False

    def met(self, one: Slice) -> bool:
        part, of = self.counts(one)
        return part <= self.wanted * of if self.at_most else part >= self.wanted * of

    def surely_missed(self, one: Slice) -> bool:
        """Say whether the 95 % interval lies wholly on the wrong side of what is wanted."""
        part, of = self.counts(one)
        if of < _LEAST_COUNT:
            return False
        within = wilson(part, of)
        return within.low > self.wanted if self.at_most else within.high < self.wanted


def _centre(index: int) -> Callable[[Slice], tuple[int, int]]:
    return lambda one: (one.inside[index], one.tissues[index])


_MEASURES: Final = (
    _Measure(name="good photographs in which a face was found and judged",
             counts=lambda one: (one.photos - one.refused_good, one.photos), wanted=0.985),
    _Measure(name="right among called", counts=lambda one: (one.right, one.called), wanted=0.985),
    _Measure(name="called, of tissues found",
             counts=lambda one: (one.called, one.asked), wanted=0.88),
    _Measure(name="dead called live", counts=lambda one: (one.dead_called_live, one.dead),
             wanted=0.01, at_most=True),
    *(_Measure(name=f"centre of the {tissue.value} inside", counts=_centre(index), wanted=wanted)
      for index, (tissue, wanted) in enumerate(zip(TISSUES, (0.99, 0.96, 0.88), strict=True))),
    _Measure(name="unusable or no cut bud refused",
             counts=lambda one: (one.refused, one.unusable), wanted=0.98),
    _Measure(name="called where no bud tissue lies, of tissues shown",
             counts=lambda one: (one.no_bud_called, one.said), wanted=0.01, at_most=True),
)
_LEAST_COUNT: Final = 20
"""Fewest of a kind of which anything is said."""
_MOST_TOLD: Final = 5
_LIFE: Final = slice(1, 4)
"""The measures that ask for life."""


def beside_lines(found: Sequence[tuple[str, Slice, Slice]]) -> list[list[str]]:
    """Return what was asked for, models beside each other on the same photographs.

    Parameters
    ----------
    found : sequence of (str, Slice, Slice)
        Name of a model, and `whole` of it without and with what nobody could judge.

    Returns
    -------
    list of list of str
        A table with its head: measure, a column a model, what is wanted; where a name is asked
        for nothing is called yet. Its last rows ask for life as drawn, also of tissue that nobody
        could judge, where there is any.
    """
    def row(measure: _Measure, said: Sequence[Slice], more: str = "") -> list[str]:
        wanted = ("at most " if measure.at_most else "") + f"{100 * measure.wanted:g} %"
        return [measure.name + more, *(_counted(*measure.counts(one)) for one in said), wanted]

    plain, drawn = [one for _, one, _ in found], [one for _, _, one in found]
    return [["measure", *(name for name, _, _ in found), "wanted"],
            *(row(one, plain) for one in _MEASURES),
            *(row(one, drawn, ", asked of what nobody could judge too")
              for one in _MEASURES[_LIFE] if plain != drawn)]


def behind(all_of_them: Slice, kinds: Sequence[Slice]) -> list[str]:
    """Say of each measure that misses what is wanted which kinds surely do, furthest off first.

    Parameters
    ----------
    all_of_them : Slice
        From `whole`.
    kinds : sequence of Slice
        From `slices`.

    Returns
    -------
    list of str
        A line a measure; of the kinds whose 95 % interval lies wholly on the wrong side at most
        five, and how many there are.
    """
    lines = []
    for measure in _MEASURES:
        if measure.met(all_of_them):
            continue

        def off(one: Slice, measure: _Measure = measure) -> float:
            part, of = measure.counts(one)
            return (1 if measure.at_most else -1) * part / of

        missing = sorted((one for one in kinds if measure.surely_missed(one)), key=off,
                         reverse=True)
        lines.append(f"{measure.name}: " + ("; ".join(
            f"{one.kind} {_counted(*measure.counts(one))}" for one in missing[:_MOST_TOLD])
            or "no kind is surely worse than wanted; all of them a little")
            + (f"; and {len(missing) - _MOST_TOLD} more" if len(missing) > _MOST_TOLD else ""))
    return lines


def _counted(part: int, of: int) -> str:
    return f"{100 * part / of:.1f} % of {of}" if of else "–"


def worst_slices(found: list[Slice], *, least: int = 40) -> list[Slice]:
    """Return the five kinds with the largest share of wrong calls, of those with enough calls."""
    asked = [one for one in found if one.called >= least and one.wrong > 0]
    return sorted(asked, key=lambda one: -one.wrong)[:5]


def _share(part: int, whole: int) -> str:
    """Write a share in percent with its 95 % interval (Wilson 1927)."""
    if not whole:
        return "–"
    within = wilson(part, whole)
    return f"{100 * part / whole:.1f} ({100 * within.low:.1f} to {100 * within.high:.1f})"


def stress_lines(found: list[Slice]) -> list[list[str]]:
    """Return a table with its head; shares in percent with 95 % intervals."""
    head = ["kind", "tissues", "centre inside", "called", "right of called", "dead called live",
            "good refused", "unusable refused"]
    return [head] + [
        [one.kind, str(sum(one.tissues)), _share(sum(one.inside), sum(one.tissues)),
         _share(one.called, sum(one.tissues) - one.half_dead), _share(one.right, one.called),
         _share(one.dead_called_live, one.dead), _share(one.refused_good, one.photos),
         _share(one.refused, one.unusable)]
        for one in found]
