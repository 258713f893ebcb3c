"""`budvision station`: a weather station's temperatures, kept beside the sampling dates."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from budvision.cli.terminal import JsonOption, SeasonOption, say, show_json
from budvision.language import plain_count

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    group = typer.Typer(
        help="Temperatures of weather stations, kept in the season.", no_args_is_help=True)
    group.command("import")(station_import)
    group.command("show")(station_show)
    app.add_typer(group, name="station")


def station_import(
    file: Annotated[Path, typer.Argument(help="Table with a time and a temperature column.")],
    station: Annotated[str, typer.Option(help="Name of the station.")],
    unit: Annotated[str, typer.Option(help="C or F; never guessed.")],
    zone: Annotated[str, typer.Option(
        help="Time zone of the file, such as America/Vancouver, UTC or -08:00; never guessed.")],
    time_column: Annotated[str, typer.Option(help="Name of the time column.")] = "",
    temperature_column: Annotated[str, typer.Option(help="Name of the temperature column.")] = "",
    season: SeasonOption = Path(),
) -> None:
    """Keep a station's temperatures in the season; readings kept already are passed over.

    Example: budvision station import january.csv --station "Bench road" --unit C --zone UTC
    """
    from budvision.store.session import Season
    from budvision.workflow.after.station import import_cold

    with Season.open(season) as opened:
        imported = import_cold(
            opened, file, station=station, unit=unit, zone=zone,
            time_column=time_column, temperature_column=temperature_column,
        )
    say(f"{plain_count(imported.n_new, 'reading')} of {imported.station} were kept, "
        f"{imported.n_known} were there "
        f"already, {plain_count(imported.n_skipped, 'row')} had no temperature; "
        f"{imported.first} to "
        f"{imported.last}.")


def station_show(
    station: Annotated[str, typer.Argument(help="Station; all when left out.")] = "",
    zone: Annotated[str, typer.Option(help="Time zone in which the coldest is told.")] = "UTC",
    below: Annotated[list[float] | None, typer.Option(
        help="Threshold in degrees Celsius; once for each.")] = None,
    as_json: JsonOption = False,
    season: SeasonOption = Path(),
) -> None:
    """Show the coldest moment and the hours below thresholds.

    Example: budvision station show --below -15 --below -20
    """
    from budvision.errors import NothingToDoError
    from budvision.store.session import Season
    from budvision.vineyard.cold import hours_words
    from budvision.workflow.after.station import (
        DEFAULT_THRESHOLDS_C,
        station_answer,
        stations,
    )

    with Season.open(season) as opened:
        names = [station] if station else [one.name for one in stations(opened)]
        if not names:
            raise NothingToDoError("no temperatures are kept yet", where="station",
                                   do="Import a station's record with `budvision station import`.")
        answers = [station_answer(opened, name, zone=zone,
                               thresholds_c=below or DEFAULT_THRESHOLDS_C) for name in names]
    if as_json:
        show_json({"stations": [
            {"station": one.station, "minimum_c": one.event.minimum_c,
             "at": one.event.at.isoformat(), "n_readings": one.event.n_readings,
             "gap_h": one.event.gap_h,
             "hours_below": {f"{t:g}": h for t, h in one.hours.items()}}
            for one in answers
        ]})
        return
    for one in answers:
        hours = ", ".join(f"{hours_words(h)} below {t:g} C" for t, h in one.hours.items())
        typer.echo(f"{one.station}: coldest {one.event.minimum_c:.1f} C at "
                   f"{one.event.at:%Y-%m-%d %H:%M %Z}; {hours}")
