"""Export a season as an archive that outlives the program, and verify one."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from budvision.archive.bag import FACTS, FORMAT, FORMAT_VERSION, BagWriter
from budvision.archive.croissant import description
from budvision.archive.describe import Counts, data_card, split_of
from budvision.archive.privacy import without_private_metadata
from budvision.archive.regions import RegionPicture, coco_lines
from budvision.archive.signature import SigningKey
from budvision.errors import ConflictError, VerificationError
from budvision.store.archive_key import ArchiveKey
from budvision.store.queries import rows
from budvision.store.session import Season, now
from budvision.store.shared_models import model_faults
from budvision.version import __version__
from budvision.workflow.answers.answers import block_policies
from budvision.workflow.archive.models import write_models
from budvision.workflow.archive.proof import RESULTS, answers_of, rows_not_as_saved
from budvision.workflow.archive.settings import write_settings

__all__ = ["ExportReport", "export_archive"]

Progress = Callable[[str, int, int], None]

PHOTO_COLUMNS = (
    ("path", "sc:Text", "file below the archive's data folder"),
    ("sha256", "sc:Text", "SHA-256 of the bytes here"),
    ("original_sha256", "sc:Text", "SHA-256 of the bytes as they came to the laboratory"),
    ("block", "sc:Text", "vineyard block"), ("sampling", "sc:Text", "collection of canes"),
    ("cane", "sc:Text", "cane of the sampling"), ("node", "sc:Text", "node on the cane, from 1"),
    ("cut", "sc:Text", "which cut of the bud, going deeper"),
    ("width_px", "sc:Integer", "width of the upright photograph"),
    ("height_px", "sc:Integer", "height of the upright photograph"),
    ("taken_at", "sc:Text", "time of the photograph"), ("camera", "sc:Text", "camera model"),
    ("split", "sc:Text", "train or held_out, by block"),
)
CALL_COLUMNS = (
    ("call", "sc:Integer", "number of the call, in the order of calling"),
    ("block", "sc:Text", "vineyard block"), ("sampling", "sc:Text", "collection of canes"),
    ("cane", "sc:Text", "cane of the sampling"), ("node", "sc:Integer", "node on the cane"),
    ("tissue", "sc:Text", "primary, secondary or tertiary"),
    ("value", "sc:Text", "live, dead, unsure, not_exposed or withdrawn"),
    ("cause", "sc:Text", "cause of death other than cold, where seen"),
    ("person", "sc:Text", "who called"), ("round", "sc:Text", "first, second or settled"),
    ("source", "sc:Text", "page, import or archive"),
    ("blind", "sc:Boolean", "called without seeing the proposal"),
    ("called_at", "sc:Text", "time of the call, UTC"),
    ("replaces", "sc:Text", "the call that this one replaces"),
    ("split", "sc:Text", "train or held_out, by block"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExportReport:
    """What an export did.

    Attributes
    ----------
    n_new, n_kept : int
        Photographs written now, and those that were in the archive already.
    n_cleaned : int
        Photographs whose files held something private.
    missing : tuple of str
        Hashes of photographs that the season lists but no longer holds whole, nor the archive.
    models : tuple of str
        Where models are missing or damaged.
    not_as_saved : tuple of str
        Which rows are not as the program saved them, where it was exported all the same.
    """

    folder: str
    kind: str
    lab: str
    n_photos: int
    n_new: int
    n_kept: int
    n_cleaned: int
    n_calls: int
    n_rows: int
    missing: tuple[str, ...]
    models: tuple[str, ...]
    not_as_saved: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, object]:
        """Return the report for JSON."""
        return asdict(self)


class _Names:
    """People's names as the archive gives them, and their pseudonyms in free text."""

    def __init__(self, conn: Connection, key: ArchiveKey, *, plain: bool) -> None:
        self._plain = plain
        self._of = {
            row["id"]: (row["name"], row["name"] if plain else key.pseudonym(row["name"]))
            for row in rows.stream(conn, "person")
        }

    def __len__(self) -> int:
        return len(self._of)

    def of(self, person_id: int) -> str:
        return self._of[person_id][1]

    def hidden(self, text: str) -> str:
        if not self._plain:
            for name, other in sorted(self._of.values(), key=lambda p: -len(p[0])):
                if len(name) > 2:
                    text = text.replace(name, other)
        return text


def export_archive(
    season: Season, folder: Path, *, whole: bool = False, names: bool = False, sign: bool = False,
    as_it_is: bool = False, progress: Progress | None = None,
) -> ExportReport:
    """Write the season into an archive folder, or add to it what is new.

    Parameters
    ----------
    folder : Path
        New, or an earlier export of the same kind.
    whole : bool
        A copy for one's own backup: photographs byte for byte, people by name. Without it the
        private parts of the photographs' metadata stay behind and people get pseudonyms.
    names : bool
        Give people by name in an archive that is not whole.
    sign : bool
        Sign it with the season's own key, which is made when first needed.
    as_it_is : bool
        Export rows that are not those that the program saved too: the archive says so.
    progress : callable, optional
        Called with (what, done, in all).

    Raises
    ------
    ConflictError
        When the folder holds other files or an archive of the other kind.
    InputError
        When the season's policies cannot be read.
    VerificationError
        When rows are not those that the program saved; nothing is written then.
    StorageError
        When the disk is full; running again goes on where it stopped.

    Notes
    -----
    Photographs are handled one at a time and rows in chunks: memory does not grow with the
    season, but for some 2 kB a photograph (names and hashes for the manifest).
    """
    block_policies(season)  # read before anything is written: what nobody reads would not verify
    key = ArchiveKey(season.folder, keep=not season.read_only)
    kind = "whole" if whole else "shared"
    _check_same_kind(folder, kind, key.lab)
    facts: dict[str, object] = {
        "format": FORMAT, "format_version": FORMAT_VERSION, "kind": kind, "lab": key.lab,
        "names": names or whole, "exported_at": now(), "made_by": f"budvision {__version__}",
    }
    info = {"Source-Organization": key.lab,
            "External-Description": "Photographs of cut grapevine buds with calls",
            "Bag-Group-Identifier": key.lab}
    with season.read() as conn, rows.sparing(conn), ExitStack() as writing:
        wrong = rows_not_as_saved(season, conn)
        if wrong and not as_it_is:
            raise VerificationError(
                wrong[0], where=str(season.folder), expected="the rows that were saved",
                code="changed_row", do="Run `budvision check`; nothing was written. With "
                "`budvision archive export --as-it-is` the archive holds what is there and says "
                "so.")
        answers = answers_of(season.as_of(conn))
        bag = writing.enter_context(BagWriter(
            folder, info=info, date=now()[:10],
            sign=SigningKey(season.folder).sign if sign else None))
        if wrong:
            facts["not_as_saved"] = wrong
        people = _Names(conn, key, plain=names or whole)
        photos = _write_photos(season, conn, bag, people, whole=whole, progress=progress)
        n_calls, calls = _write_calls(conn, bag, people)
        n_regions = _write_regions(conn, bag, photos.exported)
        n_models = write_models(season, conn, bag)
        n_rows = 0
        for table in rows.ARCHIVED:
            lines = _row_lines(conn, table, bag, people, photos.exported, whole=whole)
            n_rows += bag.add_lines(f"data/rows/{table}.jsonl", lines)
        if whole:
            lines = _row_lines(conn, "chain", bag, people, photos.exported, whole=whole)
            bag.add_lines("data/rows/chain.jsonl", lines)
            bag.add("data/archive-key", key.text.encode())
        write_settings(season, bag, whole=whole)
        bag.add(RESULTS, json.dumps(answers, indent=1).encode())
        bag.add("data/croissant.json", description(facts, {
            "photos.csv": (bag.hashes["data/photos.csv"], PHOTO_COLUMNS),
            "calls.csv": (bag.hashes["data/calls.csv"], CALL_COLUMNS)}).encode())
        n_blocks = sum(1 for _ in rows.stream(conn, "block"))
        counts = Counts(n_photos=len(photos.exported), n_cleaned=photos.n_cleaned,
                        n_regions=n_regions, n_calls=n_calls, n_people=len(people),
                        n_blocks=n_blocks, n_models=n_models, calls=calls)
        bag.add("data/README.md", data_card(facts, counts).encode())
        facts["counts"] = {"photos": counts.n_photos, "calls": n_calls, "rows": n_rows}
        bag.add(FACTS, json.dumps(facts, indent=1).encode())
    return ExportReport(
        folder=str(folder), kind=kind, lab=key.lab, n_photos=len(photos.exported),
        n_new=photos.n_new, n_kept=photos.n_kept,
        n_cleaned=photos.n_cleaned, n_calls=n_calls, n_rows=n_rows, missing=tuple(photos.missing),
        models=tuple(where for where, _ in model_faults(season)), not_as_saved=tuple(wrong))


def _check_same_kind(folder: Path, kind: str, lab: str) -> None:
    try:
        before = json.loads((folder / FACTS).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return
    for name, mine in (("kind", kind), ("lab", lab)):
        if before.get(name) != mine:
            raise ConflictError(
                f"it holds an archive whose {name} is {before.get(name)}", where=str(folder),
                expected=f"a new folder, or one whose {name} is {mine}",
                do="Name another folder; nothing was written.")


@dataclass(slots=True)
class _Photos:
    exported: dict[int, tuple[str, str, int]]
    missing: list[str]
    n_new: int = 0
    n_kept: int = 0
    n_cleaned: int = 0


def _write_photos(
    season: Season, conn: Connection, bag: BagWriter, people: _Names, *, whole: bool,
    progress: Progress | None,
) -> _Photos:
    out = _Photos({}, [])
    earlier = _earlier_photos(bag.target)
    total = sum(1 for _ in rows.stream(conn, "photo"))

    def lines() -> Iterator[str]:
        yield _csv([name for name, _, _ in PHOTO_COLUMNS])
        for i, line in enumerate(rows.lines_of_photos(conn)):
            name, sha256 = earlier.get(line.sha256, ("", ""))
            if name and (n_bytes := bag.keep(f"data/{name}", sha256)):
                out.n_kept += 1
                out.n_cleaned += sha256 != line.sha256
            elif (data := season.photos.whole(line.sha256)) is None:
                out.missing.append(line.sha256)
                continue
            else:
                clean = data if whole else without_private_metadata(data)
                out.n_cleaned += clean != data
                sha256, n_bytes = _sha(clean), len(clean)
                suffix = season.photos.path(line.sha256).suffix
                name = f"photos/{sha256[:2]}/{sha256}{suffix}"
                kept = bag.n_kept
                bag.add(f"data/{name}", clean)
                out.n_kept += bag.n_kept > kept
                out.n_new += bag.n_kept == kept
            out.exported[line.photo_id] = (name, sha256, n_bytes)
            if progress is not None:
                progress("photographs", i + 1, total)
            yield _csv([
                name, sha256, line.sha256, line.block, line.sampling, line.cane,
                line.node or "", line.cut or "", line.width_px, line.height_px, line.taken_at,
                people.hidden(line.camera), split_of(line.site, line.block)])

    bag.add_lines("data/photos.csv", lines())
    return out


def _earlier_photos(folder: Path) -> dict[str, tuple[str, str]]:
    """Return path and hash, by original hash, of what an earlier export's table lists."""
    path = folder / "data" / "photos.csv"
    if not path.exists():
        return {}
    with path.open(newline="", encoding="utf-8") as file:
        return {
            row["original_sha256"]: (row["path"], row["sha256"]) for row in csv.DictReader(file)
            if row.get("original_sha256")}


def _write_calls(
    conn: Connection, bag: BagWriter, people: _Names
) -> tuple[int, Counter[str]]:
    counted: Counter[str] = Counter()

    def lines() -> Iterator[str]:
        yield _csv([name for name, _, _ in CALL_COLUMNS])
        for call in rows.lines_of_calls(conn):
            counted[call.value] += 1
            yield _csv([
                call.call_id, call.block, call.sampling, call.cane, call.node, call.tissue,
                call.value, call.cause, people.of(call.person_id), call.round, call.source,
                call.blind, call.added_at, call.replaces_id or "",
                split_of(call.site, call.block)])

    n = bag.add_lines("data/calls.csv", lines()) - 1
    return n, counted


def _write_regions(
    conn: Connection, bag: BagWriter, exported: dict[int, tuple[str, str, int]]
) -> int:
    sizes = {
        row["id"]: (row["width_px"], row["height_px"]) for row in rows.stream(conn, "photo")}
    counted: dict[int, tuple[bool, int]] = {}
    for row in rows.stream(conn, "region", chunk=100):
        rank = (row["person_id"] is not None, row["id"])
        if rank > counted.get(row["photo_id"], (False, 0)):
            counted[row["photo_id"]] = rank
    wanted = {rank[1] for rank in counted.values()}

    def pictures() -> Iterator[RegionPicture]:
        for row in rows.stream(conn, "region", chunk=100):
            if row["id"] in wanted:
                width, height = sizes[row["photo_id"]]
                a, b, c, d = json.loads(row["box"])
                yield RegionPicture(
                    photo_id=row["photo_id"],
                    file_name=exported.get(row["photo_id"], ("", "", 0))[0], width_px=width,
                    height_px=height,
                    labels_png=row["labels_png"], box=(a, b, c, d),
                    by_person=row["person_id"] is not None)

    bag.add_lines("data/regions.json", coco_lines(pictures()))
    return len(wanted)


def _row_lines(
    conn: Connection, table: str, bag: BagWriter, people: _Names,
    exported: dict[int, tuple[str, str, int]], *, whole: bool,
) -> Iterator[str]:
    for row in rows.stream(conn, table, chunk=100 if table == "region" else 1000):
        out: dict[str, Any] = dict(row)
        if table == "person":
            out["name"] = people.of(row["id"])
            if not whole:
                out["password_hash"] = None
        elif table == "photo" and row["id"] in exported:
            out["file"], out["exported_sha256"], out["exported_n_bytes"] = exported[row["id"]]
        elif table == "region":
            data = bytes(row["labels_png"])
            name = f"regions/{_sha(data)[:2]}/{_sha(data)}.png"
            if f"data/{name}" not in bag.hashes:
                bag.add(f"data/{name}", data)
            out["labels_png"] = name
        for column in ("note", "file_name", "camera", "reason"):
            if isinstance(out.get(column), str):
                out[column] = people.hidden(out[column])
        yield json.dumps(out, ensure_ascii=False, separators=(",", ":"), sort_keys=True)


def _csv(values: list[Any]) -> str:
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="").writerow(values)
    return buffer.getvalue()


def _sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
