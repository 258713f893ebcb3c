"""Copy every row of a season into another season's empty database, whichever kind either is."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, delete, insert
from sqlalchemy.exc import IntegrityError

from budvision.errors import VerificationError
from budvision.store.counts import rebuild
from budvision.store.queries.rows import settle_numbers, settle_plans, stream
from budvision.store.remembered import remembered
from budvision.store.tables import job, metadata, sampling_count, seal

__all__ = ["copy_rows"]

_CHUNK = 1000


def copy_rows(
    source: Connection, target: Connection
) -> dict[str, int]:
    """Copy all tables, numbers and seals included, and count the samplings anew.

    Parameters
    ----------
    source : Connection
        Open for reading.
    target : Connection
        Inside `Season.write` of a season that has no rows yet.

    Returns
    -------
    dict of str to int
        Rows copied, by table.

    Raises
    ------
    VerificationError
        When a row refers to one that is not there.
    """
    try:
        return _copied(source, target)
    except IntegrityError as error:
        raise VerificationError(
            f"its rows do not fit together ({str(error.orig).splitlines()[0]})",
            where="database", expected="the rows that were saved",
            do="Run `budvision check` in the season.") from error


def _copied(source: Connection, target: Connection) -> dict[str, int]:
    tables = [table for table in metadata.sorted_tables
              if table not in (sampling_count, remembered, job)]
    counts: dict[str, int] = {}
    target.execute(delete(seal))
    for table in tables:
        batch: list[dict[str, Any]] = []
        n = 0
        for row in stream(source, table.name, chunk=100 if table.name == "region" else _CHUNK):
            batch.append(row)
            if len(batch) == _CHUNK or table.name == "region":
                target.execute(insert(table), batch)
                n, batch = n + len(batch), []
        if batch:
            target.execute(insert(table), batch)
        counts[table.name] = n + len(batch)
        settle_numbers(target, table.name)
    settle_plans(target)
    rebuild(target)  # with the seals copied too, the write's end finds no row to count
    return counts
