"""What the review page asks for and sends, as JSON."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from flask import jsonify
from flask.typing import ResponseReturnValue
from sqlalchemy import Connection

from budvision.store.queries import canes
from budvision.store.queries import review as review_queries
from budvision.store.queries.canes import BudPlace, PlacedBud
from budvision.store.queries.people import Person
from budvision.store.queries.states import BudState
from budvision.store.session import Season
from budvision.web.asked import integer, integers, json_object, text
from budvision.web.current import current_season
from budvision.web.people import need_person
from budvision.web.review.asked import asked_calls, asked_choice, tissue_named
from budvision.web.review.door import blueprint
from budvision.workflow.review import likeness
from budvision.workflow.review import save as work
from budvision.workflow.review.page import bud_page, cane_strip, tally_of
from budvision.workflow.review.queue import LEASE_MIN, Choice, Turn, hand_out, states_of, turn

__all__ = ["facts_of"]

BOOKMARK = "review"


def facts_of(
    season: Season, conn: Connection, bud_id: int, person: Person, choice: Choice
) -> dict[str, Any]:
    """Gather a bud's page together with what comes after it."""
    bud = canes.placed_bud(conn, bud_id)
    states, coming = _coming(season, conn, bud, person, choice)
    page = bud_page(
        conn, season.settings, bud_id, person=person, reading=choice.reading, states=states,
        bud=bud,
    )
    page["left"] = len(coming.bud_ids)
    page["tally"] = tally_of(states)
    page["open_by"] = review_queries.open_elsewhere(conn, bud_id, person.id)
    return page


def _coming(
    season: Season, conn: Connection, bud: PlacedBud, person: Person, choice: Choice
) -> tuple[list[BudState], Turn]:
    """Return every bud of a bud's sampling, and what a person has in front of them after it."""
    states = states_of(season, conn, bud.sampling.id, doubts=choice.order == "doubtful",
                       version=bud.version)
    return states, turn(conn, season.settings, bud.sampling, person, choice, bud.place.id,
                        states=states, known=bud.newest_call)


@blueprint.get("/bud/<int:bud_id>/facts")
def facts(bud_id: int) -> ResponseReturnValue:
    """Answer what a bud's page shows."""
    season, person = current_season(), need_person()
    with season.read() as conn:
        return jsonify(facts_of(season, conn, bud_id, person, asked_choice()))


@dataclass(frozen=True, slots=True)
class _After:
    """What comes after a bud, and what the page shows of it beside the next buds' numbers."""

    place: BudPlace
    coming: Turn
    shown: dict[str, Any]


def _look_after(bud_id: int, choice: Choice) -> _After:
    season, person = current_season(), need_person()
    with season.read() as conn:
        bud = canes.placed_bud(conn, bud_id)
        states, coming = _coming(season, conn, bud, person, choice)
    return _After(bud.place, coming, {
        "left": len(coming.bud_ids), "tally": tally_of(states),
        "strip": cane_strip(states, bud.place.cane_id, values=choice.reading != "second")})


def _after(bud_id: int, choice: Choice) -> dict[str, Any]:
    """Hand out what comes after a bud, and tell how far the sampling is."""
    after = _look_after(bud_id, choice)
    with current_season().write(of_the_moment=True) as conn:
        handed = hand_out(conn, after.coming, need_person(), choice, after=bud_id)
    return {"next": handed, **after.shown}


@blueprint.post("/bud/<int:bud_id>/open")
def open_bud(bud_id: int) -> ResponseReturnValue:
    """Take the bud's lease, keep the place, and hand out what comes next."""
    season, person, choice = current_season(), need_person(), asked_choice()
    after = _look_after(bud_id, choice)
    with season.write(of_the_moment=True) as conn:
        lease = review_queries.take_lease(conn, bud_id, person, minutes=LEASE_MIN)
        review_queries.set_bookmark(conn, person.id, BOOKMARK, {
            "sampling_id": after.place.sampling_id, "bud_id": bud_id, **asdict(choice),
        })
        handed = hand_out(conn, after.coming, person, choice, after=bud_id)
    return jsonify({
        "ok": True, "mine": lease.mine, "by": lease.person, "until": lease.until,
        "next": handed, **after.shown,
    })


@blueprint.post("/bud/<int:bud_id>/calls")
def calls(bud_id: int) -> ResponseReturnValue:
    """Save the person's calls of one bud."""
    season, choice, given = current_season(), asked_choice(), json_object()
    person = need_person(named=text(given, "person"))
    saved = work.save(
        season, bud_id, asked_calls(given.get("calls")), person=person, reading=choice.reading,
        seen=integer(given, "seen"), shown=integers(given, "shown"),
        photos=integers(given, "photos") or (), batch=text(given, "batch"),
    )
    return jsonify({
        "ok": True, "batch": saved.batch, "round": saved.round, "message": saved.message,
        "revealed": [asdict(one) for one in saved.revealed], **_after(bud_id, choice),
    })


@blueprint.post("/undo")
def undo() -> ResponseReturnValue:
    """Take back what the person saved, by new rows."""
    done = work.undo(current_season(), str(json_object().get("batch", "")), person=need_person())
    return jsonify({"ok": True, "bud_id": done.bud_ids[0]})


@blueprint.post("/bud/<int:bud_id>/skip")
def skip(bud_id: int) -> ResponseReturnValue:
    """Put a bud aside, or bring it back."""
    season, person, choice, given = current_season(), need_person(), asked_choice(), json_object()
    work.skip(season, bud_id, person=person, note=str(given.get("note") or "")[:2000],
              on=given.get("on", True) is not False)
    return jsonify({"ok": True, **_after(bud_id, choice)})


@blueprint.post("/bud/<int:bud_id>/no-bud")
def no_bud(bud_id: int) -> ResponseReturnValue:
    """Say that the photographs show no bud, or take that back."""
    on = json_object().get("on", True) is not False
    work.mark_no_bud(current_season(), bud_id, person=need_person(), on=on)
    return jsonify({"ok": True, **_after(bud_id, asked_choice())})


@blueprint.get("/bud/<int:bud_id>/like/<tissue>")
def like(bud_id: int, tissue: str) -> ResponseReturnValue:
    """Answer the nearest confirmed live and dead tissues of the season's own photographs."""
    season, person = current_season(), need_person()
    with season.read() as conn:
        found = likeness.nearest(
            conn, season.settings, bud_id, tissue_named(tissue), person=person
        )
    return jsonify({"ok": True, **{
        side: [asdict(one) for one in rows] for side, rows in found.items()
    }})
