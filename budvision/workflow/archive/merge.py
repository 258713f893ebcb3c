"""Import an archive: restore a season from it, or merge another laboratory's calls."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from sqlalchemy import Connection
from sqlalchemy.exc import DataError, IntegrityError

from budvision.archive.bag import listed_hashes, open_payload, read_facts
from budvision.archive.bag import verify as verify_bag
from budvision.archive.describe import not_as_saved
from budvision.archive.privacy import without_private_metadata
from budvision.archive.signature import check_signature
from budvision.errors import InputError, PhotoError, StorageError, VerificationError
from budvision.files import beside, sha256_of, write_whole
from budvision.photo.read import read_photo
from budvision.store import counts as sampling_counts
from budvision.store import seal
from budvision.store.archive_key import ArchiveKey, is_key
from budvision.store.config import CONFIG
from budvision.store.queries import rows
from budvision.store.session import Season
from budvision.vineyard.policies import shipped_policies
from budvision.workflow.archive.incoming import CHAIN, rows_of
from budvision.workflow.archive.proof import RESULTS, answers_of, compared, differences
from budvision.workflow.archive.rowwise import ImportReport, RowMerge
from budvision.workflow.archive.settings import (
    POLICIES,
    own_files,
    restore_policies,
    restore_settings,
)

__all__ = ["import_archive", "verify_archive"]

Progress = Callable[[str, int, int], None]
_SWAPPED = "It was swapped or damaged; nothing of the archive's rows was imported."


def verify_archive(
    folder: Path, *, key: str | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> dict[str, object]:
    """Check an archive in full, work its answers out anew, and return what it is.

    Every byte is hashed; every row is checked like what is typed; each photograph's bytes are those
    that its row names; the rows, settings and policies are put into a season of the moment, and its
    answers compared with those kept at export. With `key`, a public one, it has to be signed by it.

    Raises
    ------
    VerificationError
        When anything is changed, missing, extra, badly named, unfinished or too new, or the
        answers differ.
    """
    counts = verify_bag(folder, progress=progress)
    facts = read_facts(folder)
    changed = not_as_saved(facts)
    signed_by = check_signature(folder, key=key)
    _check_names(folder, whole=facts.get("kind") == "whole")
    kept, reach = _kept_answers(folder), None
    missing = [row["sha256"] for row in rows_of(folder, "photo") if "file" not in row]
    if kept is not None:
        with tempfile.TemporaryDirectory(prefix="budvision-") as base, (
                Season.create(Path(base) / "season")) as season:
            photos = {row["id"]: row["sha256"] for row in rows_of(folder, "photo")}
            _bring_rows(season, folder, ImportReport(
                folder=str(folder), lab=str(facts["lab"]), restored=True, not_as_saved=changed),
                photos=photos, models={}, own=True, empty=True)
            now = answers_of(season)
            differ, reach = differences(kept, now), compared(kept, now)
        if differ:
            raise VerificationError(
                f"its answers come out otherwise than at export: {differ[0]}"
                + (f" and {len(differ) - 1} more" if len(differ) > 1 else ""),
                where=str(folder), code="answers_differ",
                expected=f"the answers that {facts.get('made_by', 'the exporting program')} kept",
                do="Compare with the budvision that made it; a changed archive must not be used.")
    models = _faulty_models(folder)
    return {**facts, **counts, "ok": not changed, "folder": str(folder),
            "missing": missing, "models": models, "not_as_saved": changed,
            "answers_equal": reach == "all", "answers_compared": reach, "signed_by": signed_by}


def _faulty_models(folder: Path) -> list[str]:
    """Name the models that the exported season no longer had whole."""
    from budvision.verdict.registry import list_models, verify_model

    home = folder / "data" / "models"
    wanted = {row["name"] for row in rows_of(folder, "model") if row["path"].startswith("models/")}
    try:
        entries = {entry.label: entry for entry in list_models(home)}
    except InputError:
        return sorted(wanted)
    whole = set()
    for name in wanted & set(entries):
        with suppress(VerificationError):
            verify_model(entries[name])
            whole.add(name)
    return sorted(wanted - whole)


def _check_names(folder: Path, *, whole: bool) -> None:
    """Compare the bytes of each photograph, hashed just now, with what its row names."""
    hashes = listed_hashes(folder / "manifest-sha256.txt")
    for row in rows_of(folder, "photo"):
        if "file" in row and hashes.get(f"data/{row['file']}") != _named(row, whole=whole):
            raise _swapped(row)


def _named(row: dict[str, Any], *, whole: bool) -> str:
    return str(row["sha256"] if whole else row["exported_sha256"])


def _swapped(row: dict[str, Any]) -> VerificationError:
    return VerificationError(
        "its bytes are not those that its row names", where=f"photograph {row['sha256'][:12]}",
        do=_SWAPPED)


def _kept_answers(folder: Path) -> Any:
    try:
        with open_payload(folder, RESULTS) as file:
            return json.load(file)
    except InputError:
        return None  # an archive from before answers were kept
    except (ValueError, RecursionError) as error:
        raise VerificationError(
            "it is not JSON", where=RESULTS, do="Ask for a new copy.") from error


def import_archive(
    season: Season, folder: Path, *, key: str | None = None, as_it_is: bool = False,
    progress: Progress | None = None,
) -> ImportReport:
    """Verify an archive in full, then bring all of it into the season.

    Into an empty season every row comes back with its number, and the settings and policies come
    back. Into a season in use only what is new is added, under these rules: the same photograph (by
    its bytes, before or after private metadata was taken out) is kept once; blocks of the same name
    are the same block only when they were made at the same moment or share a photograph of the same
    bud, else the incoming one is renamed; a call on a tissue that another person has called already
    is kept as a second reading, so that no count changes by itself; a call whose photograph was
    missing at export comes without the proposal that was seen; the other side's choice of
    model is not taken over. With `key`, a public one, the archive has to be signed by it. One that
    says that its rows were not as saved at export is brought in only where `as_it_is` asks for it.

    Raises
    ------
    VerificationError
        When the archive is changed, incomplete, unfinished or of a newer format, says itself that
        its rows are not to be trusted, or holds a value that could not have been typed; nothing of
        its rows is in the season then.
    StorageError
        When the disk is full; nothing is half-written and the import can be run again.
    """
    verify_bag(folder, progress=None if progress is None else (
        lambda done, total: progress("files verified", done, total)))
    check_signature(folder, key=key)
    facts = read_facts(folder)
    if not re.fullmatch(r"lab-[0-9a-f]{8}", str(facts.get("lab"))):
        raise VerificationError(
            f"its laboratory is {str(facts.get('lab'))[:60]!r}", where=str(folder),
            do="Do not use this archive; ask for a new copy.")
    changed = not_as_saved(facts)
    if changed and not as_it_is:
        raise VerificationError(
            f"its rows were not as they had been saved when it was exported ({changed[0]})",
            where=str(folder), expected="the rows that its season had saved", code="changed_row",
            do="Ask its laboratory; nothing was imported. `budvision archive import --as-it-is` "
            "brings them in all the same.")
    for table in rows.ARCHIVED:
        for _ in rows_of(folder, table):
            pass  # every row is looked at before anything is done
    with season.read() as conn:
        empty = all(rows.is_empty(conn, t) for t in rows.ARCHIVED if t != "site")
    with _else_as_before(season):
        if empty and (folder / "data" / "archive-key").is_file():
            _adopt_key(season, folder)
        own_key = ArchiveKey(season.folder)
        report = ImportReport(folder=str(folder), lab=str(facts["lab"]), restored=empty,
                              not_as_saved=changed)
        photos = _bring_photos(season, folder, report, progress, whole=facts.get("kind") == "whole")
        models = _bring_models(season, folder, report)
        _bring_rows(season, folder, report, photos=photos, models=models, empty=empty,
                    own=facts["lab"] == own_key.lab, progress=progress)
    return report


@contextmanager
def _else_as_before(season: Season) -> Iterator[None]:
    """Leave settings, policies and key as they were where the rows are refused after all."""
    paths = [season.folder / name for name in (CONFIG, *own_files(season))]
    kept = {path: path.read_bytes() if path.is_file() else None for path in paths}
    try:
        yield
    except Exception:
        for path, data in kept.items():
            if data is None:
                path.unlink(missing_ok=True)
            elif path.read_bytes() != data:
                write_whole(path, data, mode=path.stat().st_mode & 0o777)
        raise


def _adopt_key(season: Season, folder: Path) -> None:
    with open_payload(folder, "data/archive-key") as file:
        text = file.read(200).decode("ascii", errors="replace").strip()
    if not is_key(text):
        raise VerificationError("the key for pseudonyms is none", where="data/archive-key",
                                do="Do not use this archive; ask for a new copy.")
    ArchiveKey(season.folder).adopt(text)


def _bring_rows(
    season: Season, folder: Path, report: ImportReport, *, photos: dict[int, str],
    models: dict[str, str], own: bool, empty: bool, progress: Progress | None = None,
) -> None:
    """Bring settings, policies and rows in; an empty season becomes as the archive's was."""
    if empty:
        report.conflicts += restore_policies(season, folder)
        report.conflicts += restore_settings(season, folder)
    policies = frozenset(shipped_policies(season.folder / POLICIES))
    try:
        with season.write() as conn, rows.sparing(conn):
            if empty:
                rows.drop_unused_sites(conn)
            merge = RowMerge(
                conn, folder, report, ArchiveKey(season.folder), photos, models, own=own,
                keep_ids=empty, policies=policies)
            for done, table in enumerate(rows.ARCHIVED):
                merge.table(table)
                rows.settle_numbers(conn, table)
                if progress is not None:
                    progress("tables", done + 1, len(rows.ARCHIVED))
            if empty:
                _adopt_chain(conn, folder, changed=bool(report.not_as_saved))
                sampling_counts.rebuild(conn)  # what is sealed counts as counted
    except (IntegrityError, DataError) as error:
        raise VerificationError(
            f"its rows do not fit together ({str(error.orig).splitlines()[0]})", where=str(folder),
            expected="rows that a season can hold",
            do="Do not use this archive; nothing of its rows was imported.") from error


def _adopt_chain(conn: Connection, folder: Path, *, changed: bool) -> None:
    """Take over the points of the chains, after every row was hashed against them.

    Of rows that were `changed` before their export, `check` tells in the new season as in the old.
    """
    try:
        points = list(rows_of(folder, CHAIN))
    except InputError:
        return  # a shared archive, whose rows have pseudonyms, or one from before there were chains
    broken = seal.adopt(conn, points)
    if broken and not changed:
        raise VerificationError(
            f"{broken[0].table}, {broken[0].rows}: {broken[0].what}", where=str(folder),
            expected="the rows that the season had sealed", code="changed_row",
            do="The archive was changed after its export; nothing of its rows was imported.")


def _bring_photos(
    season: Season, folder: Path, report: ImportReport, progress: Progress | None, *, whole: bool
) -> dict[int, str]:
    """Copy the photographs in; return the hash each has in this season.

    Each that is new is hashed against its row and decoded, as one that comes by intake.
    """
    with season.read() as conn:
        own = list(rows.stream(conn, "photo"))
    mine = {row["sha256"] for row in own}
    alike: dict[tuple[Any, ...], list[str]] = {}
    for row in own:
        alike.setdefault(_moment(row), []).append(row["sha256"])
    out: dict[int, str] = {}
    for i, row in enumerate(rows_of(folder, "photo")):
        if "file" not in row and row["sha256"] not in mine:
            report.conflicts.append(f"photograph {row['sha256'][:12]} was missing at export")
            report.missing.append(row["sha256"])
            if report.restored:  # as in the season that it was: `check` tells that it is gone
                out[row["id"]] = row["sha256"]
            continue
        if row["sha256"] in mine:
            out[row["id"]] = row["sha256"]
        elif cleaned := _own_of(season, row["sha256"], alike.get(_moment(row), ())):
            out[row["id"]] = cleaned
        else:
            with open_payload(folder, f"data/{row['file']}") as file:
                data = file.read()
            report.conflicts += _check_photo(data, row, whole=whole)
            out[row["id"]] = season.photos.add(data).sha256
        known = out[row["id"]] in mine
        mine.add(out[row["id"]])
        report.n_photos_known += known
        report.n_photos_new += not known
        if progress is not None:
            progress("photographs", i + 1, i + 1)
    return out


def _moment(row: Mapping[str, Any]) -> tuple[Any, ...]:
    return row["added_at"], row["width_px"], row["height_px"]


def _own_of(season: Season, sha256: str, candidates: Iterable[str]) -> str:
    """Return the own photograph that gives these bytes without its private metadata, else ''.

    It comes back so by way of another laboratory.
    """
    for own in candidates:
        data = season.photos.whole(own)
        if data is not None and (
                hashlib.sha256(without_private_metadata(data)).hexdigest() == sha256):
            return own
    return ""


def _check_photo(data: bytes, row: dict[str, Any], *, whole: bool) -> list[str]:
    """Hash and decode a photograph; return what is to be told of it.

    One's own copy is not refused for a picture that a later version reads no more.
    """
    where = f"photograph {row['sha256'][:12]}"
    do = _SWAPPED
    if hashlib.sha256(data).hexdigest() != _named(row, whole=whole):
        raise _swapped(row)
    try:
        read = read_photo(data, max_side_px=256, name=where)
    except PhotoError as error:
        if error.code == "too_small":
            return []
        if whole:
            return [f"{where} is kept but cannot be decoded: {error.what}"]
        raise VerificationError(f"it is no picture ({error.what})", where=where, do=do) from error
    if (read.width_px, read.height_px) != (row["width_px"], row["height_px"]):
        raise VerificationError(
            f"it has {read.width_px} x {read.height_px} pixels", where=where, do=do,
            expected=f"{row['width_px']} x {row['height_px']}, as its row says")
    return []


def _bring_models(season: Season, folder: Path, report: ImportReport) -> dict[str, str]:
    """Copy the models in that are new and list them; return the name each has in this season."""
    from budvision.verdict.registry import add_model, list_models

    source = folder / "data" / "models"
    if not source.is_dir():
        return {}
    try:
        entries = {entry.label: entry for entry in list_models(source)}
    except InputError:  # damaged at export: rows and photographs come in all the same
        entries = {}
    out: dict[str, str] = {}
    for model in sorted(p for p in source.iterdir() if p.is_dir()):
        files = {p.relative_to(model): sha256_of(p) for p in model.rglob("*") if p.is_file()}
        entry = entries.get(model.name)
        target = season.models_folder / model.name
        if target.is_dir() and {
            p.relative_to(target): sha256_of(p) for p in target.rglob("*") if p.is_file()
        } != files:
            stem, _, version = model.name.rpartition("-")
            target = season.models_folder / f"{stem}-{report.lab}-{version}"
            if not target.is_dir():
                report.conflicts.append(
                    f"model {model.name} differs; the other's is {target.name}")
        out[model.name] = target.name
        if not target.is_dir():
            _copy_model(model, target)
        known = {one.label for one in list_models(season.models_folder)}
        if entry is None and target.name not in known:
            report.conflicts.append(f"model {model.name} is in no list of models: nothing uses it")
        if entry is not None and target.name not in known:
            name = target.name.removesuffix(f"-{entry.version}")
            add_model(replace(entry, name=name, folder=target))
    return out


def _copy_model(model: Path, target: Path) -> None:
    try:
        target.parent.mkdir(exist_ok=True)
        with beside(target, hidden=True) as part:
            shutil.copytree(model, part)
    except OSError as error:
        why = error.args[0][0][2] if isinstance(error, shutil.Error) else error.strerror
        raise StorageError(
            f"the model {target.name} could not be copied ({why})",
            where=str(target.parent), do="Make room and import again; what is there is kept.",
        ) from error
