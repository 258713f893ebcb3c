"""Stop cutting as soon as the band is sure: a rule for any number of bands, by the interval's rule.

After each whole unit (vine or cane) the probability of every band is worked out by
`budvision.stats.posterior`; cutting may stop when one of them is sure enough, and stops with the
whole sample. Run ``python -m budvision.stats.stopping`` for its errors and its expected sample,
and those of Wald's two shares beside it.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from budvision.errors import InputError
from budvision.settings import Settings
from budvision.stats.clusters import design_effect
from budvision.stats.coverage import simulate_units
from budvision.stats.posterior import share_posterior
from budvision.stats.sequential import sequential_plan, simulate_plan
from budvision.stats.units import Units

__all__ = ["SURE", "Stopped", "bands_decided", "simulate_stopping"]

Floats = NDArray[np.float64]

SURE = 0.9
"""Probability of a band from which cutting may stop."""

FIRST_LOOK = 5
"""Whole units before the first look: fewer cannot show how units differ."""

EDGES = (0.14, 0.35, 0.50)
TRUTHS = (0.02, 0.05, 0.10, 0.14, 0.20, 0.25, 0.30, 0.35, 0.42, 0.50, 0.60, 0.75)


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


def bands_decided(
    units: Units, edges: Sequence[float], *, sure: float = SURE, prior_icc: float,
) -> NDArray[np.int64]:
    """Return the band that the whole units cut so far make sure, for each group (block).

    Parameters
    ----------
    units : Units
        Dead and judged primaries of each whole vine or cane.
    edges : sequence of float
        Rising edges between bands.
    sure : float
        Probability from which a band counts as sure, in (0.5, 1).
    prior_icc : float
        As in `budvision.stats.posterior.share_posterior`.

    Returns
    -------
    ndarray of int64, shape (n_groups,)
        Counted from 0; -1 to go on cutting, as with fewer than `FIRST_LOOK` units.

    Raises
    ------
    InputError
        When `sure` is outside its range.
    """
    if not 0.5 < sure < 1:
        raise InputError(f"sure is {sure!r}", expected="above 0.5 and below 1")
    seen = units.total(np.ones(len(units.sizes)))
    chances = share_posterior(units, prior_icc=prior_icc).band_chances(edges)
    decided = (chances.max(axis=1) >= sure) & (seen >= FIRST_LOOK)
    return np.where(decided, chances.argmax(axis=1), -1)


def simulate_stopping(
    truth: float, *, rng: np.random.Generator, edges: Sequence[float] = EDGES, icc: float = 0.2,
    n_units: int = 20, size: int = 10, sure: float = SURE, n_samples: int = 200,
    prior_icc: float | None = None,
) -> Stopped:
    """Simulate the rule at one true share, and the whole sample beside it.

    Parameters
    ----------
    truth : float
        True share dead in (0, 1).
    rng : numpy.random.Generator
    edges, sure, prior_icc
        As in `bands_decided`; the setting's default where the prior is left out.
    icc : float
        Likeness of buds of one unit, in [0, 1).
    n_units, size : int
        The whole sample.
    n_samples : int
    """
    prior = Settings().number("prior_icc") if prior_icc is None else prior_icc
    dead = simulate_units(np.full(n_units, truth), np.full(n_units, size), icc, n_samples, rng=rng)
    ended = np.full(n_samples, n_units)
    band = np.full(n_samples, -1)
    for looked in range(FIRST_LOOK, n_units):
        open_ = np.flatnonzero(band < 0)
        if not len(open_):
            break
        units = Units.of(dead[open_, :looked].ravel(), np.full(len(open_) * looked, size),
                         np.repeat(np.arange(len(open_)), looked), len(open_))
        band[open_] = bands_decided(units, edges, sure=sure, prior_icc=prior)
        ended[open_[band[open_] >= 0]] = looked
    whole = np.searchsorted(edges, dead.mean(axis=1) / size, side="left")
    early = band >= 0
    said = np.where(early, band, whole)
    true = {int(np.searchsorted(edges, truth, side=side)) for side in ("left", "right")}
    return Stopped(
        truth=truth, right=float(np.isin(said, list(true)).mean()),
        right_whole=float(np.isin(whole, list(true)).mean()),
        mean_share=float(ended.mean() / n_units), early=float(early.mean()),
    )


def _two_shares(rng: np.random.Generator, icc: float, n_canes: int, n_samples: int) -> str:
    """Word the errors of the bench's rule for two shares, canes of 10, on as many canes."""
    rule = sequential_plan(0.15, 0.35, alpha=0.1, beta=0.1).for_canes(design_effect(10, icc))
    low, between, high = (
        simulate_plan(rule, share, rng=rng, icc=icc, most_canes=n_canes, n_samples=n_samples)
        for share in (0.15, 0.25, 0.35))
    return (
        f"\nWald's two shares, 15 and 35 % at .10: at a true 15 % it says high in "
        f"{100 * low.high:.1f} %, at 35 % low in {100 * high.low:.1f} %; at 25 %, between the "
        f"two, low in {100 * between.low:.1f} % and high in {100 * between.high:.1f} %.\n"
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the rule's errors and expected sample; return 1 where it misses its bars."""
    parser = argparse.ArgumentParser(
        prog="python -m budvision.stats.stopping",
        description="Simulate the rule that stops cutting when the band is sure.",
    )
    parser.add_argument("--samples", type=int, default=200, help="samples for each true share")
    parser.add_argument("--icc", type=float, default=0.2, help="likeness of buds of one cane")
    parser.add_argument("--sure", type=float, default=SURE, help="probability to stop at")
    parser.add_argument("--canes", type=int, default=20, help="canes of the whole sample")
    parser.add_argument("--start", type=int, default=1, help="start of the random numbers")
    told = parser.parse_args(arguments)
    rng = np.random.default_rng(told.start)
    rows = [
        simulate_stopping(truth, rng=rng, icc=told.icc, sure=told.sure, n_units=told.canes,
                          n_samples=told.samples)
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
        f"Edges {', '.join(f'{100 * edge:g} %' for edge in EDGES)}; {told.canes} canes of 10, "
        f"likeness {told.icc:g}, stop at {told.sure:g}, {told.samples} samples each:\n\n"
        + "\n".join(lines)
        + f"\n\nRight less often than the whole sample by {100 * lost:.1f} points (bar 3); "
        f"{100 * saved:.0f} % fewer buds (bar 25 %).\n"
    )
    sys.stdout.write(_two_shares(rng, told.icc, told.canes, told.samples))
    return 0 if lost <= 0.03 and saved >= 0.25 else 1


if __name__ == "__main__":
    sys.exit(main())
