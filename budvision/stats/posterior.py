"""What buds that come in units tell of one share: one rule for samples of every size.

A unit is the highest thing that was drawn: the vine, or the cane where vines are not known. Buds of
one unit are alike, and how alike is itself unsure, most of all in a small sample. Both are worked
out together: the likelihood is beta-binomial, the likeness (intra-class correlation) is integrated
over a stated prior, and the interval's ends are those of the exact binomial one carried over. With
one bud a unit it is Clopper and Pearson's interval; with no prior likeness too.

The prior stands in `budvision.stats.likelihood`. Work goes over a grid, equally spaced in the arc
sine of the root of the share, for many groups (blocks) at once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from budvision.errors import InputError
from budvision.stats.kept import Kept
from budvision.stats.likelihood import (
    GRID,
    STEP,
    WHOLE_LIKENESS,
    likeness_grid,
    log_likelihood,
    middles,
    one_thread,
)
from budvision.stats.proportions import check_count
from budvision.stats.units import Units, chunks

__all__ = [
    "LEAST_UNITS", "SharePosterior", "posterior_of", "posterior_under", "share_posterior",
    "totals_posterior",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_UNITS = 8
"""With fewer units than this a sample is said to have few; the rule itself knows no such step."""

_HALF_PI = math.pi / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class SharePosterior:
    """What is known of the share of each group, on a grid of shares.

    The share at grid edge e of group g is sin(start[g] + e * step[g]) squared.

    Attributes
    ----------
    start, step : ndarray of float64, shape (n_groups,)
    below, below_low, below_high : ndarray of float64, shape (n_groups, GRID + 1)
        Probability of a smaller share: in the middle (Jeffreys' prior on the share), and leant to
        either side for the ends of the interval.
    hits, n, n_units : ndarray of float64, shape (n_groups,)
        Hits, judged and units; `hits` is the weighted share times `n` where strata are weighted.
    none, every : ndarray of bool, shape (n_groups,)
        True where no bud, or every bud, was hit.
    likeness : ndarray of float64, shape (n_groups,)
        Posterior mean of the intra-class correlation.
    mean, variance : ndarray of float64, shape (n_groups,)
        Of the share, in the middle.
    """

    start: Floats
    step: Floats
    below: Floats
    below_low: Floats
    below_high: Floats
    hits: Floats
    n: Floats
    n_units: Floats
    none: NDArray[np.bool_]
    every: NDArray[np.bool_]
    likeness: Floats
    mean: Floats
    variance: Floats

    @property
    def share(self) -> Floats:
        """Hits over judged; nan where nothing was judged."""
        with np.errstate(invalid="ignore", divide="ignore"):
            found: Floats = np.where(self.n > 0, self.hits / self.n, np.nan)
        return found

    @property
    def n_effective(self) -> Floats:
        """Independent buds that would tell as much; at most as many as there are."""
        size: Floats = self.mean * (1 - self.mean) / np.maximum(self.variance, 1e-300) - 2
        found: Floats = np.minimum(np.maximum(size, 0.25), np.maximum(self.n, 0.25))
        return found

    @property
    def design_effect(self) -> Floats:
        """Buds for one independent bud's worth, at least 1; nan where nothing was judged."""
        found: Floats = np.where(self.n > 0, self.n / self.n_effective, np.nan)
        return found

    @property
    def few_units(self) -> NDArray[np.bool_]:
        """Whether there are fewer than `LEAST_UNITS` units."""
        few: NDArray[np.bool_] = self.n_units < LEAST_UNITS
        return few

    @property
    def unseen(self) -> NDArray[np.bool_]:
        """Whether the sample cannot show the likeness: one unit, none hit, or every bud hit."""
        return (self.n_units < 2) | self.none | self.every

    def at(self, index: int) -> SharePosterior:
        """Return one group, arrays of length 1."""
        return self.rows(slice(index, index + 1))

    def rows(self, which: slice | Ints) -> SharePosterior:
        """Return some groups, in the order asked for."""
        return SharePosterior(**{name: getattr(self, name)[which] for name in self.__slots__})

    def with_rows(self, rows: Ints, others: SharePosterior) -> SharePosterior:
        """Return these with some groups replaced, the first of `others` at the first of `rows`."""
        changed = {name: getattr(self, name).copy() for name in self.__slots__}
        for name, column in changed.items():
            column[rows] = getattr(others, name)
        return SharePosterior(**changed)

    def limits(self, confidence: ArrayLike) -> tuple[Floats, Floats]:
        """Return the ends of the interval.

        Parameters
        ----------
        confidence : array_like of float, scalar or shape (n_groups,)
            Nominal coverage in (0, 1).

        Returns
        -------
        low, high : ndarray of float64, shape (n_groups,)
            nan where nothing was judged. Low is exactly 0 where nothing, high exactly 1 where
            everything was hit. The share found always lies within.
        """
        tail = np.broadcast_to((1 - np.asarray(confidence, dtype=float)) / 2, self.n.shape)
        share, judged = self.share, self.n > 0
        low, high = self._quantile(self.below_low, tail), self._quantile(self.below_high, 1 - tail)
        low = np.where(self.none, 0.0, np.fmin(low, share))
        high = np.where(self.every, 1.0, np.fmax(high, share))
        return np.where(judged, low, np.nan), np.where(judged, high, np.nan)

    def if_units_whole(self, confidence: ArrayLike) -> Floats:
        """Return the exact open end of whole units; nan unless none or all are dead."""
        with np.errstate(divide="ignore"):
            reach = 1 - ((1 - np.asarray(confidence, dtype=float)) / 2) ** (1 / self.n_units)
        found: Floats = np.where(self.none, reach, np.where(self.every, 1 - reach, np.nan))
        return np.where(self.n > 0, found, np.nan)

    def _quantile(self, below: Floats, tail: Floats) -> Floats:
        rows = np.arange(len(below))
        cell = np.clip((below < tail[:, None]).sum(axis=1) - 1, 0, below.shape[1] - 2)
        first, second = below[rows, cell], below[rows, cell + 1]
        part = _between(first, second, tail)
        found: Floats = np.sin(self.start + (cell + part) * self.step) ** 2
        return found

    def chance_below(self, share: float) -> Floats:
        """Return the probability of a share below this one, for every group.

        Parameters
        ----------
        share : float
            In [0, 1].
        """
        place = (math.asin(math.sqrt(share)) - self.start) / self.step
        cells = self.below.shape[1] - 1
        inside = np.clip(place, 0, cells)
        cell = np.minimum(inside.astype(np.int64), cells - 1)
        rows = np.arange(len(place))
        first, second, part = self.below[rows, cell], self.below[rows, cell + 1], inside - cell
        with np.errstate(invalid="ignore"):
            probit = scipy.special.ndtr(
                (1 - part) * scipy.special.ndtri(first) + part * scipy.special.ndtri(second))
        straight = (1 - part) * first + part * second
        smooth = (first > 0) & (second < 1)
        found: Floats = np.where(smooth, probit, straight)
        return found

    def band_chances(self, edges: ArrayLike) -> Floats:
        """Return the probability of each band between rising edges.

        Parameters
        ----------
        edges : array_like of float, shape (n_bands - 1,)
            Shares in (0, 1).

        Returns
        -------
        ndarray of float64, shape (n_groups, n_bands)
            Rows sum to 1.
        """
        inner = [self.chance_below(float(edge)) for edge in np.asarray(edges, dtype=float)]
        rows = len(self.n)
        stacked = np.stack([np.zeros(rows), *inner, np.ones(rows)], axis=1)
        chances: Floats = np.diff(np.maximum.accumulate(stacked, axis=1), axis=1)
        return chances


def _between(first: Floats, second: Floats, tail: Floats) -> Floats:
    """Return where between two cumulated values a third lies, straight on the normal scale."""
    with np.errstate(invalid="ignore", divide="ignore"):
        one, two, three = (scipy.special.ndtri(part) for part in (first, second, tail))
        bent = (three - one) / (two - one)
        straight = (tail - first) / np.maximum(second - first, 1e-300)
    smooth = np.isfinite(bent) & (first > 0) & (second < 1)
    part: Floats = np.clip(np.where(smooth, bent, straight), 0, 1)
    return part


def _cumulated(mass: Floats) -> Floats:
    """Cumulate masses at the middles of cells to the cells' edges, corrected for the slope."""
    mass = mass / mass.sum(axis=1, keepdims=True)
    summed = np.zeros((len(mass), mass.shape[1] + 1))
    summed[:, 1:] = np.cumsum(mass, axis=1)
    summed[:, 1:-1] += np.diff(mass, axis=1) / 24
    monotone: Floats = np.maximum.accumulate(np.clip(summed, 0, 1), axis=1)
    return monotone


def posterior_of(
    loglike: Floats, units: Units, likeness: Floats, log_weight: Floats,
    start: float = 0.0, step: float = STEP,
) -> SharePosterior:
    """Return the posterior of groups from their log-likelihood on a grid, which is written over."""
    n, hits = units.total(units.sizes), units.total(units.hits)
    none, every = hits <= 0, hits >= n
    joint = np.add(loglike, log_weight[:, None], out=loglike)
    if len(likeness) > 1:
        joint[np.ix_(~units.may_be_whole(), likeness == WHOLE_LIKENESS)] = -np.inf
    joint -= joint.reshape(len(joint), -1).max(axis=1, initial=-np.inf)[:, None, None]
    np.exp(joint, out=joint)
    mass = joint.sum(axis=1)
    with one_thread():
        by_likeness = joint @ np.ones(GRID)
    angle = middles(start, step)
    share, lean = np.sin(angle) ** 2, np.tan(angle)
    whole = mass.sum(axis=1)
    mean = mass @ share / whole
    return SharePosterior(
        start=np.full(len(mass), start), step=np.full(len(mass), step), below=_cumulated(mass),
        below_low=_cumulated(mass / lean), below_high=_cumulated(mass * lean), hits=hits, n=n,
        n_units=units.total(np.ones(len(units.sizes))), none=none, every=every,
        likeness=by_likeness @ likeness / whole, mean=mean,
        variance=np.maximum(mass @ share**2 / whole - mean**2, 0),
    )


def _spread(found: SharePosterior) -> Floats:
    """Return the width of the middle two thirds, in steps of the grid."""
    inside: Floats = ((found.below > 1 / 6) & (found.below < 5 / 6)).sum(axis=1).astype(float)
    return inside


def _narrowed(found: SharePosterior) -> tuple[float, float]:
    """Return start and step of a grid over what is likely of one group."""
    low, high = (int(np.searchsorted(found.below[0], tail)) for tail in (1e-9, 1 - 1e-9))
    cell, begin = float(found.step[0]), float(found.start[0])
    start = max(0.0, begin + (low - 3) * cell)
    end = min(_HALF_PI, begin + (high + 3) * cell)
    return start, (end - start) / GRID


def _zoomed(one: Units, found: SharePosterior, prior: tuple[Floats, Floats]) -> SharePosterior:
    """Work one group out again on a grid of its own, where many buds leave the first too coarse."""
    for _ in range(4):
        start, step = _narrowed(found)
        loglike = log_likelihood(one, prior[0], start, step)
        found = posterior_of(loglike, one, *prior, start, step)
        if _spread(found)[0] >= 4:
            break
    return found


def share_posterior(units: Units, *, prior_icc: float) -> SharePosterior:
    """Return what the units tell of the share of each group.

    Parameters
    ----------
    prior_icc : float
        Mean of the prior's main part, in [0, 1); 0 takes buds as independent.

    Raises
    ------
    InputError
        When the prior is outside its range.

    Notes
    -----
    The lower end comes from the prior p**-1, the upper one from (1 - p)**-1, as Clopper and
    Pearson's do; band probabilities come from Jeffreys' prior between them. With units of very
    unequal size the likelihood weighs units, where the share found weighs buds; the interval is
    stretched to hold it.

    References
    ----------
    Williams (1975), Biometrics 31:949-952, doi 10.2307/2529820 (beta-binomial); Clopper & Pearson
    (1934), Biometrika 26:404-413, doi 10.1093/biomet/26.4.404; Brown, Cai & DasGupta (2001), Stat.
    Sci. 16:101-133, doi 10.1214/ss/1009213286 (Jeffreys' prior).
    """
    return posterior_under(units, likeness_grid(prior_icc))


def posterior_under(units: Units, prior: tuple[Floats, Floats]) -> SharePosterior:
    """Return what the units tell under a prior given as likenesses and log weights.

    Parameters
    ----------
    prior : tuple of ndarray, shape (n,)
        As `likeness_grid` returns it; one likeness alone is that of somebody who knows it.
    """
    under = b"".join(part.tobytes() for part in prior)

    def work_out(groups: list[int]) -> list[SharePosterior]:
        found = _worked_out(units.of_groups(groups), prior)
        return [found.at(row) for row in range(len(groups))]

    rows = _KEPT.each([(under, layout) for layout in units.layouts()], work_out)
    return _joined(rows or [_worked_out(units, prior)])


_KEPT: Kept[tuple[bytes, bytes], SharePosterior] = Kept(4096)


def _joined(parts: list[SharePosterior]) -> SharePosterior:
    return SharePosterior(**{name: np.concatenate([getattr(part, name) for part in parts])
                             for name in SharePosterior.__slots__})


def _worked_out(units: Units, prior: tuple[Floats, Floats]) -> SharePosterior:
    """Return the posterior of each group, in handfuls."""
    places, parts = [], []
    for some, few in chunks(units):
        found = posterior_of(log_likelihood(few, prior[0]), few, *prior)
        for group in np.flatnonzero(_spread(found) < 4).tolist():
            found = found.with_rows(
                np.array([group]), _zoomed(few.of_groups([group]), found.at(group), prior))
        places.append(some)
        parts.append(found)
    return _joined(parts).rows(np.argsort(np.concatenate(places)))


def totals_posterior(
    n_dead: float, n_judged: float, *, n_units: float | None = None, prior_icc: float
) -> SharePosterior:
    """Return what bare totals tell, where nobody kept which unit the buds came from.

    Parameters
    ----------
    n_dead, n_judged : float
        0 <= n_dead <= n_judged, n_judged >= 1.
    n_units : float, optional
        Units they came from; the likeness then stays as unsure as the prior has it. Buds are taken
        as independent where it is left out.
    prior_icc : float
        As in `share_posterior`.

    Raises
    ------
    InputError
        When counts are impossible.
    """
    check_count(n_dead, n_judged)
    if n_units is not None and n_units < 1:
        raise InputError(f"the number of units is {n_units!r}", expected="at least 1")
    if n_units == 1:    # the one unit is known whole: all that a sample of its buds tells
        return share_posterior(Units.of([n_dead], [n_judged], [0], 1), prior_icc=prior_icc)
    prior = likeness_grid(prior_icc if n_units is not None else 0.0)
    size = n_judged / min(n_units, n_judged) if n_units is not None else 1.0
    loss = 1 + (size - 1) * prior[0]
    units = Units(np.array([float(n_dead)]), np.array([float(n_judged)]), np.zeros(1, np.int64), 1,
                  np.ones(1))
    units_seen = np.array([float(n_units if n_units is not None else n_judged)])
    start, step = 0.0, STEP
    while True:
        angle = middles(start, step)
        plain = 2 * (n_dead * np.log(np.sin(angle)) + (n_judged - n_dead) * np.log(np.cos(angle)))
        loglike = plain / loss[:, None]
        peak = loglike.max(axis=1, keepdims=True)
        level = peak + np.log(np.exp(loglike - peak).sum(axis=1, keepdims=True))
        found = posterior_of((loglike - level)[None], units, *prior, start, step)
        if _spread(found)[0] >= 4 or step < 1e-6:
            break
        start, step = _narrowed(found)
    return replace(found, n_units=units_seen)
