"""The current calls of many buds as columns: one pass in SQL, one row a bud.

The calls that count (as `budvision.store.queries.calls` has it) are packed into one integer a bud
inside the database, so that a program of ten thousand blocks comes out in seconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from sqlalchemy import BigInteger, Connection, Select, case, cast, exists, func, select

from budvision.store.queries.blocks import Block, list_blocks
from budvision.store.tables import bud, call, cane, mark, sampling
from budvision.vocabulary import TISSUES, CallValue

__all__ = ["CallColumns", "call_columns"]

Ints = npt.NDArray[np.int64]

_CODES = {CallValue.LIVE: 1, CallValue.DEAD: 2, CallValue.UNSURE: 3, CallValue.NOT_EXPOSED: 4}
_OTHER_CAUSE = 8
_BITS = 4  # first call in the low, settled call in the high half of each tissue's byte
_FEW = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class CallColumns:
    """Buds of some samplings, called or not, one entry a bud.

    Attributes
    ----------
    blocks : tuple of Block
        Blocks that have one of the samplings, by name.
    sampling_ids : ndarray of int64, shape (n_blocks,)
        The first sampling asked for of each block.
    cane_ids, cane_block : ndarray of int64, shape (n_canes,)
        Id of each cane, and the index of its block in `blocks`.
    cane_sampling : ndarray of int64, shape (n_canes,)
        Id of each cane's sampling.
    cane_labels, vines, vigors, zones : tuple of str, length n_canes
    cane : ndarray of int64, shape (n_buds,)
        Index of each bud's cane; buds stand in the order of the walk.
    node : ndarray of int64, shape (n_buds,)
    calls : ndarray of int8, shape (n_buds, 3)
        -1 not called, 0 live, 1 dead, 2 unsure, 3 not exposed; primary, secondary, tertiary.
    other_cause : ndarray of bool, shape (n_buds, 3)
        Dead of something known other than cold.
    marked : ndarray of bool, shape (n_buds,)
        The node is marked missing or blind.
    """

    blocks: tuple[Block, ...]
    sampling_ids: Ints
    cane_ids: Ints
    cane_block: Ints
    cane_sampling: Ints
    cane_labels: tuple[str, ...]
    vines: tuple[str, ...]
    vigors: tuple[str, ...]
    zones: tuple[str, ...]
    cane: Ints
    node: Ints
    calls: npt.NDArray[np.int8]
    other_cause: npt.NDArray[np.bool_]
    marked: npt.NDArray[np.bool_]


def call_columns(conn: Connection, sampling_ids: Sequence[int]) -> CallColumns:
    """Return the buds of samplings with the calls that count.

    Parameters
    ----------
    sampling_ids : sequence of int
        Of a block, `sampling_ids` of the result names the first.
    """
    of_sampling = {
        row.id: row.block_id
        for row in conn.execute(select(sampling.c.id, sampling.c.block_id))
    }
    wanted = {key: of_sampling[key] for key in sampling_ids}
    chosen_blocks = set(wanted.values())
    blocks = tuple(block for block in list_blocks(conn) if block.id in chosen_blocks)
    index = {block.id: position for position, block in enumerate(blocks)}
    by_block: dict[int, int] = {}
    for key, block_id in wanted.items():
        by_block.setdefault(block_id, key)
    cane_query = select(
        cane.c.id, cane.c.sampling_id, cane.c.label, cane.c.vine, cane.c.vigor, cane.c.zone,
        cane.c.position,
    )
    if len(wanted) <= _FEW:
        cane_query = cane_query.where(cane.c.sampling_id.in_(list(wanted)))
    canes = [row for row in conn.execute(cane_query) if row.sampling_id in wanted]
    canes.sort(key=lambda row: (index[wanted[row.sampling_id]], row.position, row.id))
    cane_ids = np.array([row.id for row in canes], np.int64)
    packed = _packed_calls(conn, list(wanted) if len(wanted) <= _FEW else None)
    position = _positions(cane_ids, packed[:, 1])
    packed, position = packed[position >= 0], position[position >= 0]
    order = np.lexsort((packed[:, 2], position))
    packed, position = packed[order], position[order]
    calls, other = _unpack(packed[:, 3])
    marks = _marked_nodes(conn, list(wanted) if len(wanted) <= _FEW else None)
    return CallColumns(
        blocks=blocks,
        sampling_ids=np.array([by_block[block.id] for block in blocks], np.int64),
        cane_ids=cane_ids,
        cane_block=np.array([index[wanted[row.sampling_id]] for row in canes], np.int64),
        cane_sampling=np.array([row.sampling_id for row in canes], np.int64),
        cane_labels=tuple(row.label for row in canes), vines=tuple(row.vine for row in canes),
        vigors=tuple(row.vigor for row in canes), zones=tuple(row.zone for row in canes),
        cane=position, node=packed[:, 2], calls=calls, other_cause=other,
        marked=np.isin(packed[:, 0], marks),
    )


def _packed_calls(conn: Connection, sampling_ids: list[int] | None) -> Ints:
    """Return (bud id, cane id, node, packed calls) of every bud, shape (n, 4)."""
    newer = call.alias("newer")
    standing = ~exists().where(  # twice as quick here as a window, thanks to ix_call_newest
        newer.c.bud_id == call.c.bud_id, newer.c.tissue == call.c.tissue,
        newer.c.round == call.c.round, newer.c.id > call.c.id,
    )
    code = case(*((call.c.value == value.value, number) for value, number in _CODES.items()),
                else_=0)
    cause = case((call.c.cause.in_(["", "cold"]), 0), else_=_OTHER_CAUSE)
    place = case(
        *(((call.c.tissue == tissue.value) & (call.c.round == round),
           1 << (2 * _BITS * position + (_BITS if round == "settled" else 0)))
          for position, tissue in enumerate(TISSUES) for round in ("first", "settled")),
    )
    call_sums = select(call.c.bud_id, cast(func.sum((code + cause) * place), BigInteger)).where(
        call.c.round != "second", call.c.value != "withdrawn", standing
    ).group_by(call.c.bud_id)
    buds = select(bud.c.id, bud.c.cane_id, bud.c.node)
    if sampling_ids is not None:
        inside = select(cane.c.id).where(cane.c.sampling_id.in_(sampling_ids))
        buds = buds.where(bud.c.cane_id.in_(inside))
        in_canes = select(bud.c.id).where(bud.c.cane_id.in_(inside))
        call_sums = call_sums.where(call.c.bud_id.in_(in_canes))
    sums = _integers(conn, call_sums, 2)
    found = _integers(conn, buds, 3)
    position = _positions(found[:, 0], sums[:, 0])
    packed = np.zeros(len(found), np.int64)
    packed[position[position >= 0]] = sums[position >= 0, 1]
    return np.column_stack([found, packed])


def _integers(conn: Connection, query: Select[Any], n_columns: int) -> Ints:
    """Return a query's whole numbers, straight from the driver: rows without names are quick."""
    cursor = conn.execute(query).cursor
    assert cursor is not None
    parts = [np.empty((0, n_columns), np.int64)]
    while part := cursor.fetchmany(65536):
        parts.append(np.array(part, np.int64))
    return np.concatenate(parts)


def _unpack(packed: Ints) -> tuple[npt.NDArray[np.int8], npt.NDArray[np.bool_]]:
    calls = np.empty((len(packed), len(TISSUES)), np.int8)
    other = np.empty((len(packed), len(TISSUES)), bool)
    for column in range(len(TISSUES)):
        byte = (packed >> (2 * _BITS * column)) & 0xFF
        settled, first = byte >> _BITS, byte & 0xF
        one = np.where(settled > 0, settled, first)
        calls[:, column] = (one & 7) - 1
        other[:, column] = (one & _OTHER_CAUSE) > 0
    return calls, other


def _positions(ids: Ints, wanted: Ints) -> Ints:
    """Return the index in `ids` of each wanted id, -1 where it is not there."""
    if not len(ids):
        return np.full(len(wanted), -1, np.int64)
    order = np.argsort(ids)
    place = np.minimum(np.searchsorted(ids[order], wanted), len(ids) - 1)
    found = order[place]
    return np.where(ids[found] == wanted, found, -1)


def _marked_nodes(conn: Connection, sampling_ids: list[int] | None) -> Ints:
    age = func.row_number().over(partition_by=mark.c.bud_id, order_by=mark.c.id.desc())
    each = select(mark.c.bud_id, mark.c.value, age.label("age")).where(mark.c.kind == "node")
    if sampling_ids is not None:
        each = each.where(mark.c.bud_id.in_(
            select(bud.c.id).join(cane, bud.c.cane_id == cane.c.id)
            .where(cane.c.sampling_id.in_(sampling_ids))))
    newest = each.subquery()
    rows = conn.scalars(select(newest.c.bud_id).where(newest.c.age == 1, newest.c.value != ""))
    return np.array(rows.all(), np.int64)
