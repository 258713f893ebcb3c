"""The review pages themselves."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from budvision.errors import InputError, NotFoundError
from budvision.language import locale_day, mark, say
from budvision.store.queries import blocks as block_queries
from budvision.store.queries import canes
from budvision.store.queries import review as review_queries
from budvision.store.queries.blocks import Sampling
from budvision.store.queries.calls import call_history
from budvision.store.queries.overview import sampling_counts
from budvision.vocabulary import TISSUES, CallValue, Cause
from budvision.web.asked import integer
from budvision.web.current import current_season, on_loopback
from budvision.web.people import need_person
from budvision.web.review.api import BOOKMARK, facts_of
from budvision.web.review.asked import asked_choice
from budvision.web.review.door import blueprint
from budvision.workflow.review.agreement import Agreement
from budvision.workflow.review.agreement import agreement as measure_agreement
from budvision.workflow.review.history import history_at, place_words, proposal_words
from budvision.workflow.review.likeness import Example, confirmed_examples
from budvision.workflow.review.page import tally_of, tally_of_counts
from budvision.workflow.review.queue import (
    ORDERS,
    SHOWS,
    Choice,
    hand_out,
    open_readings,
    states_of,
    turn,
)
from budvision.workflow.review.readings import hidden_from
from budvision.workflow.review.trial import Trial, decide, note_light, trial

__all__ = ["CAUSE_WORDS"]

ROWS_A_PAGE = 50
"""Samplings that the overview shows at once."""
CAUSE_WORDS = {
    Cause.COLD: mark("cold"), Cause.NECROSIS: mark("primary bud necrosis"),
    Cause.MITES: mark("mites"), Cause.DISEASE: mark("disease"),
    Cause.OLD_WOOD: mark("old or dead wood"), Cause.MECHANICAL: mark("damage by hand or machine"),
    Cause.OTHER: mark("another cause"),
}


@dataclass(frozen=True, slots=True)
class SamplingRow:
    """One sampling on the overview."""

    sampling: Sampling
    tally: dict[str, Any]
    n_second: int
    n_settle: int


@dataclass(frozen=True, slots=True, kw_only=True)
class OverviewPage:
    """What the overview shows; `stopped` is where this person left off.

    Attributes
    ----------
    n_found : int
        Samplings that fit `block` and `waiting`, on all pages.
    block : str
        The part of a block's name that is looked for.
    waiting : bool
        Only samplings in which buds wait.
    """

    rows: tuple[SamplingRow, ...]
    n_found: int
    block: str
    waiting: bool
    page: int
    n_pages: int
    stopped: dict[str, Any] | None
    stopped_where: str
    orders: tuple[str, ...]
    shows: tuple[str, ...]
    trial: Trial


@dataclass(frozen=True, slots=True, kw_only=True)
class BudPage:
    """What the bud's page starts from."""

    facts: dict[str, Any]
    choice: Choice
    orders: tuple[str, ...]
    shows: tuple[str, ...]
    causes: tuple[tuple[str, str], ...]


@blueprint.get("", strict_slashes=False)
def overview() -> ResponseReturnValue:
    """Show the samplings with what waits in them, a page at a time."""
    season, person = current_season(), need_person()
    name = request.args.get("block", "").strip()
    waiting = request.args.get("waiting") == "yes"
    number = integer(request.args, "page", low=1) or 1
    with season.read() as conn:
        samplings, n_found = block_queries.find_samplings(
            conn, name=name, waiting=waiting, first=(number - 1) * ROWS_A_PAGE, most=ROWS_A_PAGE)
        n_pages = max(1, -(-n_found // ROWS_A_PAGE))
        if number > n_pages:
            return redirect(url_for("review.overview", page=n_pages, block=name or None,
                                    waiting="yes" if waiting else None))
        far = {one.sampling_id: one
               for one in sampling_counts(conn, [one.id for one in samplings])}
        open_ = open_readings(season, conn, samplings, far, person)
        rows = [SamplingRow(one, tally_of_counts(far[one.id]), *open_[one.id])
                for one in samplings]
        on_trial = trial(season, conn)
        stopped = review_queries.get_bookmark(conn, person.id, BOOKMARK)
        where = ""
        if stopped:
            place = canes.bud_place(conn, stopped["bud_id"])
            where = place_words(place)
    return render_template("review/overview.html", page=OverviewPage(
        rows=tuple(rows), n_found=n_found, block=name, waiting=waiting, page=number,
        n_pages=n_pages, stopped=stopped, stopped_where=where,
        orders=ORDERS, shows=SHOWS, trial=on_trial,
    ))


@dataclass(frozen=True, slots=True)
class DonePage:
    """A sampling in which nothing is left for a person under their choice."""

    sampling: Sampling
    choice: Choice
    tally: dict[str, Any]


@blueprint.get("/sampling/<int:sampling_id>")
def start(sampling_id: int) -> ResponseReturnValue:
    """Go to the first bud of the queue, or to where the person stopped."""
    season, person, choice = current_season(), need_person(), asked_choice()
    note_light(season, sampling_id)
    with season.read() as conn:
        sampling = block_queries.sampling_by_id(conn, sampling_id)
        stopped = review_queries.get_bookmark(conn, person.id, BOOKMARK) or {}
        last = stopped.get("bud_id") if stopped.get("sampling_id") == sampling_id else None
        states = states_of(season, conn, sampling_id, doubts=choice.order == "doubtful")
        coming = turn(conn, season.settings, sampling, person, choice, last, states=states)
    if last in coming.bud_ids:  # where the person stopped comes first, if it is still free
        coming = replace(coming, bud_ids=(last, *coming.bud_ids))
    with season.write(of_the_moment=True) as conn:
        handed = hand_out(conn, coming, person, choice, n=1)
    if not handed:
        return render_template(
            "review/done.html", page=DonePage(sampling, choice, tally_of(states)))
    return redirect(url_for("review.bud", bud_id=handed[0], **asdict(choice)))


@blueprint.get("/sampling/<int:sampling_id>/find")
def find(sampling_id: int) -> ResponseReturnValue:
    """Go to the bud at a node of a cane."""
    node = integer(request.args, "node")
    cane, vine = request.args.get("cane", ""), request.args.get("vine", "")
    with current_season().read() as conn:
        sampling = block_queries.sampling_by_id(conn, sampling_id)
        found = None if node is None else canes.find_bud(conn, sampling_id, cane, node, vine=vine)
    if found is None:
        raise NotFoundError(
            f"cane {cane!r} has no node {node}", where=f"{sampling.block}, {sampling.label}",
            expected="a cane and a node of this sampling", do="Go back and correct them.",
            code="no_bud",
        )
    return redirect(url_for("review.bud", bud_id=found.id, show="all"))


@blueprint.get("/bud/<int:bud_id>")
def bud(bud_id: int) -> ResponseReturnValue:
    """Show one bud to be called."""
    season, person, choice = current_season(), need_person(), asked_choice()
    with season.read() as conn:
        facts = facts_of(season, conn, bud_id, person, choice)
    return render_template("review/bud.html", page=BudPage(
        facts=facts, choice=choice, orders=ORDERS, shows=SHOWS,
        causes=tuple((c.value, say(w)) for c, w in CAUSE_WORDS.items()),
    ))


@dataclass(frozen=True, slots=True)
class HistoryPage:
    """Everything that was ever kept of one bud; while proposals are hidden, without them."""

    bud_id: int
    events: dict[str, Any]
    hidden: bool


@blueprint.get("/bud/<int:bud_id>/history")
def history(bud_id: int) -> ResponseReturnValue:
    """Show a bud's whole history: its cuts, what models said, what people called."""
    with current_season().read() as conn:
        place = canes.bud_place(conn, bud_id)
        events = history_at(conn, place)
        hidden = hidden_from(
            conn, current_season().settings, place,
            block_queries.sampling_by_id(conn, place.sampling_id), call_history(conn, bud_id),
            "first")
    cuts = [{**cut, "proposals": [] if hidden else [
        {**one, "proposal_words": proposal_words(one)} for one in cut["proposals"]]}
        for cut in events["cuts"]]
    return render_template("review/history.html",
                           page=HistoryPage(bud_id, {**events, "cuts": cuts}, hidden))


@dataclass(frozen=True, slots=True)
class AgreementPage:
    """What the agreement page shows."""

    found: Agreement
    confidence: float
    blind_share: float
    second_share: float
    words: tuple[str, ...]


@blueprint.get("/agreement")
def agreement() -> ResponseReturnValue:
    """Show how the model agrees with blind calls, and people with each other."""
    season = current_season()
    settings = season.settings
    return render_template("review/agreement.html", page=AgreementPage(
        measure_agreement(season), settings.confidence,
        settings.blind_share, settings.second_read_share,
        (say("live"), say("dead"), say("unsure"), say("not exposed")),
    ))


@dataclass(frozen=True, slots=True)
class TrialPage:
    """What the page of the trial shows."""

    trial: Trial
    notice: str
    confidence: float
    may_decide: bool


@blueprint.get("/trial")
def trial_page() -> ResponseReturnValue:
    """Show how far trust is earned, and ask the lead to decide."""
    season, person = current_season(), need_person()
    with season.read() as conn:
        found = trial(season, conn)
    row = found.decided
    named = {} if row is None else {
        "day": locale_day(row.added_at), "person": row.person, "reason": row.reason,
        "model": row.facts.get("model", "")}
    notice = "" if row is None else say({
        "again": mark("Readers saw the program's proposals until {day}. Since then {model} "
                      "proposes, and its proposals are hidden until it has earned trust."),
        "shown": mark("{person} decided on {day} that proposals are shown: {reason}"),
        "hidden": mark("{person} decided on {day} that proposals are hidden: {reason}"),
    }[row.value], **named)
    return render_template("review/trial.html", page=TrialPage(
        found, notice, season.settings.confidence,
        on_loopback() or person.role == "lead"))


@blueprint.post("/trial")
def decide_trial() -> ResponseReturnValue:
    """Keep the lead's decision whether readers see proposals."""
    value = request.form.get("value")
    if value not in ("shown", "hidden"):
        raise InputError(f"the decision is {value!r}", expected="shown or hidden", where="trial",
                         do="Choose one of the two.")
    decide(current_season(), shown=value == "shown", person=need_person(),
           reason=request.form.get("reason", ""))
    flash(say("The decision is kept; results and sheets say it."))
    return redirect(url_for("review.trial_page"), 303)


def _doubt(p_dead: float | None, value: CallValue) -> float:
    """Say how far the model was from a confirmed call, 0 to 1."""
    p = 0.5 if p_dead is None else p_dead
    return 1.0 - p if value is CallValue.DEAD else p


@dataclass(frozen=True, slots=True)
class ReferencePage:
    """Confirmed buds to compare with, by tissue and call."""

    groups: tuple[tuple[str, str, tuple[Example, ...]], ...]
    n_each: int


@blueprint.get("/reference")
def reference_sheet() -> ResponseReturnValue:
    """Show a printable sheet of the lab's own confirmed tissues, spread over what was seen."""
    n_each = 10
    groups: list[tuple[str, str, tuple[Example, ...]]] = []
    with current_season().read() as conn:
        found = confirmed_examples(conn)
    for tissue in TISSUES:
        for value in (CallValue.LIVE, CallValue.DEAD):
            rows = sorted(
                ((_doubt(proposal.p_dead, value), example) for example, proposal in found
                 if example.tissue is tissue and example.value is value),
                key=lambda pair: (pair[0], pair[1].bud_id),
            )
            step = max(1.0, len(rows) / n_each)
            spread = [rows[int(i * step)][1] for i in range(min(n_each, len(rows)))]
            groups.append((tissue.value, value.value, tuple(spread)))
    return render_template(
        "review/reference.html", page=ReferencePage(tuple(groups), n_each)
    )
