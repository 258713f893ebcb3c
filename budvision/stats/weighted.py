"""A share put together from strata (vine sizes, zones), each counting by its known weight."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import scipy
from numpy.typing import NDArray

from budvision.errors import InputError
from budvision.stats.likelihood import GRID, WHOLE_LIKENESS, likeness_grid, log_likelihood
from budvision.stats.posterior import SharePosterior
from budvision.stats.units import Units, chunks

__all__ = ["weighted_posterior", "whole_end"]

Floats = NDArray[np.float64]
_REACH_SD = 12.0
_LEAST_WEIGHT = 1e-4


def weighted_posterior(
    units: Units, stratum: NDArray[np.int64], weights: Floats, *, prior_icc: float
) -> SharePosterior:
    """Return what is known of weighted shares, strata apart and one likeness for all of them.

    Parameters
    ----------
    units : Units
        Each in a group; a unit whose stratum has no weight counts nowhere.
    stratum : ndarray of int64, shape (n_units,)
        Stratum of each unit, a column of `weights`.
    weights : ndarray of float64, shape (n_groups, n_strata)
        Share of the group in each stratum, at least 0. Strata without a judged bud are left out,
        and the weights of the others scaled to 1.
    prior_icc : float
        As in `budvision.stats.posterior.share_posterior`.

    Returns
    -------
    SharePosterior
        `hits` is the weighted share times the number judged. Groups without any weighted stratum
        have nothing judged.

    Raises
    ------
    InputError
        When a weight is negative.

    Notes
    -----
    Given a likeness the strata are independent; the mean and variance of their weighted sum are
    exact, and its distribution is taken as a beta one. Likenesses are weighed by all strata
    together. Ends come from the leant priors of every stratum, as combining confidence
    distributions does, so that they are wide rather than narrow where strata have few units.

    References
    ----------
    Cochran (1977), Sampling Techniques, 3rd ed., section 5.3 (weighted mean and its variance); Fay,
    Proschan & Brittain (2015), Biometrics 71:146-156, doi 10.1111/biom.12231 (combining exact
    limits of several samples).
    """
    if np.any(weights < 0):
        raise InputError("a weight is negative", expected="shares of at least 0")
    n_groups, n_strata = weights.shape
    cell = units.group * n_strata + stratum
    cells = Units(units.hits, units.sizes, cell, n_groups * n_strata, units.copies)
    n, hits = (cells.total(v).reshape(n_groups, n_strata) for v in (units.sizes, units.hits))
    count = cells.total(np.ones(len(cell))).reshape(n_groups, n_strata)
    used = np.where(n > 0, weights, 0.0)
    total = used.sum(axis=1)
    used = used / np.where(total > 0, total, 1.0)[:, None]
    part = used > 0
    prior = likeness_grid(prior_icc)
    rows = {
        group: _joined(logs, used[group][part[group]], prior, none=(hits == 0)[group][part[group]],
                       every=(hits == n)[group][part[group]])
        for group, logs in _by_group(cells, part, prior[0])
    }
    share = (used * hits / np.maximum(n, 1)).sum(axis=1)
    judged = np.where(part, n, 0).sum(axis=1)
    found = np.where(part, hits, 0).sum(axis=1)
    empty = (0.0, math.pi / 2 / GRID, np.zeros((3, GRID + 1)), 0.0, 0.5, 1.0)
    parts = [rows.get(group, empty) for group in range(n_groups)]
    curves = np.stack([row[2] for row in parts]) if parts else np.zeros((0, 3, GRID + 1))
    start, step, likeness, mean, variance = (
        np.array([row[column] for row in parts], dtype=float) for column in (0, 1, 3, 4, 5)
    )
    return SharePosterior(
        start=start, step=step, below=curves[:, 0], below_low=curves[:, 1],
        below_high=curves[:, 2], hits=share * judged, n=judged,
        n_units=np.where(part, count, 0).sum(axis=1), none=found <= 0, every=found >= judged,
        likeness=likeness, mean=mean, variance=variance,
    )


def whole_end(n_units: Floats, weights: Floats, *, confidence: float) -> float:
    """Return the most that no dead bud leaves open where whole units live or die.

    Parameters
    ----------
    n_units : ndarray of float64, shape (n_strata,)
        Units judged in each stratum, at least 1.
    weights : ndarray of float64, shape (n_strata,)
        Share of the block in each, above 0, summing to 1.
    confidence : float
        Nominal coverage in (0, 1).

    Returns
    -------
    float
        The largest weighted share whose chance of showing no dead unit, the product of
        (1 - share) ** units over the strata, is not below half of 1 - confidence. With one stratum
        it is Clopper and Pearson's end. 1 less it is the least that all dead leave open.
    """
    tail, ratio = math.log((1 - confidence) / 2), np.log(n_units / weights)
    free = np.ones(len(weights), dtype=bool)        # strata of which some may be dead
    while True:
        level = (tail - n_units[free] @ ratio[free]) / n_units[free].sum()
        if not (beyond := free & (ratio + level > 0)).any():
            break
        free &= ~beyond
    alive = np.where(free, np.exp(np.minimum(ratio + level, 0.0)), 1.0)
    return float(weights @ (1 - alive))


def _by_group(
    cells: Units, part: NDArray[np.bool_], likeness: Floats
) -> Iterator[tuple[int, Floats]]:
    """Yield each group with the log-likelihoods of its counted strata."""
    n_strata = part.shape[1]
    wanted = np.flatnonzero(part.ravel())
    place = np.full(part.size, -1)
    place[wanted] = np.arange(len(wanted))
    keep = place[cells.group] >= 0
    few = Units(cells.hits[keep], cells.sizes[keep], place[cells.group[keep]], len(wanted),
                cells.copies[keep])
    waiting: dict[int, dict[int, Floats]] = {}
    missing = part.sum(axis=1)
    for some, units in chunks(few):
        logs = log_likelihood(units, likeness)
        for row, number in enumerate(some.tolist()):
            group, stratum = divmod(int(wanted[number]), n_strata)
            by_stratum = waiting.setdefault(group, {})
            by_stratum[stratum] = logs[row]
            if len(by_stratum) == missing[group]:
                yield group, np.stack([by_stratum[key] for key in sorted(by_stratum)])
                del waiting[group]


def _joined(
    logs: Floats, weights: Floats, prior: tuple[Floats, Floats], *,
    none: NDArray[np.bool_], every: NDArray[np.bool_],
) -> tuple[float, float, Floats, float, float, float]:
    """Join the strata of one group: grid, the three cumulated curves, likeness, mean, variance."""
    angle = (np.arange(GRID) + 0.5) * (math.pi / 2 / GRID)
    share, lean = np.sin(angle) ** 2, np.tan(angle)
    peak = logs.max(axis=2, keepdims=True)
    mass = np.exp(logs - peak)
    level = (peak[:, :, 0] + np.log(mass.sum(axis=2))).sum(axis=0) + prior[1]
    if len(level) > 1 and (none.all() or every.all()):
        level[prior[0] == WHOLE_LIKENESS] = -np.inf
    chance = np.exp(level - level.max())
    chance /= chance.sum()
    keep = chance > _LEAST_WEIGHT
    chance, mass = chance[keep] / chance[keep].sum(), mass[:, keep]
    moments = []
    for tilt, fixed, to in ((np.ones_like(lean), none & every, 0.0), (1 / lean, none, 0.0),
                            (lean, every, 1.0)):
        leant = mass * tilt
        whole = leant.sum(axis=2)
        mean = leant @ share / whole
        spread = np.maximum(leant @ share**2 / whole - mean**2, 1e-12)
        # The leant prior puts a stratum without hits at 0 (all hits: at 1), as an exact end does.
        mean, spread = (np.where(fixed[:, None], value, found)
                        for value, found in ((to, mean), (1e-12, spread)))
        moments.append((weights @ mean, weights**2 @ spread))
    middle, spread = moments[0]
    mean = float(chance @ middle)
    variance = float(chance @ (spread + (middle - mean) ** 2))
    ends = [m + sign * _REACH_SD * np.sqrt(v) for m, v in moments for sign in (-1, 1)]
    start, end = (math.asin(math.sqrt(min(max(float(value), 0.0), 1.0)))
                  for value in (min(map(np.min, ends)), max(map(np.max, ends))))
    step = (end - start) / GRID
    shares = np.sin(start + np.arange(GRID + 1) * step) ** 2
    curves = np.stack([chance @ _beta_below(*pair, shares) for pair in moments])
    return start, step, curves, float(chance @ prior[0][keep]), mean, variance


def _beta_below(mean: Floats, variance: Floats, shares: Floats) -> Floats:
    """Return the chance of less, by beta distributions of these means and variances."""
    mean = np.clip(mean, 1e-9, 1 - 1e-9)
    size = np.maximum(mean * (1 - mean) / variance - 1, 1e-3)
    below: Floats = scipy.special.betainc(
        (mean * size)[:, None], ((1 - mean) * size)[:, None], shares)
    return below
