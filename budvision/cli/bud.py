"""`budvision bud`: what was ever kept of one bud."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from budvision.cli.terminal import JsonOption, SeasonOption, show_json

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command("bud")(bud)


def bud(
    block: Annotated[str, typer.Argument(help="The block.")],
    cane: Annotated[str, typer.Argument(help="The cane's label.")],
    node: Annotated[int, typer.Argument(min=1, help="The node, from the cane's base.")],
    sampling: Annotated[str, typer.Option(
        help="Label of the sampling; the block's latest when left out.")] = "",
    vine: Annotated[str, typer.Option(help="The vine, where several have this cane.")] = "",
    season: SeasonOption = Path(),
    as_json: JsonOption = False,
) -> None:
    """Show the whole history of a bud: cuts, proposals of each model, calls of each person.

    Example: budvision bud "Creek Terrace" 3 5
    """
    from budvision.store.session import Season
    from budvision.workflow.review.history import history_of_bud

    with Season.open(season) as opened:
        history = history_of_bud(opened, block, cane, node, sampling=sampling, vine=vine)
    if as_json:
        show_json(history)
        return
    vine = f", vine {history['vine']}" if history["vine"] else ""
    typer.echo(f"{history['block']}, {history['sampling']}{vine}, cane {history['cane']}, "
               f"node {history['node']}")
    for cut in history["cuts"]:
        typer.echo(f"\ncut {cut['cut']}  {cut['file']}  {cut['sha256'][:12]}")
        for line in _lines_of_cut(cut):
            typer.echo(f"  {line}")
    typer.echo("\ncalls" if history["calls"] else "\nnobody has called it yet")
    for row in history["calls"]:
        typer.echo(f"  {_call(row)}")


def _lines_of_cut(cut: dict[str, Any]) -> list[str]:
    from budvision.workflow.review.history import proposal_words

    lines = []
    for place in cut["places"]:
        who = f" by {place['by']}" if place["by"] else ""
        where = place["bud"] or "taken out of its bud"
        note = f": {place['note']}" if place["note"] else ""
        lines.append(f"{_when(place['at'])}  {where}, cut {place['cut']} "
                     f"({place['source'].replace('_', ' ')}{who}){note}")
    for one in cut["proposals"]:
        lines.append(f"{_when(one['at'])}  {one['model']}: {proposal_words(one)}")
    return lines


def _call(row: dict[str, Any]) -> str:
    value = row["value"].replace("_", " ")
    cause = f", {row['cause'].replace('_', ' ')}" if row["cause"] else ""
    blind = ", blind" if row["blind"] else ""
    entered = f", entered by {row['entered_by']}" if row["entered_by"] else ""
    note = f": {row['note']}" if row["note"] else ""
    mark = "stands" if row["stands"] else ""
    return (f"{_when(row['at'])}  {row['tissue']:<9}  {value}{cause}  {row['person']} "
            f"({row['round']}{blind}, {row['source']}{entered}){note}  {mark}").rstrip()


def _when(stamp: str) -> str:
    return f"{stamp[:16].replace('T', ' ')} UTC"
