"""The numbers of many blocks, worked out from the columns of their calls."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from budvision.settings import Settings
from budvision.store.queries.blocks import Block
from budvision.store.queries.columns import CallColumns
from budvision.vineyard.breakdown import Part, breakdown
from budvision.vineyard.buds import BudTable, Factor
from budvision.vineyard.mortality import summarise_table
from budvision.vineyard.policies import Policy
from budvision.vineyard.potential import SECONDARY_CROP
from budvision.vineyard.results import BlockResult
from budvision.vineyard.strata import StrataShares
from budvision.vineyard.training import read_training
from budvision.vineyard.zones import zone_results

__all__ = ["BlockCalls", "weights_of", "zone_shares"]

_PART = 1024     # blocks worked out at once: memory grows with them


@dataclass(frozen=True)
class BlockCalls:
    """The calls of some blocks, to be asked for their numbers.

    Attributes
    ----------
    columns : CallColumns
    settings : Settings
    """

    columns: CallColumns
    settings: Settings

    @cached_property
    def bud_block(self) -> NDArray[np.int64]:
        """The number of each bud's block."""
        return self.columns.cane_block[self.columns.cane]

    @cached_property
    def called(self) -> NDArray[np.bool_]:
        """Whether anybody has called a tissue of each bud."""
        found: NDArray[np.bool_] = np.any(self.columns.calls >= 0, axis=1)
        return found

    @cached_property
    def kept(self) -> NDArray[np.bool_]:
        """Whether each bud stands at a node that its block's pruning keeps."""
        each = [read_training(block.training_system) for block in self.columns.blocks]
        last = np.array([one.nodes if one else np.iinfo(np.int64).max for one in each], np.int64)
        found: NDArray[np.bool_] = self.columns.node <= last[self.bud_block]
        return found

    @cached_property
    def _words(self) -> tuple[Factor, ...]:
        columns = self.columns
        return tuple(Factor.of(words) for words in (columns.vines, columns.vigors, columns.zones))

    def block_called(self) -> NDArray[np.bool_]:
        """Return whether anybody has called a bud of each block."""
        called = np.zeros(len(self.columns.blocks), bool)
        called[self.bud_block[self.called]] = True
        return called

    def table(self, rows: NDArray[np.int64], chosen: NDArray[np.int64] | None = None) -> BudTable:
        """Return some buds, of some blocks, as the table that the maths takes.

        Parameters
        ----------
        rows : ndarray of int64, shape (n,)
            Numbers of the buds.
        chosen : ndarray of int64, shape (n_blocks,), optional
            Numbers of the blocks, rising; all when left out.
        """
        columns = self.columns
        if chosen is None:
            chosen = np.arange(len(columns.blocks))
        blocks = [columns.blocks[at] for at in chosen.tolist()]
        code = np.full(len(columns.blocks), -1, np.int64)
        code[chosen] = np.arange(len(blocks))
        canes = columns.cane[rows]
        vine, vigor, zone = (
            Factor(of.names or ("",), of.codes[canes] if len(of.codes) else canes)
            for of in self._words)
        cultivars = Factor.of(block.cultivar for block in blocks)
        at_block = code[self.bud_block[rows]]
        return BudTable.from_columns(
            block=Factor(tuple(block.name for block in blocks), at_block),
            cane=columns.cane_ids[canes], vine=vine, node=columns.node[rows],
            calls=columns.calls[rows], other_cause=columns.other_cause[rows], vigor=vigor,
            zone=zone, cultivar=Factor(cultivars.names, cultivars.codes[at_block]))

    def summaries(
        self, policies: Mapping[str, Policy], policy: str | None
    ) -> tuple[dict[str, BlockResult], dict[str, tuple[BlockResult, ...]]]:
        """Return the answer of each block, and of each zone of blocks with two or more.

        Parameters
        ----------
        policies : mapping of str to Policy
        policy : str, optional
            For all blocks, instead of the block's own or the season's.
        """
        found: dict[str, BlockResult] = {}
        by_zone: dict[str, tuple[BlockResult, ...]] = {}
        counted = self.called & self.kept
        for name, chosen in self._parts(policy):
            here = np.zeros(len(self.columns.blocks), bool)
            here[chosen] = True
            table = self.table(np.flatnonzero(here[self.bud_block] & counted), chosen)
            blocks = [self.columns.blocks[at] for at in chosen.tolist()]
            under_policy = replace(self.settings, policy=name)
            facts: dict[str, Mapping[str, float]] = {
                "normal_nodes": {
                    b.name: b.normal_nodes for b in blocks if b.normal_nodes is not None},
                "secondary_crop": {
                    b.name: crop for b in blocks if (crop := _secondary_crop_of(b)) is not None},
            }
            zones, sizes = weights_of({b.name: b for b in blocks})
            for result in summarise_table(
                table, settings=under_policy, policies=policies,
                normal_nodes=facts["normal_nodes"], secondary_crop=facts["secondary_crop"],
                strata_shares=sizes, zone_shares=zones,
            ):
                found[result.block] = result
            by_zone |= zone_results(table, settings=under_policy, policies=policies, **facts)
        return found, by_zone

    def _parts(self, policy: str | None) -> Iterator[tuple[str, NDArray[np.int64]]]:
        """Yield handfuls of blocks of one policy, numbers rising."""
        own = np.array([policy or block.policy or self.settings.policy
                        for block in self.columns.blocks])
        for name in np.unique(own).tolist():
            chosen = np.flatnonzero(own == name)
            for first in range(0, len(chosen), _PART):
                yield name, chosen[first:first + _PART]

    def beyond(self) -> dict[str, Part]:
        """Return the primaries of the nodes that pruning takes off, for blocks that have some."""
        rows = np.flatnonzero((self.columns.calls[:, 0] >= 0) & ~self.kept)
        if not len(rows):
            return {}
        return {part.name: part
                for part in breakdown(self.table(rows), "block", settings=self.settings)}


def _secondary_crop_of(block: Block) -> float | None:
    """Return what a live secondary bears: the block's own value, else its cultivar class's."""
    if block.secondary_crop is not None:
        return block.secondary_crop
    known = SECONDARY_CROP.get(block.cultivar_class)
    return None if known is None else known.share


def weights_of(blocks: Mapping[str, Block]) -> tuple[StrataShares, StrataShares]:
    """Return the shares of zones, and of vine sizes, of the blocks that give them.

    Parameters
    ----------
    blocks : mapping of str to Block
        By the names that a table knows them by.
    """
    return ({name: shares for name, one in blocks.items() if (shares := zone_shares(one))},
            {name: shares for name, one in blocks.items() if (shares := _vine_class_shares(one))})


def _vine_class_shares(block: Block) -> Mapping[str, float] | None:
    """Return the block's own shares of vine-size classes, where its layout gives them."""
    shares = block.layout.get("shares")
    if not isinstance(shares, Mapping):
        return None
    numbers = {str(k): float(v) for k, v in shares.items() if isinstance(v, int | float)}
    return numbers if numbers and sum(numbers.values()) > 0 else None


def zone_shares(block: Block) -> Mapping[str, float] | None:
    """Return the share of the block's vines in each zone, where its rows say so."""
    rows = block.layout.get("rows")
    vines: dict[str, float] = {}
    for row in rows if isinstance(rows, list) else []:
        standing = float(row.get("n_vines", 0)) - len(row.get("missing", ()))
        vines[str(row.get("zone", ""))] = vines.get(str(row.get("zone", "")), 0.0) + standing
    total = sum(vines.values())
    if len(vines) < 2 or "" in vines or total <= 0:
        return None
    return {zone: n / total for zone, n in vines.items()}
