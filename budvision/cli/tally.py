"""`budvision tally`: a paper tally in, mortality, band and nodes to retain out.

`print_results` prints the answer for any command that has block results, in the words of the page.
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

    from budvision.report.answer import AnswerWords, ZoneLine
    from budvision.report.facts import BlockFacts

__all__ = ["print_results", "register"]

SCALE_WIDTH = 12


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
    training: Annotated[str, typer.Option(
        help='What pruning keeps: "spurs of 2", "canes of 12"; only those nodes count.')] = "",
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
    from budvision.report.facts import result_facts
    from budvision.settings import Settings
    from budvision.vineyard.policies import shipped_policies
    from budvision.vineyard.potential import SECONDARY_CROP
    from budvision.vineyard.training import check_training, read_training
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
        settings = Settings.of(
            {name: value for name, value in given.items() if value is not None}, where="options"
        )
        check_training(training, where="--training")
        result = tally_file(
            calls, settings=settings, policies=shipped_policies(policies),
            normal_nodes=normal_nodes, training=read_training(training),
        )
    except BudvisionError as error:
        if as_json:
            typer.echo(json.dumps(error.as_dict(), ensure_ascii=False))
        raise
    for warning in result.warnings:
        typer.echo(f"budvision: {warning}", err=True)
    if as_json:
        made = results_as_dict(result.results, warnings=result.warnings, beyond=result.beyond)
        typer.echo(json.dumps(made, indent=2, ensure_ascii=False, allow_nan=False))
    else:
        known, policy_used = shipped_policies(policies), settings.policy
        print_results([
            result_facts(r, known[policy_used], policies=known, training=result.training,
                         beyond=result.beyond.get(r.block), cultivar_class=cultivar_class)
            for r in result.results])


def _scale(ends: tuple[float, float, float] | None) -> str:
    """Draw an interval (share, low, high) to scale from 0 to 100 %, in characters."""
    if ends is None:
        return ""
    middle, first, last = (min(SCALE_WIDTH - 1, int(end * SCALE_WIDTH)) for end in ends)
    cells = ["·"] * SCALE_WIDTH
    cells[first:last + 1] = ["─"] * (last - first + 1)
    cells[middle] = "◆"
    return "".join(cells)


def _new_table(*heads: str) -> Table:
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    table = Table(box=SIMPLE_HEAD, header_style="bold", pad_edge=False, collapse_padding=True)
    for column, head in enumerate(heads):
        table.add_column(head, justify="left" if column == 0 else "right", no_wrap=True)
    return table


def _tissue_table(words: AnswerWords) -> Table:
    from budvision.report.answer import TISSUE_HEADS

    table = _new_table(*TISSUE_HEADS)
    table.add_column("0 %" + "100 %".rjust(SCALE_WIDTH - 3), no_wrap=True)
    for row in words.tissues:
        table.add_row(*row.cells(), _scale(row.ends))
    if words.crop is not None:
        table.add_row(words.crop.name, *[""] * 5, words.crop.share, words.crop.span,
                      _scale(words.crop.ends), style="italic")
    return table


def _node_table(words: AnswerWords) -> Table:
    from budvision.report.answer import NODE_HEADS

    table = _new_table(*NODE_HEADS, *([f"nodes {words.area}"] if words.area else []))
    for row in words.nodes:
        table.add_row(row.name, row.retain, row.span, *([row.per_area] if words.area else []))
    return table


def _zone_text(zone: ZoneLine) -> str:
    nodes = f" {zone.nodes.retain} nodes a vine ({zone.nodes.span})." if zone.nodes.span else ""
    return (f"Zone {zone.line.name}{f', {zone.weight} of the vines' if zone.weight else ''}: "
            f"{zone.line.share} dead ({zone.line.span}). {zone.action}{nodes}")


def _print_block(console: Console, facts: BlockFacts, words: AnswerWords) -> None:
    from rich.markup import escape

    from budvision.report.words import count

    def say(text: str, style: str = "") -> None:
        if text:
            console.print(escape(text), highlight=False, style=style)

    console.print()
    console.print(f"[bold]Block {escape(facts.block)}[/bold]  {count(facts.n_buds, 'bud')} from "
                  f"{count(facts.n_canes, 'cane')}", highlight=False)
    say(words.headline, "bold")
    for text in words.first:
        say(f"Read this first. {text}", "bold")
    say(words.action, "bold")
    say(words.choices_for)
    for choice in words.choices:
        say(f"- {choice.words}")
    for zone in words.zones:
        say(_zone_text(zone))
    if words.nodes:
        console.print(_node_table(words), highlight=False)
    say(" ".join(part for part in (words.normal, words.arrangement) if part))
    say(words.basal)
    for row in words.nodes:
        say(f"{row.name}: {row.note}" if "maximum" in row.note else "")
    say(f"{words.disagreement} {words.why}".strip())
    for row in words.policies[1:]:
        nodes = row.retain if row.retain == "no number" else f"{row.retain} nodes a vine"
        say(f"  {row.name}: {nodes}{f' ({row.span})' if row.span else ''}", "dim")
    console.print(_tissue_table(words), highlight=False)
    for text in words.found:
        say(text)
    for text in words.sure:
        say(text)
    chances = ", ".join(f"{row.name} {row.chance}" for row in words.bands)
    say(f"How likely each band is: {chances}." if chances else "")
    say(words.crop_counted)
    for line in facts.history:
        say(f"Sampling {line.sampling} ({line.collected or 'day not recorded'}): {line.share} "
            f"({line.span}) of {line.n_judged}. {line.change}")
    for note in facts.notes:
        say(f"* {note}")
    for warning in facts.warnings:
        say(f"Warning: {warning}", "bold")


def _overview(answers: Sequence[tuple[BlockFacts, AnswerWords]]) -> Table:
    from rich.markup import escape

    table = _new_table("block", "buds", "share dead", "range", "band", "nodes a vine")
    for facts, words in answers:
        first = words.tissues[0]
        table.add_row(escape(facts.block), str(facts.n_buds), first.share, first.span, words.band,
                      words.nodes[0].retain if words.nodes else "")
    return table


def print_results(
    blocks: Sequence[BlockFacts], *, units: str = "metric",
) -> None:
    """Print blocks' answers for people, several blocks with the most damaged first.

    Parameters
    ----------
    blocks : sequence of BlockFacts
    units : {"metric", "us"}
    """
    from rich.console import Console

    from budvision.report.answer import answer_words
    from budvision.workflow.answers.tally import CAUTION

    console = Console(file=sys.stdout, markup=True, soft_wrap=False)
    if console.width < 100:
        console.width = 100
    answers = [(facts, answer_words(facts, units=units)) for facts in blocks]
    if len(answers) > 1:
        worst = sorted(answers, key=lambda pair: -(pair[0].tissues[0].share or 0.0))
        console.print(_overview(worst), highlight=False)
    for facts, words in answers:
        _print_block(console, facts, words)
    console.print()
    console.print(CAUTION, highlight=False)
