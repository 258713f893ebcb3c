"""Which blocks and samplings of an archive are the season's own, told by photographs of both."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from pathlib import Path

from sqlalchemy import Connection

from budvision.store.queries import rows
from budvision.workflow.archive.incoming import rows_of

__all__ = ["NOTHING_SHARED", "SharedBuds"]


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


def _most(counted: Counter[str] | None) -> str:
    return counted.most_common(1)[0][0] if counted else ""


NOTHING_SHARED = SharedBuds(None, None, {})
