"""`budvision advise`: nodes to retain from counts, and the nodes of a normal year."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from budvision.cli.terminal import JsonOption, show_json
from budvision.language import plain_count

if TYPE_CHECKING:
    from budvision.vineyard.units import Quantity

__all__ = ["register"]

CaneOption = Annotated[int | None, typer.Option(min=1, help="Nodes on a cane, to count canes.")]
SpurOption = Annotated[int | None, typer.Option(min=1, help="Nodes on a spur, to count spurs.")]


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    group = typer.Typer(help="How many nodes to retain.", no_args_is_help=True)
    group.command("nodes")(nodes)
    group.command("normal")(normal)
    app.add_typer(group, name="advise")


def _quantity(text: str, kind: str, name: str) -> Quantity | None:
    from budvision.vineyard.units import parse_quantity

    return parse_quantity(text, kind, name=name) if text else None


def nodes(
    dead: Annotated[int, typer.Option(help="Primaries called dead.")],
    judged: Annotated[int, typer.Option(help="Primaries called live or dead.")],
    canes: Annotated[int | None, typer.Option(help="Canes that they came from.")] = None,
    normal_nodes: Annotated[float | None, typer.Option(
        help="Nodes retained on a vine in a normal year.")] = None,
    policy: Annotated[str, typer.Option(help="The policy to put first.")] = "",
    policies: Annotated[Path | None, typer.Option(
        help="A policies.toml of your own, on top of those that ship.")] = None,
    nodes_per_cane: CaneOption = None,
    nodes_per_spur: SpurOption = None,
    row: Annotated[str, typer.Option(help="Row spacing with its unit, as 2.7m or 9ft.")] = "",
    vine: Annotated[str, typer.Option(help="Vine spacing with its unit.")] = "",
    missing_share: Annotated[float, typer.Option(help="Share of vines missing.")] = 0.0,
    as_json: JsonOption = False,
) -> None:
    """Say what every pruning policy makes of counted primaries.

    Example: budvision advise nodes --dead 35 --judged 100 --canes 10 --nodes-per-cane 10
    """
    from budvision.settings import Settings
    from budvision.vineyard.policies import shipped_policies
    from budvision.workflow.answers.advise import advise_nodes

    settings = Settings.of({"policy": policy} if policy else {}, where="options")
    advice = advise_nodes(
        dead, judged, settings=settings, policies=shipped_policies(policies), n_canes=canes,
        normal_nodes=normal_nodes, nodes_per_cane=nodes_per_cane,
        nodes_per_spur=nodes_per_spur, row=_quantity(row, "length", "row spacing"),
        vine=_quantity(vine, "length", "vine spacing"), missing_share=missing_share,
    )
    if as_json:
        show_json(advice)
    else:
        _print_nodes(advice)


def normal(
    prunings: Annotated[list[str] | None, typer.Option(
        help="Weight of one vine's cane prunings, as 1.2kg or 3lb; once for each vine.")] = None,
    vine_type: Annotated[str, typer.Option(
        "--type", help="american, french_hybrid, new_hybrid, seedless_table or vinifera.")] = "",
    vine: Annotated[str, typer.Option(help="Vine spacing with its unit, as 1.8m or 6ft.")] = "",
    least: Annotated[float | None, typer.Option(help="Fewest nodes to allow.")] = None,
    most: Annotated[float | None, typer.Option(help="Most nodes to allow.")] = None,
    nodes_per_cane: CaneOption = None,
    nodes_per_spur: SpurOption = None,
    as_json: JsonOption = False,
) -> None:
    """Work out the nodes of a normal year from pruning weight or vine spacing.

    Example: budvision advise normal --type vinifera --prunings 1.5lb --prunings 2lb
    """
    from budvision.vineyard.units import parse_quantity
    from budvision.workflow.answers.advise import advise_normal

    advice = advise_normal(
        vine_type=vine_type,
        prunings=[parse_quantity(text, "weight", name="prunings") for text in prunings or []],
        vine=_quantity(vine, "length", "vine spacing"), least=least, most=most,
        nodes_per_cane=nodes_per_cane, nodes_per_spur=nodes_per_spur,
    )
    if as_json:
        show_json(advice)
    else:
        _print_normal(advice)


def _print_nodes(advice: dict[str, Any]) -> None:
    primary = advice["primary"]
    typer.echo(
        f"Primary mortality {100 * primary['mortality']:.1f} % ({100 * primary['low']:.1f} to "
        f"{100 * primary['high']:.1f} %), "
        f"nodes of a normal year: {advice['normal_nodes']:g} a vine."
    )
    if primary["design_effect_from_prior"]:
        typer.echo("Counts alone cannot show how alike the buds of a cane are: a likeness is "
                   "assumed.")
    else:
        typer.echo("The buds are taken as independent, as if each came from a cane of its own. "
                   "Buds of one cane are alike: the range is too narrow unless you give --canes.")
    names = sorted(advice["policies"], key=lambda name: name != advice["policy"])
    for name in names:
        policy = advice["policies"][name]
        typer.echo(f"\n{name}: {policy['action']}\n  {_nodes(policy['nodes'])}")
        typer.echo(f"  Source: {policy['source']}")
    typer.echo(f"\nnormal / share alive\n  {_nodes(advice['exact'])}")
    for words in advice["options"].values():
        typer.echo(f"\n- {words}")
    typer.echo(f"\n{advice['caution']}")


def _nodes(nodes: dict[str, Any]) -> str:
    from budvision.report.answer import NO_ENDS
    from budvision.report.words import ends

    if nodes["retain"] is None:
        return "The rule gives no number here."
    span = ends(nodes["low"], nodes["high"]) or NO_ENDS
    text = f"{plain_count(nodes['retain'], 'node')} a vine ({span})"
    if nodes["capped"]:
        text += (", at the practical maximum" if nodes["retain"] == nodes["high"]
                 else ", the upper end at the practical maximum")
    for kind in ("canes", "spurs"):
        if kind in nodes:
            laid = nodes[kind]
            text += f"; {laid['count']} {kind} of {laid['each']}"
            if laid["total"] != nodes["retain"]:
                text += f", which makes {laid['total']}"
    if "per_ha" in nodes:
        text += f"; {nodes['per_ha']:,.0f} a hectare, {nodes['per_acre']:,.0f} an acre"
    return text


def _print_normal(advice: dict[str, Any]) -> None:
    if "balanced" in advice:
        row = advice["balanced"]
        mean, fewest, most = (int(row[name] + 0.5) for name in ("nodes", "fewest", "most"))
        typer.echo(f"{plain_count(mean, 'node')} a vine by {row['formula']} over "
                   f"{plain_count(row['n_vines'], 'vine')} "
                   f"({fewest} to {most}). Source: {row['source']}.")
        for kind in ("canes", "spurs"):
            if kind in row:
                typer.echo(f"  {row[kind]['count']} {kind} of {row[kind]['each']}")
        for note in row["notes"]:
            typer.echo(f"  {note}")
        both = advice["by_shoot_weight"]
        typer.echo(f"{both['low']:.0f} to {plain_count(round(both['high']), 'node')} by 30 to "
                   f"40 g a shoot.")
    if "spacing" in advice:
        row = advice["spacing"]
        typer.echo(f"{row['low']:.0f} to {plain_count(round(row['high']), 'node')} by vine spacing "
                   f"({row['source']}).")
    typer.echo(f"\n{advice['caution']}")
