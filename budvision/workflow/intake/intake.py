"""Taking photographs in: judge the file, copy its bytes, say which bud and cut it shows.

Each photograph is a transaction of its own: bytes first, then its rows. A killed intake leaves
nothing half-written, and the same command run again goes on where it stopped.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from sqlalchemy import Connection

from budvision.errors import (
    BudvisionError,
    ConflictError,
    InputError,
    NothingToDoError,
    PhotoError,
    StorageError,
)
from budvision.files import sha256_of
from budvision.photo.read import MAX_BYTES, read_photo
from budvision.store.queries import blocks, canes, people, photos
from budvision.store.session import Season, as_utc
from budvision.workflow.intake.manifest import (
    DEFAULT_PATTERN,
    Placed,
    find_photos,
    from_manifest,
    from_names,
)
from budvision.workflow.intake.remarks import Taken, remarks_on

__all__ = ["IntakeReport", "Refused", "Taken", "intake", "store_photo"]

Progress = Callable[[int, int, str], None]
"""Called with the number done, the number in all, and what is being looked at."""
_LOOK_PX = 640  # enough to prove that a file decodes


@dataclass(frozen=True, slots=True)
class Refused:
    """One file or row that could not be used, and why."""

    file: str
    error: BudvisionError


@dataclass(frozen=True, slots=True)
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
    progress: Progress | None = None,
) -> IntakeReport:
    """Take photographs into a season, each with its block, cane, node and cut.

    Parameters
    ----------
    season : Season
        The season.
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
    found = find_photos(sources)
    unlisted: list[Path] = []
    if manifest is not None:
        placed, errors, unlisted = from_manifest(manifest, found)
    else:
        placed, errors = from_names(found, pattern, block=block)
    if not placed and not errors:
        raise NothingToDoError("there is no photograph among the files", where="intake",
                               expected="JPEG, PNG, TIFF, WebP or HEIC files",
                               do="Name the folder that holds them.")
    refused = [Refused(error.where, error) for error in errors]
    hashes, unread = _hashes(placed, progress)
    refused += unread
    placed, clashes, same = _same_bytes([one for one in placed if one.file in hashes], hashes)
    refused += clashes
    taken: list[Taken] = []
    for done, one in enumerate(placed):
        if progress is not None:
            progress(done, len(placed), one.file.name)
        if cultivar and not one.cultivar:
            one = replace(one, cultivar=cultivar)
        try:
            taken.append(_take(season, one, hashes[one.file], sampling, collected_at, person, move))
        except StorageError:
            raise
        except BudvisionError as error:
            refused.append(Refused(one.file.name, _with_row(error, one)))
            continue
        taken += [
            replace(taken[-1], file=other.file.name, state="same_bytes", same_as=one.file.name)
            for other in same.get(one.file, ())
        ]
    if progress is not None:
        progress(len(placed), len(placed), "")
    return IntakeReport(sampling, tuple(taken), tuple(refused), found.n_others,
                        tuple(file.name for file in unlisted), remarks_on(season, sampling, taken))


def _hashes(
    placed: Sequence[Placed], progress: Progress | None
) -> tuple[dict[Path, str], list[Refused]]:
    """Return the hash of every file; what cannot be read or is far too large is refused."""
    hashes: dict[Path, str] = {}
    refused: list[Refused] = []
    for done, one in enumerate(placed):
        if progress is not None and done % 20 == 0:
            progress(0, len(placed), "looking for photographs that are there already")
        try:
            size = one.file.stat().st_size
            if size > MAX_BYTES:
                raise PhotoError(
                    f"the file has {size:,} bytes", expected=f"at most {MAX_BYTES:,}",
                    where=one.file.name, do="Export it as a JPEG.", code="too_many_pixels",
                )
            hashes[one.file] = sha256_of(one.file)
        except OSError as error:
            refused.append(Refused(one.file.name, PhotoError(
                f"the file cannot be read ({error.strerror or error})", where=one.where,
                expected="a readable file", do="Check the card or folder.", code="unreadable",
            )))
        except PhotoError as error:
            refused.append(Refused(one.file.name, error))
    return hashes, refused


def _same_bytes(
    placed: Sequence[Placed], hashes: dict[Path, str]
) -> tuple[list[Placed], list[Refused], dict[Path, list[Placed]]]:
    """Find files of the same bytes: one place is one photograph, two places refuse each."""
    groups: dict[str, list[Placed]] = {}
    for one in placed:
        groups.setdefault(hashes[one.file], []).append(one)
    kept: list[Placed] = []
    refused: list[Refused] = []
    same: dict[Path, list[Placed]] = {}
    for group in groups.values():
        if len({(one.bud, one.cut) for one in group}) == 1:
            kept.append(group[0])
            same[group[0].file] = group[1:]
            continue
        for one in group:
            other = next(x for x in group if (x.bud, x.cut) != (one.bud, one.cut))
            refused.append(Refused(one.file.name, ConflictError(
                f"{one.file.name} ({one.words}) has the same bytes as {other.file.name} "
                f"({other.words})", where=one.where, code="two_buds",
                expected="each photograph with one bud", do="Remove the copy or correct its "
                "place, and run intake again; neither was taken in.",
            )))
    return kept, refused, same


def _with_row(error: BudvisionError, one: Placed) -> BudvisionError:
    """Name the manifest's row in an error that does not name it yet."""
    if one.where in error.where or one.source != "manifest":
        return error
    told = type(error)(
        error.what, expected=error.expected, do=error.do, code=error.code,
        where=f"{one.where} ({one.file.name})",
    )
    return told.with_traceback(error.__traceback__)


def _take(
    season: Season, one: Placed, sha256: str, sampling: str, collected_at: str | None,
    person: str | None, move: bool,
) -> Taken:
    with season.read() as conn:
        row = photos.photo_by_sha256(conn, sha256)
        stands = row is not None and _stands(conn, row.id, one, sampling)
    if row is not None and stands and sha256 in season.photos and season.photos.sound(sha256):
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
        photos.assign(conn, photo_id, bud_id, one.cut, source=one.source, person_id=by)
    state = "new" if new else "moved" if elsewhere else "placed" if before is None else "known"
    return _taken(one, sha256, photo_id, state)


def _taken(one: Placed, sha256: str, photo_id: int, state: str) -> Taken:
    return Taken(one.file.name, sha256, photo_id, one.block, one.cane, one.node, one.cut, state)


def _stands(conn: Connection, photo_id: int, one: Placed, sampling: str) -> bool:
    """Return whether a photograph has the place that it is to have."""
    standing = photos.assignment_of(conn, photo_id)
    if standing is None or standing.bud_id is None or standing.cut != one.cut:
        return False
    place = canes.bud_place(conn, standing.bud_id)
    return (
        place.block == one.block and place.sampling == sampling and place.cane == one.cane
        and place.node == one.node and one.vine in ("", place.vine)
        and one.vigor in ("", place.vigor) and one.zone in ("", place.zone)
        and one.cultivar in ("", place.cultivar)
    )


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
