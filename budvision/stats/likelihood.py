"""The beta-binomial likelihood of units whose buds are alike, and the prior on how alike.

The prior: 19 parts in 20 Beta(1, 1 / prior_icc - 1), whose mean is `prior_icc`, and one part in 20
that whole units live or die (likeness 0.99). That part stands aside in samples without a dead or
without a live bud, and where all that is whole and dead, or live, is units of a single bud: it
would speak unopposed there, and no dead bud would bound the share higher than one. Both were chosen
on the simulation that `python -m budvision.stats.coverage` prints; no publication of the likeness
of buds was found.
"""

from __future__ import annotations

import math
from contextlib import AbstractContextManager
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import ThreadpoolController

from budvision.errors import InputError
from budvision.stats.units import Units

__all__ = ["GRID", "STEP", "likeness_grid", "log_likelihood", "middles",
           "one_thread"]

Floats = NDArray[np.float64]

WHOLE_UNITS, WHOLE_LIKENESS = 0.05, 0.99
GRID, LIKENESS_NODES = 128, 24
STEP = math.pi / 2 / GRID
_STEPS = 64


def likeness_grid(prior_icc: float) -> tuple[Floats, Floats]:
    """Return likenesses and the log of their prior weights.

    Parameters
    ----------
    prior_icc : float
        Mean of the prior's main part, in [0, 1); 0 means independent buds.

    Returns
    -------
    likeness, log_weight : ndarray of float64, shape (n,)

    Raises
    ------
    InputError
        When the mean is outside [0, 1).
    """
    if not 0 <= prior_icc < 1:
        raise InputError(f"the prior likeness is {prior_icc!r}", expected="0 up to below 1",
                         do="0.25 is the default.")
    if prior_icc == 0:
        return np.zeros(1), np.zeros(1)
    nodes, weights = _nodes()
    unit_nodes = (nodes + 1) / 2
    power = prior_icc / (1 - prior_icc)
    likeness = 1 - (1 - unit_nodes * unit_nodes) ** power
    log_weight = np.log(unit_nodes * weights * (1 - WHOLE_UNITS))
    return np.append(likeness, WHOLE_LIKENESS), np.append(log_weight, math.log(WHOLE_UNITS))


@lru_cache(maxsize=1)
def _nodes() -> tuple[Floats, Floats]:
    """Return the Gauss-Legendre nodes and weights, worked out once."""
    nodes, weights = np.polynomial.legendre.leggauss(LIKENESS_NODES)
    return nodes, weights


def middles(start: float, step: float) -> Floats:
    """Return the middles of the grid's cells, as arc sines of roots of shares.

    Parameters
    ----------
    start, step : float
        Of the grid.
    """
    angle: Floats = np.asarray(start + (np.arange(GRID) + 0.5) * step, dtype=np.float64)
    return angle


def log_likelihood(
    units: Units, likeness: Floats, start: float = 0.0, step: float = STEP
) -> Floats:
    """Return the beta-binomial log-likelihood of every group, shape (n_groups, likeness, GRID).

    Up to a constant: sums of log(p (1 - r) + j r) over the hits, of log(q (1 - r) + j r) over the
    misses, less those of log(1 - r + j r) over all.
    """
    total = np.zeros((units.n_groups, len(likeness) * GRID))
    most = int(units.sizes.max(initial=0))
    for first in range(0, most, _STEPS):
        steps = np.arange(first, min(first + _STEPS, most), dtype=float)
        seen = np.concatenate([units.more_than(counts, steps) for counts in (
            units.hits, units.sizes - units.hits, units.sizes)], axis=1)
        table = (_kept_table if step == STEP and start == 0 else _table)(
            first, len(steps), likeness.tobytes(), start, step)
        with one_thread():
            total = total + seen @ table if first else seen @ table
    return total.reshape(units.n_groups, len(likeness), GRID)


def one_thread() -> AbstractContextManager[None]:
    """Hold products of matrices to one thread: over handfuls, more only wait for each other."""
    pools = _pools()
    found: AbstractContextManager[None] = pools.limit(limits=1)
    return found


@lru_cache(maxsize=1)
def _pools() -> Any:
    """Return the threads of the libraries that are loaded, looked for once."""
    return ThreadpoolController()


def _table(first: int, n_steps: int, likeness: bytes, start: float, step: float) -> Floats:
    """Return what each further hit, miss and bud of a unit adds, (3 n_steps, likeness * GRID)."""
    alike, angle = np.frombuffer(likeness), middles(start, step)
    added = np.arange(first, first + n_steps, dtype=float)[:, None, None] * alike[:, None]
    apart = (1 - alike)[:, None]
    parts = np.log(np.stack([
        np.sin(angle) ** 2 * apart + added, np.cos(angle) ** 2 * apart + added,
        np.broadcast_to(apart + added, (n_steps, len(alike), GRID))]))
    parts[2] *= -1
    table: Floats = parts.reshape(3 * n_steps, -1)
    return table


_kept_table = lru_cache(maxsize=4)(_table)
