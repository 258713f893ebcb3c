"""Photographs by page: send them, see what would happen, take them in, proposals follow."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from budvision.errors import BudvisionError, InputError
from budvision.language import mark, say, say_n, told
from budvision.store.queries.blocks import sampling_labels
from budvision.store.session import as_utc
from budvision.tables import read_cells
from budvision.web.current import current_season
from budvision.web.people import current_person, need_person
from budvision.web.season.columns import chosen_columns, columns_page, unread_columns
from budvision.web.season.door import blueprint
from budvision.web.work import ask, next_work, shown_work
from budvision.workflow.intake.file_names import suggest_pattern
from budvision.workflow.intake.manifest import COLUMNS
from budvision.workflow.intake.places import Foreseen, Places
from budvision.workflow.intake.tray import Asked, Tray
from budvision.workflow.intake.undo import Batch, list_batches, undo_intake

MOST_ROWS = 400
_STATES = {"new": mark("is taken in"), "known": mark("there already, nothing to do"),
           "placed": mark("there without a place; gets this one"),
           "elsewhere": mark("refused: it has another place in the season")}


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotographsPage:
    """The form that sends photographs, with what was typed."""

    asked: Asked
    samplings: tuple[str, ...]
    n_waiting: int
    most_mb: float
    problem: str
    work: dict[str, object] | None
    next: tuple[str, ...]
    batches: tuple[Batch, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PreviewPage:
    """What taking the photographs of the tray in would do."""

    asked: Asked
    manifest: bool
    rows: tuple[tuple[Foreseen, str], ...]
    n_rows: int
    n_taken: int
    unclear: tuple[str, ...]
    n_unclear: int
    unread: tuple[str, ...]
    """Names that are not of the pattern."""
    suggested: str
    """A pattern that reads every name, empty where none does or the pattern reads some."""
    not_listed: tuple[str, ...]
    unread_columns: tuple[str, ...]


def _tray() -> Tray:
    return Tray(current_season(), need_person().id)


def _form(asked: Asked, problem: str = "") -> str:
    season, person = current_season(), current_person()
    with season.read() as conn:
        labels = sampling_labels(conn)
    return render_template("season/photographs.html", page=PhotographsPage(
        asked=asked, samplings=labels, problem=problem, work=shown_work(),
        next=next_work(), most_mb=season.settings.max_upload_mb,
        n_waiting=0 if person is None else Tray(season, person.id).n_files,
        batches=list_batches(season)))


@blueprint.get("/photographs")
def photographs() -> ResponseReturnValue:
    """Show the form, and how far an intake is."""
    person = current_person()
    if person is None:
        return redirect(url_for("people.me", next=request.path))
    return _form(_tray().asked)


@blueprint.post("/photographs/one")
def photograph_sent() -> ResponseReturnValue:
    """Put one file into the tray, as the page's script sends them."""
    tray = _tray()
    file = request.files.get("file")
    if file is None:
        raise InputError("no file came", where="photographs", do="Send it again.")
    tray.add(request.form.get("name") or file.filename or "", file.read())
    return {"ok": True}


@blueprint.post("/photographs")
def photographs_sent() -> ResponseReturnValue:
    """Keep what goes with the photographs, and any files that came along, then show the preview."""
    tray, asked = _tray(), Asked.of(request.form)
    try:
        for file in request.files.getlist("photographs") + request.files.getlist("manifest"):
            if file.filename:
                tray.add(file.filename, file.read())
        if asked.collected:
            as_utc(asked.collected)
        tray.ask(asked)
        tray.look_over()
    except BudvisionError as error:
        if error.code == "bad_header":
            return redirect(url_for("season.photograph_columns"), 303)
        return _form(asked, told(error)), 400
    return redirect(url_for("season.preview"), 303)


@blueprint.get("/photographs/preview")
def preview() -> ResponseReturnValue:
    """Show what taking them in would do, before it does."""
    if current_person() is None:
        return redirect(url_for("people.me", next=request.path))
    tray = _tray()
    try:
        places, rows = tray.look_over()
    except BudvisionError as error:
        return _form(tray.asked, told(error)), 400
    moved = tray.asked.move == "yes"
    taken = ("new", "placed", "elsewhere") if moved else ("new", "placed")
    unread, unclear = _unclear(places)
    return render_template("season/preview.html", page=PreviewPage(
        asked=tray.asked, manifest=tray.manifest is not None, n_rows=len(rows),
        rows=tuple((row, _words(row, moved)) for row in rows[:MOST_ROWS]),
        n_taken=sum(row.state in taken for row in rows),
        unclear=unclear[:MOST_ROWS], n_unclear=len(places.refused), unread=unread,
        suggested="" if rows or not unread else suggest_pattern(
            tuple(Path(name) for name in unread), block=tray.asked.block),
        not_listed=places.not_listed, unread_columns=() if tray.manifest is None else
        unread_columns(read_cells(tray.manifest).rows[0][1], tray.asked.chosen)))


@blueprint.get("/photographs/columns")
def photograph_columns() -> ResponseReturnValue:
    """Show the manifest's columns, and ask which is what."""
    if current_person() is None:
        return redirect(url_for("people.me", next=request.path))
    tray = _tray()
    return redirect(url_for("season.photographs")) if tray.manifest is None else _columns_page(tray)


@blueprint.post("/photographs/columns")
def photograph_columns_chosen() -> ResponseReturnValue:
    """Keep which column is what, and show the preview."""
    tray = _tray()
    chosen = chosen_columns(COLUMNS)
    try:
        tray.ask(replace(tray.asked, columns=json.dumps(chosen)))
        tray.look_over()
    except BudvisionError as error:
        return _columns_page(tray, told(error)), 400
    return redirect(url_for("season.preview"), 303)


def _columns_page(tray: Tray, problem: str = "") -> str:
    if tray.manifest is None:
        raise InputError("there is no manifest", where="photographs", do="Send one first.",
                         expected="a table that says which bud each photograph shows")
    return columns_page(
        read_cells(tray.manifest), COLUMNS, n_needed=5, chosen=tray.asked.chosen,
        fixed={"block": "", "cut": "1"}, back=url_for("season.photographs"), problem=problem)


@blueprint.post("/photographs/undo")
def photographs_undone() -> ResponseReturnValue:
    """Take an intake back while no call hangs on it."""
    n = undo_intake(current_season(), request.form.get("note", ""), person_id=need_person().id)
    flash(say_n("{n} photograph was taken back; it stands with no bud now.",
                "{n} photographs were taken back; they stand with no bud now.", n))
    return redirect(url_for("season.photographs"), 303)


@blueprint.post("/photographs/clear")
def photographs_cleared() -> ResponseReturnValue:
    """Throw away what was sent and not taken in."""
    _tray().clear()
    flash(say("The photographs that were sent were put away; the season is as it was."))
    return redirect(url_for("season.photographs"), 303)


@blueprint.post("/photographs/take")
def photographs_taken() -> ResponseReturnValue:
    """Take the tray in and propose for what waits, beside the pages."""
    person, tray = need_person(), _tray()
    if not tray.n_files:
        flash(say("No photograph lies in the tray; send some first."))
        return redirect(url_for("season.photographs"), 303)

    away = tray.set_off()
    if not ask("intake", person.name, {
        "tray": away.folder.name, "person_id": person.id, "person": person.name,
    }):
        away.put_back()
        flash(say("Photographs are being taken in already; take yours in when that is done."))
    return redirect(url_for("season.photographs"), 303)


def _unclear(places: Places) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the names that are not of the pattern, and why other files cannot be used."""
    unread = tuple(one.file for one in places.refused if one.error.code == "name_not_of_pattern")
    return unread, tuple(told(one.error) for one in places.refused if one.file not in unread)


def _words(row: Foreseen, moved: bool) -> str:
    """Say what would happen to one photograph."""
    if moved and row.state == "elsewhere":
        return say("moved here from its place in the season")
    return say(_STATES[row.state])

