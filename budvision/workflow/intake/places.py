"""What a batch of files says before anything is taken in: places, hashes, clashes, and refusals."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection

from budvision.errors import BudvisionError, ConflictError, InputError, NothingToDoError, PhotoError
from budvision.files import sha256_of
from budvision.photo.read import MAX_BYTES
from budvision.store.queries import canes, photos
from budvision.store.session import Season
from budvision.workflow.intake.manifest import (
    DEFAULT_PATTERN,
    Placed,
    find_photos,
    from_manifest,
    from_names,
)

__all__ = ["Foreseen", "Places", "Progress", "Refused", "foresee", "read_places", "stands"]

Progress = Callable[[int, int, str], None]
"""Called with the number done, the number in all, and what is being looked at."""


@dataclass(frozen=True, slots=True)
class Refused:
    """One file or row that could not be used, and why."""

    file: str
    error: BudvisionError


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """Every file's place, as far as manifest or name say it.

    Attributes
    ----------
    placed : tuple of Placed
        Files that have one place, each set of bytes once.
    hashes : dict
        SHA-256 by file.
    same : dict
        Other files of the same bytes and place, by the file that stands for them.
    n_others : int
        Files of the folders that are no photographs by name.
    not_listed : tuple of str
        Photographs of the folders that the manifest has no row for.
    """

    placed: tuple[Placed, ...]
    hashes: dict[Path, str]
    same: dict[Path, list[Placed]]
    refused: tuple[Refused, ...]
    n_others: int
    not_listed: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Foreseen:
    """What taking a photograph in would do: ``new``, ``known``, ``placed`` or ``elsewhere``."""

    one: Placed
    state: str


def read_places(
    sources: Iterable[Path], *, manifest: Path | None = None, pattern: str = DEFAULT_PATTERN,
    block: str = "", within: Path | None = None, columns: Mapping[str, str] | None = None,
    progress: Progress | None = None,
) -> Places:
    """Say which bud and cut each file shows, and which files cannot be used; nothing is written.

    Parameters
    ----------
    sources, manifest, pattern, block, columns, progress
        As in `budvision.workflow.intake.intake.intake`.
    within : Path, optional
        Folder outside which no file is read, whatever the manifest names.

    Raises
    ------
    InputError, NotFoundError
        When the manifest, the pattern or a source cannot be used at all.
    NothingToDoError
        When there is no photograph.
    """
    found = find_photos(sources)
    unlisted: list[Path] = []
    if manifest is not None:
        placed, errors, unlisted = from_manifest(manifest, found, columns)
    else:
        placed, errors = from_names(found, pattern, block=block)
    if within is not None:
        home = within.resolve()
        errors += [InputError(f"{str(one.file)[:120]!r} lies elsewhere", where=one.where,
                              expected="a file that was sent with it", code="bad_row",
                              do="Write the file's name alone.")
                   for one in placed if not one.file.resolve().is_relative_to(home)]
        placed = [one for one in placed if one.file.resolve().is_relative_to(home)]
    if not placed and not errors:
        raise NothingToDoError("there is no photograph among the files", where="intake",
                               expected="JPEG, PNG, TIFF, WebP or HEIC files",
                               do="Name the folder that holds them.")
    hashes, unread = _hashes(placed, progress)
    kept, clashes, same = _same_bytes([one for one in placed if one.file in hashes], hashes)
    return Places(
        placed=tuple(kept), hashes=hashes, same=same, n_others=found.n_others,
        refused=(*(Refused(error.where, error) for error in errors), *unread, *clashes),
        not_listed=tuple(file.name for file in unlisted))


def foresee(season: Season, places: Places, *, sampling: str) -> tuple[Foreseen, ...]:
    """Say what taking photographs in would do to the season; nothing is written or decoded."""
    foreseen = []
    with season.read() as conn:
        for one in places.placed:
            row = photos.photo_by_sha256(conn, places.hashes[one.file])
            before = None if row is None else photos.assignment_of(conn, row.id)
            state = "new"
            if row is not None and stands(conn, row.id, one, sampling):
                state = "known"
            elif before is not None and before.bud_id is not None:
                state = "elsewhere"
            elif row is not None:
                state = "placed"
            foreseen.append(Foreseen(one, state))
    return tuple(foreseen)


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


def stands(conn: Connection, photo_id: int, one: Placed, sampling: str) -> bool:
    """Return whether a photograph has the place that it is to have in a sampling."""
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
