"""`budvision after`: counts, weights and harvest of the season after the cold."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from budvision.cli.terminal import (
    JsonOption,
    SeasonOption,
    person_id_of,
    say,
    show_json,
)

__all__ = ["register"]

ReviewerOption = Annotated[str, typer.Option("--by", help="Name of the person who measured.")]


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    group = typer.Typer(
        help="The season after: shoots, crop, thinning, balance, harvest.", no_args_is_help=True)
    group.command("add")(after_add)
    group.command("import")(after_import)
    group.command("show")(after_show)
    app.add_typer(group, name="after")


def after_add(
    block: Annotated[str, typer.Argument(help="Name of the block.")],
    kind: Annotated[str, typer.Argument(
        help="retained_nodes, shoots_per_m, clusters_per_shoot, clusters_per_vine, "
        "cluster_weight_lag, cluster_weight_harvest, growth_factor, vines, prunings, target or "
        "harvest.")],
    values: Annotated[list[str], typer.Argument(
        help="One number a vine or sample; or their mean, as \"37 +- 2\" with its standard error, "
        "with --counted.")],
    by: ReviewerOption,
    on: Annotated[str, typer.Option(help="Day measured, year-month-day.")],
    unit: Annotated[str, typer.Option(help="Unit, where the kind has several.")] = "",
    counted: Annotated[str, typer.Option(
        help="How many vines or samples a single value is the mean of.")] = "",
    note: Annotated[str, typer.Option(help="Anything to add.")] = "",
    season: SeasonOption = Path(),
) -> None:
    """Keep one measurement of a block; several values give the mean and its error.

    Example: budvision after add "Kettle Bench" clusters_per_vine 32 41 38 --on 2026-07-20 --by Ada
    """
    from budvision.store.session import Season
    from budvision.workflow.after.records import add_record

    with Season.open(season) as opened:
        add_record(opened, block, kind, " ".join(values), unit=unit, measured_on=on,
                   person_id=person_id_of(opened, by), counted=counted, note=note)
    say(f"Kept {kind} of {block}.")


def after_import(
    file: Annotated[Path, typer.Argument(
        help="CSV or .xlsx with the columns block,kind,values,unit,measured_on and optionally "
        "counted and note.")],
    by: ReviewerOption,
    season: SeasonOption = Path(),
) -> None:
    """Keep every line of a table, or none.

    Example: budvision after import july.csv --by Ada
    """
    from budvision.store.session import Season
    from budvision.workflow.after.records import import_records

    with Season.open(season) as opened:
        n = import_records(opened, file, person_id=person_id_of(opened, by))
    say(f"{n} record{'' if n == 1 else 's'} kept.")


def after_show(
    block: Annotated[str, typer.Argument(help="Name of the block.")],
    canopy: Annotated[str, typer.Option(help="single or divided.")] = "single",
    as_json: JsonOption = False,
    season: SeasonOption = Path(),
) -> None:
    """Show shoots and crop to expect, thinning, balance, and predicted against harvested.

    Example: budvision after show "Creek Terrace"
    """
    from budvision.store.session import Season
    from budvision.workflow.after.season_after import season_after

    with Season.open(season) as opened:
        after = season_after(opened, block, canopy=canopy)
    if as_json:
        show_json({"block": block, **after.as_dict()})
        return
    for name in ("shoots_a_vine", "shoots_per_m", "crop_from_nodes", "crop_from_clusters"):
        estimate = getattr(after, name)
        if estimate is not None:
            unit = " t/ha" if name.startswith("crop") else ""
            typer.echo(f"{name.replace('_', ' ')}: {estimate.value:.1f}{unit} "
                       f"({estimate.interval.low:.1f} to {estimate.interval.high:.1f})")
    for name in ("shoots", "ravaz", "pruning_weight"):
        placed = getattr(after, name)
        if placed is not None:
            own = placed.interval
            span = "" if own is None else f" ({own.low:.2f} to {own.high:.2f})"
            typer.echo(f"{placed.band.measure}: {placed.value:.2f}{span} {placed.band.unit} is "
                       f"{placed.where} {placed.band.low:.3g} to {placed.band.high:.3g}"
                       + ("" if placed.sure else "; the range reaches over an edge of the band"))
    if after.thinning is not None:
        ends = after.keep_range
        span = "" if ends is None else f" ({ends.low:.1f} to {ends.high:.1f})"
        typer.echo(f"clusters a vine: leave {after.thinning.keep:.1f}{span}, take off "
                   f"{after.thinning.remove:.1f}. {after.thinning.warning}")
    if after.error is not None:
        where = "inside" if after.inside else "outside"
        typer.echo(f"predicted against harvested: {100 * after.error:+.0f} %, {where} the range")
    if after.prediction is not None:
        say("One count, or a mean without its spread, is taken to miss by 30 %; a single number of "
            "vines on the area or of a yield counts as exact.")
    if after.uncounted:
        say(f"Kept without how many were counted, so the range goes by the fewest there can have "
            f"been: {', '.join(after.uncounted)}. Add them again with their values.")
    for name, kinds in after.missing.items():
        say(f"{name.replace('_', ' ')}: needs {', '.join(kinds)}")
