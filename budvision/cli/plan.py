"""`budvision plan`: how many canes and nodes, which vines, and what the sample can tell."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from budvision.cli.terminal import WIDE, JsonOption, results_console, show_json
from budvision.language import plain_count

if TYPE_CHECKING:
    from budvision.vineyard.sample_plan import SamplePlan

__all__ = ["register"]

CAUTION = (
    "Razor blades cut people: cut away from your fingers, put used blades into a sharps container. "
    "Pruning advice defers to your local extension and licensed practice."
)


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command("plan")(plan)


def plan(
    block: Annotated[str, typer.Option(help="Name of the block.")],
    rows: Annotated[int | None, typer.Option(help="Rows of the block.")] = None,
    vines: Annotated[int | None, typer.Option(help="Vine places in each row.")] = None,
    rows_csv: Annotated[Path | None, typer.Option(
        help="Table with the columns row,vines and optionally zone,missing.")] = None,
    sizes: Annotated[str, typer.Option(
        help="Shares of vine sizes: small=0.2,medium=0.6,large=0.2.")] = "",
    zones: Annotated[str, typer.Option(help="Rows of each zone: top=1-12,foot=13-24.")] = "",
    sampling: Annotated[str, typer.Option(
        help="Label of the sampling; today's date when left out.")] = "",
    canes: Annotated[int | None, typer.Option(help="Canes, one a vine (common: 10).")] = None,
    training: Annotated[str, typer.Option(
        help='What pruning keeps: "spurs of 2", "canes of 12"; the block\'s own when left out.',
    )] = "",
    nodes: Annotated[int | None, typer.Option(
        help="Nodes cut a cane, from the base; those that pruning keeps when left out.")] = None,
    share: Annotated[float, typer.Option(
        help="Share of dead primaries to expect, for the outlook.")] = 0.3,
    edge: Annotated[float | None, typer.Option(
        help="Band edge to decide about, with --sure.")] = None,
    sure: Annotated[float | None, typer.Option(
        help="Wanted chance of the right side of --edge, 10 points from it.")] = None,
    width: Annotated[float | None, typer.Option(help="Wanted width of the interval.")] = None,
    draw: Annotated[int | None, typer.Option(
        help="Number of the draw: the same number draws the same vines.")] = None,
    season: Annotated[Path | None, typer.Option(
        "--season", help="Season folder that keeps the plan; the working directory when it is "
        "a season.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Plan a sampling: canes, nodes, the vines to visit, and what the sample can tell.

    In a season folder its settings and what it knows of the block (cultivar, training, policy)
    count, and the plan is kept; print its paper with `budvision paper`.

    Example: budvision plan --block "Kettle Bend 4" --rows 24 --vines 40 --zones top=1-12,foot=13-24
    """
    import secrets
    from datetime import datetime

    from budvision.settings import Settings
    from budvision.vineyard.sample_plan import counted_nodes
    from budvision.workflow.sampling.plan import (
        KnownBlock,
        choose_canes,
        choose_nodes,
        describe_block,
        known_block,
        plan_sample,
        save_plan,
    )

    here = season or (Path.cwd() if Path("budvision.toml").exists() else None)
    number = secrets.randbelow(9000) + 1000 if draw is None else draw
    label = sampling or datetime.now().astimezone().date().isoformat()

    def make(settings: Settings, known: KnownBlock) -> tuple[SamplePlan, str]:
        layout = describe_block(block, n_rows=rows, n_vines=vines, rows_csv=rows_csv, zones=zones,
                                sizes=sizes)
        pruned_to = training or known.training
        cut = choose_nodes(nodes, training=pruned_to)
        n, why = choose_canes(canes=canes, nodes=counted_nodes(cut, pruned_to),
                              icc=settings.prior_icc, share=share, edge=edge, sure=sure,
                              width=width, confidence=settings.confidence)
        made = plan_sample(layout, settings=settings, sampling=label, canes=n, nodes=cut,
                           draw=number, share=share, policy=known.policy, folder=here,
                           cultivar=known.cultivar, training=pruned_to)
        return made, why

    if here is None:
        made, why = make(Settings(), KnownBlock())
    else:
        from budvision.store.session import Season

        with Season.open(here) as opened:
            made, why = make(opened.settings, known_block(opened, block))
            save_plan(opened, made)
    if as_json:
        from budvision.workflow.sampling.decide import plan_facts

        show_json(made.as_dict() | plan_facts(made, folder=here) | {"why": why})
    else:
        _show(made, why, folder=here)


def _show(made: SamplePlan, why: str, *, folder: Path | None) -> None:
    from rich.box import SIMPLE_HEAD
    from rich.markup import escape
    from rich.table import Table

    from budvision.workflow.sampling.decide import plan_facts

    console = results_console()
    expect, facts = made.outlook, plan_facts(made, folder=folder)
    console.print(
        f"[bold]{escape(made.block)}[/bold]  {escape(made.sampling)}: "
        f"{plain_count(len(made.vines), 'cane')} of "
        f"{plain_count(made.nodes, 'node')}, "
        f"{plain_count(made.n_buds, 'bud')} ({why}). Draw "
        f"{made.draw}.", highlight=False)
    vines = Table(box=SIMPLE_HEAD, header_style="bold")
    for head in ("cane", "row", "vine", "zone", "size", "if missing, take", "note"):
        vines.add_column(head, justify="right" if head in ("cane", "row", "vine") else "left")
    for v in made.vines:
        other = ("" if v.substitute_vine is None
                 else f"row {v.substitute_row} vine {v.substitute_vine}")
        vines.add_row(v.cane, escape(v.row), str(v.vine), escape(v.zone), v.size or "any",
                      escape(other), escape(v.note))
    console.print(vines, highlight=False)
    console.print(
        f"What samples can tell if {expect.share:.0%} are dead and buds of one cane are alike by "
        f"{made.icc:g} (policy {made.policy}):", highlight=False)
    narrow = console.width < WIDE
    table = Table(box=SIMPLE_HEAD, header_style="bold", pad_edge=not narrow)
    for head in ("", "canes", "nodes", "buds", "design effect", "worth", "interval", "width",
                 "wrong band"):
        table.add_column(head.replace(" ", "\n") if narrow else head, justify="right",
                         no_wrap=True)
    for row in made.alternatives:
        chosen = (row.canes, row.nodes) == (expect.canes, expect.nodes)
        table.add_row(
            "this plan" if chosen else "", str(row.canes), str(row.nodes), str(row.n_buds),
            f"{row.design_effect:.2f}",
            f"{row.n_effective:.0f}", f"{row.low:.0%} to {row.high:.0%}", f"{row.width:.0%}",
            f"{row.wrong_band:.0%}", style="bold" if chosen else "")
    console.print(table, highlight=False)
    for words in facts["words"]:
        console.print(words, highlight=False, soft_wrap=True)
    if folder is not None:
        console.print("The plan is kept with the season. Print it with `budvision paper`.",
                      highlight=False)
    else:
        console.print(
            "This plan is not kept, since there is no season here. Make one with `budvision init "
            f"DIR`, and plan in it with --draw {made.draw} for the same vines; or add --json, "
            "write it to a file, and print that with `budvision paper all --plan FILE`.",
            highlight=False, soft_wrap=True)
    console.print(CAUTION, highlight=False, soft_wrap=True)
