"""Calls in and out as a table: for labs that score on paper, and for looking at elsewhere."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection

from budvision.errors import (
    BudvisionError,
    InputError,
    NotFoundError,
    StorageError,
    UsageError,
)
from budvision.files import write_whole
from budvision.report.uncalled import uncalled
from budvision.store.queries import blocks, calls, people
from budvision.store.queries.walk import PlacedBud, Walk
from budvision.store.session import Season
from budvision.tables import first_wrong
from budvision.vocabulary import BudCalls
from budvision.workflow.review.calls_file import calls_as_csv, read_calls
from budvision.workflow.review.save import save_table

__all__ = ["ImportReport", "export_calls", "import_calls"]

_NOTHING = "import again; nothing was imported"

_NOT_BLIND = ("second readings made in sight of the first calls or of the proposals tell nothing "
              "of agreement or of readers' errors; they are kept and not compared. Was nothing in "
              "sight? Import with --blind.")


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportReport:
    """What an import did.

    Attributes
    ----------
    batch : str
        Name of the rows saved together, for `undo`; empty where nothing changed.
    n_rows, n_calls, n_second, n_unchanged, n_empty : int
        Rows read; calls saved; of these, second readings; calls that stood with the same value
        already; empty cells.
    n_new_buds : int
        Buds made because the import was allowed to.
    warnings : tuple of str
        What was left aside.
    new_reviewer : bool
        Whether the reviewer was not known to the season before.
    """

    batch: str
    sampling: str
    reviewer: str
    n_rows: int
    n_calls: int
    n_second: int
    n_unchanged: int
    n_empty: int
    n_new_buds: int
    warnings: tuple[str, ...]
    new_reviewer: bool = False

    def as_dict(self) -> dict[str, object]:
        """Return the report as JSON has it."""
        return {
            "ok": True, "batch": self.batch, "sampling": self.sampling,
            "reviewer": self.reviewer, "n_rows": self.n_rows, "n_calls": self.n_calls,
            "n_unchanged": self.n_unchanged, "n_empty": self.n_empty,
            "n_new_buds": self.n_new_buds, "new_reviewer": self.new_reviewer,
            "warnings": list(self.warnings),
        }


def import_calls(
    season: Season, source: Path | bytes, *, reviewer: str, sampling: str | None = None,
    name: str = "", create: bool = False, blind: bool = False, reading: str = "first",
    entered_by: str | None = None,
) -> ImportReport:
    """Record one person's calls from a table with the tally's columns, all of it or nothing.

    An empty cell says nothing: a call that stands stays. A cell with the value that this person's
    newest call has already changes nothing.

    Parameters
    ----------
    source : Path or bytes
        The file, or what is in it: a table as `budvision.workflow.review.calls_file` describes it.
    reviewer : str
        Whose calls they are; added as a reviewer when new.
    sampling : str, optional
        Label of the sampling; may be left out where the season has a single label.
    name : str
        File name for errors; a path's own when left out.
    create : bool
        Make blocks, samplings, canes and buds that are not there; else they are errors.
    blind : bool
        True where the reviewer had not seen the proposals.
    reading : str
        first, or second for a second reader's table. In a first reader's table too, a tissue that
        somebody else has called is a second reading: it does not count until it is settled.
    entered_by : str, optional
        Who types them in, where it is not the reviewer.

    Raises
    ------
    InputError, NotFoundError
        When a row is wrong or names an unknown bud; nothing was imported.
    UsageError
        When the sampling must be named.
    """
    table = read_calls(source, name=name, nothing=_NOTHING)
    file = source.name if isinstance(source, Path) else name
    with season.write() as conn:
        label = sampling or _only_label(conn)
        new_reviewer = people.find_person(conn, reviewer) is None
        who = people.ensure_person(conn, reviewer, "reviewer")
        typist = people.ensure_person(conn, entered_by, "technician") if entered_by else None
        finder = _Finder(conn, label, create=create)
        found: list[PlacedBud] = []
        wrong: list[BudvisionError] = []
        for number, bud in zip(table.rows, table.buds, strict=True):
            try:
                found.append(finder.bud(bud))
            except BudvisionError as error:
                wrong.append(_in_row(error, f"{file}, row {number}"))
        if wrong:
            raise first_wrong(wrong)
        n_new = finder.write()
        rows = [(one.id, bud) for one, bud in zip(found, table.buds, strict=True)
                if one.id is not None]
        done = save_table(conn, rows, person=who, reading=reading, blind=blind, entered_by=typist)
    seen = reading == "second" and not blind and done.n_calls > 0
    warnings = (*table.warnings, _NOT_BLIND) if seen else table.warnings
    return ImportReport(
        batch=done.batch, sampling=label, reviewer=who.name, n_rows=len(rows),
        n_calls=done.n_calls, n_second=done.n_second, n_unchanged=done.n_unchanged,
        n_empty=done.n_empty, n_new_buds=n_new, warnings=warnings,
        new_reviewer=new_reviewer,
    )


def _only_label(conn: Connection) -> str:
    labels = sorted({row.label for row in blocks.list_samplings(conn)})
    if len(labels) == 1:
        return labels[0]
    if not labels:
        raise UsageError("the season has no sampling yet", where="--sampling",
                         expected="a label for these calls",
                         do="Add --sampling LABEL and --create.")
    raise UsageError(f"the season has {len(labels)} sampling labels", where="--sampling",
                     expected=f"one of {', '.join(labels)}", do="Say which with --sampling.")


class _Finder:
    """Finds the buds of a table's rows, or makes them where that is allowed."""

    def __init__(self, conn: Connection, label: str, *, create: bool) -> None:
        self._conn, self._label, self._create = conn, label, create
        self._samplings: dict[str, int] = {}
        self._walks: dict[int, Walk] = {}
        self._cultivars: set[tuple[str, str]] = set()
        self._seen: set[PlacedBud] = set()

    def bud(self, row: BudCalls) -> PlacedBud:
        """Return the row's bud, or raise an error without its place in the file."""
        if row.block not in self._samplings:
            self._samplings[row.block] = self._sampling(row.block)
        sampling_id = self._samplings[row.block]
        if sampling_id not in self._walks:
            self._walks[sampling_id] = Walk(self._conn, sampling_id, create=self._create)
        if row.cultivar and (row.block, row.cultivar) not in self._cultivars:
            blocks.ensure_block(self._conn, row.block, cultivar=row.cultivar)
            self._cultivars.add((row.block, row.cultivar))
        try:
            found = self._walks[sampling_id].bud(
                row.cane, row.node, vine=row.vine, vigor=row.vigor, zone=row.zone)
        except NotFoundError as error:
            on = f" of vine {row.vine}" if row.vine else ""
            raise self._unknown(
                f"cane {row.cane} of block {row.block} has no node {row.node}"
                if error.code == "no_bud" else f"block {row.block} has no cane {row.cane}{on}"
            ) from None
        if found in self._seen:
            raise InputError(
                f"node {row.node} of cane {row.cane} of block {row.block} stands twice",
                expected="each bud once", do=f"Remove one row and {_NOTHING}.", code="duplicate",
            )
        self._seen.add(found)
        return found

    def write(self) -> int:
        """Make what is new, and return how many buds that are."""
        return sum(walk.write() for walk in self._walks.values())

    def _sampling(self, name: str) -> int:
        if self._create:
            block_id = blocks.ensure_block(self._conn, name)
            return blocks.ensure_sampling(self._conn, block_id, self._label)
        block = blocks.find_block(self._conn, name)
        if block is None:
            names = ", ".join(b.name for b in blocks.list_blocks(self._conn)) or "none yet"
            raise self._unknown(f"block is {name!r}", f"a block of this season ({names})")
        sampling = blocks.find_sampling(self._conn, block.id, self._label)
        if sampling is None:
            raise self._unknown(f"block {name} has no sampling {self._label!r}")
        return sampling.id

    def _unknown(self, what: str, expected: str = "") -> NotFoundError:
        return NotFoundError(
            what, code="no_bud", expected=expected or "a bud of this season",
            do=f"Correct the row, or have it made (--create, on the page the box), and {_NOTHING}.",
        )


def _in_row(error: BudvisionError, where: str) -> BudvisionError:
    step = error.do.rstrip(".") or "Correct the row"
    do = error.do if _NOTHING in step else f"{step} and {_NOTHING}."
    return type(error)(error.what, expected=error.expected, do=do, where=where, code=error.code)


def export_calls(
    season: Season, path: Path | None = None, *, sampling: str | None = None,
    block: str | None = None,
) -> str:
    """Return the calls that count as a table with the tally's columns, and write it if asked.

    Parameters
    ----------
    path : Path, optional
        Where to write it; the file is whole or not there.
    sampling : str, optional
        Label of the sampling; the newest of each block when left out.
    block : str, optional
        One block only.

    Raises
    ------
    NotFoundError
        When there is no such block or sampling.
    NothingToDoError
        When nothing is called yet.
    StorageError
        When the file cannot be written.
    """
    with season.read() as conn:
        ids = chosen_samplings(conn, sampling=sampling, block=block)
        found = calls.current_calls(conn, sampling_ids=list(ids.values()))
    if not found:
        raise uncalled(sampling, where="calls export")
    text = calls_as_csv(found)
    if path is not None:
        try:
            write_whole(path, text)
        except OSError as error:
            raise StorageError(f"it cannot be written ({error.strerror})", where=str(path),
                               do="Choose another folder or make room.") from error
    return text


def chosen_samplings(
    conn: Connection, *, sampling: str | None = None, block: str | None = None,
    known: Sequence[blocks.Sampling] | None = None,
) -> dict[str, int]:
    """Return the sampling of each block that a label, or the newest, names.

    Parameters
    ----------
    sampling : str, optional
        The label; each block's newest sampling when left out.
    block : str, optional
        One block only.
    known : sequence of Sampling, optional
        All of the season, where they have been read already.

    Raises
    ------
    NotFoundError
        When there is no such block, or no block has that sampling.
    """
    if block is not None:
        one = blocks.get_block(conn, block)
        if sampling is not None:
            return {one.name: blocks.get_sampling(conn, one.id, sampling).id}
        newest = blocks.latest_sampling(conn, one.id)
        return {} if newest is None else {one.name: newest.id}
    rows = blocks.list_samplings(conn) if known is None else known  # by block, oldest first
    if sampling is not None and not any(row.label == sampling for row in rows):
        labels = ", ".join(sorted({row.label for row in rows})) or "none yet"
        raise NotFoundError(f"there is no sampling {sampling!r}", where="--sampling",
                            expected=f"one of {labels}", do="Correct the label.",
                            code="no_sampling")
    return {row.block: row.id for row in rows if sampling in (None, row.label)}
