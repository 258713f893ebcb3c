"""What of a sampled block still waits for a person."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from budvision.store.queries.columns import CallColumns
from budvision.vocabulary import TISSUES, Tissue
from budvision.workflow.sampling.top_up import cane_of

__all__ = ["Waiting", "WaitingBud", "waiting_of"]


@dataclass(frozen=True, slots=True)
class WaitingBud:
    """A bud that some tissue of nobody has called."""

    cane: str
    vine: str
    node: int
    tissues: tuple[Tissue, ...]

    def as_dict(self) -> dict[str, object]:
        """Return the bud as JSON has it."""
        payload: dict[str, object] = {
            "cane": self.cane, "node": self.node, "tissues": [t.value for t in self.tissues],
        }
        return payload | ({"vine": self.vine} if self.vine else {})


@dataclass(frozen=True, slots=True)
class Waiting:
    """What of a block waits for a person; nodes marked missing or blind wait for nobody."""

    buds: tuple[WaitingBud, ...]
    n_missing: int

    @property
    def n_buds(self) -> int:
        """Number of buds with a tissue that waits."""
        return len(self.buds)

    @property
    def n_tissues(self) -> int:
        """Number of tissues that wait."""
        return sum(len(bud.tissues) for bud in self.buds)

    def as_dict(self) -> dict[str, object]:
        """Return what waits as JSON has it."""
        return {
            "n_buds": self.n_buds, "n_tissues": self.n_tissues,
            "buds": [bud.as_dict() for bud in self.buds], "n_missing_nodes": self.n_missing,
        }


def waiting_of(columns: CallColumns, labels: Mapping[int, str]) -> list[Waiting]:
    """Return what waits of each block.

    Parameters
    ----------
    labels : mapping of int to str
        Label of each sampling.
    """
    open_ = columns.calls < 0
    rows = np.flatnonzero(open_.any(axis=1) & ~columns.marked)
    bud_block = columns.cane_block[columns.cane]
    buds: list[list[WaitingBud]] = [[] for _ in columns.blocks]
    names = [
        name if key == columns.sampling_ids[block] else cane_of(name, labels[key])
        for name, key, block in zip(columns.cane_labels, columns.cane_sampling.tolist(),
                                    columns.cane_block.tolist(), strict=True)
    ]
    kinds = {
        key: tuple(t for bit, t in enumerate(TISSUES) if key >> bit & 1) for key in range(1, 8)
    }
    keys = (open_[rows] @ np.array([1, 2, 4])).tolist()
    for block, cane, node, key in zip(
        bud_block[rows].tolist(), columns.cane[rows].tolist(), columns.node[rows].tolist(), keys,
        strict=True,
    ):
        buds[block].append(
            WaitingBud(names[cane], columns.vines[cane], node, kinds[key])
        )
    missing = np.bincount(bud_block[columns.marked], minlength=len(columns.blocks)).tolist()
    return [Waiting(tuple(some), n) for some, n in zip(buds, missing, strict=True)]
