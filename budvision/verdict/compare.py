"""Compare two models on the same called tissues, paired, with intervals that allow for canes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from budvision.errors import NothingToDoError
from budvision.language import grouped, say, say_n
from budvision.stats.compare import cane_interval
from budvision.vocabulary import TISSUES, Tissue, Verdict

__all__ = ["Comparison", "ComparisonRow", "Judged", "compare"]

_FEW = 20


@dataclass(frozen=True, slots=True)
class Judged:
    """One called tissue and what both models say of it, neither having learnt from it.

    Attributes
    ----------
    cane : str
    dead : bool
        The call.
    old, new : Verdict
    """

    cane: str
    tissue: Tissue
    dead: bool
    old: Verdict
    new: Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonRow:
    """Two models on one tissue (or all).

    Attributes
    ----------
    right, wrong, called : tuple of float
        Shares of the tissues, (old, new): called and right, called and wrong, called at all.
    gain_right, gain_wrong : tuple of float
        Difference new less old with the ends of its 95 % interval, (mean, low, high).
    dead_called_live : tuple of int
        (old, new).
    """

    name: str
    n: int
    n_canes: int
    right: tuple[float, float]
    wrong: tuple[float, float]
    called: tuple[float, float]
    gain_right: tuple[float, float, float]
    gain_wrong: tuple[float, float, float]
    dead_called_live: tuple[int, int]

    @property
    def gains(self) -> tuple[str, str]:
        """`gain_right` and `gain_wrong` in points, in words; an interval without width is none."""
        right, wrong = (
            say("{mean} ({low} to {high})", mean=_signed(mean), low=_signed(low),
                high=_signed(high)) if low < high
            else say("{mean} (too few to tell)", mean=_signed(mean))
            for mean, low, high in (self.gain_right, self.gain_wrong))
        return right, wrong

    def as_dict(self) -> dict[str, object]:
        """Return the row for JSON."""
        return {
            "tissue": self.name, "n": self.n, "n_canes": self.n_canes,
            **{f"{name}_{who}": round(pair[i], 4) for name, pair in (
                ("right", self.right), ("wrong", self.wrong), ("called", self.called))
               for i, who in enumerate(("old", "new"))},
            "gain_right": [round(v, 4) for v in self.gain_right],
            "gain_wrong": [round(v, 4) for v in self.gain_wrong],
            "dead_called_live_old": self.dead_called_live[0],
            "dead_called_live_new": self.dead_called_live[1]}


@dataclass(frozen=True, slots=True)
class Comparison:
    """The outcome, all tissues first, and what it comes to in a sentence."""

    old: str
    new: str
    rows: tuple[ComparisonRow, ...]
    words: str

    def as_dict(self) -> dict[str, object]:
        """Return the comparison for JSON."""
        return {"old": self.old, "new": self.new, "rows": [row.as_dict() for row in self.rows],
                "words": self.words}


def _hits(verdicts: Sequence[Verdict], dead: NDArray[np.bool_]) -> tuple[
        NDArray[np.float64], NDArray[np.float64]]:
    called = np.array([v is not Verdict.UNSURE for v in verdicts])
    says_dead = np.array([v is Verdict.DEAD for v in verdicts])
    right = called & (says_dead == dead)
    return right.astype(np.float64), (called & ~right).astype(np.float64)


def _row(name: str, judged: Sequence[Judged], rng: np.random.Generator) -> ComparisonRow:
    dead = np.array([one.dead for one in judged])
    cane = np.unique([one.cane for one in judged], return_inverse=True)[1].astype(np.int64)
    right_old, wrong_old = _hits([one.old for one in judged], dead)
    right_new, wrong_new = _hits([one.new for one in judged], dead)
    as_live = tuple(
        int(sum(one.dead and verdict is Verdict.LIVE for one, verdict in zip(
            judged, proposals, strict=True)))
        for proposals in ([one.old for one in judged], [one.new for one in judged]))
    return ComparisonRow(
        name=name, n=len(judged), n_canes=len(np.unique(cane)),
        right=(float(right_old.mean()), float(right_new.mean())),
        wrong=(float(wrong_old.mean()), float(wrong_new.mean())),
        called=(float((right_old + wrong_old).mean()), float((right_new + wrong_new).mean())),
        gain_right=cane_interval(right_new - right_old, cane, rng=rng),
        gain_wrong=cane_interval(wrong_new - wrong_old, cane, rng=rng),
        dead_called_live=(as_live[0], as_live[1]))


def compare(
    judged: Sequence[Judged], *, old: str, new: str, rng: np.random.Generator
) -> Comparison:
    """Compare two models on the same tissues.

    Parameters
    ----------
    judged : sequence of Judged
        Tissues called live or dead; best blind calls only.
    old, new : str
        The models' names.
    rng : Generator
        Draws canes for the intervals.

    Raises
    ------
    NothingToDoError
        When there is no tissue to compare on.

    Notes
    -----
    The sentence calls the new model better or worse only when the interval of its wrong calls, or
    else of its right calls, leaves out zero; a few canes can rarely tell.
    """
    if not judged:
        raise NothingToDoError(
            "there is no blind call to compare on", where="compare",
            expected="buds called without seeing the proposal",
            do="Go on reviewing: the share that the setting blind_share names is called blind.")
    rows = [_row("all", judged, rng)]
    for tissue in TISSUES:
        part = [one for one in judged if one.tissue is tissue]
        if part:
            rows.append(_row(tissue.value, part, rng))
    return Comparison(old, new, tuple(rows), _words(rows[0], new))


def _signed(share: float) -> str:
    return f"{'' if share < 0 else '+'}{grouped(100 * share, 1)}"


def _words(row: ComparisonRow, new: str) -> str:
    if row.n < _FEW or row.n_canes < 3:
        return say("Only {tissues} on {canes}: too few to tell the models apart. Keep the model in "
                   "use until there are more blind calls.",
                   tissues=say_n("{n} tissue", "{n} tissues", row.n),
                   canes=say_n("{n} cane", "{n} canes", row.n_canes))
    _, low, high = row.gain_wrong
    if high < 0:
        return say("{new} makes fewer wrong calls, beyond chance.", new=new)
    if low > 0:
        return say("{new} makes more wrong calls, beyond chance. Do not promote it.", new=new)
    _, low, high = row.gain_right
    if low > 0:
        return say("{new} calls more tissues rightly, beyond chance; whether it is also wrong more "
                   "often cannot be told.", new=new)
    if high < 0:
        return say("{new} calls fewer tissues rightly, beyond chance.", new=new)
    return say("The two cannot be told apart on these buds.")
