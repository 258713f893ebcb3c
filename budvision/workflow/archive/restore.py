"""Make a season anew from a backup, verified before it gets its name."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from budvision.archive.bag import disk
from budvision.errors import ConflictError, NotFoundError, VerificationError
from budvision.files import put, sha256_of
from budvision.store import seal
from budvision.store.backups import LastBackup, note_backup
from budvision.store.config import CONFIG
from budvision.store.photos import PhotoStore
from budvision.store.queries import overview
from budvision.store.session import Season
from budvision.workflow.archive.backup import (
    ANSWERS,
    FACTS,
    FORMAT,
    FORMAT_VERSION,
    GENERATIONS,
    KEPT,
    KEYS,
    files_of,
    generations_of,
    opened,
    write,
)
from budvision.workflow.archive.proof import answers_of, check_rows, compared, differences
from budvision.workflow.archive.settings import season_text

__all__ = ["RestoreReport", "restore"]

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, slots=True)
class RestoreReport:
    """What a restore made; `answers_compared` is as `budvision.workflow.archive.proof.compared`.

    `missing` are the photographs of the season's records that the backup does not hold.
    """

    folder: str
    generation: str
    n_photos: int
    missing: tuple[str, ...]
    answers_compared: str

    def as_dict(self) -> dict[str, object]:
        """Return the report as JSON has it."""
        return asdict(self)


def restore(
    folder: Path, target: Path, *, generation: str | None = None, progress: Progress | None = None
) -> RestoreReport:
    """Make a season from a backup: every file and row verified, its answers compared.

    Parameters
    ----------
    folder : Path
        The backup.
    target : Path
        The new season's folder, which does not exist yet or is empty.
    generation : str, optional
        The newest when left out.

    Raises
    ------
    NotFoundError
        When the folder is no backup, has no such generation, or holds no photograph of it.
    ConflictError
        When the new folder holds files.
    VerificationError
        When anything of the generation is damaged; nothing stands under the new name then.
    """
    folder, target = folder.resolve(), target.resolve()
    there = generations_of(folder)
    if not there and (folder / GENERATIONS).is_dir():
        raise NotFoundError("no backup that was begun there was finished", where=str(folder),
                            expected="a verified generation", code="no_backup",
                            do="Run `budvision backup` again, or look for another backup.")
    if not there or (generation is not None and generation not in there):
        raise NotFoundError(
            f"there is no generation {generation}" if there else "it is no backup",
            where=str(folder), do="Correct the name.", code="no_backup",
            expected=f"one of {', '.join(there[-8:])}" if there else "a folder that "
            "`budvision backup` wrote")
    name = generation or there[-1]
    source = folder / GENERATIONS / name
    facts = _facts(source, there)
    with disk(target, kept=KEPT):
        if target.exists() and (not target.is_dir() or any(target.iterdir())):
            raise ConflictError("it holds files", where=str(target), expected="a new folder",
                                do="Name another folder; nothing was changed.")
        part = target.with_name(f".{target.name}.restore")
        _clear_but_photos(part)
        for file in facts["files"]:
            data = (source / file).read_bytes()
            if file == CONFIG:  # no backup says where database and photographs lie
                data = season_text(data.decode("utf-8", "replace")).encode()
            write(part / file, data, mode=0o600 if file in KEYS else 0o644)
        n_photos, missing = _restore_photos(folder, part, set(facts["missing"]), progress)
        point = seal.Point(int(facts["point"]["n"]), str(facts["point"]["sha256"]))
        kept = json.loads((part / ANSWERS).read_text("utf-8"))
        (part / ANSWERS).unlink()
        seal.Folder(part).note(point)
        with Season.open(part) as season:
            check_rows(season)
            now = answers_of(season)
            if differ := differences(kept, now):
                raise VerificationError(
                    f"the answers come out otherwise than at the backup: {differ[0]}",
                    where=str(source), code="answers_differ",
                    do="Restore an older generation with --generation, and compare.")
        faulty = [*facts.get("models", []), *facts.get("faulty", [])]
        note_backup(part, LastBackup(facts["made_at"], str(folder), name, len(missing),
                                     len(faulty)))
        if target.exists():
            target.rmdir()
        put(part, target)
    return RestoreReport(str(target), name, n_photos, missing,
                         compared(kept, now))


def _facts(source: Path, there: list[str]) -> dict[str, Any]:
    older = there[:there.index(source.name)]
    do = (f"Restore an older one with `--generation {older[-1]}`." if older
          else "Look for another backup or an archive.")
    try:
        facts = json.loads((source / FACTS).read_text("utf-8"))
        newer = facts["format"] != FORMAT or int(facts["format_version"]) > FORMAT_VERSION
        files = {str(k): str(v) for k, v in facts["files"].items()}
        int(facts["point"]["n"])
        facts["made_at"] = str(facts["made_at"])
        facts["missing"] = [str(one) for one in facts["missing"]]
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise VerificationError(f"{FACTS} cannot be read", where=str(source), do=do) from error
    if newer:
        raise VerificationError("a newer budvision made it", where=str(source),
                                code="newer_format", do="Install that version.")
    found = set(files_of(source))
    for name, sha256 in files.items():
        if name not in found or sha256_of(source / name) != sha256:
            raise VerificationError(f"{name} is missing or has changed", where=str(source), do=do,
                                    expected="the bytes that were backed up")
    return dict(facts)


def _clear_but_photos(part: Path) -> None:
    part.mkdir(parents=True, exist_ok=True)
    for path in part.iterdir():
        if path.name != "photos":
            shutil.rmtree(path) if path.is_dir() else path.unlink()
    (part / "photos").mkdir(exist_ok=True)
    (part / "models").mkdir(exist_ok=True)


def _restore_photos(
    folder: Path, part: Path, gone: set[str], progress: Progress | None
) -> tuple[int, tuple[str, ...]]:
    """Copy what the backup holds of the season's photographs; return how many, and the others."""
    pool, store = PhotoStore(folder / "photos"), PhotoStore(part / "photos")
    missing: list[str] = []
    with opened(part, folder) as copy, copy.read() as conn:
        wanted = sorted(overview.photo_hashes(conn))
    if not gone.issuperset(wanted) and not any(sha256 in pool for sha256 in wanted):
        raise NotFoundError("it holds none of the season's photographs", where=str(pool.folder),
                            do="Look for that folder: it belongs to the backup.")
    for done, sha256 in enumerate(wanted):
        if progress is not None:
            progress(done, len(wanted), sha256[:12])
        try:
            data = pool.read(sha256, verify=True)
        except NotFoundError:
            missing.append(sha256)
            continue
        except VerificationError as error:
            raise VerificationError(
                error.what, where=error.where, expected=error.expected,
                do="Put the original in its place, or remove that file to restore the season "
                "without this photograph.") from error
        if hashlib.sha256(store.add(data).path.read_bytes()).hexdigest() != sha256:
            raise VerificationError(f"photograph {sha256[:12]} was not written as it is",
                                    where=str(part), do="Check the disk.")
    return len(wanted) - len(missing), tuple(missing)
