"""Sort photographs that came without the bench page, and place what was doubtful by hand."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from budvision.errors import BudvisionError, InputError, NotFoundError
from budvision.files import write_whole
from budvision.photo.read import read_photo
from budvision.photo.tag import NEXT_BUD, TagText, parse_tag, read_codes
from budvision.store.queries.blocks import list_samplings, sampling_by_id
from budvision.store.queries.canes import ensure_bud, find_cane, list_buds, list_canes
from budvision.store.queries.marks import marks_of_sampling
from budvision.store.queries.photos import (
    PhotoRow,
    add_photo,
    assign,
    assignment_of,
    cuts_of_bud,
    photo_by_sha256,
    unassigned_photos,
)
from budvision.store.session import Season
from budvision.workflow.intake.runs import Run, Seen, make_runs
from budvision.workflow.sampling.soak import parse_time

__all__ = [
    "SortReport", "keep_seen", "look_at", "loose_photos", "nodes_of_tags", "noted", "place_runs",
    "sort_files", "taken_order",
]

_NOTES = Path("cache") / "bench" / "doubtful.json"
TAG_NOTE, ASIDE_NOTE = "shows a tag or the card's back", "put aside"
UNDONE_NOTE = "taken in by mistake"
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class SortReport:
    """What became of the photographs.

    Attributes
    ----------
    n_placed, n_known, n_markers : int
        Given a bud; in their place already; pictures of tags and card backs.
    doubtful : tuple of dict
        Runs to be looked at: cane, files and why.
    refused : tuple of dict
        Files that are no usable photographs, in the form of an error.
    """

    n_placed: int
    n_known: int
    n_markers: int
    doubtful: tuple[dict[str, Any], ...]
    refused: tuple[dict[str, Any], ...]

    def as_dict(self) -> dict[str, Any]:
        """Return the report as JSON holds it."""
        return asdict(self)


def look_at(path: Path) -> tuple[Seen, bytes]:
    """Read a file far enough to sort it: its time, and the code it shows.

    Raises
    ------
    PhotoError
        When it is no usable photograph.
    """
    data = path.read_bytes()
    photo = read_photo(data, max_side_px=1400, name=path.name)
    codes = read_codes(photo.image)
    tags = [tag for text in codes if (tag := parse_tag(text)) is not None]
    taken = photo.capture.taken_at
    moment = taken.astimezone(UTC) if taken else datetime.fromtimestamp(path.stat().st_mtime, UTC)
    return Seen(path.name, photo.sha256, moment, tags[0] if tags else None, NEXT_BUD in codes), data


def taken_order(files: Sequence[Path]) -> list[Path]:
    """Return image files in the order of their names, figures by value (IMG_9 before IMG_10)."""
    import re

    def key(path: Path) -> list[tuple[int, int, str]]:
        return [(0, int(part), "") if part.isdigit() else (1, 0, part.lower())
                for part in re.split(r"(\d+)", str(path)) if part]

    found: list[Path] = []
    for entry in files:
        found += [p for p in entry.rglob("*") if p.is_file() and not p.name.startswith(".")] \
            if entry.is_dir() else [entry]
    return sorted(found, key=key)


def keep_seen(season: Season, data: bytes, seen: Seen) -> None:
    """Copy a photograph that was looked at into the season; it has no place yet."""
    photo = read_photo(data, max_side_px=64, name=seen.name)
    added = season.photos.add(data)
    taken = photo.capture.taken_at
    with season.write() as conn:
        add_photo(conn, sha256=added.sha256, file_name=seen.name, format=photo.capture.format,
                  n_bytes=photo.capture.n_bytes, width_px=photo.width_px,
                  height_px=photo.height_px,
                  taken_at=taken.isoformat() if taken else None,
                  camera=f"{photo.capture.make} {photo.capture.model}".strip())


def sort_files(
    season: Season, sources: Sequence[Path], *, progress: Progress | None = None,
) -> SortReport:
    """Copy photographs in and sort them by the cane tags they show.

    Parameters
    ----------
    sources : sequence of Path
        Files and folders, for instance a camera card. The order of the names is the order in
        which they were taken.
    progress : callable, optional
        Told how many of how many files are done.

    Returns
    -------
    SortReport
        Every photograph that is one is kept; what is doubtful has no place yet and waits on the
        assignment page.

    Raises
    ------
    NotFoundError
        When a source is not there; nothing was taken in then.
    """
    for entry in sources:
        if not entry.exists():
            raise NotFoundError("there is no such file or folder", where=str(entry),
                                expected="a photograph or a folder of photographs",
                                do="Check the path; nothing was taken in.", code="no_file")
    files = taken_order(sources)
    seen: list[Seen] = []
    refused: list[dict[str, Any]] = []
    for number, path in enumerate(files, start=1):
        try:
            one, data = look_at(path)
            keep_seen(season, data, one)
            seen.append(one)
        except BudvisionError as error:
            refused.append(error.as_dict())
        except OSError as error:
            refused.append(InputError(f"it cannot be read ({error.strerror})", where=path.name,
                                      expected="a readable file").as_dict())
        if progress is not None:
            progress(number, len(files))
    runs = make_runs(seen, nodes_of_tags(season))
    return place_runs(season, runs, refused=refused)


def nodes_of_tags(season: Season) -> dict[TagText, int | None]:
    """Return how many buds every cane tag of the season is planned to have."""
    return {tag: None if nodes is None else len(nodes)
            for tag, (_, nodes) in _tags(season).items()}


def _tags(season: Season) -> dict[TagText, tuple[int, tuple[int, ...] | None]]:
    """Return each tag's sampling and its nodes, without those marked as missing or blind."""
    known: dict[TagText, tuple[int, tuple[int, ...] | None]] = {}
    with season.read() as conn:
        for sampling in list_samplings(conn):
            key = sampling.plan.get("key") if sampling.plan else None
            if not key:
                continue
            marks = marks_of_sampling(conn, sampling.id)
            bare = {(bud.cane, bud.node) for bud in list_buds(conn, sampling_id=sampling.id)
                    if "node" in marks.get(bud.id, {})}
            last = sampling.plan.get("nodes")
            for cane in list_canes(conn, sampling.id):
                nodes = None if last is None else tuple(
                    n for n in range(1, int(last) + 1) if (cane.label, n) not in bare)
                known[TagText(str(key), cane.label)] = (sampling.id, nodes)
    return known


def place_runs(
    season: Season, runs: Sequence[Run], *, refused: Sequence[dict[str, Any]] = (),
) -> SortReport:
    """Give the photographs of plain runs their buds, and list the doubtful ones."""
    tags = _tags(season)
    n_placed = n_known = n_markers = 0
    doubtful: list[dict[str, Any]] = []
    for run in runs:
        n_markers += len(run.markers)
        doubts = list(run.doubts)
        sampling_id, nodes = tags.get(run.tag, (None, None)) if run.tag else (None, None)
        with season.write() as conn:
            for one in run.markers:
                row = photo_by_sha256(conn, one.sha256)
                if row is not None and assignment_of(conn, row.id) is None:
                    assign(conn, row.id, None, 1, source="tag", note=TAG_NOTE)
            if sampling_id is not None:
                doubts += _too_old(run, sampling_by_id(conn, sampling_id).collected_at)
            if not doubts and run.tag is not None and sampling_id is not None:
                placed, known, clash = _place(conn, run, sampling_id, run.tag.cane, nodes)
                doubts += clash
                n_placed, n_known = n_placed + placed, n_known + known
        if doubts and run.photos:
            doubtful.append({
                "cane": run.tag.cane if run.tag else "", "sampling_id": sampling_id,
                "why": "; ".join(doubts), "files": [one.name for one in run.photos],
                "sha256": [one.sha256 for one in run.photos],
                "buds": [len(bud) for bud in run.buds],
            })
    _note(season, doubtful)
    return SortReport(n_placed, n_known, n_markers, tuple(doubtful), tuple(refused))


def _too_old(run: Run, collected_at: str | None) -> list[str]:
    collected = parse_time(collected_at)
    old = [one.name for one in run.photos
           if collected is not None and one.at is not None and one.at < collected]
    return [f"{old[0]} was taken before the canes were collected"] if old else []


def _place(
    conn: Connection, run: Run, sampling_id: int, cane: str, nodes: tuple[int, ...] | None
) -> tuple[int, int, list[str]]:
    """Assign a plain run; on any clash nothing of it is assigned."""
    found = find_cane(conn, sampling_id, cane)
    assert found is not None
    wanted: list[tuple[int, int, int]] = []
    known = 0
    for node, bud in zip(nodes or range(1, len(run.buds) + 1), run.buds, strict=True):
        bud_id = ensure_bud(conn, found.id, node)
        taken = {cut.cut: cut.photo.sha256 for cut in cuts_of_bud(conn, bud_id)}
        for cut, one in enumerate(bud, start=1):
            row = photo_by_sha256(conn, one.sha256)
            assert row is not None
            standing = assignment_of(conn, row.id)
            if standing is not None and standing.bud_id == bud_id and standing.cut == cut:
                known += 1
            elif standing is not None and standing.bud_id is not None:
                return 0, 0, [f"{one.name} has another place already"]
            elif cut in taken:
                return 0, 0, [f"cut {cut} of node {node} has a photograph already"]
            else:
                wanted.append((row.id, bud_id, cut))
    for photo_id, bud_id, cut in wanted:
        assign(conn, photo_id, bud_id, cut, source="tag")
    return len(wanted), known, []


def _note(season: Season, doubtful: Sequence[Mapping[str, Any]]) -> None:
    """Remember why runs are doubtful, for the assignment page; only a convenience."""
    path = season.folder / _NOTES
    path.parent.mkdir(parents=True, exist_ok=True)
    ours = {sha for row in doubtful for sha in row["sha256"]}
    kept = [row for row in noted(season) if not ours & set(row["sha256"])]
    write_whole(path, json.dumps([*kept, *doubtful]))


def noted(season: Season) -> list[dict[str, Any]]:
    """Return the doubtful runs of the last sorting."""
    try:
        rows = json.loads((season.folder / _NOTES).read_text(encoding="utf-8"))
        return [row for row in rows if isinstance(row, dict) and row.get("sha256")]
    except (OSError, ValueError):
        return []


def loose_photos(conn: Connection) -> list[PhotoRow]:
    """Return the photographs that wait for a place: no tags, nothing put aside or taken again."""
    settled = (TAG_NOTE, ASIDE_NOTE, UNDONE_NOTE, "taken again")
    return [row for row in unassigned_photos(conn)
            if (standing := assignment_of(conn, row.id)) is None or standing.note not in settled]
