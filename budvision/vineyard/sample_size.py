"""How many canes and nodes: what a sample of a size can tell, before it is cut.

Buds of one cane are alike, so ten nodes of one cane tell less than one node of ten canes: the
design effect is 1 + (nodes - 1) * icc.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from budvision.errors import InputError
from budvision.language import plain_count
from budvision.settings import Settings
from budvision.stats.clusters import design_effect
from budvision.stats.posterior import share_posterior
from budvision.stats.units import expected_units
from budvision.vineyard.policies import Policy

__all__ = [
    "SampleOutlook", "canes_for_edge", "canes_for_width", "sample_outlook", "trade_off",
]

MOST_CANES = 500
DEFAULT_PRIOR = float(Settings().prior_icc)
"""Likeness that results assume beforehand, unless a season says otherwise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleOutlook:
    """What a sample of `canes` by `nodes` can be expected to tell.

    Attributes
    ----------
    design_effect, n_effective : float
        1 + (nodes - 1) * icc, and the independent buds that the sample is worth.
    low, high, width : float
        Interval to expect where `share` is the truth and is found.
    wrong_band : float
        Chance that the share found lies in another band of the policy than the true share.
    """

    canes: int
    nodes: int
    n_buds: int
    design_effect: float
    n_effective: float
    share: float
    low: float
    high: float
    width: float
    wrong_band: float

    def as_dict(self) -> dict[str, Any]:
        """Return the outlook as JSON holds it."""
        return asdict(self)


def _check(share: float, canes: int, nodes: int, icc: float) -> None:
    if not 0 < share < 1:
        raise InputError(
            f"the share expected dead is {share!r}", expected="above 0 and below 1",
            do="Give the best guess; 0.3 serves where nothing is known.",
        )
    if canes < 2 or nodes < 1:
        raise InputError(
            f"the sample is {plain_count(canes, 'cane')} of {plain_count(nodes, 'node')}",
            expected="at least 2 canes of at least 1 node",
            do="One cane cannot show how canes differ.",
        )
    if not 0 <= icc <= 0.95:
        raise InputError(f"icc is {icc!r}", expected="0 to 0.95",
                         do="Leave it out for the season's own (the setting prior_icc).")


def sample_outlook(
    share: float, *, canes: int, nodes: int, icc: float, policy: Policy, confidence: float = 0.95
) -> SampleOutlook:
    """Work out what a sample can tell where the share dead is as expected.

    Parameters
    ----------
    share : float
        Share of dead primaries to expect, in (0, 1).
    canes, nodes : int
        Canes, at least 2, and nodes cut a cane, at least 1.
    icc : float
        Likeness of buds of one cane (intra-class correlation), 0 to 0.95.
    policy : Policy
        Its bands say when a wrong share matters.
    confidence : float
        Nominal coverage of the interval.

    Raises
    ------
    InputError
        When a value is out of its range.

    Notes
    -----
    The interval is by the rule of the results, on a sample in which every count of a cane comes as
    often as expected. The chance of the
    wrong band takes the share found as beta-distributed with the mean and variance that clusters
    of equal size give; it is rough for fewer than about five canes.

    References
    ----------
    Kish (1965), Survey Sampling, for the design effect; `budvision.stats.posterior` for the
    interval.
    """
    _check(share, canes, nodes, icc)
    n, effect = canes * nodes, design_effect(nodes, icc)
    low, high = _expected_limits(share, canes, nodes, icc, confidence)
    band = int(policy.band_index(share))
    edges = (0.0, *policy.edges, 1.0)
    right = float(np.diff(_found_below(share, n / effect, np.array(edges[band : band + 2])))[0])
    return SampleOutlook(
        canes=canes, nodes=nodes, n_buds=n, design_effect=effect, n_effective=n / effect,
        share=share, low=low, high=high, width=high - low,
        wrong_band=min(1.0, max(0.0, 1 - right)),
    )


def _expected_limits(
    share: float, canes: int, nodes: int, icc: float, confidence: float
) -> tuple[float, float]:
    # Few canes show, on average, less likeness than there is: by two over their number, as found by
    # simulation (tests/vineyard/test_sample_size.py).
    shown = icc * max(0.0, 1 - 2 / canes)
    found = share_posterior(expected_units(share, shown, canes, nodes), prior_icc=DEFAULT_PRIOR)
    low, high = found.limits(confidence)
    return float(low[0]), float(high[0])


def _found_below(
    share: float, n_effective: float, shares: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the chance that the share found is below each value (0 below 0, 1 at 1)."""
    strength = max(n_effective - 1, 1e-6)       # variance p(1-p)/n_effective
    below: NDArray[np.float64] = scipy.special.betainc(
        share * strength, (1 - share) * strength, np.clip(shares, 0, 1))
    return below


def trade_off(
    share: float, *, icc: float, policy: Policy, confidence: float = 0.95,
    canes: Sequence[int] = (5, 10, 20), nodes: Sequence[int] = (5, 8, 10),
) -> tuple[SampleOutlook, ...]:
    """Compare samples of several sizes: more canes against more nodes a cane.

    Returns
    -------
    tuple of SampleOutlook
        For every pair of `canes` and `nodes`, by number of buds and then by canes.
    """
    rows = [
        sample_outlook(share, canes=c, nodes=m, icc=icc, policy=policy, confidence=confidence)
        for c in canes for m in nodes
    ]
    return tuple(sorted(rows, key=lambda row: (row.n_buds, row.canes)))


def canes_for_edge(
    edge: float, *, margin: float, sure: float, nodes: int = 10, icc: float = 0.1
) -> int:
    """Return how many canes tell on which side of a band edge the block lies.

    Parameters
    ----------
    edge : float
        The band edge, a share dead in (0, 1).
    margin : float
        How far from the edge the true share may be taken to lie; nearer than that no sample of a
        sensible size decides. The harder of the two sides is used.
    sure : float
        Wanted chance of landing on the right side, in (0.5, 1).
    nodes : int
        Nodes cut a cane.
    icc : float
        Likeness of buds of one cane.

    Returns
    -------
    int
        Canes, at least 2.

    Raises
    ------
    InputError
        When a value is out of range, or more than 500 canes would be needed.
    """
    if not (margin > 0 and edge - margin > 0 and edge + margin < 1):
        raise InputError(
            f"edge is {edge!r} and margin {margin!r}",
            expected="an edge with both edge - margin and edge + margin between 0 and 1",
        )
    if not 0.5 < sure < 1:
        raise InputError(f"sure is {sure!r}", expected="above 0.5 and below 1")
    _check(edge, 2, nodes, icc)

    def shortfall(n_effective: float) -> float:
        low = float(_found_below(edge - margin, n_effective, np.array([edge]))[0])
        high = 1 - float(_found_below(edge + margin, n_effective, np.array([edge]))[0])
        return min(low, high) - sure

    most = MOST_CANES * nodes / design_effect(nodes, icc)
    if shortfall(most) < 0:
        raise InputError(
            f"to be {sure:.0%} sure at {margin:.0%} from the edge needs more than {MOST_CANES} "
            "canes", expected="a wider margin or less certainty",
        )
    start = 2.0
    if shortfall(start) >= 0:
        return 2
    needed = float(scipy.optimize.brentq(shortfall, start, most))
    return max(2, math.ceil(needed * design_effect(nodes, icc) / nodes - 1e-9))


def canes_for_width(
    share: float, *, width: float, nodes: int = 10, icc: float = 0.1, confidence: float = 0.95
) -> int:
    """Return the fewest canes whose expected interval is no wider than wanted.

    Parameters
    ----------
    share : float
        Share expected dead, in (0, 1).
    width : float
        Wanted width of the interval, in (0, 1).

    Raises
    ------
    InputError
        When a value is out of range, or more than 500 canes would be needed.
    """
    _check(share, 2, nodes, icc)
    if not 0 < width < 1:
        raise InputError(f"width is {width!r}", expected="above 0 and below 1")

    def found(canes: int) -> float:
        low, high = _expected_limits(share, canes, nodes, icc, confidence)
        return high - low

    if found(MOST_CANES) > width:
        raise InputError(
            f"a width of {width:.0%} needs more than {MOST_CANES} canes",
            expected="a wider interval",
        )
    low, high = 1, MOST_CANES               # found falls with canes
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if found(middle) <= width else (middle, high)
    return high
