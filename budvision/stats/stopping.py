"""Stop cutting as soon as the band is sure: a rule for any number of bands, by dead buds so far.

After each whole unit (vine or cane) the dead and judged buds so far give the probability of every
band, their likeness as unsure as its prior has it (`budvision.stats.posterior.totals_posterior`).
Cutting may stop when one band is sure enough, and stops with the whole sample. The rule needs the
two totals alone, so that paper, bench and plan can keep it. Run
``python -m budvision.stats.stopping`` for its errors and its expected sample.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from budvision.errors import InputError
from budvision.language import plain_count
from budvision.settings import Settings
from budvision.stats.coverage import simulate_units
from budvision.stats.posterior import totals_posterior

__all__ = [
    "FIRST_LOOK", "SURE", "Look", "Stopped", "band_decided", "simulate_stopping", "stopping_looks",
]

Ints = NDArray[np.int64]

SURE = 0.88
"""Probability of a band from which cutting may stop."""

FIRST_LOOK = 5
"""Whole units before the first look: fewer cannot show how units differ."""

MOST_LOOKS = 40
"""Looks at a large sample, spread evenly; a small one is looked at after every unit."""

EDGES = (0.14, 0.35, 0.50)
TRUTHS = (0.02, 0.05, 0.10, 0.14, 0.20, 0.25, 0.30, 0.35, 0.42, 0.50, 0.60, 0.75)


@dataclass(frozen=True, slots=True)
class Look:
    """One look of the rule.

    Attributes
    ----------
    units : int
        Whole units cut.
    dead : tuple of (int, int) or None, one for each band
        Dead buds so far, both ends counted, with which cutting may stop in that band.
    """

    units: int
    dead: tuple[tuple[int, int] | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stopped:
    """What the rule does at one true share, shares of simulated samples.

    Attributes
    ----------
    right, right_whole : float
        Ended in the band of the true share, by the rule and with the whole sample. On an edge
        either side counts.
    mean_share : float
        Buds judged, as a share of the whole sample.
    early : float
        Samples that ended before the whole was cut.
    """

    truth: float
    right: float
    right_whole: float
    mean_share: float
    early: float


def band_decided(
    n_dead: int, n_judged: int, n_units: int, edges: Sequence[float], *, sure: float = SURE,
    prior_icc: float,
) -> tuple[int, float]:
    """Return the band that the whole units cut so far make sure.

    Parameters
    ----------
    n_dead, n_judged, n_units : int
        Dead and judged primaries of the whole vines or canes, and how many these are.
    edges : sequence of float
        Rising edges between bands.
    sure : float
        Probability from which a band counts as sure, in (0.5, 1).
    prior_icc : float
        As in `budvision.stats.posterior.share_posterior`.

    Returns
    -------
    band : int
        Counted from 0; -1 to go on cutting, as with fewer than `FIRST_LOOK` units.
    chance : float
        Probability of the likeliest band.

    Raises
    ------
    InputError
        When `sure` is outside its range.
    """
    if not 0.5 < sure < 1:
        raise InputError(f"sure is {sure!r}", expected="above 0.5 and below 1")
    chances = totals_posterior(
        n_dead, n_judged, n_units=n_units, prior_icc=prior_icc).band_chances(edges)[0]
    band = int(chances.argmax())
    sure_enough = chances[band] >= sure and n_units >= FIRST_LOOK
    return (band if sure_enough else -1), float(chances[band])


def stopping_looks(
    edges: Sequence[float], *, n_units: int, size: int, sure: float = SURE, prior_icc: float,
) -> tuple[Look, ...]:
    """Return the looks at a sample of units of one size, each with the counts to stop at.

    Parameters
    ----------
    edges, sure, prior_icc
        As in `band_decided`.
    n_units, size : int
        The whole sample; the last look is before its last unit.
    """
    last = n_units - 1
    steps = np.unique(np.linspace(FIRST_LOOK, last, min(MOST_LOOKS, last - FIRST_LOOK + 1)).round(
        ).astype(int)) if last >= FIRST_LOOK else np.zeros(0, int)
    return tuple(_look(int(c), size, tuple(edges), sure, prior_icc) for c in steps)


def _look(units: int, size: int, edges: tuple[float, ...], sure: float, prior_icc: float) -> Look:
    n, known = units * size, dict[int, int]()

    def band_of(dead: int) -> int:
        if dead not in known:
            known[dead] = band_decided(dead, n, units, edges, sure=sure, prior_icc=prior_icc)[0]
        return known[dead]

    angles = [math.asin(math.sqrt(share)) for share in (0.0, *edges, 1.0)]
    found: list[tuple[int, int] | None] = []
    for band in range(len(edges) + 1):
        middle = round(n * math.sin((angles[band] + angles[band + 1]) / 2) ** 2)
        best = 0 if band == 0 else n if band == len(edges) else middle
        found.append((_last(band_of, band, best, 0), _last(band_of, band, best, n))
                     if band_of(best) == band else None)
    return Look(units, tuple(found))


def _last(band_of: Callable[[int], int], band: int, inside: int, end: int) -> int:
    """Return the last count from `inside` towards `end` that is still decided for the band."""
    if band_of(end) == band:
        return end
    while abs(end - inside) > 1:
        middle = (inside + end) // 2
        if band_of(middle) == band:
            inside = middle
        else:
            end = middle
    return inside


def simulate_stopping(
    truth: float, *, rng: np.random.Generator, edges: Sequence[float] = EDGES, icc: float = 0.2,
    n_units: int = 20, size: int = 10, looks: Sequence[Look], n_samples: int = 2000,
) -> Stopped:
    """Simulate the rule at one true share, and the whole sample beside it.

    Parameters
    ----------
    truth : float
        True share dead in (0, 1).
    edges : sequence of float
        Rising edges between bands.
    icc : float
        Likeness of buds of one unit, in [0, 1).
    n_units, size : int
        The whole sample.
    looks : sequence of Look
        As `stopping_looks` returns them for this sample.
    """
    dead = simulate_units(np.full(n_units, truth), np.full(n_units, size), icc, n_samples, rng=rng)
    so_far = dead.cumsum(axis=1)
    ended = np.full(n_samples, n_units)
    band: Ints = np.full(n_samples, -1)
    for look in looks:
        count, still = so_far[:, look.units - 1], band < 0
        for number, ends in enumerate(look.dead):
            if ends is not None:
                stops = still & (count >= ends[0]) & (count <= ends[1])
                band[stops], ended[stops] = number, look.units
    whole = np.searchsorted(edges, dead.mean(axis=1) / size, side="left")
    early = band >= 0
    band_called = np.where(early, band, whole)
    true = {int(np.searchsorted(edges, truth, side=side)) for side in ("left", "right")}
    return Stopped(
        truth=truth, right=float(np.isin(band_called, list(true)).mean()),
        right_whole=float(np.isin(whole, list(true)).mean()),
        mean_share=float(ended.mean() / n_units), early=float(early.mean()),
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the rule's errors and expected sample; return 1 where it misses its bars."""
    parser = argparse.ArgumentParser(
        prog="python -m budvision.stats.stopping",
        description="Simulate the rule that stops cutting when the band is sure.",
    )
    parser.add_argument("--samples", type=int, default=2000, help="samples for each true share")
    parser.add_argument("--icc", type=float, default=0.2, help="likeness of buds of one cane")
    parser.add_argument("--sure", type=float, default=SURE, help="probability to stop at")
    parser.add_argument("--canes", type=int, default=20, help="canes of the whole sample")
    parser.add_argument("--start", type=int, default=1, help="start of the random numbers")
    options = parser.parse_args(arguments)
    rng = np.random.default_rng(options.start)
    looks = stopping_looks(EDGES, n_units=options.canes, size=10, sure=options.sure,
                           prior_icc=Settings().prior_icc)
    rows = [
        simulate_stopping(truth, rng=rng, icc=options.icc, looks=looks, n_units=options.canes,
                          n_samples=options.samples)
        for truth in TRUTHS
    ]
    lines = ["| true share | right band | with the whole sample | buds cut | stopped early |",
             "| ---: | ---: | ---: | ---: | ---: |"]
    lines += [
        f"| {100 * row.truth:g} % | {100 * row.right:.1f} | {100 * row.right_whole:.1f} | "
        f"{100 * row.mean_share:.0f} % | {100 * row.early:.0f} % |" for row in rows
    ]
    lost = float(np.mean([row.right_whole - row.right for row in rows]))
    saved = 1 - float(np.mean([row.mean_share for row in rows]))
    sys.stdout.write(
        f"Edges {', '.join(f'{100 * edge:g} %' for edge in EDGES)}; "
        f"{plain_count(options.canes, 'cane')} of 10, "
        f"likeness {options.icc:g}, stop at {options.sure:g}, {options.samples} samples each:\n\n"
        + "\n".join(lines)
        + f"\n\nRight less often than the whole sample by {100 * lost:.1f} points (bar 3); "
        f"{100 * saved:.0f} % fewer buds (bar 25 %).\n"
    )
    return 0 if lost <= 0.03 and saved >= 0.25 else 1


if __name__ == "__main__":
    sys.exit(main())
