"""The page on which a person corrects outlines."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from flask import jsonify, render_template, request
from flask.typing import ResponseReturnValue

from budvision.errors import ConflictError, InputError
from budvision.language import say
from budvision.store.queries import blocks, canes
from budvision.store.queries.calls import call_history
from budvision.store.queries.photos import assignment_of, photo_by_id
from budvision.store.queries.proposals import current_region, regions_of_photo
from budvision.vocabulary import TISSUES
from budvision.web.asked import json_object, needed_integer
from budvision.web.current import current_season
from budvision.web.people import need_person
from budvision.web.review.asked import MAX_NOTE, tissue_named
from budvision.web.review.door import blueprint
from budvision.workflow.review import regions as work
from budvision.workflow.review.history import place_words
from budvision.workflow.review.outlines import outline_of_mask, outlines
from budvision.workflow.review.pictures import face_box
from budvision.workflow.review.readings import hidden_from
from budvision.workflow.review.steps import Step
from budvision.workflow.review.taken_back import take_back

__all__: list[str] = []

_MAX_STEPS = 100


@dataclass(frozen=True, slots=True)
class OutlinesPage:
    """What the page of corrections starts from."""

    cut: dict[str, Any]
    title: str
    back: str
    by: str


def _steps(given: object) -> list[Step]:
    if not isinstance(given, list) or len(given) > _MAX_STEPS:
        raise InputError("the steps are not understood", where="outlines",
                         expected=f"a list of at most {_MAX_STEPS} steps")
    steps = []
    for one in given:
        if not isinstance(one, dict):
            raise InputError(f"a step is {one!r}", expected="an object", where="outlines")
        try:
            points = tuple((float(row), float(col)) for row, col in one.get("points") or ())
        except (TypeError, ValueError):
            raise InputError("a point is not understood", where="outlines",
                             expected="row and column") from None
        steps.append(Step(
            str(one.get("kind")), tissue_named(one["tissue"]) if one.get("tissue") else None,
            tissue_named(one["to"]) if one.get("to") else None, points,
            str(one.get("mode") or "replace"),
        ))
    return steps


def _refuse_hidden(photo_id: int) -> None:
    """Keep a blind bud's outlines from sight until it is called."""
    season = current_season()
    with season.read() as conn:
        placed = assignment_of(conn, photo_id)
        if placed is None or placed.bud_id is None:
            return
        place = canes.bud_place(conn, placed.bud_id)
        sampling = blocks.sampling_by_id(conn, place.sampling_id)
        history = call_history(conn, placed.bud_id)
        hidden = hidden_from(conn, season.settings, place, sampling, history, "first")
    if hidden:
        raise ConflictError(
            "the outlines of this bud stay hidden until it is called", where="outlines",
            do="Call the bud first; then its outlines can be corrected.",
        )


@blueprint.get("/cut/<int:photo_id>/outlines")
def correct_outlines(photo_id: int) -> ResponseReturnValue:
    """Show a cut with tools to correct its outlines."""
    _refuse_hidden(photo_id)
    season = current_season()
    with season.read() as conn:
        photo = photo_by_id(conn, photo_id)
        region = current_region(conn, photo_id)
        n_versions = len(regions_of_photo(conn, photo_id))
        placed = assignment_of(conn, photo_id)
        title = photo.file_name
        if placed is not None and placed.bud_id is not None:
            place = canes.bud_place(conn, placed.bud_id)
            title = place_words(place, cut=placed.cut)
    back = request.args.get("back", "")
    if not back.startswith("/review/") or "//" in back or "\\" in back:
        back = "/review"
    by = "" if region is None else (
        say("by hand") if region.person_id is not None else say("by the program"))
    cut = {
        "photo_id": photo.id, "width_px": photo.width_px, "height_px": photo.height_px,
        "box": face_box(region, photo.height_px, photo.width_px),
        "version": 0 if region is None else region.id, "mm_per_px": None, "n_kept": n_versions,
        "outlines": {t.value: asdict(one) for t, one in outlines(region).items()},
    }
    return render_template("review/outlines.html", page=OutlinesPage(cut, title, back, by))


@blueprint.post("/cut/<int:photo_id>/outlines/preview")
def preview_outlines(photo_id: int) -> ResponseReturnValue:
    """Answer what the steps would give."""
    _refuse_hidden(photo_id)
    labels, box = work.preview(current_season(), photo_id, _steps(json_object().get("steps")))
    found = {}
    for tissue in TISSUES:
        one = outline_of_mask(labels == tissue.label, box)
        if one is not None:
            found[tissue.value] = asdict(one)
    return jsonify({"ok": True, "outlines": found})


@blueprint.post("/cut/<int:photo_id>/outlines")
def keep_outlines(photo_id: int) -> ResponseReturnValue:
    """Keep a correction and compute the proposals again."""
    _refuse_hidden(photo_id)
    given = json_object()
    note = str(given.get("note") or "").strip()
    if len(note) > MAX_NOTE:
        raise InputError(f"the note has {len(note)} characters", expected=f"at most {MAX_NOTE}",
                         where="outlines", do="Shorten it.")
    done = work.correct(
        current_season(), photo_id, _steps(given.get("steps")), person=need_person(), note=note
    )
    return jsonify({"ok": True, **asdict(done)})


@blueprint.post("/cut/<int:photo_id>/outlines/undo")
def take_outlines_back(photo_id: int) -> ResponseReturnValue:
    """Take back one's own correction; what stood before stands again."""
    _refuse_hidden(photo_id)
    region_id = take_back(
        current_season(), photo_id, needed_integer(json_object(), "region_id", where="outlines"),
        person=need_person(),
    )
    return jsonify({"ok": True, "region_id": region_id})
