"""Samplings that top up another of their block: more canes of one cold event, one answer."""

from __future__ import annotations

from collections.abc import Iterable

from budvision.errors import ConflictError
from budvision.store.queries.blocks import (
    Sampling,
    get_block,
    get_sampling,
    list_samplings,
    update_sampling,
)
from budvision.store.session import Season

__all__ = ["cane_of", "head_and_more", "top_up"]


def cane_of(cane: str, sampling: str) -> str:
    """Return the name of a top-up's cane, so that cane 1 of two samplings is two canes."""
    return f"{cane} ({sampling})"


def head_and_more(rows: Iterable[Sampling], one: Sampling) -> tuple[Sampling, tuple[Sampling, ...]]:
    """Return the sampling that an answer is named after, and those that top it up.

    Parameters
    ----------
    rows : iterable of Sampling
        All of the season, or of the block.
    one : Sampling
        Any of them.
    """
    own = [row for row in rows if row.block_id == one.block_id]
    head = next((row for row in own if row.label == one.tops_up), one)
    return head, tuple(row for row in own if row.tops_up == head.label)


def top_up(season: Season, block: str, sampling: str, *, of: str) -> None:
    """Say that a sampling tops up another of the same block, after the same cold event.

    Parameters
    ----------
    sampling : str
        Label of the one that brings more canes.
    of : str
        Label of the one that it tops up; empty takes it back.

    Raises
    ------
    NotFoundError
        When there is no such block or sampling.
    ConflictError
        When it names itself, or one of the two stands in another pair already.
    """
    with season.write() as conn:
        found = get_block(conn, block)
        one = get_sampling(conn, found.id, sampling)
        label = get_sampling(conn, found.id, of).label if of else ""
        rows = list_samplings(conn, found.id)
        chained = label and (
            any(row.tops_up == one.label for row in rows)
            or any(row.label == label and row.tops_up for row in rows))
        if label == one.label or chained:
            raise ConflictError(
                f"sampling {one.label} is to top up {label}", where=f"block {found.name}",
                expected="a sampling that tops up nothing itself, and one that nothing tops up",
                do="Let every later sampling top up the first.", code="top_up_chain")
        update_sampling(conn, one.id, tops_up=label)
