"""Counts of the units that were drawn (vines or canes), for many groups (blocks) at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from budvision.errors import InputError

__all__ = ["Units", "alike_units", "chunks", "expected_units"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_CHUNK = 128


@dataclass(frozen=True, slots=True)
class Units:
    """Counts a unit, and the group that each unit belongs to.

    Attributes
    ----------
    hits, sizes : ndarray of float64, shape (n_units,)
        Dead and judged buds of each unit.
    group : ndarray of int64, shape (n_units,)
        In [0, n_groups).
    copies : ndarray of float64, shape (n_units,)
        How many such units there are; fractions serve for expected samples.
    """

    hits: Floats
    sizes: Floats
    group: Ints
    n_groups: int
    copies: Floats

    @classmethod
    def of(cls, hits: ArrayLike, sizes: ArrayLike, group: ArrayLike, n_groups: int) -> Units:
        """Return the units with at least one bud judged.

        Raises
        ------
        InputError
            When a unit has more hits than buds, or columns differ in length.
        """
        x, m = np.asarray(hits, dtype=float), np.asarray(sizes, dtype=float)
        which = np.asarray(group, dtype=np.int64)
        if not x.shape == m.shape == which.shape or x.ndim != 1:
            raise InputError(f"hits have shape {x.shape}, sizes {m.shape}, groups {which.shape}",
                             expected="three rows of one length")
        if np.any(x < 0) or np.any(x > m):
            first = int(np.flatnonzero((x < 0) | (x > m))[0])
            raise InputError(f"unit {first + 1} has {x[first]:g} hits of {m[first]:g}",
                             expected="0 to its size")
        keep = m > 0
        return cls(x[keep], m[keep], which[keep], n_groups, np.ones(int(keep.sum())))

    def total(self, values: Floats) -> Floats:
        """Sum a value of the units over each group."""
        summed: Floats = np.bincount(
            self.group, values * self.copies, self.n_groups).astype(np.float64)
        return summed

    def of_groups(self, which: ArrayLike) -> Units:
        """Return the units of some groups, which become groups 0, 1, 2...

        Parameters
        ----------
        which : array_like of int, shape (n,)
            Numbers of the groups, each once.
        """
        chosen = np.asarray(which, dtype=np.int64)
        number = np.full(self.n_groups, -1, np.int64)
        number[chosen] = np.arange(len(chosen))
        place = number[self.group]
        keep = place >= 0
        return Units(self.hits[keep], self.sizes[keep], place[keep], len(chosen),
                     self.copies[keep])

    def layouts(self) -> list[bytes]:
        """Return what stands for each group's units: the same where they are the same units."""
        rows = np.column_stack([self.sizes, self.hits, self.copies])
        order = np.lexsort((*rows.T, self.group))
        ends = np.searchsorted(self.group[order], np.arange(self.n_groups + 1))
        return [rows[order[first:last]].tobytes() for first, last in pairwise(ends.tolist())]

    def may_be_whole(self) -> NDArray[np.bool_]:
        """Return whether each group can tell if whole units live or die.

        Not where nothing or everything was hit, and not where each unit is whole but those hit, or
        those spared, are of one bud, which is always whole.
        """
        dead, alive = self.hits >= self.sizes, self.hits <= 0
        mixed, hit, spared = (self.total(some.astype(float)) > 0 for some in (
            ~dead & ~alive, dead & (self.sizes > 1), alive & (self.sizes > 1)))
        return mixed | (hit & spared)

    def more_than(self, counts: Floats, steps: Floats) -> Floats:
        """Count the units of each group with more than each of some consecutive numbers.

        Parameters
        ----------
        counts : ndarray of float64, shape (n_units,)
        steps : ndarray of float64, shape (n_steps,)
            Rising by 1.

        Returns
        -------
        ndarray of float64, shape (n_groups, n_steps)
        """
        width = len(steps) + 1
        over = np.clip(counts - steps[0], 0, len(steps)).astype(np.int64)
        table: Floats = np.bincount(
            self.group * width + over, self.copies, self.n_groups * width).astype(np.float64)
        by_group = table.reshape(self.n_groups, width)
        beyond: Floats = np.cumsum(by_group[:, ::-1], axis=1)[:, ::-1][:, 1:]
        return beyond

    def only(self, groups: NDArray[np.bool_]) -> Units:
        """Return the units of some groups; the others keep their places and have none."""
        keep = groups[self.group]
        return Units(self.hits[keep], self.sizes[keep], self.group[keep], self.n_groups,
                     self.copies[keep])


def alike_units(units: Units, factor: ArrayLike) -> Units:
    """Return the units as if there were so many times as many like them.

    Parameters
    ----------
    factor : array_like of float, scalar or shape (n_groups,)
        At least 0.
    """
    times = np.broadcast_to(np.asarray(factor, dtype=float), (units.n_groups,))
    return Units(units.hits, units.sizes, units.group, units.n_groups,
                 units.copies * times[units.group])


def expected_units(share: float, icc: float, n_units: float, size: int) -> Units:
    """Return the sample that units of one size show on average: each count as often as expected.

    Parameters
    ----------
    share, icc : float
        True share in (0, 1) and likeness in [0, 1).
    size : int
        Buds a unit.
    """

    counts = np.arange(size + 1)
    if icc > 0:
        strength = (1 - icc) / icc
        often = scipy.stats.betabinom.pmf(counts, size, share * strength, (1 - share) * strength)
    else:
        often = scipy.stats.binom.pmf(counts, size, share)
    return Units(counts.astype(float), np.full(size + 1, float(size)),
                 np.zeros(size + 1, np.int64), 1, n_units * often)


def chunks(units: Units) -> Iterator[tuple[Ints, Units]]:
    """Yield groups in handfuls, those with units of like size together; one of none for none."""
    largest = np.zeros(units.n_groups)
    np.maximum.at(largest, units.group, units.sizes)
    order = np.argsort(largest, kind="stable")
    place = np.empty(units.n_groups, np.int64)
    place[order] = np.arange(units.n_groups)
    by_place = np.argsort(place[units.group], kind="stable")
    sorted_place = place[units.group][by_place]
    for first in range(0, max(units.n_groups, 1), _CHUNK):
        some = order[first : first + _CHUNK]
        ends = np.searchsorted(sorted_place, [first, first + len(some)])
        rows = by_place[ends[0] : ends[1]]
        yield some, Units(units.hits[rows], units.sizes[rows], sorted_place[ends[0] : ends[1]]
                          - first, len(some), units.copies[rows])
