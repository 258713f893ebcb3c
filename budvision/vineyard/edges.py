"""Where a band is not sure: edges within the interval, what more buds would leave, rules apart."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from budvision.settings import Settings
from budvision.stats.posterior import SharePosterior
from budvision.stats.units import Units, alike_units
from budvision.vineyard.more_buds import MOST_BUDS
from budvision.vineyard.policies import Policy
from budvision.vineyard.pruning import NodeCount
from budvision.vineyard.results import BandEdge, PolicyAnswer, Reach
from budvision.vineyard.strata import BlockStrata, weighed

__all__ = ["edges_within", "most_within_reach", "rules_apart"]

Floats = NDArray[np.float64]


def edges_within(
    policy: Policy, found: SharePosterior, low: Floats, high: Floats
) -> list[tuple[BandEdge, ...]]:
    """Return for each block the edges that its interval holds, the nearest to the share first.

    Parameters
    ----------
    low, high : ndarray of float64, shape (n_blocks,)
        The interval of each block.
    """
    above = [1 - found.chance_below(edge) for edge in policy.edges]
    share, n = found.share, found.n
    edges: list[tuple[BandEdge, ...]] = []
    for index in range(len(n)):
        inside = [
            BandEdge(
                share=edge, below=policy.bands[number], above=policy.bands[number + 1],
                chance_above=float(above[number][index]),
                buds_to_cross=_buds_to_cross(policy, number, float(share[index]), int(n[index])),
            )
            for number, edge in enumerate(policy.edges) if low[index] < edge < high[index]
        ]
        edges.append(tuple(sorted(inside, key=lambda one: abs(one.share - share[index]))))
    return edges


def _buds_to_cross(policy: Policy, number: int, share: float, n: int) -> int:
    """Return how many calls the other way would carry the share over an edge."""
    last = policy.last_below(number)
    below = share <= last
    first = max(1, math.floor(abs(policy.edges[number] - share) * n) - 1)
    for buds in range(first, n + 1):
        moved = min(1.0, max(0.0, share + (buds if below else -buds) / n))
        if (moved <= last) != below:
            return buds
    return n


def most_within_reach(
    units: Units, found: SharePosterior, policy: Policy, open_: NDArray[np.bool_], *,
    strata: BlockStrata | None, settings: Settings,
) -> dict[int, Reach]:
    """Return what the most buds within reach would still leave, for blocks that stay open.

    Parameters
    ----------
    units : Units
        Judged units of each block.
    found : SharePosterior
        What they tell already.
    open_ : ndarray of bool, shape (n_blocks,)
        Blocks that no number of buds within reach settles.
    strata : BlockStrata, optional
        Of these units.
    settings : Settings
        Uses prior_icc and confidence.
    """
    wanted = open_ & (found.n > 0)
    if not wanted.any():
        return {}
    keep = wanted[units.group]
    few = alike_units(units, 1 + MOST_BUDS / np.maximum(found.n, 1)).only(wanted)
    here = strata.judged(keep) if strata is not None else None
    low, high = weighed(few, here, prior_icc=settings.prior_icc).limits(
        settings.confidence)
    rows = np.flatnonzero(wanted)
    ends = low[rows], high[rows]
    spans = zip(*(policy.band_index(end).tolist() for end in ends), strict=True)
    return {
        index: Reach(buds=MOST_BUDS, low=one, high=two,
                  bands=tuple(band.name for band in policy.bands[first : last + 1]))
        for index, one, two, (first, last) in zip(
            rows.tolist(), *(end.tolist() for end in ends), spans, strict=True)
    }


def rules_apart(nodes: Mapping[str, NodeCount], others: Sequence[PolicyAnswer]) -> bool:
    """Say whether rules differ by more nodes than the interval makes within the exact one.

    Parameters
    ----------
    nodes : mapping of str to NodeCount
        By rule.
    others : sequence of PolicyAnswer
        What the other policies say.
    """
    exact = nodes["exact"]
    retained = [count.retain for count in (nodes["band"], *(other.nodes for other in others))
                if count.retain is not None]
    if len(retained) < 2 or exact.low is None or exact.high is None:
        return False
    return max(retained) - min(retained) > exact.high - exact.low
