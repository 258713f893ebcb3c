"""`budvision init`, `status`, `check`, `settings` and `block`: the season itself."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from budvision.cli.progress import progress_bar
from budvision.cli.terminal import JsonOption, SeasonOption, results_console, say, show_json
from budvision.language import plain_count

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    app.command("init")(init)
    app.command("status")(status)
    app.command("check")(check)
    app.command("settings")(settings)
    group = typer.Typer(help="Facts of the season's blocks.", no_args_is_help=True)
    group.command("set")(block_set)
    group.command("list")(block_list)
    group.command("top-up")(block_top_up)
    app.add_typer(group, name="block")


def init(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder of the new season.")],
    site: Annotated[str, typer.Option(help="Name of the site; the folder's when left out.")] = "",
    database: Annotated[str | None, typer.Option(
        metavar="URL", help="PostgreSQL address for several stations, postgresql://user@host/name; "
        "without it the season keeps its own file.")] = None,
    photos: Annotated[str | None, typer.Option(
        metavar="PLACE", help="Folder for the photographs that all stations reach, or the address "
        "of an object store, s3://bucket/winter; the season's own when left out.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Make a season: the folder that holds one winter's photographs, calls and models.

    Several stations: each makes its folder with the same --database and --photos.

    Example: budvision init winter-2026 --site "Orun Valley"
    """
    from budvision.workflow.season.make import init as make_season

    with make_season(
        folder, site=site, database_url=database, photos=photos
    ) as made:
        path = str(made.folder)
    if as_json:
        show_json({"ok": True, "folder": path})
    else:
        typer.echo(f"{path} is a season now. Next, in that folder: `budvision plan` "
                   "draws the vines to visit, `budvision intake` takes photographs in, and "
                   "`budvision serve` has pages for both.")


def status(season: SeasonOption = Path(), as_json: JsonOption = False) -> None:
    """Say what is in the season and what waits for a person.

    Example: budvision status
    """
    from rich.box import SIMPLE_HEAD
    from rich.markup import escape
    from rich.table import Table

    from budvision.store.session import Season
    from budvision.workflow.season.status import status as season_status

    with Season.open(season) as opened:
        state = season_status(opened)
    if as_json:
        show_json(state.as_dict())
        return
    counts = state.counts
    typer.echo(f"{state.folder}: {plain_count(counts.n_photos, 'photograph')} of "
               f"{plain_count(counts.n_buds, 'bud')} in "
               f"{plain_count(counts.n_blocks, 'block')}; "
               f"{plain_count(counts.n_people, 'person', 'people')}; {state.model} proposes.")
    table = Table(box=SIMPLE_HEAD)
    heads = {"canes": "n_canes", "buds": "n_buds", "photographs": "n_photos", "called": "n_called",
             "waiting": "n_waiting"}
    heads |= {head: name for head, name in (("skipped", "n_skipped"), ("missing", "n_missing"))
              if any(getattr(one, name) for one in state.samplings)}
    for head in ("block", "sampling"):
        table.add_column(head, overflow="fold")
    for head in heads:
        table.add_column(head, justify="right", no_wrap=True)
    for one in state.samplings:
        table.add_row(escape(one.block), escape(one.sampling),
                      *(str(getattr(one, name)) for name in heads.values()))
    if state.samplings:
        results_console().print(table, highlight=False)
    if counts.n_unassigned:
        typer.echo(f"With no bud: {plain_count(counts.n_unassigned, 'photograph')}. "
                   "Place them on the bench pages.")
    if counts.n_without_proposal:
        typer.echo(f"No model has looked at {plain_count(counts.n_without_proposal, 'photograph')} "
                   "yet; run `budvision intake` again.")
    if state.fault:
        say(f"{state.fault[0].upper()}{state.fault[1:]}. Run `budvision check`.")
    if state.backup:
        say(state.backup)
    if not state.samplings:
        typer.echo("Nothing is in it yet. Next: `budvision intake`.")


def check(
    tidy: Annotated[bool, typer.Option(
        "--tidy", help="Remove half-written files that a killed program left.")] = False,
    season: SeasonOption = Path(),
    as_json: JsonOption = False,
) -> None:
    """Verify the season: the database, its guards, and every photograph's hash.

    Exit code 5 where evidence is missing or has changed; each finding says what to do.

    Example: budvision check
    """
    from budvision.store.session import Season
    from budvision.workflow.season.check import check as check_season

    with Season.open(season) as opened, progress_bar("verifying") as step:
        report = check_season(opened, tidy=tidy, progress=step)
    if as_json:
        show_json(report.as_dict())
    else:
        for one in report.findings:
            typer.echo(f"{'' if one.serious else 'note: '}{one.where}: {one.what}. {one.do}")
        n_bad = sum(one.serious for one in report.findings)
        some = "" if report.n_verified == report.n_photos else f"{report.n_verified} of "
        typer.echo(f"{some}{plain_count(report.n_photos, 'photograph')} verified. "
                   + ("The season is sound." if report.ok else f"{n_bad} to be put right."))
    if not report.ok:
        raise typer.Exit(5)


def settings(season: SeasonOption = Path(), as_json: JsonOption = False) -> None:
    """List the season's settings with what each does; change them in its budvision.toml.

    Example: budvision settings
    """
    from dataclasses import asdict

    from budvision.settings import SETTINGS
    from budvision.store.config import CONFIG
    from budvision.store.session import Season

    with Season.open(season) as opened:
        values, folder = asdict(opened.settings), opened.folder
    if as_json:
        show_json({"settings": [
            {"name": row.name, "value": values[row.name], "default": row.default, "help": row.help}
            for row in SETTINGS
        ]})
        return
    for row in SETTINGS:
        own = "" if values[row.name] == row.default else f"  (default {row.default})"
        typer.echo(f"{row.name} = {_toml(values[row.name])}{own}\n    {row.help}")
    say(f"To change one, write its line under [settings] in {folder / CONFIG}.")


def _toml(value: object) -> str:
    """Return a setting as budvision.toml has it."""
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"


def block_set(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The block.")],
    normal_nodes: Annotated[float | None, typer.Option(
        help="Nodes retained on a vine in a normal year.")] = None,
    policy: Annotated[str | None, typer.Option(help="Pruning policy by name.")] = None,
    cultivar: Annotated[str | None, typer.Option(help="Cultivar.")] = None,
    cultivar_class: Annotated[str | None, typer.Option(
        help="Class of the cultivar: vinifera, hybrid, labruscana ...")] = None,
    secondary_crop: Annotated[float | None, typer.Option(
        help="Crop of a live secondary under a dead primary, as a share of a primary's.")] = None,
    training: Annotated[str | None, typer.Option(
        "--training", "--training-system",
        help='What pruning keeps: "spurs of 2", "canes of 12"; only those nodes count.')] = None,
    row_spacing_m: Annotated[float | None, typer.Option(help="Row spacing in metres.")] = None,
    vine_spacing_m: Annotated[float | None, typer.Option(help="Vine spacing in metres.")] = None,
    note: Annotated[str | None, typer.Option(help="A note.")] = None,
    create: Annotated[bool, typer.Option("--create", help="Make the block when new.")] = False,
    season: SeasonOption = Path(),
    as_json: JsonOption = False,
) -> None:
    """Change facts of a block; what is left out stays as it is.

    Example: budvision block set "Mill Row" --normal-nodes 40
    """
    from budvision.store.session import Season
    from budvision.workflow.season.make import set_block as change_block

    with Season.open(season) as opened:
        found = change_block(
            opened, name, create=create, normal_nodes=normal_nodes, policy=policy,
            cultivar=cultivar, cultivar_class=cultivar_class, secondary_crop=secondary_crop,
            training_system=training, row_spacing_m=row_spacing_m,
            vine_spacing_m=vine_spacing_m, note=note,
        )
    if as_json:
        show_json({"ok": True} | _block_facts(found))
    else:
        typer.echo(_block_line(found))


def block_top_up(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The block.")],
    sampling: Annotated[str, typer.Option(help="Label of the sampling that brings more canes.")],
    of: Annotated[str, typer.Option(
        help="Label of the sampling that it tops up; empty takes it back.")],
    season: SeasonOption = Path(),
    as_json: JsonOption = False,
) -> None:
    """Count the canes of one sampling with those of another, after the same cold event.

    Example: budvision block top-up "Mill Row" --sampling feb-more --of feb
    """
    from budvision.store.session import Season
    from budvision.workflow.sampling.top_up import top_up

    with Season.open(season) as opened:
        top_up(opened, name, sampling, of=of)
    if as_json:
        show_json({"ok": True, "block": name, "sampling": sampling, "tops_up": of})
    elif of:
        typer.echo(f"{name}: {sampling} tops up {of}; both are one answer, named {of}.")
    else:
        typer.echo(f"{name}: {sampling} stands by itself.")


def block_list(season: SeasonOption = Path(), as_json: JsonOption = False) -> None:
    """List the blocks with their facts.

    Example: budvision block list
    """
    from budvision.store.queries.blocks import list_blocks
    from budvision.store.session import Season

    with Season.open(season) as opened, opened.read() as conn:
        found = list_blocks(conn)
    if as_json:
        show_json({"blocks": [_block_facts(one) for one in found]})
        return
    if not found:
        say("No block is in the season yet: `budvision intake` makes those of its photographs, "
            "`budvision block set NAME --create` one by itself.")
    for one in found:
        typer.echo(_block_line(one))


_FACTS = ("cultivar", "cultivar_class", "normal_nodes", "policy", "secondary_crop",
          "training_system", "row_spacing_m", "vine_spacing_m", "note")


def _block_facts(block: object) -> dict[str, object]:
    return {key: getattr(block, key) for key in ("name", "site", *_FACTS)}


def _block_line(block: object) -> str:
    facts = _block_facts(block)
    known = [f"{key.replace('_', ' ')} {facts[key]}" for key in _FACTS if facts[key] not in
             (None, "")]
    return f"{facts['name']}: {', '.join(known) or 'the season settings hold'}"
