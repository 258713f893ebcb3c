"""Which buds teach most: four orders of showing them, from a table of observations.

``python -m budvision.learning.observe --hand staged --first 2900000000 --n 600 --model
models/staged-1.0 --out TABLE`` and then ``python tests/benchmarks/teach.py TABLE models/staged-1.0
200 20``: of the photographs that were judged 200, eight to a cane, can be called and learned from,
the others are judged; 20 choices of them.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from budvision.learning.lessons import Lesson, make_lessons
from budvision.learning.observe import HALF_DEAD, load_observations
from budvision.learning.tune import score_verdicts, tune
from budvision.verdict.model import VerdictModel
from budvision.verdict.persist import load_verdict
from budvision.vocabulary import TISSUES, CallValue

SIZES: Final = (20, 50, 80)
_PER_CANE: Final = 8


class World:
    """Photographs of a table as a model sees them."""

    def __init__(self, table: dict[str, npt.NDArray[Any]], base: VerdictModel) -> None:
        self.table, self.base = table, base
        self.measured = np.isfinite(table["row"]).all(axis=2)
        self.rows = np.nan_to_num(table["row"].astype(np.float64))
        self.odds = np.zeros(self.measured.shape)
        self.odds[self.measured] = base.odds(self.rows[self.measured])

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

    def learned(self, photos: Sequence[int], cane: dict[int, int]) -> VerdictModel:
        lessons = [
            Lesson(bud=str(photo), cane=str(cane[photo]), tissue=TISSUES[k],
                   value=self.call(photo, k), second=(), row=self.rows[photo, k],
                   base_logit=float(self.odds[photo, k]))
            for photo in photos for k in range(3) if self.measured[photo, k]]
        return tune(self.base, make_lessons(lessons), rng=np.random.default_rng(1)).model

    def score(self, model: VerdictModel, photos: npt.NDArray[np.intp]) -> npt.NDArray[Any]:
        """Return called, right, dead called live, dead, and asked; what was missed is asked too."""
        asked = np.zeros(self.measured.shape, np.bool_)
        asked[photos] = (self.table["exposed_true"] & self.table["clear"]
                         & (self.table["dead"] >= 0))[photos]
        seen = asked & self.measured
        rows, dead = self.rows[seen], (self.table["dead"][seen] == 1).astype(float)
        found = score_verdicts(np.asarray(expit(model.odds(rows))), dead, model.sets,
                               model.is_strange(rows))
        called = found.called * found.n
        return np.array([called, called * (found.accuracy or 0.0), found.dead_called_live,
                         dead.sum(), asked.sum()])


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


def main(table: Path, model: Path, n_pool: int, times: int) -> None:
    """Print what each order gives."""
    world = World(load_observations(table), load_verdict(model / "verdict.skops"))
    judged = np.flatnonzero(world.table["usable"] & world.table["found"])
    sums: dict[tuple[str, int], npt.NDArray[Any]] = {}
    for turn in range(times):
        rng = np.random.default_rng(turn)
        drawn = rng.permutation(judged)
        pool, rest = drawn[:n_pool].tolist(), drawn[n_pool:]
        cane = {photo: at // _PER_CANE for at, photo in enumerate(pool)}
        found = {("nothing learned", 0): world.score(world.base, rest)}
        for name, order in _orders(world, pool, cane, rng).items():
            for size in SIZES:
                found[name, size] = world.score(world.learned(order[:size], cane), rest)
        for key, one in found.items():
            sums[key] = sums.get(key, 0) + one
    for (name, size), (called, right, slipped, dead, asked) in sums.items():
        print(f"{name:<27}{size:>3} buds: right {100 * right / called:.2f} %, called "
              f"{100 * called / asked:.1f} %, dead called live {100 * slipped / dead:.2f} %")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]))
