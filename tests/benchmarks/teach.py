"""What confirmed buds teach, counted as the program shows it, from tables of observations.

``python -m budvision.learning.observe --hand staged --first 2900000000 --n 600 --model
models/staged-1.0 --out TABLE`` (``--traced FOLDER`` for path-traced photographs), and then
``python tests/benchmarks/teach.py TABLE models/staged-1.0 200 20``: of the photographs that were
judged 200, eight to a cane, can be called and learned from, the others are judged; 20 choices of
them. Where a person is asked for a name nothing is called yet. Each choice is learned from as life
alone, and with what was called *not exposed*, renamed or drawn anew. With ``--orders`` four orders
of showing buds are compared instead.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.stats import beta

from budvision.learning.lessons import Lesson, make_lessons
from budvision.learning.observe import HALF_DEAD, load_observations
from budvision.learning.tune import tune
from budvision.verdict.model import VerdictModel, names_to_ask
from budvision.verdict.persist import load_verdict
from budvision.vocabulary import TISSUES, CallValue, Verdict

SIZES: Final = (20, 50, 80)
_PER_CANE: Final = 8
_OFF_BELOW: Final = 0.3
"""Overlap of outlines below which a person moves the outline or the name."""
Counts = npt.NDArray[np.float64]
COLUMNS: Final = ("asked", "called", "right", "dead", "dead called live", "no region", "unlike",
                  "waits for a name", "right then", "unsure of life", "likelier side right",
                  "strays", "strays called")


class World:
    """Photographs of a table as a model sees them."""

    def __init__(self, table: dict[str, npt.NDArray[Any]], base: VerdictModel) -> None:
        self.table, self.base = table, base
        self.measured = np.isfinite(table["row"]).all(axis=2)
        self.rows = np.nan_to_num(table["row"].astype(np.float64))
        self.odds = np.zeros(self.measured.shape)
        self.odds[self.measured] = base.odds(self.rows[self.measured])
        off = np.nan_to_num(table["overlap"]) < _OFF_BELOW
        self.moved = self.measured & table["exposed_true"] & table["clear"] & off

    def doubt(self, photo: int) -> float:
        odds = np.abs(self.odds[photo][self.measured[photo]])
        return -float(odds.min()) if odds.size else -np.inf

    def call(self, photo: int, tissue: int) -> CallValue:
        if not self.table["exposed_true"][photo, tissue]:
            return CallValue.NOT_EXPOSED
        state = self.table["dead"][photo, tissue]
        if state == HALF_DEAD:
            return CallValue.UNSURE
        return CallValue.DEAD if state == 1 else CallValue.LIVE

    def learned(
        self, photos: Sequence[int], cane: dict[int, int], *, life_alone: bool = False
    ) -> VerdictModel:
        lessons = make_lessons([
            Lesson(bud=str(photo), cane=str(cane[photo]), tissue=TISSUES[k],
                   value=self.call(photo, k), second=(), row=self.rows[photo, k],
                   base_logit=float(self.odds[photo, k]),
                   moved=bool(self.moved[photo, k]) and not life_alone)
            for photo in photos for k in range(3) if self.measured[photo, k]])
        if life_alone:
            lessons = replace(lessons, strays=())
        return tune(self.base, lessons, rng=np.random.default_rng(1)).model

    def score(self, model: VerdictModel, photos: npt.NDArray[np.intp]) -> Counts:
        """Return `COLUMNS` of the photographs, counted over tissues that people could judge."""
        total = np.zeros(len(COLUMNS))
        table, chosen = self.table, self.measured[photos]
        odds = np.zeros(chosen.shape)
        strange = np.zeros(chosen.shape, np.bool_)
        verdicts = np.full(chosen.shape, Verdict.UNSURE, object)
        odds[chosen] = model.odds(self.rows[photos][chosen])
        strange[chosen] = model.is_strange(self.rows[photos][chosen])
        verdicts[chosen] = model.verdicts(self.rows[photos][chosen])
        for at, photo in enumerate(photos):
            names = names_to_ask(
                {TISSUES[k]: verdicts[at, k] for k in range(3) if chosen[at, k]},
                swap_doubt=float(table["swap_doubt"][photo]))
            for k in range(3):
                says, waits = verdicts[at, k], TISSUES[k] in names
                called = says is not Verdict.UNSURE
                if chosen[at, k] and not table["exposed_true"][photo, k]:
                    total[11:] += 1, called and not waits
                if not (table["exposed_true"][photo, k] and table["clear"][photo, k]
                        and table["dead"][photo, k] >= 0):
                    continue
                dead = bool(table["dead"][photo, k] == 1)
                right = (says is Verdict.DEAD) == dead
                side = (odds[at, k] > 0) == dead
                total[[0, 3]] += 1, dead
                if not chosen[at, k]:
                    total[5] += 1
                elif strange[at, k]:
                    total[6] += 1
                elif not called:
                    total[9:11] += 1, side
                elif waits:
                    total[7:9] += 1, right
                else:
                    total[[1, 2, 4]] += 1, right, dead and not right
        return total


def _orders(
    world: World, pool: Sequence[int], cane: dict[int, int], rng: np.random.Generator
) -> dict[str, list[int]]:
    """Return the photographs of a pool in four orders of showing them."""
    def in_turn(rows: list[list[int]]) -> list[int]:
        return [row[at] for at in range(_PER_CANE) for row in rows if at < len(row)]

    canes = [[photo for photo in pool if cane[photo] == one] for one in sorted(set(cane.values()))]
    doubtful = [sorted(row, key=world.doubt, reverse=True) for row in canes]
    by_lot = [list(rng.permutation(row)) for row in canes]
    return {"cane by cane": list(pool), "one of each cane": in_turn(by_lot),
            "doubtful first": sorted(pool, key=world.doubt, reverse=True),
            "the doubtful of each cane": in_turn(doubtful)}


def line_of(name: str, size: int, counts: Counts, times: int) -> str:
    """Return the figures as a line; the interval is of one choice's number of tissues."""
    at = dict(zip(COLUMNS, counts, strict=True))
    right, called = at["right"] / times, at["called"] / times
    low = beta.ppf(0.025, right, called - right + 1)
    high = beta.ppf(0.975, right + 1, called - right) if called > right else 1.0
    asked = at["asked"]
    return (f"{name:<26}{size:>3} buds: right {right / called:.2%} ({low:.1%} to {high:.1%} of "
            f"{called:.0f}), called {at['called'] / asked:.1%} of {asked / times:.0f}, dead called "
            f"live {at['dead called live'] / at['dead']:.2%}, strays called "
            f"{at['strays called'] / max(at['strays'], 1):.0%} of {at['strays'] / times:.0f}; "
            f"not called: no region {at['no region'] / asked:.1%}, unlike "
            f"{at['unlike'] / asked:.1%}, name {at['waits for a name'] / asked:.1%} (right "
            f"{at['right then'] / max(at['waits for a name'], 1):.0%}), life "
            f"{at['unsure of life'] / asked:.1%} (likelier side right "
            f"{at['likelier side right'] / max(at['unsure of life'], 1):.0%})")


def main(arguments: Sequence[str] | None = None) -> None:
    """Print what is learned."""
    parser = argparse.ArgumentParser(prog="teach.py")
    parser.add_argument("table", type=Path)
    parser.add_argument("model", type=Path)
    parser.add_argument("pool", type=int)
    parser.add_argument("times", type=int)
    parser.add_argument("--orders", action="store_true")
    given = parser.parse_args(arguments)
    world = World(load_observations(given.table), load_verdict(given.model / "verdict.skops"))
    judged = np.flatnonzero(world.table["usable"] & world.table["found"])
    sums: dict[tuple[str, int], Counts] = {}
    for turn in range(given.times):
        rng = np.random.default_rng(turn)
        drawn = rng.permutation(judged)
        pool, rest = drawn[:given.pool].tolist(), drawn[given.pool:]
        cane = {photo: at // _PER_CANE for at, photo in enumerate(pool)}
        found = {("nothing learned", 0): world.score(world.base, rest)}
        for size in SIZES:
            if given.orders:
                for name, order in _orders(world, pool, cane, rng).items():
                    found[name, size] = world.score(world.learned(order[:size], cane), rest)
                continue
            for name, alone in (("life alone", True), ("life and strays", False)):
                learned = world.learned(pool[:size], cane, life_alone=alone)
                found[name, size] = world.score(learned, rest)
        for key, one in found.items():
            sums[key] = sums.get(key, 0) + one
    for (name, size), counts in sums.items():
        print(line_of(name, size, counts, given.times))


if __name__ == "__main__":
    main()
