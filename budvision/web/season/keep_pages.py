"""Keeping a season safe: check it, back it up, export its archive, each beside the pages."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from budvision.errors import BudvisionError, ConflictError, InputError
from budvision.language import say, told
from budvision.store.backups import last_backup
from budvision.web.current import current_season, on_loopback
from budvision.web.people import need_person
from budvision.web.season.door import blueprint
from budvision.web.work import ask, next_work, shown_work
from budvision.workflow.jobs.deeds import DEEDS
from budvision.workflow.season.remind import KnownBackups, known_backups


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepPage:
    """What the page of keeping shows; folders as they were typed, backups of any station."""

    backups: KnownBackups
    work: dict[str, object] | None
    next: tuple[str, ...]
    may_name: bool
    backup_folder: str
    archive_folder: str
    whole: bool
    problem: str


def _page(problem: str = "") -> str:
    own = last_backup(current_season().folder)
    return render_template("season/keep.html", page=KeepPage(
        backups=known_backups(current_season()), work=shown_work(), next=next_work(),
        may_name=on_loopback(),
        backup_folder=request.form.get("backup_folder", own.folder if own else ""),
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
    return _ask("check", {})


@blueprint.post("/keep/backup")
def keep_backup() -> ResponseReturnValue:
    """Write one more verified backup, beside the pages."""
    try:
        folder = _folder(request.form.get("backup_folder", ""), "backup")
    except BudvisionError as error:
        return _page(told(error)), 400
    return _ask("backup", {"folder": str(folder)})


@blueprint.post("/keep/archive")
def keep_archive() -> ResponseReturnValue:
    """Export the archive, beside the pages."""
    whole = request.form.get("whole") == "yes"
    try:
        folder = _folder(request.form.get("archive_folder", ""), "archive")
    except BudvisionError as error:
        return _page(told(error)), 400
    return _ask("archive", {"folder": str(folder), "whole": whole})


def _ask(kind: str, asked: dict[str, object]) -> ResponseReturnValue:
    if not ask(kind, need_person().name, asked):
        flash(say("{title} goes on already.", title=say(DEEDS[kind].title)))
    return redirect(url_for("season.keep"), 303)
