"""Stop cutting as soon as the answer is clear: Wald's sequential test, and the quick look.

The lines tell, after each bud, whether mortality lies below or above what the plan asks about.
Buds of one cane are alike: widen the lines with `for_canes`, and look only when a cane is done.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from budvision.errors import InputError

__all__ = [
    "QuickLook",
    "SequentialPlan",
    "SimulatedPlan",
    "quick_look",
    "sequential_plan",
    "simulate_plan",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class SequentialPlan:
    """The two lines of a sequential test of a share.

    Attributes
    ----------
    low_share, high_share : float
        "At most this" against "at least this".
    alpha, beta : float
        Chance of saying high at `low_share`, and of saying low at `high_share`.
    h1, h2, slope : float
        Say low where dead <= slope * n - h1, high where dead >= slope * n + h2.
    """

    low_share: float
    high_share: float
    alpha: float
    beta: float
    h1: float
    h2: float
    slope: float

    def low_at(self, n: int) -> int | None:
        """Return the largest number dead among n that says low, None where none does yet."""
        count = math.floor(self.slope * n - self.h1 + 1e-12)
        return count if count >= 0 else None

    def high_at(self, n: int) -> int | None:
        """Return the smallest number dead among n that says high, None where none does yet."""
        count = math.ceil(self.slope * n + self.h2 - 1e-12)
        return count if count <= n else None

    def decide(self, n_dead: int, n_judged: int) -> str:
        """Return "low", "high" or "go_on" for the buds judged so far.

        Raises
        ------
        InputError
            When the counts are impossible.
        """
        if not 0 <= n_dead <= n_judged:
            raise InputError(f"the count is {n_dead} of {n_judged}", expected="0 to the judged")
        low, high = self.low_at(n_judged), self.high_at(n_judged)
        if low is not None and n_dead <= low:
            return "low"
        if high is not None and n_dead >= high:
            return "high"
        return "go_on"

    def first_low(self) -> int:
        """Return the fewest judged buds, none of them dead, that say low."""
        return math.ceil(self.h1 / self.slope - 1e-12)

    def first_high(self) -> int:
        """Return the fewest judged buds, all of them dead, that say high."""
        return math.ceil(self.h2 / (1 - self.slope) - 1e-12)

    def for_canes(self, design_effect: float) -> SequentialPlan:
        """Return the plan with its lines moved apart for buds of one cane being alike.

        Parameters
        ----------
        design_effect : float
            At least 1, as 1 + (buds a cane - 1) * icc.

        Raises
        ------
        InputError
            When it is below 1.

        Notes
        -----
        The log likelihood ratio is divided by the design effect, which moves both lines out by
        that factor. An approximation; `simulate_plan` shows the error rates it keeps.
        """
        if not design_effect >= 1:
            raise InputError(f"the design effect is {design_effect!r}", expected="at least 1")
        return replace(self, h1=self.h1 * design_effect, h2=self.h2 * design_effect)


@dataclass(frozen=True, slots=True)
class QuickLook:
    """A first few buds that decide whether to cut a full sample."""

    n_buds: int
    threshold: int

    def chance(self, share: float, *, icc: float = 0.0) -> float:
        """Return the chance of finding at least the threshold dead at a true share.

        Parameters
        ----------
        share : float
            True share dead in [0, 1].
        icc : float
            Likeness of the buds, where all come from one cane, in [0, 1); 0 for independent ones.

        Raises
        ------
        InputError
            When a value is outside its range.
        """
        if not (0 <= share <= 1 and 0 <= icc < 1):
            raise InputError(f"the share is {share!r} and the icc {icc!r}", expected="0 to 1")
        from scipy import stats  # takes most of a second to load; few commands come here

        if icc == 0 or share in (0, 1):
            return float(stats.binom.sf(self.threshold - 1, self.n_buds, share))
        size = (1 - icc) / icc
        return float(stats.betabinom.sf(
            self.threshold - 1, self.n_buds, share * size, (1 - share) * size
        ))


@dataclass(frozen=True, slots=True)
class SimulatedPlan:
    """What a sequential plan does at one true share: shares of simulated samples.

    Attributes
    ----------
    high, low, undecided : float
        Shares that end in each answer; undecided ones ran into the largest sample.
    mean_buds : float
        Mean number of buds judged.
    """

    share: float
    high: float
    low: float
    undecided: float
    mean_buds: float


def quick_look(n_buds: int = 10, threshold: int = 3) -> QuickLook:
    """Return the quick look: cut a few buds, and a full sample where enough are dead.

    Parameters
    ----------
    n_buds, threshold : int
        Default 3 of 10.

    Raises
    ------
    InputError
        When the threshold is not within 1 to `n_buds`.

    References
    ----------
    T. Zabadal, 'Pruning vines for table grape production' (grovida.us): cut about 10 nodes; with
    3 or more dead primaries take 100.
    """
    if not 1 <= threshold <= n_buds:
        raise InputError(f"the threshold is {threshold} of {n_buds}", expected="1 to all")
    return QuickLook(n_buds, threshold)


def sequential_plan(
    low_share: float, high_share: float, *, alpha: float = 0.05, beta: float = 0.05
) -> SequentialPlan:
    """Return Wald's sequential test of a share at most low against at least high.

    Parameters
    ----------
    low_share, high_share : float
        0 < low_share < high_share < 1.
    alpha, beta : float
        Error chances in (0, 0.5).

    Returns
    -------
    SequentialPlan
        For independent buds; see `SequentialPlan.for_canes`.

    Raises
    ------
    InputError
        When the shares are out of order or a chance is outside (0, 0.5).

    References
    ----------
    Wald (1945), Ann. Math. Stat. 16:117-186, doi 10.1214/aoms/1177731118; lines as in the
    NIST/SEMATECH e-Handbook of Statistical Methods, section 6.2.6.
    """
    if not 0 < low_share < high_share < 1:
        raise InputError(f"the shares are {low_share!r} and {high_share!r}",
                         expected="0 < low < high < 1", do="Give the two shares to tell apart.")
    if not (0 < alpha < 0.5 and 0 < beta < 0.5):
        raise InputError(f"alpha is {alpha!r} and beta {beta!r}", expected="both in (0, 0.5)")
    step = math.log(high_share * (1 - low_share) / (low_share * (1 - high_share)))
    return SequentialPlan(
        low_share=low_share, high_share=high_share, alpha=alpha, beta=beta,
        h1=math.log((1 - alpha) / beta) / step, h2=math.log((1 - beta) / alpha) / step,
        slope=math.log((1 - low_share) / (1 - high_share)) / step,
    )


def simulate_plan(
    plan: SequentialPlan,
    share: float,
    *,
    rng: np.random.Generator,
    icc: float = 0.0,
    buds_a_cane: int = 10,
    most_canes: int = 40,
    by_cane: bool = True,
    n_samples: int = 5000,
) -> SimulatedPlan:
    """Simulate a sequential plan, since Wald's formulas know no largest sample and no canes.

    Parameters
    ----------
    plan : SequentialPlan
    share : float
        True share dead in (0, 1).
    rng : numpy.random.Generator
    icc : float
        Likeness of buds of one cane in [0, 1).
    buds_a_cane, most_canes : int
        Sampling goes cane by cane up to this many.
    by_cane : bool
        Look only when a cane is done, else after each bud.
    n_samples : int
        Samples to simulate.

    Returns
    -------
    SimulatedPlan

    Raises
    ------
    InputError
        When the share is not in (0, 1) or the icc not in [0, 1).
    """
    if not (0 < share < 1 and 0 <= icc < 1):
        raise InputError(f"the share is {share!r} and the icc {icc!r}", expected="0 to 1")
    canes = np.full((n_samples, most_canes), share)
    if icc > 0:
        size = (1 - icc) / icc
        canes = rng.beta(share * size, (1 - share) * size, size=canes.shape)
    chances = np.repeat(canes, buds_a_cane, axis=1)
    dead = np.cumsum(rng.random(chances.shape) < chances, axis=1)
    n = np.arange(1, dead.shape[1] + 1)
    low = dead <= plan.slope * n - plan.h1 + 1e-12
    high = dead >= plan.slope * n + plan.h2 - 1e-12
    over = low | high
    if by_cane:
        over &= n % buds_a_cane == 0
    ended = over.any(axis=1)
    look = np.where(ended, over.argmax(axis=1), dead.shape[1] - 1)
    rows = np.arange(n_samples)
    return SimulatedPlan(
        share, high=float((ended & high[rows, look]).mean()),
        low=float((ended & low[rows, look]).mean()), undecided=float((~ended).mean()),
        mean_buds=float(n[look].mean()),
    )
