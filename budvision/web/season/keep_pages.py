"""Keeping a season safe: check it, back it up, export its archive, each beside the pages."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from budvision.errors import BudvisionError, ConflictError, InputError
from budvision.store.backups import LastBackup, last_backup
from budvision.web.current import current_season, on_loopback
from budvision.web.people import need_person
from budvision.web.season.door import blueprint
from budvision.web.work import Done, Tell, Work, desk_of
from budvision.workflow.archive.backup import backup
from budvision.workflow.archive.export import export_archive
from budvision.workflow.season.check import check

MOST_FINDINGS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepPage:
    """What the page of keeping shows; folders as they were typed."""

    last: LastBackup | None
    work: Work | None
    next: tuple[Work, ...]
    may_name: bool
    backup_folder: str
    archive_folder: str
    whole: bool
    problem: str


def _page(problem: str = "") -> str:
    last = last_backup(current_season().folder)
    return render_template("season/keep.html", here=KeepPage(
        last=last, work=desk_of().look(), next=desk_of().next(), may_name=on_loopback(),
        backup_folder=request.form.get("backup_folder", last.folder if last else ""),
        archive_folder=request.form.get("archive_folder", ""),
        whole=request.form.get("whole") == "yes", problem=problem))


@blueprint.get("/keep")
def keep() -> ResponseReturnValue:
    """Show when the season was last backed up, and the buttons."""
    return _page()


def _folder(typed: str, what: str) -> Path:
    """Return the folder that was typed; over a network nobody names places of this machine.

    Raises
    ------
    InputError
        When it is no whole path.
    ConflictError
        When the pages are served to a network and the last backup went elsewhere.
    """
    last = last_backup(current_season().folder)
    if not on_loopback() and (what != "backup" or last is None or last.folder != typed.strip()):
        raise ConflictError(
            "over the network a folder of the server cannot be named", where=what,
            expected="the folder of the last backup",
            do=f"On the server, run `budvision {what} DIR` once.".replace(
                "archive DIR", "archive export DIR"))
    folder = Path(typed.strip()).expanduser()
    if not typed.strip() or not folder.is_absolute():
        raise InputError(f"the folder is {typed[:90]!r}", where=what,
                         expected="its whole path, for example /media/usb/winter",
                         do="Correct it; nothing was written.")
    return folder


@blueprint.post("/keep/check")
def keep_check() -> ResponseReturnValue:
    """Verify every photograph and row, beside the pages."""
    season = current_season()

    def do(tell: Tell) -> Done:
        report = check(season, progress=lambda done, total, _: tell("photographs", done, total))
        told = [f"{one.where}: {one.what}. {one.do}" for one in report.findings]
        more = len(told) - MOST_FINDINGS
        text = f"{report.n_photos} photographs and every row were verified. " + (
            "The season is sound." if report.ok else "Something is to be put right:")
        if more > 0:
            told = [*told[:MOST_FINDINGS], f"And {more} more; `budvision check` lists all."]
        if not report.ok:
            raise BudvisionError(" ".join([text, *told]), code="unsound")
        return Done(" ".join([text, *told]))

    return _ask("check", "Checking the season", do)


@blueprint.post("/keep/backup")
def keep_backup() -> ResponseReturnValue:
    """Write one more verified backup, beside the pages."""
    season = current_season()
    try:
        folder = _folder(request.form.get("backup_folder", ""), "backup")
    except BudvisionError as error:
        return _page(str(error)), 400

    def do(tell: Tell) -> Done:
        report = backup(season, folder,
                        progress=lambda done, total, _: tell("photographs", done, total))
        mended = f" {report.n_repaired} damaged copies were mended." if report.n_repaired else ""
        return Done(f"Backup {report.generation} in {report.folder} is verified: "
                    f"{report.n_photos} photographs, {report.n_new} of them new.{mended}"
                    + _missing(report.missing))

    return _ask("backup", "Backing the season up", do)


@blueprint.post("/keep/archive")
def keep_archive() -> ResponseReturnValue:
    """Export the archive, beside the pages."""
    season, whole = current_season(), request.form.get("whole") == "yes"
    try:
        folder = _folder(request.form.get("archive_folder", ""), "archive")
    except BudvisionError as error:
        return _page(str(error)), 400

    def do(tell: Tell) -> Done:
        report = export_archive(season, folder, whole=whole, progress=tell)
        private = "" if whole else (
            f" Private metadata was taken out of {report.n_cleaned} photographs, and people stand "
            "under pseudonyms.")
        return Done(f"{report.folder} holds {report.n_photos} photographs ({report.n_new} new) "
                    f"and {report.n_calls} calls.{private}" + _missing(report.missing))

    return _ask("archive", "Exporting the archive", do)


def _missing(hashes: tuple[str, ...]) -> str:
    return f" {len(hashes)} photographs are missing from the season: check it." if hashes else ""


def _ask(kind: str, title: str, do: Callable[[Tell], Done]) -> ResponseReturnValue:
    if not desk_of().ask(kind, title, need_person().name, do):
        flash(f"{title} goes on already.")
    return redirect(url_for("season.keep"), 303)
