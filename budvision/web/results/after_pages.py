"""The season after: entry of counts, weights and harvest, and what follows from them."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from budvision.errors import InputError
from budvision.language import mark, percent_text, say, say_n, typed_number
from budvision.report.words import and_list, count, day_words, number, percent
from budvision.store.queries.blocks import block_by_id
from budvision.store.queries.crop import CropRecord
from budvision.vineyard.balance import Placed
from budvision.vineyard.crop import Estimate, Thinning
from budvision.vineyard.units import FOOT_M, tons_per_acre
from budvision.web.current import current_season
from budvision.web.people import need_person
from budvision.web.results.door import blueprint, units_shown
from budvision.workflow.after.records import (
    CSV_COLUMNS,
    KINDS,
    Kind,
    add_record,
    import_records,
    records,
)
from budvision.workflow.after.season_after import SeasonAfter, forecast_of_season, season_after

MISSING_WORDS = {
    "calls": mark("confirmed calls of this winter"),
    "live_buds": mark("a live bud among those that were called"),
    "vine_spacing": mark("the block's vine spacing"),
    "cluster_weight": mark("the weight of a cluster"), "vines": mark("bearing vines on the area"),
    "prunings_after_harvest": mark("the prunings of the winter after that harvest"),
    "prediction": mark("a prediction (clusters a vine and their weight)"),
} | {kind.name: kind.words for kind in KINDS.values()}


@dataclass(frozen=True, slots=True)
class Line:
    """One answer: what, how much, range, and a remark; or what it waits for."""

    name: str
    value: str
    span: str
    note: str
    missing: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordLine:
    """One thing recorded."""

    name: str
    value: str
    measured_on: str
    person: str
    note: str
    counts: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class AfterPage:
    """What the season-after page of a block shows."""

    block_id: int
    block: str
    groups: tuple[tuple[str, tuple[Line, ...]], ...]
    thinning_warning: str
    records: tuple[RecordLine, ...]
    kinds: tuple[Kind, ...]
    today: str
    units: str
    canopy: str
    columns: tuple[str, ...]
    loop: str
    uncounted: bool


@blueprint.get("/block/<int:block_id>/season-after")
def season_after_page(block_id: int) -> ResponseReturnValue:
    """Show shoots, crop, thinning, balance and the closed loop of a block."""
    season, units = current_season(), units_shown()
    canopy = request.args.get("canopy", "single")
    if canopy not in ("single", "divided"):
        raise InputError(f"the canopy is {canopy!r}", expected="single or divided",
                         where="the page's address", do="Choose one.")
    with season.read() as conn:
        block = block_by_id(conn, block_id)
    after, crop_records = season_after(season, block_id, canopy=canopy), records(season, block.name)
    newest = {row.kind: row.id for row in crop_records}
    return render_template("results/season_after.html", page=AfterPage(
        block_id=block_id, block=block.name, groups=_groups(after, units),
        thinning_warning=say(after.thinning.warning) if after.thinning else "",
        records=tuple(_record(row, row.id == newest[row.kind], units)
                      for row in reversed(crop_records)),
        kinds=tuple(KINDS.values()), today=dt.datetime.now(dt.UTC).date().isoformat(), units=units,
        canopy=canopy,
        columns=CSV_COLUMNS, loop=_loop(),
        uncounted=bool(after.uncounted),
    ))


@blueprint.post("/block/<int:block_id>/season-after")
def season_after_add(block_id: int) -> ResponseReturnValue:
    """Keep one record of a block."""
    season = current_season()
    with season.read() as conn:
        block = block_by_id(conn, block_id)
    form = request.form
    kind, _, unit = form.get("kind", "").partition("|")
    add_record(
        season, block.name, kind, form.get("values", ""), unit=unit,
        measured_on=form.get("measured_on", ""), person_id=need_person().id,
        counted=form.get("counted", ""), note=form.get("note", ""), where="the form",
    )
    flash(say("Kept."))
    return redirect(url_for("results.season_after_page", block_id=block_id))


@blueprint.post("/season-after/import")
def season_after_import() -> ResponseReturnValue:
    """Keep every line of a table, or none."""
    file = request.files.get("file")
    if file is None or not file.filename:
        raise InputError("no file was chosen", where="the form", expected="a CSV file",
                         do="Choose the file, then import it.")
    n = import_records(current_season(), file.read(), person_id=need_person().id,
                       name=file.filename)
    flash(say_n("{n} record kept.", "{n} records kept.", n))
    back = request.form.get("block_id", "")
    if back.isdigit():
        return redirect(url_for("results.season_after_page", block_id=int(back)))
    return redirect(url_for("results.overview"))


def _crop(tonnes: float, units: str) -> str:
    if units == "us":
        return say("{n} tons/acre", n=number(tons_per_acre(tonnes), 1))
    return f"{number(tonnes, 1)} t/ha"


def _span(low: str, high: str) -> str:
    return say("{low} to {high}", low=low, high=high)


def _signed(share: float) -> str:
    """Return a share as whole percent with its sign in front."""
    return f"{'-' if share < 0 else '+'}{percent_text(round(100 * abs(share)))}"


def _crop_line(name: str, estimate: Estimate | None, units: str, note: str, missing: str) -> Line:
    if estimate is None:
        return Line(name, "", "", "", missing)
    low, high = estimate.interval.low, estimate.interval.high
    if units == "us":
        low, high = tons_per_acre(low), tons_per_acre(high)
    return Line(name, _crop(estimate.value, units), _span(number(low, 1), number(high, 1)), note,
                "")


def _per_length(value: float, units: str) -> str:
    if units == "us":
        return say("{n} a foot", n=number(value * FOOT_M, 1))
    return say("{n} a metre", n=number(value, 1))


def _missing(after: SeasonAfter, name: str) -> str:
    kinds = after.missing.get(name, ())
    if not kinds:
        return ""
    return say("Needs {things}.", things=and_list([say(MISSING_WORDS.get(k, k)) for k in kinds]))


def _placed(
    name: str, placed: Placed | None, shown: str, own: str, span: str, missing: str
) -> Line:
    if placed is None:
        return Line(name, "", "", "", missing)
    where = {"below": say("below the published band, {span}", span=span),
             "above": say("above the published band, {span}", span=span)}.get(
                 placed.where, say("within the published band, {span}", span=span))
    canopy = (say("divided canopy") if placed.band.canopy == "divided" else say("single canopy")
              if placed.band.canopy == "single" else say(placed.band.canopy))
    return Line(name, shown, own, f"{where} ({canopy}; {placed.band.source}){_unsure(placed)}", "")


def _unsure(placed: Placed) -> str:
    """Return what follows where a value's range reaches out of where the value lies."""
    return "" if placed.sure else "; " + say(
        "the range reaches over an edge of the band: more vines would tell")


def _groups(
    after: SeasonAfter, units: str
) -> tuple[tuple[str, tuple[Line, ...]], ...]:
    origin = (say("as recorded at pruning") if after.nodes_recorded
              else say("as this winter's result advises"))
    shoots = Line(say("shoots a vine"), "", "", "", _missing(after, "shoots"))
    if after.shoots_a_vine and after.nodes:
        ends = after.shoots_a_vine.interval
        shoots = Line(say("shoots a vine"), number(after.shoots_a_vine.value),
                      _span(number(ends.low), number(ends.high)),
                      say("from {nodes}, {origin}", nodes=count(round(after.nodes), "node"),
                          origin=origin), "")
    along = Line(say("shoots along the canopy"), "", "", "",
                 _missing(after, "shoots_per_m") or _missing(after, "shoots"))
    if after.shoots_per_m:
        ends = after.shoots_per_m.interval
        along = Line(say("shoots along the canopy"), _per_length(after.shoots_per_m.value, units),
                     _span(_per_length(ends.low, units), _per_length(ends.high, units)), "", "")
    lag = (say("lag-phase weights doubled, give or take {n}: enter your own factor",
               n=number(0.3, 1)) if after.growth_assumed else "")
    return (
        (say("To expect"), (
            shoots, along,
            _crop_line(say("crop from buds and nodes"), after.crop_from_nodes, units, lag,
                       _missing(after, "crop_from_nodes")),
            _crop_line(say("crop from counted clusters"), after.crop_from_clusters, units, lag,
                       _missing(after, "crop_from_clusters")),
        )),
        (say("Thinning"), (_shoot_thinning(after, units), *_clusters(after))),
        (say("Vine balance"), (
            _placed(say("yield over pruning weight (Ravaz)"), after.ravaz, *_in_band(after.ravaz),
                    _missing(after, "ravaz")),
            _placed(say("prunings along the canopy"), after.pruning_weight,
                    *_in_band(after.pruning_weight, 2, mark("{n} kg a metre")),
                    _missing(after, "pruning_weight")),
        )),
        (say("Predicted and harvested"), (_closed(after, units),)),
    )


def _in_band(placed: Placed | None, digits: int = 1, unit: str = "{n}") -> tuple[str, str, str]:
    """Return a value, its range and the band that was published for it, as words."""
    if placed is None:
        return "", "", ""
    low, high = (typed_number(end) for end in (placed.band.low, placed.band.high))
    own = placed.interval
    return (say(unit, n=number(placed.value, digits)),
            _span(number(own.low, digits), number(own.high, digits)) if own else "",
            say(unit, n=_span(low, high)))


def _shoot_thinning(after: SeasonAfter, units: str) -> Line:
    name = say("shoots counted")
    if after.shoots is None or after.shoots_to_remove is None:
        return Line(name, "", "", "", _missing(after, "thinning_shoots"))
    band = after.shoots.band
    span = _span(_per_length(band.low, units), _per_length(band.high, units))
    where = {"below": say("below the published {span}", span=span),
             "above": say("above the published {span}", span=span)}.get(
                 after.shoots.where, say("within the published {span}", span=span))
    note = f"{where} ({band.source}){_unsure(after.shoots)}"
    own = after.shoots.interval
    counted = _span(_per_length(own.low, units), _per_length(own.high, units)) if own else ""
    if after.shoots_to_remove > 0:
        note += "; " + say("take off about {n}. After cold damage keep secondary shoots, for some "
                           "crop and next year's spurs",
                           n=_per_length(after.shoots_to_remove, units))
    return Line(name, _per_length(after.shoots.value, units), counted, note, "")


def _clusters(after: SeasonAfter) -> tuple[Line, ...]:
    thinning: Thinning | None = after.thinning
    if thinning is None:
        return (Line(say("clusters to leave a vine"), "", "", "", _missing(after, "thinning")),)
    off = Line(say("clusters to take off a vine"), number(thinning.remove, 1), "",
               say("{share} of them, if yield fell in proportion",
                   share=percent(thinning.remove_share)), "")
    more = Line(say("where vines make up for it"), number(thinning.remove_if_compensating, 1), "",
                say("as in a published trial; a warning, not a prescription"), "")
    ends = after.keep_range
    keep = Line(say("clusters to leave a vine"), number(thinning.keep, 1),
                _span(number(ends.low, 1), number(ends.high, 1)) if ends else "", "", "")
    return (keep, off, more) if thinning.remove > 0 else (keep,)


def _closed(after: SeasonAfter, units: str) -> Line:
    name = say("predicted against harvested")
    if after.error is None or after.prediction is None or after.harvest is None:
        return Line(name, "", "", "", _missing(after, "loop"))
    values = {"predicted": _crop(after.prediction.value, units),
              "harvested": _crop(after.harvest, units)}
    return Line(
        name, _signed(after.error), "",
        say("predicted {predicted}, harvested {harvested}; the harvest lay inside the prediction's "
            "range", **values) if after.inside else
        say("predicted {predicted}, harvested {harvested}; the harvest lay outside the "
            "prediction's range", **values), "")


def _loop() -> str:
    forecast, names = forecast_of_season(current_season())
    if forecast is None:
        return ""
    return say_n(
        "Over {n} block with a prediction and a harvest: mean error {error}, usual miss {miss}, "
        "{within} of {n} inside the prediction's range.",
        "Over {n} blocks with a prediction and a harvest: mean error {error}, usual miss {miss}, "
        "{within} of {n} inside the prediction's range.",
        len(names), error=_signed(forecast.mean_error),
        miss=percent_text(round(100 * forecast.mean_absolute_error)), within=forecast.within)


def _record(row: CropRecord, counts: bool, units: str) -> RecordLine:
    kind = KINDS.get(row.kind)
    unit, factor = row.unit, 1.0
    if kind and units == "us":
        us = [u for u in kind.units if u in ("per ft", "lb", "per acre", "tons/acre")]
        if us:
            unit, factor = us[0], kind.units[us[0]]
    text = f"{typed_number(float(f'{row.value / factor:.4g}'))} {say(unit)}"
    if row.spread is not None:
        text += " " + say("(standard error {n})",
                          n=typed_number(float(f"{row.spread / factor:.2g}")))
    if row.n_counted is None:
        text += " " + say("(kept without how many were counted)")
    elif row.n_counted > 1:
        text += " " + say("({n} counted)", n=row.n_counted)
    return RecordLine(name=say(kind.words) if kind else row.kind, value=text,
                      measured_on=day_words(dt.date.fromisoformat(row.measured_on), units=units),
                      person=row.person,
                      note=row.note, counts=counts)
