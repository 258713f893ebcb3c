"""The current calls of many buds as columns: one pass in SQL, one row a bud.

The calls that count (as `budvision.store.queries.calls` has it) are packed into one integer a bud
inside the database, so that a program of ten thousand blocks comes out in seconds.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Any

import numpy as np
import numpy.typing as npt
from sqlalchemy import (
    BigInteger,
    Connection,
    Select,
    case,
    cast,
    exists,
    func,
    select,
)

from budvision.store.queries.blocks import Block
from budvision.store.tables import bud, call, cane, mark
from budvision.vocabulary import TISSUES, CallValue

__all__ = ["CallColumns", "call_columns"]

Ints = npt.NDArray[np.int64]

_CODES = {CallValue.LIVE: 1, CallValue.DEAD: 2, CallValue.UNSURE: 3, CallValue.NOT_EXPOSED: 4}
_OTHER_CAUSE = 8
_CALLED = 16
_ROUNDS = ("first", "settled")
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


def call_columns(
    conn: Connection, samplings: Sequence[tuple[int, int]], blocks: Sequence[Block]
) -> CallColumns:
    """Return the buds of samplings with the calls that count.

    Parameters
    ----------
    samplings : sequence of tuple of int
        Id of each sampling and of its block. Of a block, `sampling_ids` of the result names the
        first.
    blocks : sequence of Block
        Those of the samplings, by name; others are left aside.
    """
    wanted = dict(samplings)
    chosen_blocks = set(wanted.values())
    blocks = tuple(block for block in blocks if block.id in chosen_blocks)
    index = {block.id: at for at, block in enumerate(blocks)}
    by_block: dict[int, int] = {}
    for key, block_id in wanted.items():
        by_block.setdefault(block_id, key)
    some = list(wanted) if len(wanted) <= _FEW else None
    canes = _canes(conn, {key: index[block_id] for key, block_id in wanted.items()}, some)
    cane_ids, cane_sampling = (np.array([row[at] for row in canes], np.int64) for at in (2, 3))
    packed = _packed_calls(conn, some)
    at = _positions(cane_ids, packed[:, 1])
    packed, at = packed[at >= 0], at[at >= 0]
    order = np.lexsort((packed[:, 2], at))
    packed, at = packed[order], at[order]
    calls, other = _unpack(packed[:, 3])
    marks = _marked_nodes(conn, some)
    return CallColumns(
        blocks=blocks,
        sampling_ids=np.array([by_block[block.id] for block in blocks], np.int64),
        cane_ids=cane_ids,
        cane_block=np.array([row[0] for row in canes], np.int64), cane_sampling=cane_sampling,
        cane_labels=tuple(row[5] for row in canes), vines=tuple(row[6] for row in canes),
        vigors=tuple(row[7] for row in canes), zones=tuple(row[8] for row in canes),
        cane=at, node=packed[:, 2], calls=calls, other_cause=other,
        marked=np.isin(packed[:, 0], marks),
    )


def _canes(
    conn: Connection, block_of: Mapping[int, int], sampling_ids: list[int] | None
) -> list[tuple[Any, ...]]:
    """Return (block, position, id, sampling, position, label, vine, vigor, zone) in the walk."""
    query = select(cane.c.id, cane.c.sampling_id, cane.c.position, cane.c.label, cane.c.vine,
                   cane.c.vigor, cane.c.zone)
    if sampling_ids is not None:
        query = query.where(cane.c.sampling_id.in_(sampling_ids))
    return sorted((block_of[row[1]], row[2], *row) for part in _parts(conn, query)
                  for row in part if row[1] in block_of)


def _packed_calls(conn: Connection, sampling_ids: list[int] | None) -> Ints:
    """Return (bud id, cane id, node, packed calls) of every bud, shape (n, 4).

    A byte for each tissue and round. First all calls of a bud are added up; where one was replaced
    a byte is over 31, or fewer are in use than there are calls (a carry takes more than 8 calls),
    and the bud's calls are added up again, the newest alone.
    """
    slot = case(
        *((call.c.tissue == tissue.value, case(
            {name: 1 << 8 * (len(_ROUNDS) * at + later) for later, name in enumerate(_ROUNDS)},
            value=call.c.round)) for at, tissue in enumerate(TISSUES)))
    code = case({value.value: number for value, number in _CODES.items()}, value=call.c.value,
                else_=0)
    cause = case((call.c.cause == "", 0), ((call.c.cause == "cold") | (
        call.c.value == "withdrawn"), 0), else_=_OTHER_CAUSE)
    buds = select(bud.c.id, bud.c.cane_id, bud.c.node)
    wanted = call.c.round != "second"
    if sampling_ids is not None:
        inside = select(cane.c.id).where(cane.c.sampling_id.in_(sampling_ids))
        buds = buds.where(bud.c.cane_id.in_(inside))
        wanted &= call.c.bud_id.in_(select(bud.c.id).where(bud.c.cane_id.in_(inside)))

    call_sum = cast(func.sum((code + cause + _CALLED) * slot), BigInteger)
    sums = _integers(conn, select(call.c.bud_id, call_sum, func.count()).where(wanted).group_by(
        call.c.bud_id), 3)
    found = _integers(conn, buds, 3)
    packed = np.zeros(len(found), np.int64)
    at = _positions(found[:, 0], sums[:, 0])
    packed[at[at >= 0]] = sums[at >= 0, 1]
    each = sums[:, 1].astype("<i8").view(np.uint8).reshape(-1, 8)
    if np.any(each >= 2 * _CALLED) or np.any((each > 0).sum(axis=1) < sums[:, 2]):
        newer = call.alias("newer")
        standing = ~exists().where(
            newer.c.bud_id == call.c.bud_id, newer.c.tissue == call.c.tissue,
            newer.c.round == call.c.round, newer.c.id > call.c.id)
        replaced = select(call.c.bud_id).where(wanted).group_by(
            call.c.bud_id, call.c.tissue, call.c.round).having(func.count() > 1)
        again = _integers(conn, select(call.c.bud_id, call_sum).where(
            wanted, standing, call.c.bud_id.in_(replaced)).group_by(call.c.bud_id), 2)
        at = _positions(found[:, 0], again[:, 0])
        packed[at[at >= 0]] = again[at >= 0, 1]
    return np.column_stack([found, packed])


def _parts(conn: Connection, query: Select[Any]) -> Iterator[Sequence[Any]]:
    """Yield a query's rows in parts, straight from the driver: rows without names are quick."""
    cursor = conn.execute(query).cursor
    assert cursor is not None
    while part := cursor.fetchmany(16384):
        yield part


def _integers(conn: Connection, query: Select[Any], n_columns: int) -> Ints:
    """Return a query's whole numbers, row by row."""
    parts = [np.fromiter(chain.from_iterable(part), np.int64) for part in _parts(conn, query)]
    return np.concatenate([np.zeros(0, np.int64), *parts]).reshape(-1, n_columns)


def _unpack(packed: Ints) -> tuple[npt.NDArray[np.int8], npt.NDArray[np.bool_]]:
    calls = np.empty((len(packed), len(TISSUES)), np.int8)
    other = np.empty((len(packed), len(TISSUES)), bool)
    each = packed.astype("<i8").view(np.uint8).reshape(-1, 8) & (_CALLED - 1)
    for at in range(len(TISSUES)):
        first, settled = (each[:, len(_ROUNDS) * at + later] for later in range(len(_ROUNDS)))
        one = np.where(settled > 0, settled, first).astype(np.int8)
        calls[:, at] = (one & 7) - 1
        other[:, at] = (one & _OTHER_CAUSE) > 0
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
