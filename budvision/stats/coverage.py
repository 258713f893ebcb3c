"""How often the interval for mortality holds the truth: the simulation behind its rule.

Run ``python -m budvision.stats.coverage`` for a table in about a minute, with ``--full`` for the
one that the documentation shows. Units draw their own share dead from a beta distribution with the
wanted likeness; the smallest samples are worked out exactly, over every sample there can be. Where
units live and die whole, a sample with none or all dead cannot show it: what the answer then says
beside its interval, the end for whole units, is counted with it. Of hundreds of cells the lowest is
low by chance: what comes out near the bar is counted anew, over four times as many other samples.
"""

from __future__ import annotations

import argparse
import itertools
import sys
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from budvision.settings import Settings
from budvision.stats.likelihood import likeness_grid
from budvision.stats.posterior import SharePosterior, posterior_under
from budvision.stats.units import Units
from budvision.stats.weighted import weighted_posterior, whole_end

__all__ = ["DESIGNS", "Cell", "Design", "coverage", "coverage_table", "simulate_units"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SHARES = (0.02, 0.05, 0.10, 0.20, 0.35, 0.60)
LIKENESS = (0.0, 0.1, 0.2, 0.4)
WHOLE = 1.0
BAR, WIDTH_BAR, MANY_UNITS = 0.935, 1.35, 8
_BATCH = 2_000
_AGAIN = 4
_CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """A way to sample a block.

    Attributes
    ----------
    name : str
    sizes : tuple of int
        Buds of each unit.
    strata, weights : tuple
        Stratum of each unit and weight of each stratum; empty where there are none.
    spread : tuple of float
        Share dead of each stratum as a multiple of the block's, before scaling to it.
    canes : int
        Canes of a unit that is a vine; canes of one vine then differ by a likeness of 0.1 more.
    exact : bool
        Whether every possible sample is counted instead of simulating.
    full : bool
        Whether only the full table holds it.
    """

    name: str
    sizes: tuple[int, ...]
    strata: tuple[int, ...] = ()
    weights: tuple[float, ...] = ()
    spread: tuple[float, ...] = ()
    canes: int = 0
    exact: bool = False
    full: bool = False

    @property
    def n_units(self) -> int:
        """Vines or canes."""
        return len(self.sizes)

    def shares(self, share: float) -> Floats:
        """Return the share dead of each unit's stratum where the block's is `share`."""
        if not self.strata:
            return np.full(self.n_units, share)
        raw = np.array(self.spread, dtype=float)
        weights = np.array(self.weights, dtype=float) / sum(self.weights)
        scale = min(share / float(weights @ raw), 0.97 / float(raw.max()))
        shares: Floats = raw[list(self.strata)] * scale
        return shares

    def truth(self, share: float) -> float:
        """Return the block's share dead, which strata may keep from being just `share`."""
        if not self.strata:
            return share
        by_stratum = dict(zip(self.strata, self.shares(share).tolist(), strict=True))
        return float(sum(w * by_stratum[s] for s, w in enumerate(self.weights)) / sum(self.weights))


def _zones(*canes: int) -> tuple[int, ...]:
    return tuple(zone for zone, count in enumerate(canes) for _ in range(count))


DESIGNS: tuple[Design, ...] = (
    Design(name="3 vines of 10", sizes=(10,) * 3, exact=True),
    Design(name="4 canes of 10", sizes=(10,) * 4, exact=True),
    Design(name="5 canes of 8", sizes=(8,) * 5, exact=True, full=True),
    Design(name="3 vines of 50, 10 canes each", sizes=(50,) * 3, canes=10),
    Design(name="8 canes of 10", sizes=(10,) * 8),
    Design(name="10 canes of 10", sizes=(10,) * 10, full=True),
    Design(name="12 vines of 40, 4 canes each", sizes=(40,) * 12, canes=4, full=True),
    Design(name="20 canes of 10", sizes=(10,) * 20),
    Design(name="20 vines of 20, 4 canes each", sizes=(20,) * 20, canes=4, full=True),
    Design(name="60 canes of 8", sizes=(8,) * 60, full=True),
    Design(name="10 canes, one of 30, the rest of 3", sizes=(30, *(3,) * 9)),
    Design(name="20 canes of 2 to 12", sizes=tuple(2 + at % 11 for at in range(20)), full=True),
    Design(name="vine sizes: 2, 16, 2 canes, weights .6, .3, .1", sizes=(10,) * 20,
           strata=_zones(2, 16, 2), weights=(0.6, 0.3, 0.1), spread=(2.0, 1.0, 0.5)),
    Design(name="zones: 10, 10 canes, weights .2, .8", sizes=(10,) * 20, strata=_zones(10, 10),
           weights=(0.2, 0.8), spread=(8.0, 1.0)),
    Design(name="zones: 5, 5, 5, 5 canes, even weights", sizes=(10,) * 20,
           strata=_zones(5, 5, 5, 5), weights=(1, 1, 1, 1), spread=(1.0, 2.0, 3.0, 0.5), full=True),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One design at one likeness.

    Attributes
    ----------
    coverage : tuple of float
        Share of samples whose interval holds the truth, one for each share dead.
    width_ratio : tuple of float
        Mean width against that of the same rule with the likeness known; nan with strata.
    """

    design: Design
    likeness: float
    coverage: tuple[float, ...]
    width_ratio: tuple[float, ...]


def simulate_units(
    shares: Floats, sizes: Ints, likeness: float, n_samples: int, *, rng: np.random.Generator,
    canes: int = 0,
) -> Ints:
    """Draw dead buds of units that are alike within.

    Parameters
    ----------
    shares : ndarray of float64, shape (n_units,)
        Expected share dead of each unit.
    sizes : ndarray of int64, shape (n_units,)
        Buds of each.
    likeness : float
        Within units, in [0, 1]; 1 makes whole units live or die.
    canes : int
        Canes of each unit that differ by a likeness of 0.1 more; 0 for none.

    Returns
    -------
    ndarray of int64, shape (n_samples, n_units)
    """
    shape = (n_samples, len(shares))
    chance = _beta(np.broadcast_to(shares, shape), likeness, rng)
    if not canes:
        return rng.binomial(np.broadcast_to(sizes, shape), chance)
    of_cane = _beta(np.repeat(chance[:, :, None], canes, axis=2), 0.1, rng)
    each = np.broadcast_to((sizes // canes)[None, :, None], of_cane.shape)
    dead: Ints = rng.binomial(each, of_cane).sum(axis=2)
    return dead


def _beta(mean: Floats, likeness: float, rng: np.random.Generator) -> Floats:
    if likeness == 0:
        return mean
    if likeness == 1:
        return (rng.random(mean.shape) < mean).astype(float)
    size = (1 - likeness) / likeness
    inside = np.clip(mean, 1e-12, 1 - 1e-12)
    drawn: Floats = rng.beta(inside * size, (1 - inside) * size)
    return drawn


def _posterior(dead: Ints, design: Design) -> SharePosterior:
    units, prior_icc = _units(dead, design), Settings().prior_icc
    if not design.strata:
        return posterior_under(units, likeness_grid(prior_icc))
    weights = np.tile(np.array(design.weights, dtype=float), (len(dead), 1))
    return weighted_posterior(units, np.tile(np.array(design.strata), len(dead)), weights,
                              prior_icc=prior_icc)


def _ends(found: SharePosterior, design: Design, *, whole: bool) -> tuple[Floats, Floats]:
    """Return the interval, with the end for whole units where the answer says it too."""
    low, high = found.limits(_CONFIDENCE)
    if not whole:
        return low, high
    interval = found.if_units_whole(_CONFIDENCE)
    if design.strata:
        weights = np.array(design.weights, dtype=float) / sum(design.weights)
        reach = whole_end(np.bincount(design.strata).astype(float), weights, confidence=_CONFIDENCE)
        interval = np.where(found.none, reach, 1 - reach)
    return np.where(found.every, interval, low), np.where(found.none, interval, high)


def _units(dead: Ints, design: Design) -> Units:
    sizes = np.tile(np.array(design.sizes, dtype=float), len(dead))
    group = np.repeat(np.arange(len(dead)), design.n_units)
    return Units.of(dead.ravel(), sizes, group, len(dead))


def _known(dead: Ints, design: Design, likeness: float) -> SharePosterior:
    """Return the posterior of somebody who knows the likeness."""
    loss = likeness
    if design.canes:
        size, each = design.sizes[0], design.sizes[0] // design.canes
        between = likeness * (size - 1) + (1 - likeness) * 0.1 * (each - 1)
        loss = between / (size - 1)
    prior = np.array([min(loss, 1 - 1e-6)]), np.zeros(1)
    return posterior_under(_units(dead, design), prior)


def _every_sample(design: Design, *, whole: bool) -> tuple[Ints, Floats]:
    """Return every count of equal units, without regard to order, and the log of its orders."""
    size, k = design.sizes[0], design.n_units
    counts = (0, size) if whole else range(size + 1)
    dead = np.array(list(itertools.combinations_with_replacement(counts, k)))
    orders = scipy.special.gammaln(k + 1) - sum(
        scipy.special.gammaln((dead == count).sum(axis=1) + 1) for count in range(size + 1))
    return dead, orders


def _chance(dead: Ints, orders: Floats, size: int, share: float, likeness: float) -> Floats:
    counts = np.arange(size + 1)
    if likeness == 0:
        log = scipy.stats.binom.logpmf(counts, size, share)
    elif likeness == 1:
        log = np.where(counts == 0, np.log1p(-share), np.where(counts == size, np.log(share),
                                                              -np.inf))
    else:
        strength = (1 - likeness) / likeness
        log = scipy.stats.betabinom.logpmf(counts, size, share * strength, (1 - share) * strength)
    chance: Floats = np.exp(orders + log[dead].sum(axis=1))
    return chance


def coverage(
    design: Design, likeness: float, *, shares: Sequence[float] = SHARES, n_samples: int = 500,
    rng: np.random.Generator,
) -> Cell:
    """Count how often the 95 % interval of one design holds the true share.

    Parameters
    ----------
    likeness : float
        True likeness within units, in [0, 1].
    shares : sequence of float
        True shares dead, in (0, 1).
    n_samples : int
        Samples for each share, where not every one can be counted; a quarter of them with strata,
        which take longer. Four times as many others, and these alone, where those come out less
        than two standard errors above the bar.
    """
    held, ratio = [], []
    whole = likeness == WHOLE and len(set(design.sizes)) == 1 and not design.strata
    if design.exact or whole:
        dead, orders = _every_sample(design, whole=whole)
        low, high = _ends(_posterior(dead, design), design, whole=whole)
        near, far = _known(dead, design, likeness).limits(_CONFIDENCE)
        for share in shares:
            chance = _chance(dead, orders, design.sizes[0], share, likeness)
            held.append(float(chance[(low <= share) & (share <= high)].sum()))
            ratio.append(float(chance @ (high - low) / (chance @ (far - near))))
        return Cell(design=design, likeness=likeness, coverage=tuple(held),
                    width_ratio=tuple(ratio))
    for share in shares:
        truth, count = design.truth(share), _count(design, n_samples)
        found = _held(design, likeness, share, truth, count, rng)
        if found[0] < BAR + 2 * np.sqrt(BAR * (1 - BAR) / count):
            found = _held(design, likeness, share, truth, _AGAIN * count, rng)
        held.append(found[0])
        ratio.append(found[1])
    return Cell(design=design, likeness=likeness, coverage=tuple(held), width_ratio=tuple(ratio))


def _count(design: Design, n_samples: int) -> int:
    """Return the samples drawn of a design: a quarter with strata, which take longer."""
    return max(n_samples // 4, 1) if design.strata else n_samples


def _held(
    design: Design, likeness: float, share: float, truth: float, count: int,
    rng: np.random.Generator,
) -> tuple[float, float]:
    """Return how often so many drawn samples hold the truth, and how wide they are."""
    sizes, sums = np.array(design.sizes), np.zeros(3)
    for start in range(0, count, _BATCH):
        dead = simulate_units(design.shares(share), sizes, likeness, min(_BATCH, count - start),
                              rng=rng, canes=design.canes)
        low, high = _ends(_posterior(dead, design), design, whole=likeness == WHOLE)
        near, far = ((np.zeros(1), np.array([np.nan])) if design.strata
                     else _known(dead, design, likeness).limits(_CONFIDENCE))
        inside = (low <= truth + 1e-12) & (truth - 1e-12 <= high)
        sums += inside.sum(), (high - low).sum(), (far - near).sum()
    return float(sums[0] / count), float(sums[1] / sums[2])


def coverage_table(cells: Sequence[Cell]) -> str:
    """Return coverage at `SHARES` as a Markdown table, per cent, with the least and the width."""
    heads = ["sample", "likeness", *(f"{100 * share:g} %" for share in SHARES), "smallest", "width"]
    lines = ["| " + " | ".join(heads) + " |", "| --- |" + " ---: |" * (len(heads) - 1)]
    for cell in cells:
        ratio = float(np.mean(cell.width_ratio))
        row = [
            cell.design.name, "whole units" if cell.likeness == 1 else f"{cell.likeness:g}",
            *(f"{100 * value:.1f}" for value in cell.coverage),
            f"{100 * min(cell.coverage):.1f}", "" if np.isnan(ratio) else f"{ratio:.2f}",
        ]
        lines.append("| " + " | ".join(row) + " |")
    return "\n".join(lines)


def _cells(arguments: argparse.Namespace) -> list[Cell]:
    rng = np.random.default_rng(arguments.start)
    return [
        coverage(design, likeness, n_samples=arguments.samples, rng=rng)
        for design in DESIGNS if arguments.full or not design.full
        for likeness in (*LIKENESS, *(() if design.canes or design.strata else (WHOLE,)))
    ]


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the coverage table; return 1 where a bar is missed by more than two standard errors."""
    parser = argparse.ArgumentParser(
        prog="python -m budvision.stats.coverage",
        description="Work out how often the interval for mortality holds the truth.",
    )
    parser.add_argument("--samples", type=int, default=400, help="samples for each share and cell")
    parser.add_argument("--full", action="store_true", help="all designs (several minutes)")
    parser.add_argument("--start", type=int, default=1, help="start of the random numbers")
    options = parser.parse_args(arguments)
    cells = _cells(options)
    low = min(min(cell.coverage) for cell in cells)
    missed = any(value < BAR - 2 * _error(cell, options.samples)
                 for cell in cells for value in cell.coverage)
    wide = float(np.mean([
        np.mean(cell.width_ratio) for cell in cells
        if cell.design.n_units >= MANY_UNITS and not cell.design.strata and cell.likeness < 1
    ]))
    sys.stdout.write(
        "Coverage in per cent of the nominal 95 % interval by true share dead; width against one "
        f"who knows the likeness; {options.samples:,} samples a cell, a quarter with strata, four "
        "times as many others where those come out near the bar (3 to 5 units, and whole units: "
        "exact):\n\n"
        f"{coverage_table(cells)}\n\n"
        f"Smallest: {100 * low:.1f} % (bar {100 * BAR:g} %). Mean width from {MANY_UNITS} units "
        f"on: {wide:.2f} times that with the likeness known (bar {WIDTH_BAR}).\n"
    )
    return 1 if missed or wide > WIDTH_BAR else 0


def _error(cell: Cell, n_samples: int) -> float:
    """Return the standard error of a cell's coverage at the bar; 0 where it is exact."""
    if cell.design.exact or cell.likeness == WHOLE:
        return 0.0
    return float(np.sqrt(BAR * (1 - BAR) / (_AGAIN * _count(cell.design, n_samples))))


if __name__ == "__main__":
    sys.exit(main())
