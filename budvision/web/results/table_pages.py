"""A tally table by page: what it answers or what is wrong with it; kept by a person's word."""

from __future__ import annotations

import zlib
from base64 import b64decode, b64encode
from dataclasses import dataclass
from pathlib import PurePath

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from budvision.errors import BudvisionError, InputError
from budvision.language import say_n, told
from budvision.report.answer import AnswerWords, answer_words
from budvision.store.queries.blocks import sampling_labels
from budvision.web.current import current_season
from budvision.web.people import need_person
from budvision.web.results.door import blueprint
from budvision.workflow.answers.answers import block_policies
from budvision.workflow.answers.tally import tally_file
from budvision.workflow.review.calls_table import import_calls

_MOST_PACKED = 400_000
_MOST_BYTES = 20_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class TablePage:
    """What the page of a tally table shows.

    Attributes
    ----------
    problem : str
        What is wrong with the table; nothing of it is kept.
    packed : str
        The table itself for storing it, empty where a season cannot keep it (counts a cane).
    """

    samplings: tuple[str, ...]
    name: str = ""
    problem: str = ""
    packed: str = ""
    counted: bool = False
    n_buds: int = 0
    answers: tuple[tuple[str, AnswerWords], ...] = ()
    warnings: tuple[str, ...] = ()


def _shown(**facts: object) -> str:
    with current_season().read() as conn:
        labels = sampling_labels(conn)
    return render_template("results/table.html", page=TablePage(samplings=labels, **facts))  # type: ignore[arg-type]


@blueprint.get("/table")
def table() -> ResponseReturnValue:
    """Show the form."""
    return _shown()


@blueprint.post("/table")
def table_tried() -> ResponseReturnValue:
    """Show what a table would answer, or what is wrong with it; keep nothing."""
    file = request.files.get("file")
    name = PurePath(file.filename or "").name if file is not None else ""
    if file is None or not name:
        return _shown(problem="no file was chosen"), 400
    return _tried(file.read(), name)


def _tried(data: bytes, name: str, problem: str = "") -> ResponseReturnValue:
    season = current_season()
    policies = block_policies(season)
    try:
        found = tally_file(data, name=name, settings=season.settings, policies=policies)
    except BudvisionError as error:
        return _shown(name=name, problem=told(error)), 400
    packed = b64encode(zlib.compress(data, 9)).decode()
    policy = policies[season.settings.policy]
    page = _shown(
        name=name, problem=problem, counted=found.counted,
        packed="" if found.counted or len(packed) > _MOST_PACKED else packed,
        n_buds=sum(one.n_buds for one in found.results), warnings=found.warnings,
        answers=tuple((one.block, answer_words(one))
                      for one in found.facts(policy, policies=policies)))
    return (page, 400) if problem else page


@blueprint.post("/table/store")
def table_stored() -> ResponseReturnValue:
    """Keep a table that was shown as this person's calls, all of it or nothing."""
    person, form = need_person(), request.form
    try:
        opened = zlib.decompressobj()
        data = opened.decompress(b64decode(form.get("packed", ""), validate=True), _MOST_BYTES)
        if not opened.eof:
            raise ValueError("more than a table holds")
    except (ValueError, zlib.error) as error:
        raise InputError("the table did not come back whole", where="the form",
                         do="Send the file again; nothing was kept.") from error
    name = form.get("name", "")
    try:
        kept = import_calls(
            current_season(), data, name=name, reviewer=person.name,
            sampling=form.get("sampling", "").strip() or None, create=form.get("create") == "yes")
    except BudvisionError as error:
        return _tried(data, name, told(error))
    flash(say_n("{n} call of {person} was kept.", "{n} calls of {person} were kept.",
                kept.n_calls, person=kept.reviewer))
    return redirect(url_for("results.overview", sampling=kept.sampling), 303)
