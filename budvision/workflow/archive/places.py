"""What of an archive is the season's own: places by photographs of both, people by their calls."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from pathlib import Path

from sqlalchemy import Connection

from budvision.store.queries import rows
from budvision.workflow.archive.incoming import rows_of

__all__ = ["NOTHING_SHARED", "SharedBuds", "shared_people"]

_SAVED = re.compile(r"[0-9a-f]{32}")
_ENOUGH = 50


class SharedBuds:
    """Places that show the same photograph of the same cane and node on both sides.

    Parameters
    ----------
    conn : Connection, optional
        The season; None where nothing is to be compared.
    folder : Path, optional
        The archive, verified.
    photos : mapping of int to str
        The hash that each of the archive's photographs has in the season.
    """

    def __init__(
        self, conn: Connection | None, folder: Path | None, photos: Mapping[int, str]
    ) -> None:
        self._blocks: dict[int, Counter[str]] = {}
        self._samplings: dict[int, Counter[str]] = {}
        if conn is None or folder is None:
            return
        wanted = set(photos.values())
        mine = {
            line.sha256: line for line in rows.lines_of_photos(conn)
            if line.node is not None and line.sha256 in wanted}
        if not mine:
            return
        samplings = {row["id"]: row["block_id"] for row in rows_of(folder, "sampling")}
        canes = {row["id"]: (row["sampling_id"], row["label"]) for row in rows_of(folder, "cane")}
        buds = {row["id"]: (row["cane_id"], row["node"]) for row in rows_of(folder, "bud")}
        placed = {row["photo_id"]: row["bud_id"] for row in rows_of(folder, "assignment")}
        for photo_id, bud_id in placed.items():
            here = mine.get(photos.get(photo_id, ""))
            if bud_id is None or here is None:
                continue
            cane_id, node = buds[bud_id]
            sampling_id, cane = canes[cane_id]
            if (here.cane, here.node) == (cane, node):
                block_id = samplings[sampling_id]
                self._blocks.setdefault(block_id, Counter())[here.block] += 1
                self._samplings.setdefault(sampling_id, Counter())[here.sampling] += 1

    def block(self, block_id: int) -> str:
        """Return the name of the own block that shares most with the archive's, else ''."""
        return _most(self._blocks.get(block_id))

    def sampling(self, sampling_id: int) -> str:
        """Return the label of the own sampling that shares most with the archive's, else ''."""
        return _most(self._samplings.get(sampling_id))


def shared_people(conn: Connection, folder: Path) -> dict[int, int]:
    """Return the own person of each of an archive's people whose calls are here already.

    An archive of another laboratory that holds this season's own calls gives people other
    pseudonyms. What was saved together has a random name, which no archive changes.

    Parameters
    ----------
    conn : Connection
        The season.
    folder : Path
        The archive, verified.
    """
    saved: dict[int, set[str]] = {}
    for row in rows_of(folder, "call"):
        batches = saved.setdefault(row["person_id"], set())
        if len(batches) < _ENOUGH and _SAVED.fullmatch(row["batch"]):
            batches.add(row["batch"])
    found = {theirs: rows.callers(conn, batches) for theirs, batches in saved.items()}
    return {theirs: mine.pop() for theirs, mine in found.items() if len(mine) == 1}


def _most(counted: Counter[str] | None) -> str:
    return counted.most_common(1)[0][0] if counted else ""


NOTHING_SHARED = SharedBuds(None, None, {})
