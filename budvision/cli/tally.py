"""`budvision tally`: a paper tally in, mortality, band and nodes to retain out.

`print_results` draws the same answer for any command that has block results.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from budvision.errors import BudvisionError

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from budvision.settings import Settings
    from budvision.vineyard.pruning import NodeCount
    from budvision.vineyard.results import BlockResult

__all__ = ["print_results", "register"]

SCALE_WIDTH = 20
RULE_WORDS = {
    "band": "by the band",
    "exact": "normal / share alive",
    "crop_potential": "normal / crop potential",
}


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command("tally")(tally)


def tally(
    calls: Annotated[Path, typer.Argument(
        metavar="CALLS.csv", help="Table with the columns block,cane,node,primary,secondary,"
        "tertiary; optionally vine, vigor, zone, cultivar.")],
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for scripts.")] = False,
    policy: Annotated[str, typer.Option(
        help="Pruning policy by name; an unknown name lists them.")] = "",
    normal_nodes: Annotated[float | None, typer.Option(
        help="Nodes retained on a vine in a normal year.")] = None,
    secondary_crop: Annotated[float | None, typer.Option(
        help="Crop of a live secondary under a dead primary, as a share of a primary's.")] = None,
    cultivar_class: Annotated[str, typer.Option(
        help="Take the secondary's crop of a class: usual, labruscana, norton, vinifera, "
        "french_hybrid.")] = "",
    prior_icc: Annotated[float | None, typer.Option(
        help="Likeness of buds of one cane assumed where the sample is too thin.")] = None,
    policies: Annotated[Path | None, typer.Option(
        help="A policies.toml of your own, on top of those that ship.")] = None,
    bound_missing: Annotated[bool, typer.Option(
        "--bound-missing", help="Also take all unjudged tissues as live, and as dead.")] = False,
    cold_only: Annotated[bool, typer.Option(
        "--cold-only", help="Leave out tissues dead for another cause than cold.")] = False,
) -> None:
    """Work out mortality, pruning band and nodes to retain from a paper tally.

    Works without a season folder. Each row is one bud; live, dead, unsure, not_exposed or empty.

    Example: budvision tally calls.csv --normal-nodes 40
    """
    from budvision.errors import UsageError
    from budvision.settings import Settings
    from budvision.vineyard.policies import shipped_policies
    from budvision.vineyard.potential import SECONDARY_CROP
    from budvision.workflow.answers.tally import results_as_dict, tally_file

    given: dict[str, object] = {
        "policy": policy or None, "secondary_crop": secondary_crop, "prior_icc": prior_icc,
        "bound_missing": bound_missing or None, "cold_only": cold_only or None,
    }
    try:
        if cultivar_class:
            if cultivar_class not in SECONDARY_CROP or secondary_crop is not None:
                raise UsageError(
                    f'the cultivar class is "{cultivar_class}"', where="--cultivar-class",
                    expected=f"one of {', '.join(SECONDARY_CROP)}, without --secondary-crop",
                )
            given["secondary_crop"] = SECONDARY_CROP[cultivar_class].share
        settings = Settings(
            {name: value for name, value in given.items() if value is not None}, where="options"
        )
        results, warnings = tally_file(
            calls, settings=settings, policies=shipped_policies(policies),
            normal_nodes=normal_nodes,
        )
    except BudvisionError as error:
        if as_json:
            typer.echo(json.dumps(error.as_dict(), ensure_ascii=False))
        raise
    for warning in warnings:
        typer.echo(f"budvision: {warning}", err=True)
    if as_json:
        told = results_as_dict(results, warnings=warnings)
        typer.echo(json.dumps(told, indent=2, ensure_ascii=False, allow_nan=False))
    else:
        print_results(results, settings=settings)


def _percent(share: float | None) -> str:
    return "–" if share is None else f"{100 * share:.1f} %"


def _span(low: float | None, high: float | None) -> str:
    return "–" if low is None or high is None else f"{100 * low:.1f} to {100 * high:.1f} %"


def _scale(low: float | None, at: float | None, high: float | None) -> str:
    """Draw an interval to scale from 0 to 100 %, in characters."""
    if low is None or at is None or high is None:
        return ""
    cells = ["·"] * SCALE_WIDTH
    first, last = (min(SCALE_WIDTH - 1, int(end * SCALE_WIDTH)) for end in (low, high))
    cells[first:last + 1] = ["─"] * (last - first + 1)
    cells[min(SCALE_WIDTH - 1, int(at * SCALE_WIDTH))] = "◆"
    return "".join(cells)


def _new_table(*heads: str) -> Table:
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    table = Table(box=SIMPLE_HEAD, header_style="bold")
    for at, head in enumerate(heads):
        table.add_column(head, justify="left" if at == 0 else "right", no_wrap=True)
    return table


def _tissue_table(result: BlockResult) -> Table:
    first = next(iter(result.tissues.values()))
    table = _new_table("Tissue", "live", "dead", "unsure", "not exp.", "mortality",
                       f"{100 * first.confidence:g} % interval")
    table.add_column("0 %" + "100 %".rjust(SCALE_WIDTH - 3), no_wrap=True)
    for tissue, row in result.tissues.items():
        mark = " *" if row.design_effect_from_prior else ""
        table.add_row(
            tissue.value, str(row.n_live), str(row.n_dead), str(row.n_unsure),
            str(row.n_not_exposed), _percent(row.mortality), _span(row.low, row.high) + mark,
            _scale(row.low, row.mortality, row.high),
        )
    crop = result.crop_potential
    table.add_row("crop", "", "", "", "", _percent(crop.share), _span(crop.low, crop.high),
                  _scale(crop.low, crop.share, crop.high), style="italic")
    return table


def _count(nodes: NodeCount) -> tuple[str, str]:
    ends = " to ".join("?" if end is None else str(end) for end in (nodes.low, nodes.high))
    cap = " (at the practical maximum)" if nodes.capped else ""
    return ("no number" if nodes.retain is None else str(nodes.retain), ends + cap)


def _node_table(result: BlockResult) -> Table:
    table = _new_table(f"Nodes to retain (normal {result.normal_nodes:g})", "nodes", "range")
    for rule, nodes in result.nodes.items():
        table.add_row(RULE_WORDS[rule], *_count(nodes))
    for other in result.other_policies:
        retain, ends = _count(other.nodes)
        table.add_row(f"policy {other.policy}", retain, ends, style="dim")
    return table


def _print_block(console: Console, result: BlockResult) -> None:
    from rich.markup import escape

    console.print()
    console.print(
        f"[bold]Block {escape(result.block)}[/bold]  {result.n_buds} buds from {result.n_canes} "
        f"cane{'s' if result.n_canes != 1 else ''}", highlight=False,
    )
    console.print(_tissue_table(result), highlight=False)
    if result.band is not None:
        chances = ", ".join(
            f"{name} {100 * chance:.0f} %" for name, chance in result.band_probabilities.items()
        )
        console.print(f"[bold]{escape(result.band.action)}[/bold]", highlight=False)
        console.print(f"Band {result.band.name} of policy {result.policy}. "
                      f"How likely each band is: {chances}.", highlight=False)
        if result.more_buds is None:
            told = "No practicable number of further buds would settle the band."
        elif result.more_buds == 0:
            told = "The whole interval lies in this band."
        else:
            told = f"About {result.more_buds} more buds would settle the band."
        console.print(told, highlight=False)
        console.print(_node_table(result), highlight=False)
    for note in result.notes:
        console.print(f"* {note}", highlight=False)
    for warning in result.warnings:
        console.print(f"Warning: {warning}", style="bold", highlight=False)


def _overview(results: Sequence[BlockResult]) -> Table:
    from rich.markup import escape

    table = _new_table("Block", "buds", "primary mortality", "interval", "band", "nodes")
    for result in sorted(
        results, key=lambda row: -(next(iter(row.tissues.values())).mortality or 0.0)
    ):
        primary = next(iter(result.tissues.values()))
        table.add_row(
            escape(result.block), str(result.n_buds), _percent(primary.mortality),
            _span(primary.low, primary.high), result.band.name if result.band else "–",
            _count(result.nodes["band"])[0],
        )
    return table


def print_results(results: Sequence[BlockResult], *, settings: Settings) -> None:
    """Print block results for people, several blocks with the most damaged first.

    Parameters
    ----------
    results : sequence of BlockResult
    settings : Settings
        Those the results were worked out with.
    """
    from rich.console import Console

    from budvision.workflow.answers.tally import CAUTION

    console = Console(file=sys.stdout, markup=True, soft_wrap=False)
    if console.width < 100:
        console.width = 100
    if len(results) > 1:
        console.print(_overview(results), highlight=False)
    for result in results:
        _print_block(console, result)
    console.print()
    console.print(
        f"Crop counts a live primary 1, a live secondary under a dead primary "
        f"{settings.number('secondary_crop'):.2f}, a tertiary 0.", highlight=False,
    )
    console.print(CAUTION, highlight=False)
