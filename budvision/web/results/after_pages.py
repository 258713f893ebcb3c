"""The season after: entry of counts, weights and harvest, and what follows from them."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from budvision.errors import InputError
from budvision.language import plain_count, say, say_n
from budvision.report.words import and_list, count, number, percent
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
    "calls": "confirmed calls of this winter", "vine_spacing": "the block's vine spacing",
    "cluster_weight": "the weight of a cluster", "vines": "bearing vines on the area",
    "prunings_after_harvest": "the prunings of the winter after that harvest",
    "prediction": "a prediction (clusters a vine and their weight)",
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
        thinning_warning=after.thinning.warning if after.thinning else "",
        records=tuple(_record(row, row.id == newest[row.kind], units)
                      for row in reversed(crop_records)),
        kinds=tuple(KINDS.values()), today=dt.datetime.now(dt.UTC).date().isoformat(), units=units,
        canopy=canopy,
        columns=CSV_COLUMNS, loop=_loop(),
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
        note=form.get("note", ""), where="the form",
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
    return (f"{number(tons_per_acre(tonnes), 1)} tons/acre" if units == "us"
            else f"{number(tonnes, 1)} t/ha")


def _crop_line(name: str, estimate: Estimate | None, units: str, note: str, missing: str) -> Line:
    if estimate is None:
        return Line(name, "", "", "", missing)
    low, high = estimate.interval.low, estimate.interval.high
    if units == "us":
        span = f"{number(tons_per_acre(low), 1)} to {number(tons_per_acre(high), 1)}"
    else:
        span = f"{number(low, 1)} to {number(high, 1)}"
    return Line(name, _crop(estimate.value, units), span, note, "")


def _per_length(value: float, units: str) -> str:
    return f"{number(value * FOOT_M, 1)} a foot" if units == "us" else f"{number(value, 1)} a metre"


def _missing(after: SeasonAfter, name: str) -> str:
    kinds = after.missing.get(name, ())
    return f"Needs {and_list([MISSING_WORDS.get(k, k) for k in kinds])}." if kinds else ""


def _placed(name: str, placed: Placed | None, shown: str, span: str, missing: str) -> Line:
    if placed is None:
        return Line(name, "", "", "", missing)
    return Line(name, shown, "", f"{placed.where} the published band, {span} "
                f"({placed.band.canopy} canopy; {placed.band.source})", "")


def _groups(
    after: SeasonAfter, units: str
) -> tuple[tuple[str, tuple[Line, ...]], ...]:
    origin = ("as recorded at pruning" if after.nodes_recorded
              else "as this winter's result advises")
    shoots = Line("shoots a vine", "", "", "", _missing(after, "shoots"))
    if after.shoots_a_vine and after.nodes:
        ends = after.shoots_a_vine.interval
        shoots = Line("shoots a vine", number(after.shoots_a_vine.value),
                      f"{number(ends.low)} to {number(ends.high)}",
                      say("from {nodes}, {origin}", nodes=count(round(after.nodes), "node"),
                          origin=origin), "")
    along = Line("shoots along the canopy", "", "", "",
                 _missing(after, "shoots_per_m") or _missing(after, "shoots"))
    if after.shoots_per_m:
        ends = after.shoots_per_m.interval
        along = Line("shoots along the canopy", _per_length(after.shoots_per_m.value, units),
                     f"{_per_length(ends.low, units)} to {_per_length(ends.high, units)}", "", "")
    lag = ("lag-phase weights doubled, give or take 0.3: enter your own factor"
           if after.growth_assumed else "")
    return (
        ("To expect", (
            shoots, along,
            _crop_line("crop from buds and nodes", after.crop_from_nodes, units, lag,
                       _missing(after, "crop_from_nodes")),
            _crop_line("crop from counted clusters", after.crop_from_clusters, units, lag,
                       _missing(after, "crop_from_clusters")),
        )),
        ("Thinning", (_shoot_thinning(after, units), *_clusters(after))),
        ("Vine balance", (
            _placed("yield over pruning weight (Ravaz)", after.ravaz,
                    number(after.ravaz.value, 1) if after.ravaz else "",
                    f"{after.ravaz.band.low:g} to {after.ravaz.band.high:g}" if after.ravaz else "",
                    _missing(after, "ravaz")),
            _placed("prunings along the canopy", after.pruning_weight,
                    f"{number(after.pruning_weight.value, 2)} kg a metre"
                    if after.pruning_weight else "",
                    f"{after.pruning_weight.band.low:g} to {after.pruning_weight.band.high:g} kg/m"
                    if after.pruning_weight else "", _missing(after, "pruning_weight")),
        )),
        ("Predicted and harvested", (_closed(after, units),)),
    )


def _shoot_thinning(after: SeasonAfter, units: str) -> Line:
    name = "shoots counted"
    if after.shoots is None or after.shoots_to_remove is None:
        return Line(name, "", "", "", _missing(after, "thinning_shoots"))
    band = after.shoots.band
    note = (f"{after.shoots.where} the published {_per_length(band.low, units)} to "
            f"{_per_length(band.high, units)} ({band.source})")
    if after.shoots_to_remove > 0:
        note += (f"; take off about {_per_length(after.shoots_to_remove, units)}. After cold "
                 "damage keep secondary shoots, for some crop and next year's spurs")
    return Line(name, _per_length(after.shoots.value, units), "", note, "")


def _clusters(after: SeasonAfter) -> tuple[Line, ...]:
    thinning: Thinning | None = after.thinning
    if thinning is None:
        return (Line("clusters to leave a vine", "", "", "", _missing(after, "thinning")),)
    off = Line("clusters to take off a vine", number(thinning.remove, 1),
               "", f"{percent(thinning.remove_share)} of them, if yield fell in proportion", "")
    more = Line("where vines make up for it", number(thinning.remove_if_compensating, 1), "",
                "as in a published trial; a warning, not a prescription", "")
    keep = Line("clusters to leave a vine", number(thinning.keep, 1), "", "", "")
    return (keep, off, more) if thinning.remove > 0 else (keep,)


def _closed(after: SeasonAfter, units: str) -> Line:
    name = "predicted against harvested"
    if after.error is None or after.prediction is None or after.harvest is None:
        return Line(name, "", "", "", _missing(after, "loop"))
    return Line(
        name, f"{100 * after.error:+.0f} %", "",
        f"predicted {_crop(after.prediction.value, units)}, harvested "
        f"{_crop(after.harvest, units)}; the harvest lay "
        f"{'inside' if after.inside else 'outside'} the prediction's range", "")


def _loop() -> str:
    forecast, names = forecast_of_season(current_season())
    if forecast is None:
        return ""
    return (
        f"Over {len(names)} block{'' if len(names) == 1 else 's'} with a prediction and a harvest: "
        f"mean error {100 * forecast.mean_error:+.0f} %, usual miss "
        f"{100 * forecast.mean_absolute_error:.0f} %, {forecast.within} of "
        f"{plain_count(len(names), 'harvest')} "
        "inside the prediction's range."
    )


def _record(row: CropRecord, counts: bool, units: str) -> RecordLine:
    kind = KINDS.get(row.kind)
    unit, factor = row.unit, 1.0
    if kind and units == "us":
        us = [u for u in kind.units if u in ("per ft", "lb", "per acre", "tons/acre")]
        if us:
            unit, factor = us[0], kind.units[us[0]]
    text = f"{row.value / factor:.4g} {unit}"
    if row.spread:
        text += f" (standard error {row.spread / factor:.2g})"
    return RecordLine(name=kind.words if kind else row.kind, value=text,
                      measured_on=row.measured_on, person=row.person,
                      note=row.note, counts=counts)
