"""The current calls of many buds as columns, so that thousands of blocks cost little.

Build a `BudTable` from a list of `BudCalls` (a paper tally) with `BudTable.from_calls`, or from
columns (a database query) with `BudTable.from_columns`; both give the same numbers.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from budvision.errors import InputError
from budvision.language import plain_count
from budvision.vocabulary import TISSUES, BudCalls, CallValue, Cause

__all__ = [
    "CALL_CODES",
    "DEAD",
    "LIVE",
    "NOT_CALLED",
    "NOT_EXPOSED",
    "UNSURE",
    "BudTable",
    "Factor",
]

NOT_CALLED, LIVE, DEAD, UNSURE, NOT_EXPOSED = -1, 0, 1, 2, 3

CALL_CODES: dict[CallValue | None, int] = {
    None: NOT_CALLED, CallValue.LIVE: LIVE, CallValue.DEAD: DEAD, CallValue.UNSURE: UNSURE,
    CallValue.NOT_EXPOSED: NOT_EXPOSED,
}
"""Code of each call in `BudTable.calls`."""


@dataclass(frozen=True, slots=True)
class Factor:
    """A grouping of buds: names, and for each bud the index of its name.

    Attributes
    ----------
    names : tuple of str
        An unknown value is the empty name.
    codes : ndarray of int64, shape (n_buds,)
        Index into `names`.
    """

    names: tuple[str, ...]
    codes: NDArray[np.int64]

    @classmethod
    def of(cls, values: Iterable[Hashable]) -> Factor:
        """Return the factor of a row of values, names in order of first appearance."""
        index: dict[Hashable, int] = {}
        codes = [index.setdefault(value, len(index)) for value in values]
        return cls(tuple(str(name) for name in index), np.asarray(codes, dtype=np.int64))


@dataclass(frozen=True, slots=True, kw_only=True)
class BudTable:
    """The current calls of many buds, one row a bud.

    Attributes
    ----------
    block : Factor
    cane : Factor
        Codes only, without names; a cane belongs to one block.
    block_of_cane : ndarray of int64, shape (n_canes,)
        Index into `block.names`.
    unit : ndarray of int64, shape (n_buds,)
        The highest thing that was drawn: the vine of each bud, or its cane where no vine is named.
    block_of_unit : ndarray of int64, shape (n_units,)
        Index into `block.names`.
    unit_is_vine : ndarray of bool, shape (n_units,)
    node : ndarray of int64, shape (n_buds,)
        1 is the basal node.
    calls : ndarray of int8, shape (n_buds, 3)
        Primary, secondary, tertiary, coded as in `CALL_CODES`.
    other_cause : ndarray of bool, shape (n_buds, 3)
        True where the tissue died of something other than cold.
    vigor, zone, cultivar : Factor
        Vine-size class, slope zone and cultivar of each bud.
    paired : bool
        False where only counts a cane are known: a row's tissues need not be of one bud, and its
        node only numbers it.
    """

    block: Factor
    cane: Factor
    block_of_cane: NDArray[np.int64]
    unit: NDArray[np.int64]
    block_of_unit: NDArray[np.int64]
    unit_is_vine: NDArray[np.bool_]
    node: NDArray[np.int64]
    calls: NDArray[np.int8]
    other_cause: NDArray[np.bool_]
    vigor: Factor
    zone: Factor
    cultivar: Factor
    paired: bool = True

    @property
    def n_buds(self) -> int:
        """Number of buds."""
        return len(self.node)

    @classmethod
    def from_calls(cls, buds: Sequence[BudCalls], *, paired: bool = True) -> BudTable:
        """Return the table of a list of buds.

        Parameters
        ----------
        buds : sequence of BudCalls
            A cane is a cane label of one vine of one block; the vine may be empty.
        paired : bool
            As in the class.

        Raises
        ------
        InputError
            When one bud (block, vine, cane, node) stands twice.
        """
        seen: set[tuple[str, str, str, int]] = set()
        for bud in buds:
            key = (bud.block, bud.vine, bud.cane, bud.node)
            if key in seen:
                raise InputError(
                    f"node {bud.node} of cane {bud.cane} stands twice", where=f"block {bud.block}",
                    expected="each bud once", do="Keep the row that is right.", code="duplicate",
                )
            seen.add(key)
        calls = [[CALL_CODES[bud.call(tissue)] for tissue in TISSUES] for bud in buds]
        other = [
            [bud.causes.get(tissue, Cause.COLD) is not Cause.COLD for tissue in TISSUES]
            for bud in buds
        ]
        table = cls.from_columns(
            block=[bud.block for bud in buds], cane=[(bud.vine, bud.cane) for bud in buds],
            vine=[bud.vine for bud in buds],
            node=[bud.node for bud in buds], calls=np.array(calls, np.int8).reshape(-1, 3),
            other_cause=np.array(other, bool).reshape(-1, 3),
            vigor=[bud.vigor for bud in buds], zone=[bud.zone for bud in buds],
            cultivar=[bud.cultivar for bud in buds],
        )
        return replace(table, paired=paired)

    @classmethod
    def from_columns(
        cls,
        *,
        block: Sequence[Hashable] | Factor,
        cane: Sequence[Hashable] | NDArray[np.int64],
        node: ArrayLike,
        calls: ArrayLike,
        vine: Sequence[Hashable] | Factor | None = None,
        other_cause: ArrayLike | None = None,
        vigor: Sequence[Hashable] | Factor | None = None,
        zone: Sequence[Hashable] | Factor | None = None,
        cultivar: Sequence[Hashable] | Factor | None = None,
    ) -> BudTable:
        """Return the table of parallel columns, as a database query gives them.

        Parameters
        ----------
        block : sequence or Factor, length n_buds
            Block of each bud: codes or names. A ready `Factor` is quickest.
        cane : sequence, length n_buds
            Cane of each bud, unique within its block. An integer array of database ids (unique
            over all blocks) is quickest.
        node : array_like of int, shape (n_buds,)
        calls : array_like of int, shape (n_buds, 3)
            Coded as in `CALL_CODES`.
        vine : sequence or Factor, length n_buds, optional
            Vine of each bud, one name for each vine of a block and zone; empty where not known.
        other_cause : array_like of bool, shape (n_buds, 3), optional
        vigor, zone, cultivar : sequence or Factor, optional

        Raises
        ------
        InputError
            When the columns differ in length or a call code is unknown.
        """
        nodes = np.asarray(node, dtype=np.int64)
        n = len(nodes)
        codes = np.asarray(calls, dtype=np.int8)
        if codes.shape != (n, 3):
            raise InputError(f"calls have shape {codes.shape}", expected=f"({n}, 3)")
        if n and not (codes.min() >= NOT_CALLED and codes.max() <= NOT_EXPOSED):
            raise InputError(f"a call code is {int(codes.max())}", expected="-1 to 3")

        def factor(values: Sequence[Hashable] | Factor | None, name: str) -> Factor:
            if values is None:
                return Factor(("",), np.zeros(n, dtype=np.int64))
            made = values if isinstance(values, Factor) else Factor.of(values)
            if len(made.codes) != n:
                raise InputError(f"{name} has "
                                 f"{plain_count(len(made.codes), 'row')}", expected=str(n))
            return made

        blocks = factor(block, "block")
        if isinstance(cane, np.ndarray):
            _, index = np.unique(cane, return_inverse=True)
            canes = Factor((), index.astype(np.int64))
            n_canes = int(index.max()) + 1 if n else 0
        else:
            made = Factor.of(zip(blocks.codes.tolist(), cane, strict=True))
            canes, n_canes = Factor((), made.codes), len(made.names)
        block_of_cane = np.zeros(n_canes, dtype=np.int64)
        block_of_cane[canes.codes] = blocks.codes
        if np.any(block_of_cane[canes.codes] != blocks.codes):
            raise InputError("a cane number stands in two blocks", expected="ids unique over all")
        other = np.zeros((n, 3), bool) if other_cause is None else np.asarray(other_cause, bool)
        zones = factor(zone, "zone")
        unit_of_cane, block_of_unit, is_vine = _units(
            block_of_cane, canes.codes, factor(vine, "vine"), zones)
        return cls(
            block=blocks, cane=canes, block_of_cane=block_of_cane, unit=unit_of_cane[canes.codes],
            block_of_unit=block_of_unit, unit_is_vine=is_vine, node=nodes, calls=codes,
            other_cause=other, vigor=factor(vigor, "vigor"), zone=zones,
            cultivar=factor(cultivar, "cultivar"),
        )


def _units(
    block_of_cane: NDArray[np.int64], cane: NDArray[np.int64], vine: Factor, zone: Factor
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
    """Return the unit of each cane, the block of each unit, and whether the unit is a vine."""
    n_canes, width = len(block_of_cane), len(vine.names) * len(zone.names) + 1
    named = np.array([bool(name) and name != "None" for name in vine.names] or [False])
    place = np.zeros(n_canes, dtype=np.int64)
    known = np.zeros(n_canes, dtype=bool)
    known[cane] = named[vine.codes]
    place[cane] = zone.codes * len(vine.names) + vine.codes
    key = np.where(known, block_of_cane * width + place, -1 - np.arange(n_canes))
    _, first, unit = np.unique(key, return_index=True, return_inverse=True)
    return unit.astype(np.int64), block_of_cane[first], known[first]
