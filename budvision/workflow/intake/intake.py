"""Taking photographs in: judge the file, copy its bytes, say which bud and cut it shows.

Each photograph is a transaction of its own: bytes first, then its rows. A killed intake leaves
nothing half-written, and the same command run again goes on where it stopped.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from budvision.errors import (
    BudvisionError,
    ConflictError,
    InputError,
    PhotoError,
    StorageError,
)
from budvision.photo.read import read_photo
from budvision.store.queries import blocks, canes, people, photos
from budvision.store.session import Season, as_utc
from budvision.workflow.intake.manifest import DEFAULT_PATTERN, Placed
from budvision.workflow.intake.places import Progress, Refused, read_places, stands
from budvision.workflow.intake.remarks import Taken, remarks_on

__all__ = ["BATCH", "IntakeReport", "Refused", "Taken", "intake", "store_photo"]

BATCH = "intake"
"""Begins the note of every place that one intake gave; by it the intake can be taken back."""
_LOOK_PX = 640  # enough to prove that a file decodes


@dataclass(frozen=True, slots=True, kw_only=True)
class IntakeReport:
    """What became of every file.

    `n_others` files of the folders are no photographs by name; `not_listed` are photographs of the
    folders that the manifest has no row for. Both were left where they are. `remarks` are sentences
    on what should be looked at.
    """

    sampling: str
    taken: tuple[Taken, ...]
    refused: tuple[Refused, ...]
    n_others: int
    not_listed: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()

    def count(self, state: str) -> int:
        """Return how many photographs are in a state."""
        return sum(one.state == state for one in self.taken)

    @property
    def ok(self) -> bool:
        """True where nothing was refused."""
        return not self.refused

    def as_dict(self) -> dict[str, object]:
        """Return the report as JSON has it."""
        return {
            "ok": self.ok, "sampling": self.sampling, "n_new": self.count("new"),
            "n_known": self.count("known"), "n_moved": self.count("moved"),
            "n_placed": self.count("placed"), "n_same_bytes": self.count("same_bytes"),
            "n_refused": len(self.refused), "n_others": self.n_others,
            "not_listed": list(self.not_listed), "remarks": list(self.remarks),
            "photos": [
                {"file": t.file, "sha256": t.sha256, "block": t.block, "cane": t.cane,
                 "node": t.node, "cut": t.cut, "state": t.state, "same_as": t.same_as}
                for t in self.taken
            ],
            "refused": [{"file": r.file, **r.error.as_dict()} for r in self.refused],
        }


def intake(
    season: Season, sources: Iterable[Path], *, sampling: str, manifest: Path | None = None,
    pattern: str = DEFAULT_PATTERN, block: str = "", cultivar: str = "",
    collected_at: str | None = None, person: str | None = None, move: bool = False,
    within: Path | None = None, columns: Mapping[str, str] | None = None,
    progress: Progress | None = None,
) -> IntakeReport:
    """Take photographs into a season, each with its block, cane, node and cut.

    Parameters
    ----------
    sources : iterable of Path
        Files, and folders with photographs. With a manifest it may be empty: then the files that
        the manifest names are looked for beside it.
    sampling : str
        Label of the sampling; it is added to each block that has none of that label.
    manifest : Path, optional
        As in `budvision.workflow.intake.manifest`; without it, file names are read.
    pattern : str
        Pattern of the file names.
    block : str
        Block of every photograph, where file names do not say.
    cultivar : str
        Cultivar of new blocks.
    collected_at : str, optional
        When the canes were collected, ISO 8601.
    person : str, optional
        Who takes them in; added as a technician when new.
    move : bool
        Where a photograph has another place already: True moves it, False refuses.
    within : Path, optional
        Folder outside which no file is read, whatever the manifest names.
    columns : mapping of str to str, optional
        Which column of the manifest is what, as `chosen` of `budvision.tables.read_table`.
    progress : callable, optional
        Told of each file.

    Returns
    -------
    IntakeReport
        A bad file or row stands in `refused`; the others are taken in.

    Raises
    ------
    InputError, NotFoundError
        When the manifest, the pattern or a source cannot be used at all.
    NothingToDoError
        When there is no photograph.
    StorageError
        When the disk is full or may not be written; what was taken in before is kept.
    """
    collected_at = None if collected_at is None else as_utc(collected_at)
    read = read_places(sources, manifest=manifest, pattern=pattern, block=block, within=within,
                       columns=columns, progress=progress)
    placed, hashes, refused = read.placed, read.hashes, list(read.refused)
    note = f"{BATCH} {secrets.token_hex(6)}"
    taken: list[Taken] = []
    for done, one in enumerate(placed):
        if progress is not None:
            progress(done, len(placed), one.file.name)
        if cultivar and not one.cultivar:
            one = replace(one, cultivar=cultivar)
        try:
            taken.append(_take(season, one, hashes[one.file], sampling, collected_at, person, move,
                               note))
        except StorageError:
            raise
        except BudvisionError as error:
            refused.append(Refused(one.file.name, _with_row(error, one)))
            continue
        taken += [
            replace(taken[-1], file=other.file.name, state="same_bytes", same_as=one.file.name)
            for other in read.same.get(one.file, ())
        ]
    if progress is not None:
        progress(len(placed), len(placed), "")
    return IntakeReport(sampling=sampling, taken=tuple(taken), refused=tuple(refused),
                        n_others=read.n_others,
                        not_listed=read.not_listed, remarks=remarks_on(season, sampling, taken))


def _with_row(error: BudvisionError, one: Placed) -> BudvisionError:
    """Name the manifest's row in an error that does not name it yet."""
    if one.where in error.where or one.source != "manifest":
        return error
    located = type(error)(
        error.what, expected=error.expected, do=error.do, code=error.code,
        where=f"{one.where} ({one.file.name})",
    )
    return located.with_traceback(error.__traceback__)


def _take(
    season: Season, one: Placed, sha256: str, sampling: str, collected_at: str | None,
    person: str | None, move: bool, note: str,
) -> Taken:
    with season.read() as conn:
        row = photos.photo_by_sha256(conn, sha256)
        standing = row is not None and stands(conn, row.id, one, sampling)
    if row is not None and standing and sha256 in season.photos and season.photos.sound(sha256):
        return _taken(one, sha256, row.id, "known")
    photo_id, new = store_photo(season, one.file, name=one.file.name, expected=sha256)
    with season.write() as conn:
        by = people.ensure_person(conn, person, "technician").id if person else None
        block_id = blocks.ensure_block(conn, one.block, cultivar=one.cultivar)
        sampling_id = blocks.ensure_sampling(
            conn, block_id, sampling, collected_at=collected_at
        )
        cane_id = canes.ensure_cane(
            conn, sampling_id, one.cane, vine=one.vine, vigor=one.vigor, zone=one.zone
        )
        bud_id = canes.ensure_bud(conn, cane_id, one.node)
        before = photos.assignment_of(conn, photo_id)
        elsewhere = before is not None and before.bud_id is not None and (
            before.bud_id != bud_id or before.cut != one.cut
        )
        if elsewhere and not move:
            assert before is not None
            assert before.bud_id is not None
            place = canes.bud_place(conn, before.bud_id)
            raise ConflictError(
                f"{one.file.name} is given to {one.words}", where=one.where, code="two_buds",
                expected=f"block {place.block}, sampling {place.sampling}, cane {place.cane}, "
                f"node {place.node}, cut {before.cut}, where it stands",
                do="Correct it, or run intake again with --move to give it the new place.",
            )
        photos.assign(conn, photo_id, bud_id, one.cut, source=one.source, person_id=by, note=note)
    loose = before is None or before.bud_id is None
    state = "new" if new else "moved" if elsewhere else "placed" if loose else "known"
    return _taken(one, sha256, photo_id, state)


def _taken(one: Placed, sha256: str, photo_id: int, state: str) -> Taken:
    return Taken(file=one.file.name, sha256=sha256, photo_id=photo_id, block=one.block,
                 cane=one.cane, node=one.node, cut=one.cut, state=state)


def store_photo(
    season: Season, source: Path | bytes, *, name: str, expected: str = ""
) -> tuple[int, bool]:
    """Judge a file, copy its bytes in and record it, without a place yet.

    Parameters
    ----------
    source : Path or bytes
        The file, or what is in it.
    name : str
        What it is called; kept, and never used as a path.
    expected : str
        The hash that it must have; a file that changes while it is read is refused.

    Returns
    -------
    photo_id : int
    new : bool
        False where the season had these bytes already.

    Raises
    ------
    PhotoError
        When it is no photograph that can be used.
    StorageError
        When the store cannot be written.
    """
    try:
        data = source if isinstance(source, bytes) else source.read_bytes()
    except OSError as error:
        raise PhotoError(f"the file cannot be read ({error.strerror or error})", where=name,
                         expected="a readable file", do="Check the card or folder.",
                         code="unreadable") from error
    if expected and hashlib.sha256(data).hexdigest() != expected:
        raise InputError("the file changed while it was read", where=name, code="changed",
                         expected="a finished copy", do="Wait until it is copied, then run "
                         "intake again.")
    try:
        photo = read_photo(data, max_side_px=_LOOK_PX, name=name)
    except PhotoError:
        raise
    except Exception as error:  # a decoder's own failure is that file's, not the batch's
        raise PhotoError(
            f"it could not be decoded ({type(error).__name__}: {str(error)[:120]})", where=name,
            expected="a photograph that other programs open", do="Send the original file.",
            code="unreadable",
        ) from error
    added = season.photos.add(data)
    facts = photo.capture
    with season.write() as conn:
        row = photos.add_photo(
            conn, sha256=added.sha256, file_name=name, format=facts.format, n_bytes=facts.n_bytes,
            width_px=photo.width_px, height_px=photo.height_px,
            taken_at=None if facts.taken_at is None else facts.taken_at.isoformat(),
            camera=f"{facts.make} {facts.model}".strip(),
        )
    return row.id, row.new
