"""Which buds are called blind, and which are read a second time: by lot, the same every time.

A bud's lot is a hash of where it stands and of when its sampling was begun, so that it does not
depend on the photographs, on what anybody called, or on the order of work.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from hashlib import sha256

from budvision.store.queries.blocks import Sampling
from budvision.store.queries.review import BudState

__all__ = ["is_blind", "lot", "second_sample"]


def lot(purpose: str, sampling: Sampling, cane: str, vine: str, node: int) -> float:
    """Draw a bud's lot for one purpose.

    Returns
    -------
    float
        In [0, 1), as if uniform; the same for the same bud, sampling and purpose.
    """
    parts = (purpose, sampling.block, sampling.label, sampling.added_at, vine, cane, str(node))
    digest = sha256("\0".join(parts).encode()).digest()
    return int.from_bytes(digest[:8], "big") / 2**64


def is_blind(share: float, sampling: Sampling, cane: str, vine: str, node: int) -> bool:
    """Say whether a bud's proposals stay hidden until it is called.

    Parameters
    ----------
    share : float
        Of the buds, in [0, 1]; the setting `blind_share`.
    """
    return lot("blind", sampling, cane, vine, node) < share


def second_sample(
    share: float, sampling: Sampling, states: Sequence[BudState]
) -> frozenset[int]:
    """Choose the buds of one sampling that a second person reads.

    Each block has its own sampling, so choosing within each is choosing by block.

    Parameters
    ----------
    share : float
        Of the photographed buds, in [0, 1]; the setting `second_read_share`.
    states : sequence of BudState
        Every bud of the sampling.

    Returns
    -------
    frozenset of int
        Ids of the chosen buds: the share, rounded up, with the lowest lots.
    """
    can = [row for row in states if row.n_cuts and not row.node_mark]
    drawn = sorted(can, key=lambda row: lot("second", sampling, row.cane, row.vine, row.node))
    return frozenset(row.bud_id for row in drawn[:math.ceil(share * len(can) - 1e-9)])
