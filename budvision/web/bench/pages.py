"""The bench's pages and what they send and fetch."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flask import (
    Blueprint,
    Response,
    abort,
    current_app,
    flash,
    redirect,
    render_template,
    request,
    url_for,
)
from flask.typing import ResponseReturnValue
from flask_wtf.csrf import generate_csrf

from budvision.errors import ConflictError, InputError
from budvision.language import mark, say, say_n, told
from budvision.store.queries.blocks import Sampling, sampling_by_id
from budvision.store.session import Season
from budvision.store.session import now as this_moment
from budvision.vineyard.sample_plan import SamplePlan, counted_nodes
from budvision.web.asked import decimal, integer, json_object, needed_integer, text
from budvision.web.bench import phone
from budvision.web.current import current_season
from budvision.web.people import current_person, need_person
from budvision.workflow.bench import bench
from budvision.workflow.bench.model import BenchModel, get_ready, model_is_loading, season_model
from budvision.workflow.bench.picture import small_picture
from budvision.workflow.intake.assignment import (
    AssignmentBoard,
    assign_from_page,
    assignment_board,
)
from budvision.workflow.sampling import plan, soak
from budvision.workflow.sampling.decide import plan_facts
from budvision.workflow.sampling.paper import PAPER_KINDS, bench_paper, photo_cards

__all__ = ["blueprint"]

blueprint = Blueprint("bench", __name__, url_prefix="/bench", template_folder="templates",
                      static_folder="static", static_url_path="/static")
blueprint.add_url_rule("/authority.crt", view_func=phone.authority)
blueprint.add_url_rule("/manifest.webmanifest", view_func=phone.manifest)

ROWS_A_PAGE = 50
TIMES = ("collected_at", "in_water_at", "out_of_water_at")
PROPOSER_KEY = "budvision.bench.propose"
"""In `app.extensions`: a model to ask instead of the season's own (tests)."""
CAUTION = mark(
    "Razor blades cut people: cut away from your fingers, hold the cane and not the bud, cover the "
    "blade, and put used blades into a sharps container.")


@dataclass(frozen=True, slots=True, kw_only=True)
class StartPage:
    """What the list of samplings shows; `block` is the part of a name that is looked for.

    `address` is what a phone opens, with its code as SVG; empty where only this computer can.
    `fingerprint` is that of the season's own authority, empty where it has none.
    """

    rows: list[bench.BenchRow]
    block: str
    page: int
    n_pages: int
    address: str
    code: str
    fingerprint: str
    caution: str = CAUTION


@dataclass(frozen=True, slots=True)
class BenchPage:
    """What the bench page starts from; `board` is what it asks for again while cutting."""

    sampling_id: int
    board: dict[str, Any]
    causes: tuple[tuple[str, str], ...] = (
        ("mites", mark("Mites")), ("old_wood", mark("Old dead wood")),
        ("mechanical", mark("Mechanical")), ("necrosis", mark("Necrosis")),
        ("disease", mark("Disease")),
    )
    caution: str = CAUTION


@dataclass(frozen=True, slots=True)
class PlanPage:
    """What the plan's form shows again after a mistake."""

    values: dict[str, str]
    error: str
    caution: str = CAUTION


@dataclass(frozen=True, slots=True)
class PlanShownPage:
    """A plan that is kept, with what it says of stopping early."""

    sampling_id: int
    plan: SamplePlan
    facts: dict[str, Any]
    caution: str = CAUTION


@dataclass(frozen=True, slots=True)
class SoakPage:
    """The soaking clock of a sampling; `local` holds its times as a form writes them."""

    sampling: Sampling
    clock: soak.SoakClock
    local: dict[str, str]
    ready: str
    caution: str = CAUTION


@dataclass(frozen=True, slots=True)
class AssignPage:
    """Photographs without a place, as film strips, and the samplings that may take them."""

    board: AssignmentBoard


def _model(season: Season) -> BenchModel:
    given = current_app.extensions.get(PROPOSER_KEY)
    return BenchModel(given) if given is not None else season_model(season)


@blueprint.get("/")
def start() -> ResponseReturnValue:
    """Show the samplings."""
    address = phone.address()
    block = request.args.get("block", "").strip()
    rows = bench.bench_list(current_season(), block=block)
    n_pages = max(1, -(-len(rows) // ROWS_A_PAGE))
    page = min(n_pages, integer(request.args, "page", low=1) or 1)
    return render_template("bench/start.html", page=StartPage(
        rows=rows[(page - 1) * ROWS_A_PAGE:page * ROWS_A_PAGE], block=block, page=page,
        n_pages=n_pages, address=address, code=phone.code(address),
        fingerprint=phone.fingerprint()))


@blueprint.get("/plan")
def plan_form() -> ResponseReturnValue:
    """Show the form of a new plan."""
    return render_template("bench/plan.html", page=PlanPage({}, ""))


@blueprint.post("/plan")
def make_plan() -> ResponseReturnValue:
    """Make a plan from the form and keep it."""
    need_person()
    values = {name: value.strip() for name, value in request.form.items()}
    season = current_season()
    try:
        layout = plan.describe_block(
            values.get("block", ""), n_rows=integer(values, "rows", where="plan"),
            n_vines=integer(values, "vines", where="plan"),
            zones=values.get("zones", ""), missing=values.get("missing", ""),
            sizes=values.get("sizes", ""))
        known = plan.known_block(season, values.get("block", ""))
        training = values.get("training") or known.training
        nodes = plan.choose_nodes(integer(values, "nodes", where="plan"), training=training)
        share = _percent(values, "share") or 0.3
        canes, why = plan.choose_canes(
            canes=integer(values, "canes", where="plan"),
            nodes=counted_nodes(nodes, training), share=share,
            icc=season.settings.prior_icc, edge=_percent(values, "edge"),
            margin=_percent(values, "margin") or 0.1, sure=_percent(values, "sure"))
        made = plan.plan_sample(
            layout, settings=season.settings, sampling=values.get("sampling", ""), canes=canes,
            nodes=nodes, share=share, draw=integer(values, "draw", where="plan") or 1,
            cultivar=values.get("cultivar") or known.cultivar, training=training,
            policy=known.policy, folder=season.folder)
        sampling_id = plan.save_plan(season, made)
    except InputError as error:
        return render_template("bench/plan.html", page=PlanPage(values, told(error))), 400
    flash(say_n("{n} cane: {why}.", "{n} canes: {why}.", canes, why=why))
    return redirect(url_for("bench.show_plan", sampling_id=sampling_id))


def _percent(values: dict[str, str], name: str) -> float | None:
    text = values.get(name, "").removesuffix("%").strip()
    return decimal(text, name, where="plan",
                   expected="percent, for instance 35") / 100 if text else None


@blueprint.get("/<int:sampling_id>/plan")
def show_plan(sampling_id: int) -> ResponseReturnValue:
    """Show a plan and its paper."""
    season = current_season()
    made = plan.season_plan(season, sampling_id)
    return render_template("bench/plan_shown.html", page=PlanShownPage(
        sampling_id, made, plan_facts(made, season.settings, folder=season.folder)))


@blueprint.get("/<int:sampling_id>/paper/<kind>.pdf")
def paper(sampling_id: int, kind: str) -> ResponseReturnValue:
    """Give one paper of a plan."""
    if kind not in PAPER_KINDS:
        abort(404)
    season = current_season()
    size = request.args.get("paper", season.settings.paper)
    if kind == "card":
        data = photo_cards(paper=size)
    else:
        made = bench_paper(plan.season_plan(season, sampling_id), kinds=(kind,), paper=size,
                           tag=request.args.get("tag", "cut"), settings=season.settings,
                           folder=season.folder)
        data = next(iter(made.values()))
    return Response(data, mimetype="application/pdf")


@blueprint.get("/<int:sampling_id>")
def table(sampling_id: int) -> ResponseReturnValue:
    """Show the bench."""
    season = current_season()
    if current_person() is None:
        return redirect(url_for("people.me", next=request.path))
    if PROPOSER_KEY not in current_app.extensions:   # loaded while the first bud is being cut
        threading.Thread(target=get_ready, args=(season,), daemon=True).start()
    board = bench.bench_board(season, sampling_id)
    return render_template("bench/bench.html", page=BenchPage(sampling_id, board))


@blueprint.get("/worker.js")
def worker() -> ResponseReturnValue:
    """Give the script that keeps the bench page in the browser; its scope is the bench."""
    text = (Path(__file__).parent / "static" / "worker.js").read_text(encoding="utf-8")
    return Response(text, mimetype="text/javascript", headers={"Cache-Control": "no-cache"})


@blueprint.get("/<int:sampling_id>/board")
def board(sampling_id: int) -> ResponseReturnValue:
    """Give what the bench page shows, as JSON."""
    season = current_season()
    loading = PROPOSER_KEY not in current_app.extensions and model_is_loading(season)
    return bench.bench_board(season, sampling_id) | {"model_loading": loading}


@blueprint.get("/token")
def token() -> ResponseReturnValue:
    """Give a fresh token to a page that was open through a lost network."""
    return {"ok": True, "token": generate_csrf()}


@blueprint.post("/<int:sampling_id>/photo")
def photo(sampling_id: int) -> ResponseReturnValue:
    """Take one photograph and answer it."""
    person = need_person(named=request.form.get("person"))
    season = current_season()
    file = request.files.get("photo")
    if file is None:
        raise InputError("no photograph came", expected="one file named photo", where="bench",
                         do="Take the photograph again.")
    _same_sampling(season, sampling_id, request.form)
    model = _model(season)
    taken = bench.take_photo(
        season, file.read(), sampling_id=sampling_id, cane=request.form.get("cane", ""),
        node=needed_integer(request.form, "node", where="bench"),
        cut=needed_integer(request.form, "cut", where="bench"),
        person_id=person.id, name=file.filename or "photo",
        retake=request.form.get("retake") == "yes", propose=model.propose, used=model.used)
    payload = taken.as_dict()
    if model.trouble:
        payload["remarks"].append(
            say("Nobody looks at the photographs here: {why}", why=model.trouble))
    return payload


def _same_sampling(season: Season, sampling_id: int, given: Mapping[str, Any]) -> None:
    """Refuse what a browser kept for another season that was served at this address before."""
    with season.read() as conn:
        here = sampling_by_id(conn, sampling_id)
    block, label = str(given.get("block", here.block)), str(given.get("label", here.label))
    if (block, label) != (here.block, here.label):
        raise ConflictError(
            f"it was taken for block {block} sampling {label}", where="bench",
            expected=f"block {here.block} sampling {here.label}", code="other_season",
            do="Serve that season again and open its bench in this browser, or discard it.",
        )


@blueprint.post("/<int:sampling_id>/mark", endpoint="mark")
def mark_node(sampling_id: int) -> ResponseReturnValue:
    """Mark a node or a cause."""
    body = json_object()
    person = need_person(named=text(body, "person"))
    _same_sampling(current_season(), sampling_id, body)
    bench.mark_bud(current_season(), sampling_id=sampling_id, cane=str(body.get("cane", "")),
                   node=needed_integer(body, "node", where="bench"), kind=str(body.get("kind", "")),
                   value=str(body.get("value", "")), person_id=person.id)
    return {"ok": True}


@blueprint.post("/<int:sampling_id>/cane")
def cane(sampling_id: int) -> ResponseReturnValue:
    """Add a cane that was not planned."""
    need_person()
    body = json_object()
    label = bench.add_cane(current_season(), sampling_id, str(body.get("cane", "")))
    return {"ok": True, "cane": label}


@blueprint.post("/<int:sampling_id>/soak")
def soaking(sampling_id: int) -> ResponseReturnValue:
    """Keep the times of the soaking clock."""
    need_person()
    form = request.form
    temperature = form.get("room_temp_c", "").strip()
    room = decimal(temperature, "the room", where="soaking",
                   expected="degrees Celsius") if temperature else None
    now = form.get("now", "")
    times: dict[str, str | None] = {name: form.get(name) for name in TIMES}
    if now in TIMES:
        times = dict.fromkeys(TIMES) | {now: this_moment()}
    soak.record_times(
        current_season(), sampling_id, room_temp_c=room, collected_at=times["collected_at"],
        in_water_at=times["in_water_at"], out_of_water_at=times["out_of_water_at"])
    flash(say("The times are kept."))
    return redirect(url_for("bench.soak_form", sampling_id=sampling_id))


@blueprint.get("/<int:sampling_id>/soak")
def soak_form(sampling_id: int) -> ResponseReturnValue:
    """Show the soaking clock."""
    season = current_season()
    with season.read() as conn:
        sampling = sampling_by_id(conn, sampling_id)
    local = {}
    for name in TIMES:
        moment = soak.parse_time(getattr(sampling, name))
        local[name] = moment.astimezone().strftime("%Y-%m-%dT%H:%M") if moment else ""
    clock = soak.soak_clock(sampling, season.settings)
    ready = soak.parse_time(clock.ready_at)
    return render_template("bench/soak.html", page=SoakPage(
        sampling, clock, local, ready.astimezone().strftime("%A %d %B, %H:%M") if ready else ""))


@blueprint.get("/picture/<sha256>.jpg")
def picture(sha256: str) -> ResponseReturnValue:
    """Give the small picture of a photograph: with outlines where the bench has looked at it."""
    season = current_season()
    return Response(small_picture(season, sha256), mimetype="image/jpeg",
                    headers={"Cache-Control": "private, max-age=60"})


@blueprint.get("/assign")
def assignment() -> ResponseReturnValue:
    """Show the photographs without a place, as film strips."""
    return render_template("bench/assign.html", page=AssignPage(
        assignment_board(current_season())))


@blueprint.post("/assign")
def assignment_done() -> ResponseReturnValue:
    """Put photographs into their places."""
    person = need_person()
    body = json_object()
    n = assign_from_page(current_season(), body.get("places"), person_id=person.id)
    return {"ok": True, "n_placed": n}
