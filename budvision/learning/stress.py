"""Stress a model: each kind of trouble that benches bring as a slice, with counts and intervals."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from budvision.learning.evaluate import settled_verdicts
from budvision.learning.observe import BORDERLINE, HALF_DEAD
from budvision.render.staging import KINDS
from budvision.stats.proportions import wilson
from budvision.verdict.model import VerdictModel
from budvision.vocabulary import Verdict

__all__ = ["Slice", "slices", "stress_lines", "worst_slices"]

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
    tissues, inside, called, right : int
        Tissues exposed in photographs that were judged; those whose centre was found inside; those
        called; those called right.
    dead, dead_called_live : int
        Dead tissues among them, and those of them called live.
    half_dead, left_unsure : int
        Tissues that people would leave unsure, and those left so.
    """

    kind: str
    photos: int
    refused_good: int
    unusable: int
    refused: int
    tissues: int
    inside: int
    called: int
    right: int
    dead: int
    dead_called_live: int
    half_dead: int
    left_unsure: int

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
    verdict = settled_verdicts(table, model)
    measured = np.isfinite(table["row"]).all(axis=2)
    usable, found = table["usable"], table["found"]
    bad = ~usable & (table["why_not"] != BORDERLINE)
    judged = (usable & found)[:, None]
    shown = judged & table["exposed_true"] & table["clear"]
    asked = shown & measured & (table["dead"] >= 0)
    called = asked & (verdict != "") & (verdict != Verdict.UNSURE.value)
    dead = table["dead"] > 0
    right = called & ((verdict == Verdict.DEAD.value) == dead)
    half = shown & measured & (table["dead"] == HALF_DEAD)
    kinds = np.char.add(np.char.add(",", table["kinds"].astype(str)), ",")
    rows = []
    for kind in KINDS:
        own = np.char.find(kinds, f",{kind},") >= 0
        if not own.any():
            continue

        def count(where: npt.NDArray[Any], own: npt.NDArray[np.bool_] = own) -> int:
            return int(where[own].sum())

        rows.append(Slice(
            kind=kind, photos=count(usable), refused_good=count(usable & ~found),
            unusable=count(bad), refused=count(bad & ~found), tissues=count(shown),
            inside=count(shown & table["centre_inside"]), called=count(called),
            right=count(right), dead=count(asked & dead),
            dead_called_live=count(called & dead & (verdict == Verdict.LIVE.value)),
            half_dead=count(half), left_unsure=count(half & (verdict == Verdict.UNSURE.value))))
    return rows


def worst_slices(found: list[Slice], n: int = 5, *, least: int = 40) -> list[Slice]:
    """Return the kinds with the largest share of wrong calls, of those with enough calls."""
    asked = [one for one in found if one.called >= least and one.wrong > 0]
    return sorted(asked, key=lambda one: -one.wrong)[:n]


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
        [one.kind, str(one.tissues), _share(one.inside, one.tissues),
         _share(one.called, one.tissues - one.half_dead), _share(one.right, one.called),
         _share(one.dead_called_live, one.dead), _share(one.refused_good, one.photos),
         _share(one.refused, one.unusable)]
        for one in found]
