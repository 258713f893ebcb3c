"""How often the interval for clustered shares holds the truth: the simulation behind its rules.

Run ``python -m budvision.stats.coverage`` for the table that the
documentation shows. Canes draw their own share dead from a beta distribution with the wanted
intra-class correlation; buds of a cane are then independent.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from budvision.stats.groups import group_limits, group_shares

__all__ = ["CoverageRow", "coverage", "coverage_table", "simulate_canes"]

SHARES = (0.02, 0.05, 0.10, 0.14, 0.20, 0.35, 0.50, 0.65, 0.80, 0.90, 0.95, 0.98)
ICCS = (0.0, 0.1, 0.2, 0.3, 0.5)
CANES = (5, 8, 10, 15, 20)
BATCH = 20_000


@dataclass(frozen=True, slots=True)
class CoverageRow:
    """Coverage at one number of canes and one icc, over the shares simulated.

    Attributes
    ----------
    coverage : tuple of float
        Share of samples whose interval holds the truth, one for each share dead.
    width : tuple of float
        Mean width of the interval.
    from_prior : tuple of float
        Share of samples whose interval rests on the prior icc.
    """

    n_canes: int
    icc: float
    coverage: tuple[float, ...]
    width: tuple[float, ...]
    from_prior: tuple[float, ...]


def simulate_canes(
    share: float, icc: float, n_canes: int, n_buds: int, n_samples: int, *,
    rng: np.random.Generator,
) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
    """Draw dead buds of canes from a beta-binomial distribution.

    Parameters
    ----------
    share : float
        True share dead in (0, 1).
    icc : float
        Intra-class correlation in [0, 1).
    n_canes, n_buds : int
        Canes a sample, buds a cane.
    n_samples : int
        Samples to draw.
    rng : numpy.random.Generator

    Returns
    -------
    ndarray of int64, shape (n_samples, n_canes)
    """
    shares = np.full((n_samples, n_canes), share)
    if icc > 0:
        size = (1 - icc) / icc
        shares = rng.beta(share * size, (1 - share) * size, size=(n_samples, n_canes))
    return rng.binomial(n_buds, shares)


def coverage(
    *,
    n_canes: int,
    icc: float,
    shares: Sequence[float] = SHARES,
    n_buds: int = 10,
    n_samples: int = 20_000,
    prior_icc: float = 0.2,
    confidence: float = 0.95,
    rng: np.random.Generator,
) -> CoverageRow:
    """Simulate samples of canes and count how often the interval holds the true share.

    Parameters
    ----------
    n_canes, n_buds : int
        Canes a sample, buds a cane.
    icc : float
        True intra-class correlation in [0, 1).
    shares : sequence of float
        True shares dead in (0, 1).
    n_samples : int
        Samples for each share.
    prior_icc, confidence : float
        As in `budvision.stats.groups.working_effect`.
    rng : numpy.random.Generator

    Returns
    -------
    CoverageRow
    """
    held, width, prior = [], [], []
    for share in shares:
        sums = np.zeros(3)
        for start in range(0, n_samples, BATCH):
            count = min(BATCH, n_samples - start)
            dead = simulate_canes(share, icc, n_canes, n_buds, count, rng=rng).ravel()
            groups = group_shares(
                dead, np.full(dead.shape, n_buds), np.repeat(np.arange(count), n_canes), count
            )
            low, high, effect = group_limits(groups, prior_icc=prior_icc, confidence=confidence)
            inside = (low <= share) & (share <= high)
            sums += inside.sum(), (high - low).sum(), effect.from_prior.sum()
        held.append(sums[0] / n_samples)
        width.append(sums[1] / n_samples)
        prior.append(sums[2] / n_samples)
    return CoverageRow(n_canes, icc, tuple(held), tuple(width), tuple(prior))


def coverage_table(rows: Sequence[CoverageRow], *, shares: Sequence[float] = SHARES) -> str:
    """Return simulated coverage as a Markdown table, per cent, with the smallest of each row.

    Parameters
    ----------
    rows : sequence of CoverageRow
    shares : sequence of float
        Those simulated, for the head.
    """
    heads = ["canes", "icc", *(f"{100 * share:g} %" for share in shares), "smallest"]
    lines = ["| " + " | ".join(heads) + " |", "|" + " ---: |" * len(heads)]
    for row in rows:
        held = (f"{100 * value:.1f}" for value in row.coverage)
        cells = [str(row.n_canes), f"{row.icc:g}", *held]
        lines.append("| " + " | ".join([*cells, f"{100 * min(row.coverage):.1f}"]) + " |")
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the coverage table; return 1 where a bar is missed."""
    parser = argparse.ArgumentParser(
        prog="python -m budvision.stats.coverage",
        description="Simulate how often the interval for clustered shares holds the truth.",
    )
    parser.add_argument("--samples", type=int, default=20_000, help="samples for each cell")
    parser.add_argument("--buds", type=int, default=10, help="buds a cane")
    parser.add_argument("--prior-icc", type=float, default=0.2, help="the prior icc tested")
    parser.add_argument("--start", type=int, default=1, help="start of the random numbers")
    told = parser.parse_args(arguments)
    rng = np.random.default_rng(told.start)
    rows = [
        coverage(n_canes=canes, icc=icc, n_buds=told.buds, n_samples=told.samples,
                 prior_icc=told.prior_icc, rng=rng)
        for canes in CANES for icc in ICCS
    ]
    bar = min(min(row.coverage) for row in rows if row.n_canes >= 10 and row.icc <= 0.3)
    sys.stdout.write(
        f"Coverage in per cent of the nominal 95 % interval by true share dead, {told.buds} buds a "
        f"cane, {told.samples:,} samples a cell, prior icc {told.prior_icc:g}:\n\n"
        f"{coverage_table(rows)}\n\n"
        f"Smallest for 10 or more canes and icc up to 0.3: {100 * bar:.1f} % (bar 93.5 %).\n"
    )
    return 0 if bar >= 0.935 else 1


if __name__ == "__main__":
    sys.exit(main())
