"""Verify a season: database, guards, photographs, models, leftovers."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from budvision.archive.signature import SigningKey
from budvision.errors import BudvisionError, StorageError
from budvision.files import PART, remove
from budvision.language import plain_count
from budvision.store import counts, seal
from budvision.store.archive_key import ArchiveKey
from budvision.store.backups import last_good_copy
from budvision.store.config import CONFIG
from budvision.store.queries import overview
from budvision.store.queries.blocks import list_blocks
from budvision.store.session import Season
from budvision.store.shared_models import model_faults, shared_hashes, sync_models
from budvision.workflow.season.settled import (
    changes_since_check,
    note_check,
    readable_password,
)

__all__ = ["CheckReport", "Finding", "check"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that a check found; `serious` where evidence is missing or changed."""

    code: str
    where: str
    what: str
    do: str
    serious: bool = True

    def as_dict(self) -> dict[str, object]:
        """Return the finding as JSON has it."""
        return {"code": self.code, "where": self.where, "what": self.what, "do": self.do,
                "serious": self.serious}


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckReport:
    """What a check found, and how much it looked at.

    Attributes
    ----------
    n_photos, n_verified : int
        Photographs of the season's records, and those of them whose bytes are as they came.
    n_rows : int
    findings : tuple of Finding
    """

    n_photos: int
    n_verified: int
    n_rows: int
    findings: tuple[Finding, ...]

    @property
    def ok(self) -> bool:
        """True where nothing serious was found."""
        return not any(finding.serious for finding in self.findings)

    def as_dict(self) -> dict[str, object]:
        """Return the report as JSON has it."""
        return {"ok": self.ok, "n_photos": self.n_photos, "n_verified": self.n_verified,
                "n_rows": self.n_rows,
                "findings": [finding.as_dict() for finding in self.findings]}


def check(season: Season, *, tidy: bool = False, progress: Any = None) -> CheckReport:
    """Verify a season: database, triggers, every row's seal, every photograph's hash, leftovers.

    Parameters
    ----------
    tidy : bool
        Remove half-written files that a killed program left.
    progress : callable, optional
        Called with the number of photographs verified, the number in all, and a name.

    Returns
    -------
    CheckReport
        Serious: a damaged database, one older than its folder, a missing guard, a row changed past
        the program, a photograph gone or changed, a model or region that cannot be read. Not
        serious: leftovers, photographs without a record, settings that are not those of the last
        check, and a password that others may read.
    """
    findings: list[Finding] = []
    parts = [*season.photos.half_written(), *season.folder.glob(f"*{PART}")]
    copy = last_good_copy(season.folder)
    if season.fault:
        findings.append(Finding(
            "older_database", "budvision.db", season.fault, "Fetch the whole folder again, with "
            "budvision.db-wal, or restore the last backup. If you put an older database back "
            f"knowingly, remove the file {seal.Folder.NAME}."))
    with season.read() as conn:
        of_rows = _rows(conn, copy)  # counts of rows that are not what was saved tell nothing
        sound = not any(one.serious for one in of_rows)
        wrong = counts.wrong_samplings(conn) if sound else []
        followed = {one.policy for one in list_blocks(conn) if one.policy} if sound else set()
        findings += of_rows
        hashes = overview.photo_hashes(conn)
        sizes = overview.count_rows(conn)
    tidy = tidy and not season.read_only
    if wrong:
        if tidy:
            with season.write() as conn:
                counts.rebuild(conn)
        findings.append(Finding(
            "counts", plain_count(len(wrong), "sampling"),
            "the counts that the pages show are not those of the rows",
            "They were counted anew." if tidy else "Run `budvision check --tidy` to count them "
            "anew; calls and results are not affected.", serious=False))
    for name in sync_models(season):
        findings.append(Finding(
            "fetched_model", f"models/{name}", "it was missing or damaged at this station",
            "It was fetched from where every station's models lie.", serious=False))
    n_verified, of_photos = _photos(season, hashes, progress)
    findings += of_photos
    findings += [_model(where, fault) for where, fault in model_faults(season)]
    findings += _settings(season)
    findings += _policies(season, {season.settings.policy, *followed})
    findings += _keys(season)
    for path in [one for one in parts if one.exists()]:  # else a running program wrote it
        if tidy:
            remove(path)
        findings.append(Finding(
            "half_written", path.name, "a killed program left it half-written",
            "It was removed." if not path.exists() else "It could not be removed: mend the rights "
            "of its folder." if tidy else "Run `budvision check --tidy` to remove it, and the "
            "command that was killed again.", serious=False))
    for path in _strangers(season):
        findings.append(Finding(
            "stranger", str(path.relative_to(season.folder)), "it is no file of the photo store",
            "Move it out of photos/; take photographs in with `budvision intake`.",
            serious=False))
    note_check(season)
    n_rows = sizes.n_buds + sizes.n_photos + sizes.n_calls
    return CheckReport(n_photos=len(hashes), n_verified=n_verified, n_rows=n_rows,
                       findings=tuple(findings))


def _rows(conn: Connection, copy: str) -> list[Finding]:
    """Check what the database says of itself, its guards, and every row against its seal."""
    found = [Finding("database", "budvision.db", fault, copy)
             for fault in overview.database_faults(conn)]
    for table in overview.missing_triggers(conn):
        found.append(Finding(
            "no_guard", f"table {table}", "its rows can be changed or deleted: the triggers "
            "are gone", "Put the database back from a backup, or export an archive and import "
            "it into a new season."))
    for broken in seal.verify(conn):
        found.append(Finding(
            "changed_row", f"table {broken.table}, {broken.rows}", broken.what,
            f"Answers that rest on it cannot be trusted. {copy}"))
    for key in overview.broken_regions(conn):
        found.append(Finding("region", f"region {key}", "its labels cannot be read",
                             "Propose the photograph anew; the call made from it stands."))
    for bud_id, cut, n in overview.doubled_cuts(conn):
        found.append(Finding(
            "doubled_cut", f"bud {bud_id}, cut {cut}", f"it has {plain_count(n, 'photograph')}",
            "Give all but one another cut on the assignment page.", serious=False))
    return found


def _photos(
    season: Season, hashes: dict[str, str], progress: Any
) -> tuple[int, list[Finding]]:
    """Return how many photographs are as they came, and what is wrong with the others."""
    found: list[Finding] = []
    try:
        kept = list(season.photos)
    except StorageError as error:
        return 0, [Finding("unreadable", "photographs", error.what, error.do)]
    for done, (sha256, name) in enumerate(sorted(hashes.items())):
        if progress is not None:
            progress(done, len(hashes), name)
        do = f"Take the original of {name} in again with `budvision intake`."
        try:
            if not season.photos.sound(sha256):
                found.append(Finding("changed", f"photograph {name} ({sha256[:12]})",
                                     "its bytes have changed since it was taken in",
                                     do + " It replaces the damaged copy."))
        except StorageError as error:
            found.append(Finding("unreadable", f"photograph {name} ({sha256[:12]})",
                                 error.what, error.do))
        except BudvisionError:
            found.append(Finding("missing", f"photograph {name} ({sha256[:12]})",
                                 "it is not in photos/", do))
        except OSError as error:
            found.append(Finding("unreadable", f"photograph {name} ({sha256[:12]})",
                                 f"it cannot be read ({error.strerror})",
                                 "Check the disk and the folder's rights."))
    n_verified = len(hashes) - len(found)
    if progress is not None:
        progress(len(hashes), len(hashes), "")
    of_models = shared_hashes(season)
    with season.read() as conn:  # work has gone on meanwhile
        recorded = overview.photo_hashes(conn)
    for sha256 in kept:
        if sha256 not in recorded and sha256 not in of_models:
            found.append(Finding(
                "no_record", f"photograph {sha256[:12]}", "it is in photos/ but in no record: an "
                "intake was killed after copying it", "Run that intake again.", serious=False))
    return n_verified, found


def _strangers(season: Season) -> list[Path]:
    with contextlib.suppress(StorageError):  # it was told of with the photographs
        return season.photos.strangers()
    return []


def _settings(season: Season) -> list[Finding]:
    found = [Finding("setting", CONFIG, what, "If nobody changed it, put the file back from a "
                     "backup; answers rest on it. It is told once.", serious=False)
             for what in changes_since_check(season)]
    if readable_password(season):
        found.append(Finding(
            "open_password", CONFIG, "it holds the database's password and others on this machine "
            "may read it", f"Run `chmod 600 {season.folder / CONFIG}`.", serious=False))
    return found


def _policies(season: Season, followed: set[str]) -> list[Finding]:
    """Say where no block that follows these policies can be answered."""
    from budvision.vineyard.mortality import chosen_policy
    from budvision.vineyard.policies import shipped_policies

    try:
        known = shipped_policies(season.folder / "policies.toml")
        for name in sorted(followed):
            chosen_policy(replace(season.settings, policy=name), known)
    except BudvisionError as error:
        return [Finding("policies", "policies.toml", error.what, "Correct it, or put it back from "
                        "a backup; the blocks that follow it have no answer until then.")]
    return []


def _keys(season: Season) -> list[Finding]:
    found = []
    for read in (lambda: ArchiveKey(season.folder, keep=False),
                 lambda: (season.folder / "signing-key").exists() and SigningKey(season.folder)):
        try:
            read()
        except BudvisionError as error:
            found.append(Finding("key", Path(error.where).name, error.what, error.do))
    return found


def _model(where: str, fault: BudvisionError | None) -> Finding:
    if fault is None:
        return Finding("model", where, "it proposed in this season and is gone",
                       "Put its folder back from a backup; its proposals stand.")
    if where == "models/registry.toml":
        return Finding("model", where, str(fault), "Restore it from a backup.")
    return Finding("model", where, fault.what, "Do not use it; train or copy it again.")
