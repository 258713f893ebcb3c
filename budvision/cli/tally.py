"""`budvision tally`: a paper tally in, mortality, band and nodes to retain out.

`print_results` prints the answer for any command that has block results, in the words of the page.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from budvision.cli.terminal import WIDE, JsonOption, results_console, show_json

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
    as_json: JsonOption = False,
    policy: Annotated[str, typer.Option(
        help="Pruning policy by name; an unknown name lists them.")] = "",
    normal_nodes: Annotated[float | None, typer.Option(
        help="Nodes retained on a vine in a normal year.")] = None,
    secondary_crop: Annotated[str, typer.Option(
        help="Crop of a live secondary under a dead primary, as a share of a primary's, or by "
        "class: usual, labruscana, norton, vinifera, french_hybrid.")] = "",
    training: Annotated[str, typer.Option(
        help='What pruning keeps: "spurs of 2", "canes of 12"; only those nodes count.')] = "",
    folder: Annotated[Path | None, typer.Option(
        "--settings", help="Folder whose budvision.toml and policies.toml count, as in a season; "
        "the defaults when left out.")] = None,
) -> None:
    """Work out mortality, pruning band and nodes to retain from a paper tally.

    Works without a season folder. Each row is one bud; live, dead, unsure, not_exposed or empty.

    Example: budvision tally calls.csv --normal-nodes 40
    """
    from dataclasses import replace

    from budvision.settings import Settings
    from budvision.vineyard.policies import shipped_policies
    from budvision.vineyard.training import check_training, read_training
    from budvision.workflow.answers.tally import results_as_dict, tally_file

    settings = Settings() if folder is None else Settings.load(folder / "budvision.toml")
    crop, cultivar_class = _secondary_crop(secondary_crop)
    settings = replace(settings, policy=policy or settings.policy,
                       secondary_crop=settings.secondary_crop if crop is None else crop)
    policies = shipped_policies(None if folder is None else folder / "policies.toml")
    check_training(training, where="--training")
    result = tally_file(
        calls, settings=settings, policies=policies,
        normal_nodes=normal_nodes, training=read_training(training),
    )
    for warning in result.warnings:
        typer.echo(f"budvision: {warning}", err=True)
    if as_json:
        show_json(results_as_dict(result.results, warnings=result.warnings,
                                  beyond=result.beyond, zones=result.zones))
    else:
        print_results(
            result.facts(policies[settings.policy], policies=policies,
                         cultivar_class=cultivar_class), units=settings.units)


def _secondary_crop(text: str) -> tuple[float | None, str]:
    """Return the crop of a live secondary that a person asked for, and the class that it is of."""
    from budvision.errors import UsageError
    from budvision.settings import SETTINGS
    from budvision.vineyard.potential import SECONDARY_CROP

    if not text or text in SECONDARY_CROP:
        return (SECONDARY_CROP[text].share, text) if text else (None, "")
    if not text[0].isdigit():
        raise UsageError(f'the cultivar class is "{text}"', where="--secondary-crop",
                         expected=f"a share, or one of {', '.join(SECONDARY_CROP)}")
    setting = next(one for one in SETTINGS if one.name == "secondary_crop")
    return float(setting.read(text, where="--secondary-crop")), ""


def _scale(ends: tuple[float, float, float] | None) -> str:
    """Draw an interval (share, low, high) to scale from 0 to 100 %, in characters."""
    if ends is None:
        return ""
    middle, first, last = (min(SCALE_WIDTH - 1, int(end * SCALE_WIDTH)) for end in ends)
    cells = ["·"] * SCALE_WIDTH
    cells[first:last + 1] = ["─"] * (last - first + 1)
    cells[middle] = "◆"
    return "".join(cells)


def _new_table(*heads: str, narrow: bool) -> Table:
    """Return an empty table; in a narrow terminal its heads break, so that no number is cut."""
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    table = Table(box=SIMPLE_HEAD, header_style="bold", pad_edge=False, collapse_padding=True)
    for column, head in enumerate(heads):
        table.add_column(re.sub(" (?!vine|hectare|acre)", "\n", head) if narrow else head,
                         justify="left" if column == 0 else "right", no_wrap=True)
    return table


def _tissue_table(words: AnswerWords, *, narrow: bool) -> Table:
    from budvision.report.answer import TISSUE_HEADS

    table = _new_table(*TISSUE_HEADS, narrow=narrow)
    if not narrow:
        table.add_column("0 %" + "100 %".rjust(SCALE_WIDTH - 3), no_wrap=True)

    def add(ends: tuple[float, float, float] | None, *cells: str, style: str = "") -> None:
        table.add_row(*cells, *([] if narrow else [_scale(ends)]), style=style)

    for row in words.tissues:
        add(row.ends, *row.cells())
    if words.crop is not None:
        add(words.crop.ends, words.crop.name, *[""] * 5, words.crop.share, words.crop.span,
            style="italic")
    return table


def _node_table(words: AnswerWords, *, narrow: bool) -> Table:
    from budvision.report.answer import NODE_HEADS

    table = _new_table(*NODE_HEADS, *([f"nodes {words.area}"] if words.area else []),
                       narrow=narrow)
    for row in words.nodes:
        table.add_row(row.name, row.retain, row.span, *([row.per_area] if words.area else []))
    return table


def _zone_text(zone: ZoneLine) -> str:
    found = f"{zone.line.share} dead ({zone.line.span})" if zone.line.span else zone.line.share
    nodes = f" Nodes a vine: {zone.nodes.retain} ({zone.nodes.span})." if zone.nodes.span else ""
    return (f"Zone {zone.line.name}{f', {zone.weight} of the vines' if zone.weight else ''}: "
            f"{found}. {zone.action}{nodes}".rstrip())


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
        console.print(_node_table(words, narrow=console.width < WIDE), highlight=False)
    say(" ".join(part for part in (words.normal, words.arrangement) if part))
    say(words.basal)
    for row in words.nodes:
        say(f"{row.name}: {row.note}" if "maximum" in row.note else "")
    say(f"{words.disagreement} {words.why}".strip())
    for row in words.policies[1:]:
        nodes = row.retain if row.retain == "no number" else f"nodes a vine: {row.retain}"
        say(f"  {row.name}: {nodes}{f' ({row.span})' if row.span else ''}", "dim")
    console.print(_tissue_table(words, narrow=console.width < WIDE), highlight=False)
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


def _overview(answers: Sequence[tuple[BlockFacts, AnswerWords]], *, narrow: bool) -> Table:
    from rich.markup import escape

    table = _new_table("block", "buds", "share dead", "range", "band", "nodes a vine",
                       narrow=narrow)
    for facts, words in answers:
        first = words.tissues[0]
        table.add_row(escape(facts.block), str(facts.n_buds), first.share, first.span, words.band,
                      words.retain)
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

    from budvision.report.answer import answer_words
    from budvision.workflow.answers.tally import CAUTION

    console = results_console()
    answers = [(facts, answer_words(facts, units=units)) for facts in blocks]
    if len(answers) > 1:
        worst = sorted(answers, key=lambda pair: -(pair[0].tissues[0].share or 0.0))
        console.print(_overview(worst, narrow=console.width < WIDE), highlight=False)
    for facts, words in answers:
        _print_block(console, facts, words)
    console.print()
    console.print(CAUTION, highlight=False)
