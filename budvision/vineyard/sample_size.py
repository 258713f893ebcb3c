"""How many canes and nodes: what a sample of a size can tell, before it is cut.

Buds of one cane are alike, so ten nodes of one cane tell less than one node of ten canes: the
design effect is 1 + (nodes - 1) * icc.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
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
    often as expected. The chance of the wrong band counts every number of dead buds that there can
    be, each cane's beta-binomial.

    References
    ----------
    Kish (1965), Survey Sampling, for the design effect; `budvision.stats.posterior` for the
    interval.
    """
    _check(share, canes, nodes, icc)
    n, effect = canes * nodes, design_effect(nodes, icc)
    low, high = _expected_limits(share, canes, nodes, icc, confidence)
    found = policy.band_index(np.arange(n + 1) / n)
    right = float(_chances(share, canes, nodes, icc)[found == policy.band_index(share)].sum())
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


def _chances(share: float, canes: int, nodes: int, icc: float) -> NDArray[np.float64]:
    """Return the chance of each number of dead buds, from none to all of the sample."""
    of_cane = np.fft.rfft(expected_units(share, icc, 1.0, nodes).copies, canes * nodes + 1)
    chances: NDArray[np.float64] = np.clip(np.fft.irfft(of_cane**canes, canes * nodes + 1), 0, 1)
    return chances


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
        Canes, at least 2. A share found right on the edge counts half: policies put it to either
        side.

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

    def enough(canes: int) -> bool:
        beyond = np.sign(np.round(np.arange(canes * nodes + 1) / (canes * nodes) - edge, 9))
        return all(
            _chances(edge + side * margin, canes, nodes, icc) @ (1 + side * beyond) / 2 >= sure
            for side in (-1, 1))

    if not enough(MOST_CANES):
        raise InputError(
            f"to be {sure:.0%} sure at {margin:.0%} from the edge needs more than {MOST_CANES} "
            "canes", expected="a wider margin or less certainty",
        )
    return _fewest(enough)


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
    return _fewest(lambda canes: found(canes) <= width)


def _fewest(enough: Callable[[int], bool]) -> int:
    """Return the fewest canes that are enough, from 2 on; `MOST_CANES` are."""
    low, high = 1, MOST_CANES
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high
