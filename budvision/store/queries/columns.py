"""The current calls of many buds as columns: one integer a call, put together in the database.

The calls that count (as `budvision.store.queries.calls` has it) leave the database as one text of
numbers a quarter of a million buds: rows of Python objects would cost several times as much. So a
program of ten thousand blocks comes out in seconds.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Connection,
    Select,
    String,
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
_VALUE, _OTHER_CAUSE, _SETTLED = 7, 8, 16       # in one call's integer, bit by bit
_SLOT, _TISSUE, _BUD = 4, 5, 7                  # bits below the round, the tissue, the bud
_FEW = 400
_PART = 1 << 18     # bud numbers a statement: memory grows with them


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
    found = _buds(conn, some)
    calls, other = _calls(conn, some, found[:, 0])
    at = _positions(cane_ids, found[:, 1])
    order = np.lexsort((found[:, 2], at))
    order = order[at[order] >= 0]
    found, at = found[order], at[order]
    marks = _marked_nodes(conn, some)
    return CallColumns(
        blocks=blocks,
        sampling_ids=np.array([by_block[block.id] for block in blocks], np.int64),
        cane_ids=cane_ids,
        cane_block=np.array([row[0] for row in canes], np.int64), cane_sampling=cane_sampling,
        cane_labels=tuple(row[5] for row in canes), vines=tuple(row[6] for row in canes),
        vigors=tuple(row[7] for row in canes), zones=tuple(row[8] for row in canes),
        cane=at, node=found[:, 2], calls=calls[order], other_cause=other[order],
        marked=np.isin(found[:, 0], marks),
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


def _buds(conn: Connection, sampling_ids: list[int] | None) -> Ints:
    """Return (bud id, cane id, node) of every bud, shape (n, 3)."""
    wanted = None if sampling_ids is None else bud.c.cane_id.in_(_canes_of(sampling_ids))
    parts = [_numbers(conn, (bud.c.id, bud.c.cane_id, bud.c.node), *some)
             for some in _handfuls(conn, bud.c.id, wanted)]
    return np.concatenate([np.zeros((0, 3), np.int64), *parts])


def _calls(
    conn: Connection, sampling_ids: list[int] | None, bud_ids: Ints
) -> tuple[npt.NDArray[np.int8], npt.NDArray[np.bool_]]:
    """Return the calls that count of these buds and whether they died of another cause, (n, 3).

    All calls are read; only where some bud has two of one tissue and round is the newest of that
    bud's asked for.
    """
    calls = np.full((len(bud_ids), len(TISSUES)), -1, np.int8)
    other = np.zeros(calls.shape, bool)
    value = case({value.value: number for value, number in _CODES.items()}, value=call.c.value,
                 else_=0)
    cause = case((call.c.cause.in_(("", "cold")) | (call.c.value == "withdrawn"), 0),
                 else_=_OTHER_CAUSE)
    settled = case((call.c.round == "settled", _SETTLED), else_=0)
    tissue = case({one.value: at << _TISSUE for at, one in enumerate(TISSUES)}, value=call.c.tissue)
    number = cast(call.c.bud_id, BigInteger) * (1 << _BUD) + (tissue + settled + cause + value)
    newer = call.alias("newer")
    standing = ~exists().where(
        newer.c.bud_id == call.c.bud_id, newer.c.tissue == call.c.tissue,
        newer.c.round == call.c.round, newer.c.id > call.c.id)
    wanted = None if sampling_ids is None else call.c.bud_id.in_(
        select(bud.c.id).where(bud.c.cane_id.in_(_canes_of(sampling_ids))))
    for some in _handfuls(conn, call.c.bud_id, wanted):
        some = [*some, call.c.round != "second"]
        told = np.sort(_numbers(conn, (number,), *some)[:, 0], kind="stable")
        slot = told >> _SLOT
        twice = np.unique(told[1:][slot[1:] == slot[:-1]] >> _BUD)
        if len(twice):
            replaced = select(call.c.bud_id).where(*some).group_by(
                call.c.bud_id, call.c.tissue, call.c.round).having(func.count() > 1)
            again = _numbers(
                conn, (number,), *some, standing, call.c.bud_id.in_(replaced))[:, 0]
            told = np.concatenate([told[~np.isin(told >> _BUD, twice)], np.sort(again)])
        _write_down(told, bud_ids, calls, other)
    return calls, other


def _write_down(
    told: Ints, bud_ids: Ints, calls: npt.NDArray[np.int8], other: npt.NDArray[np.bool_]
) -> None:
    """Write calls, one integer each and those of a bud side by side, to the rows of their buds."""
    of_bud = told >> _BUD
    first = np.flatnonzero(np.diff(of_bud, prepend=-1))
    row = np.repeat(_positions(bud_ids, of_bud[first]), np.diff(first, append=len(told)))
    tissue, value = told >> _TISSUE & 3, told & _VALUE
    settled = (told & _SETTLED) > 0
    for some in ((row >= 0) & ~settled, (row >= 0) & settled & (value > 0)):
        calls[row[some], tissue[some]] = value[some] - 1
        other[row[some], tissue[some]] = (told[some] & _OTHER_CAUSE) > 0


def _canes_of(sampling_ids: list[int]) -> Select[Any]:
    return select(cane.c.id).where(cane.c.sampling_id.in_(sampling_ids))


def _handfuls(
    conn: Connection, ids: ColumnElement[int], wanted: ColumnElement[bool] | None
) -> Iterator[list[ColumnElement[bool]]]:
    """Yield conditions on a column of bud numbers that hold for so many of them each."""
    if wanted is not None:
        yield [wanted]
        return
    last = conn.scalar(select(func.max(ids))) or 0
    for first in range(0, last + 1, _PART):
        yield [ids >= first, ids < first + _PART]


def _numbers(
    conn: Connection, columns: Sequence[ColumnElement[int]], *conditions: ColumnElement[bool]
) -> Ints:
    """Return some columns of whole numbers, shape (n_rows, n_columns), rows in any order."""
    texts = conn.execute(select(*(
        func.aggregate_strings(cast(column, String), ",") for column in columns
    )).where(*conditions)).one()
    return np.column_stack([np.fromstring(text or "", np.int64, sep=",") for text in texts])


def _parts(conn: Connection, query: Select[Any]) -> Iterator[Sequence[Any]]:
    """Yield a query's rows in parts, straight from the driver: rows without names are quick."""
    cursor = conn.execute(query).cursor
    assert cursor is not None
    while part := cursor.fetchmany(16384):
        yield part


def _positions(ids: Ints, wanted: Ints) -> Ints:
    """Return the index in `ids` of each wanted id, -1 where it is not there."""
    if not len(ids):
        return np.full(len(wanted), -1, np.int64)
    order = np.argsort(ids, kind="stable")    # quick on what is in order already
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
