"""`budvision wood`: cuts into canes, cordons and trunks, beside the buds."""

from __future__ import annotations

from dataclasses import asdict
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

CutterOption = Annotated[str, typer.Option("--by", help="Name of the person who looked.")]


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    group = typer.Typer(help="Wood as well as buds: cuts into canes, cordons and trunks.",
                        no_args_is_help=True)
    group.command("add")(wood_add)
    group.command("import")(wood_import)
    group.command("show")(wood_show)
    app.add_typer(group, name="wood")


def wood_add(
    block: Annotated[str, typer.Argument(help="Name of the block.")],
    by: CutterOption,
    part: Annotated[str, typer.Option(help="trunk, cordon or cane.")],
    vine: Annotated[str, typer.Option(help="Label of the vine.")],
    on: Annotated[str, typer.Option(help="Day of the cut, year-month-day.")],
    phloem: Annotated[str, typer.Option(help="live, dead or unsure; empty: not looked at.")] = "",
    cambium: Annotated[str, typer.Option(help="live, dead or unsure; empty: not looked at.")] = "",
    position: Annotated[str, typer.Option(help='Where on it, as "30 cm above ground".')] = "",
    note: Annotated[str, typer.Option(help="Anything to add.")] = "",
    season: SeasonOption = Path(),
) -> None:
    """Keep one cut into the wood; the newest of a part, vine and position counts.

    Example: budvision wood add "Creek Terrace" --part trunk --vine 12 --cambium live --on 2026-02-03 --by Ada
    """  # noqa: E501
    from budvision.store.session import Season
    from budvision.workflow.after.wood import add_cut

    cells = {"block": block, "part": part, "vine": vine, "position": position, "phloem": phloem,
             "cambium": cambium, "cut_on": on, "note": note}
    with Season.open(season) as opened:
        add_cut(opened, cells, person_id=person_id_of(opened, by))
    say(f"Kept a cut of {block}, {part} of vine {vine}.")


def wood_import(
    file: Annotated[Path, typer.Argument(
        help="CSV or .xlsx with the columns block,part,vine,phloem,cambium,cut_on and optionally "
        "position,note.")],
    by: CutterOption,
    season: SeasonOption = Path(),
) -> None:
    """Keep every cut of a table, or none.

    Example: budvision wood import trunks.csv --by Ada
    """
    from budvision.store.session import Season
    from budvision.workflow.after.wood import import_cuts

    with Season.open(season) as opened:
        n = import_cuts(opened, file, person_id=person_id_of(opened, by))
    say(f"{n} cut{'' if n == 1 else 's'} kept.")


def wood_show(
    block: Annotated[str, typer.Argument(help="Name of the block.")],
    as_json: JsonOption = False,
    season: SeasonOption = Path(),
) -> None:
    """Show how much of the wood is dead, with its range, and every cut.

    Example: budvision wood show "Creek Terrace"
    """
    from budvision.report.wood import wood_found
    from budvision.store.session import Season
    from budvision.vineyard.wood import wood_results
    from budvision.workflow.after.wood import block_cuts

    with Season.open(season) as opened:
        cuts, counted = block_cuts(opened, block)
        found = wood_results([one.cut for one in counted], settings=opened.settings)
    if as_json:
        show_json({"block": block, "wood": [asdict(one) for one in found],
                   "cuts": [asdict(one) for one in cuts]})
        return
    typer.echo(wood_found(found) or "No wood has been cut yet.")
    newest = {one.id for one in counted}
    for one in cuts:
        cut = one.cut
        typer.echo(f"{one.cut_on}  {cut.part} of vine {cut.vine}"
                   f"{', ' + cut.position if cut.position else ''}: "
                   f"phloem {cut.phloem or 'not looked at'}, cambium "
                   f"{cut.cambium or 'not looked at'} ({one.person})"
                   f"{'' if one.id in newest else ', a newer one counts'}")
