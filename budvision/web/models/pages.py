"""The models' pages: thin over `models` and `train` of `budvision.workflow.learning`."""

from __future__ import annotations

from dataclasses import dataclass

from flask import Blueprint, current_app, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from markupsafe import Markup

from budvision.errors import BudvisionError, NothingToDoError
from budvision.language import mark, percent_text, say, told
from budvision.report.words import percent_range
from budvision.store.counts import newest_ids
from budvision.store.queries.models import Promotion, list_promotions
from budvision.store.queries.people import Person, list_people
from budvision.verdict.compare import Comparison
from budvision.verdict.watch import ChartPoint
from budvision.web.current import current_season, on_loopback
from budvision.web.models.card import card_page
from budvision.web.models.slips import search_of
from budvision.web.people import current_person, need_person
from budvision.web.work import ask, next_work, shown_work
from budvision.workflow.jobs.queue import cancel
from budvision.workflow.learning.agreed import Agreed
from budvision.workflow.learning.anew import count_out_of_step
from budvision.workflow.learning.models import (
    Candidate,
    Slip,
    Watched,
    compare_models,
    go_back,
    list_candidates,
    model_folder,
    promote_model,
    watch_model,
)

__all__ = ["blueprint"]

blueprint = Blueprint("models", __name__, url_prefix="/models", template_folder="templates")

WIDTH, HEIGHT, EDGE, LEFT = 640, 200, 36, 96
"""The left edge has room for "100 %" in the letters of a phone (`.chart text` in budvision.css)."""
MOST_TICKS = 6
MOST_DOTS = 60
"""Points of the control chart that can be told apart in its width; the newest are drawn."""
SEARCHING = (mark("Calls of photographed buds are being compared"),
             mark("Takes seconds, longer where photographs have not been looked at."))
_SLIPS_WAIT_S = 0.3
"""A small season's slips are found by then; the page is to answer in under a second."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """The control chart in the drawing's own units."""

    dots: tuple[tuple[float, float, bool, str], ...]
    line: str
    low: str
    centre: str
    ticks: tuple[tuple[float, str], ...]
    width: int = WIDTH
    height: int = HEIGHT
    edge: int = EDGE
    left: int = LEFT


@dataclass(frozen=True, slots=True, kw_only=True)
class OverviewPage:
    """What the first page of the models shows."""

    models: tuple[Candidate, ...]
    watched: Watched | None
    trouble: str
    chart: Chart | None
    history: tuple[Promotion, ...]
    may_decide: bool
    leads: str
    work: dict[str, object] | None
    next: tuple[str, ...]
    n_out_of_step: int

    def agreed(self, one: Agreed) -> str:
        """Word how many blind calls of one value a model agreed with."""
        if one.interval is None:
            return say("none called")
        return say("{n_same} of {n} ({range})", n_same=one.n_same, n=one.n,
                   range=percent_range(one.interval.low, one.interval.high).replace(
                       " %", "\u00a0%"))


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelPage:
    """One model against the one in use."""

    model: Candidate
    comparison: Comparison | None
    blind_only: bool
    trouble: str
    card: Markup
    may_decide: bool


@dataclass(frozen=True, slots=True)
class SlipsPage:
    """Calls worth a second look; None while they are being looked for."""

    called: bool
    slips: tuple[Slip, ...] | None
    searching: tuple[str, str]


def _leads() -> list[Person]:
    with current_season().read() as conn:
        return [p for p in list_people(conn) if p.role == "lead" and p.active]


def _may_decide() -> bool:
    person = current_person()
    return person is not None and (on_loopback() or person.role == "lead")


def chart_of(points: tuple[ChartPoint, ...]) -> Chart | None:
    """Place the points of a control chart in the drawing; None where there are none."""
    if not points:
        return None
    bottom = min(0.5, *(min(p.agreement, p.low) for p in points))
    step = (WIDTH - LEFT - EDGE) / max(len(points) - 1, 1)

    def x(i: int) -> float:
        return round(LEFT + i * step, 1)

    def y(share: float) -> float:
        return round(EDGE / 2 + (1 - share) / (1 - bottom) * (HEIGHT - 1.5 * EDGE), 1)

    def path(values: list[float]) -> str:
        return " ".join(f"{x(i)},{y(v)}" for i, v in enumerate(values))

    tenths = range(10, round(bottom * 10 + 0.499) - 1, -1)
    levels = [v / 10 for v in tenths[::1 if len(tenths) <= MOST_TICKS else 2]]
    return Chart(
        dots=tuple((x(i), y(p.agreement), p.out, say(
            "{day}: {share} of {n}", day=p.at[:10],
            share=percent_text(round(100 * p.agreement)), n=p.n)) for i, p in enumerate(points)),
        line=path([p.agreement for p in points]), low=path([p.low for p in points]),
        centre=path([p.centre for p in points]),
        ticks=tuple((y(v), percent_text(round(100 * v))) for v in levels))


@blueprint.get("/")
def overview() -> ResponseReturnValue:
    """Show which model proposes, how it does, and the models at hand."""
    season = current_season()
    watched, trouble, n_out_of_step = None, "", 0
    try:
        n_out_of_step = count_out_of_step(season)
        watched = watch_model(season)
    except BudvisionError as error:
        trouble = told(error)
    with season.read() as conn:
        history = tuple(reversed(list_promotions(conn)))
    page = OverviewPage(
        models=tuple(list_candidates(season)), watched=watched, trouble=trouble,
        chart=None if watched is None else chart_of(watched.points[-MOST_DOTS:]), history=history,
        may_decide=_may_decide(),
        leads=", ".join(p.name for p in _leads()), work=shown_work(), next=next_work(),
        n_out_of_step=n_out_of_step)
    return render_template("models/overview.html", page=page)


@blueprint.get("/one/<label>")
def one(label: str) -> ResponseReturnValue:
    """Show a model's card and its comparison with the model in use."""
    season = current_season()
    folder = model_folder(season, label)
    found = next(c for c in list_candidates(season) if c.label == label)
    blind_only = request.args.get("calls") != "all"
    comparison, trouble = None, ""
    if not found.in_use:
        try:
            comparison = compare_models(season, label, blind_only=blind_only)
        except NothingToDoError as error:
            trouble = told(error)
    card = folder / "CARD.md"
    text = card.read_text(encoding="utf-8") if card.exists() else "This model has no card."
    page = ModelPage(model=found, comparison=comparison, blind_only=blind_only, trouble=trouble,
                     card=card_page(text), may_decide=_may_decide())
    return render_template("models/one.html", page=page)


@blueprint.get("/slips")
def slips() -> ResponseReturnValue:
    """List calls that look like slips of the hand, or say that they are being looked for."""
    with current_season().read() as conn:
        called = newest_ids(conn)["call"] > 0
    return render_template("models/slips.html", page=SlipsPage(
        called, search_of(current_app).look(current_season(), wait_s=_SLIPS_WAIT_S),
        (say(SEARCHING[0]), say(SEARCHING[1]))))


@blueprint.get("/slips/work")
def slips_work() -> ResponseReturnValue:
    """Tell, as JSON, whether slips are being looked for."""
    going_on = search_of(current_app).going_on
    title, what = say(SEARCHING[0]), say(SEARCHING[1])
    return {"ok": True, "work": {"title": title, "state": "running", "what": what, "done": 0,
                                 "total": 0} if going_on else None}


@blueprint.get("/work")
def work() -> ResponseReturnValue:
    """Tell how far the work of these pages is, as JSON."""
    return {"ok": True, "work": shown_work()}


@blueprint.post("/work/<int:job_id>/cancel")
def cancel_work(job_id: int) -> ResponseReturnValue:
    """Cancel work that waits or runs."""
    need_person()
    stopping = cancel(current_season(), job_id) == "stopping"
    flash(say("It stops at its next step.") if stopping else say("It was cancelled."))
    return redirect(url_for("models.overview"), 303)


@blueprint.post("/train")
def train_now() -> ResponseReturnValue:
    """Train a candidate on the season's calls, beside the pages."""
    if not ask("train", need_person().name):
        flash(say("A training runs already; there is one at a time."))
    return redirect(url_for("models.overview"), 303)


@blueprint.post("/look-again")
def look_again() -> ResponseReturnValue:
    """Propose anew for waiting buds that show another model's proposals."""
    ask("look-again", need_person().name)
    return redirect(url_for("models.overview"), 303)


@blueprint.post("/one/<label>/promote")
def promote(label: str) -> ResponseReturnValue:
    """Let a model propose from now on, first of all for the buds that wait."""
    person = need_person()
    done = promote_model(
        current_season(), label, person=person.name, reason=request.form.get("reason", ""))
    flash(say("{model} proposes from now on, as {person} decided.", model=done,
              person=person.name))
    ask("look-again", person.name)
    return redirect(url_for("models.overview"), 303)


@blueprint.post("/back")
def back() -> ResponseReturnValue:
    """Let the model before propose again, first of all for the buds that wait."""
    person = need_person()
    done = go_back(current_season(), person=person.name, reason=request.form.get("reason", ""))
    flash(say("{model} proposes again, as {person} decided.", model=done,
              person=person.name))
    ask("look-again", person.name)
    return redirect(url_for("models.overview"), 303)
