"""Sort photographs that came without the bench page, and place what was doubtful by hand."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from budvision.errors import BudvisionError, InputError
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
    cuts_of_sampling,
    photo_by_sha256,
    unassigned_photos,
)
from budvision.store.session import Season
from budvision.workflow.intake.runs import Run, Seen, make_runs
from budvision.workflow.sampling.soak import parse_time

__all__ = [
    "AssignmentBoard", "SortReport", "Strip", "assign_from_page", "assignment_board", "keep_seen",
    "look_at", "loose_photos", "nodes_of_tags", "place_runs", "sort_files", "taken_order",
]

_NOTES = Path("cache") / "bench" / "doubtful.json"
TAG_NOTE, ASIDE_NOTE = "shows a tag or the card's back", "put aside"
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


@dataclass(frozen=True, slots=True)
class Strip:
    """A film strip of the assignment page: photographs that belong together, perhaps."""

    title: str
    why: str
    photos: tuple[dict[str, Any], ...]
    sampling_id: int | None
    cane: str


@dataclass(frozen=True, slots=True)
class AssignmentBoard:
    """What the assignment page shows."""

    strips: tuple[Strip, ...]
    samplings: tuple[dict[str, Any], ...]


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
    at = taken.astimezone(UTC) if taken else datetime.fromtimestamp(path.stat().st_mtime, UTC)
    return Seen(path.name, photo.sha256, at, tags[0] if tags else None, NEXT_BUD in codes), data


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
    season: Season, sources: Sequence[Path], *, person_id: int | None = None,
    progress: Progress | None = None,
) -> SortReport:
    """Copy photographs in and sort them by the cane tags they show.

    Parameters
    ----------
    season : Season
    sources : sequence of Path
        Files and folders, for instance a camera card. The order of the names is the order in
        which they were taken.
    person_id : int, optional
        Who sorts.
    progress : callable, optional
        Told how many of how many files are done.

    Returns
    -------
    SortReport
        Every photograph that is one is kept; what is doubtful has no place yet and waits on the
        assignment page.
    """
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
    return place_runs(season, runs, person_id=person_id, refused=refused)


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
    season: Season, runs: Sequence[Run], *, person_id: int | None = None,
    refused: Sequence[dict[str, Any]] = (),
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
                    assign(conn, row.id, None, 1, source="tag", person_id=person_id,
                           note=TAG_NOTE)
            if sampling_id is not None:
                doubts += _too_old(run, sampling_by_id(conn, sampling_id).collected_at)
            if not doubts and run.tag is not None and sampling_id is not None:
                placed, known, clash = _place(
                    conn, run, sampling_id, run.tag.cane, nodes, person_id)
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
    conn: Connection, run: Run, sampling_id: int, cane: str, nodes: tuple[int, ...] | None,
    person_id: int | None,
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
        assign(conn, photo_id, bud_id, cut, source="tag", person_id=person_id)
    return len(wanted), known, []


def _note(season: Season, doubtful: Sequence[Mapping[str, Any]]) -> None:
    """Remember why runs are doubtful, for the assignment page; only a convenience."""
    path = season.folder / _NOTES
    path.parent.mkdir(parents=True, exist_ok=True)
    ours = {sha for row in doubtful for sha in row["sha256"]}
    kept = [row for row in _noted(season) if not ours & set(row["sha256"])]
    write_whole(path, json.dumps([*kept, *doubtful]))


def _noted(season: Season) -> list[dict[str, Any]]:
    try:
        rows = json.loads((season.folder / _NOTES).read_text(encoding="utf-8"))
        return [row for row in rows if isinstance(row, dict) and row.get("sha256")]
    except (OSError, ValueError):
        return []


def loose_photos(conn: Connection) -> list[PhotoRow]:
    """Return the photographs that wait for a place: no tags, nothing put aside or taken again."""
    settled = (TAG_NOTE, ASIDE_NOTE, "taken again")
    return [row for row in unassigned_photos(conn)
            if (standing := assignment_of(conn, row.id)) is None or standing.note not in settled]


def assignment_board(season: Season) -> AssignmentBoard:
    """Return the photographs without a place, as film strips, and the places there are."""
    with season.read() as conn:
        loose = {row.sha256: row for row in loose_photos(conn)}
        samplings = [
            {"id": s.id, "block": s.block, "label": s.label,
             "nodes": int(s.plan.get("nodes", 10)) if s.plan else 10,
             "canes": [cane.label for cane in list_canes(conn, s.id)],
             "taken": _taken(conn, s.id)}
            for s in list_samplings(conn)
        ]
    strips: list[Strip] = []
    for run in _noted(season):
        here = [sha for sha in run["sha256"] if sha in loose]
        if not here:
            continue
        guess = _guess(run)
        strips.append(Strip(
            title=f"Cane {run['cane']}" if run["cane"] else "Without a tag", why=run["why"],
            photos=tuple(_photo(loose.pop(sha), guess.get(sha)) for sha in here),
            sampling_id=run["sampling_id"], cane=run["cane"]))
    if loose:
        strips.append(Strip(
            title="Other photographs", why="They came without a tag and without a list.",
            photos=tuple(_photo(row, None) for row in loose.values()), sampling_id=None, cane=""))
    return AssignmentBoard(tuple(strips), tuple(samplings))


def _taken(conn: Connection, sampling_id: int) -> dict[str, dict[int, int]]:
    """Return the deepest cut that each node has already, by cane."""
    buds = {bud.id: bud for bud in list_buds(conn, sampling_id=sampling_id)}
    found: dict[str, dict[int, int]] = {}
    for cut in cuts_of_sampling(conn, sampling_id):
        nodes = found.setdefault(buds[cut.bud_id].cane, {})
        node = buds[cut.bud_id].node
        nodes[node] = max(nodes.get(node, 0), cut.cut)
    return found


def _guess(row: Mapping[str, Any]) -> dict[str, str]:
    """Return the likeliest node and cut of each photograph, as a hint in words."""
    hints: dict[str, str] = {}
    shas = iter(row["sha256"])
    for node, n_cuts in enumerate(row.get("buds", ()), start=1):
        for cut in range(1, n_cuts + 1):
            sha = next(shas, None)
            if sha is not None:
                hints[sha] = f"{node}.{cut}"
    return hints


def _photo(row: Any, hint: str | None) -> dict[str, Any]:
    return {"sha256": row.sha256, "name": row.file_name, "taken_at": row.taken_at or "",
            "hint": hint or ""}


def assign_from_page(
    season: Season, places: Sequence[Mapping[str, Any]], *, person_id: int
) -> int:
    """Place photographs as a person laid them out; all of them or none.

    Parameters
    ----------
    season : Season
    places : sequence of mapping
        sha256 and either ``aside`` true, or sampling_id, cane, node, cut and perhaps ``retake``.
    person_id : int
        Who laid them out.

    Returns
    -------
    int
        How many were placed.

    Raises
    ------
    InputError
        When a place is impossible; nothing is placed then.
    ConflictError
        When a cut has another photograph, or two were given one place; nothing is placed then.
    """
    n = 0
    with season.write() as conn:
        for place in places:
            row = photo_by_sha256(conn, str(place.get("sha256", "")))
            if row is None:
                raise InputError(f"there is no photograph {str(place.get('sha256'))[:12]!r}",
                                 where="assignment", do="Load the page again.")
            if place.get("aside"):
                assign(conn, row.id, None, 1, source="page", person_id=person_id, note=ASIDE_NOTE)
                continue
            cane = find_cane(conn, int(place["sampling_id"]), str(place["cane"]))
            if cane is None:
                raise InputError(f"there is no cane {place['cane']!r}", where="assignment",
                                 expected="a cane of the sampling", do="Choose another.")
            bud_id = ensure_bud(conn, cane.id, int(place["node"]))
            assign(conn, row.id, bud_id, int(place["cut"]), source="page", person_id=person_id,
                   retake=bool(place.get("retake")))
            n += 1
    return n
