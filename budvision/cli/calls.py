"""`budvision calls` and `budvision results`: calls in and out as a table, and the answer."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from budvision.cli.terminal import (
    JsonOption,
    SeasonOption,
    say,
    show_json,
    show_json_rows,
)
from budvision.language import plain_count

if TYPE_CHECKING:
    from budvision.store.session import Season
    from budvision.workflow.answers.results import BlockAnswer

__all__ = ["register"]

_MOST_NAMED = 8  # canes


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    group = typer.Typer(help="Calls in and out as a table.", no_args_is_help=True)
    group.command("import")(import_)
    group.command("export")(export)
    group.command("undo")(undo)
    app.add_typer(group, name="calls")
    app.command("results")(results)


def import_(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Table with the columns "
                                         "block,cane,node,primary,secondary,tertiary.")],
    reviewer: Annotated[str, typer.Option(help="Whose calls they are.")] = "",
    sampling: Annotated[str | None, typer.Option(
        help="Label of the sampling; may be left out where the season has one label.")] = None,
    create: Annotated[bool, typer.Option(
        "--create", help="Make blocks, canes and buds that are not there; else they are "
        "errors.")] = False,
    blind: Annotated[bool, typer.Option(
        "--blind", help="The reviewer had not seen the proposals.")] = False,
    second: Annotated[bool, typer.Option(
        "--second", help="It is a second reader's table: kept beside the first calls, to measure "
        "agreement; it does not count.")] = False,
    entered_by: Annotated[str, typer.Option(
        help="Who types them in, where it is not the reviewer.")] = "",
    season: SeasonOption = Path(),
    as_json: JsonOption = False,
) -> None:
    """Record one person's calls from a paper tally; all of the file, or nothing.

    An empty cell leaves the call that stands. The same values again change nothing.
    `budvision calls undo` takes the import back.

    Example: budvision calls import tally.csv --reviewer "Dana Iskar"
    """
    from budvision.errors import UsageError
    from budvision.store.session import Season
    from budvision.workflow.review.calls_table import import_calls

    with Season.open(season) as opened:
        if not reviewer.strip():
            raise UsageError("nobody is named", where="--reviewer",
                             expected="the name of the person whose calls these are",
                             do='Add --reviewer "NAME".')
        report = import_calls(
            opened, file, reviewer=reviewer, sampling=sampling, create=create, blind=blind,
            reading="second" if second else "first", entered_by=entered_by or None,
        )
    for warning in report.warnings:
        say(warning)
    if as_json:
        show_json(report.as_dict())
        return
    if not report.n_calls:
        typer.echo(f"Nothing changed: the {plain_count(report.n_unchanged, 'call')} of "
                   f"{report.reviewer} stood "
                   "already.")
        return
    summary = (f"{plain_count(report.n_calls, 'call')} of {report.reviewer} for "
               f"{plain_count(report.n_rows, 'bud')} of sampling {report.sampling}")
    if report.n_second and not second:
        summary += f"; {report.n_second} are second readings, since somebody else called those " \
            "tissues first: they count once settled on the review page"
    if report.n_unchanged:
        summary += f"; {report.n_unchanged} stood already"
    if report.n_new_buds:
        summary += f"; new: {plain_count(report.n_new_buds, 'bud')}"
    typer.echo(summary + ".")
    if report.new_reviewer:
        say(f"{report.reviewer} is new to the season.")
    say(f"To take them back: budvision calls undo {report.batch} --person "
        f'"{entered_by or report.reviewer}"')


def undo(
    batch: Annotated[str, typer.Argument(
        metavar="BATCH", help="What `calls import` printed for its calls.")],
    person: Annotated[str, typer.Option(help="Who takes them back.")] = "",
    season: SeasonOption = Path(),
    as_json: JsonOption = False,
) -> None:
    """Take back calls that were saved together, by new rows; what stood before stands again.

    Calls that somebody has changed since are left as they are.

    Example: budvision calls undo 1aafe0b5a4e745dd96a5529d3d4a324f --person "Dana Iskar"
    """
    from budvision.store.queries.people import active_person
    from budvision.store.session import Season
    from budvision.workflow.review import save as work

    with Season.open(season) as opened:
        with opened.read() as conn:
            who = active_person(conn, person)
        done = work.undo(opened, batch, person=who)
    if as_json:
        show_json({"ok": True, "batch": done.batch, "n_restored": len(done.restored),
                   "n_left": len(done.left)})
        return
    left = f"; {len(done.left)} were changed since and stay" if done.left else ""
    n = len(done.restored)
    typer.echo(f"{plain_count(n, 'call')} {'was' if n == 1 else 'were'} taken back{left}.")


def export(
    file: Annotated[Path | None, typer.Argument(
        metavar="[FILE]", help="Where to write; stdout when left out.")] = None,
    sampling: Annotated[str | None, typer.Option(
        help="Label of the sampling; each block's newest when left out.")] = None,
    block: Annotated[str | None, typer.Option(help="One block only.")] = None,
    season: SeasonOption = Path(),
    as_json: JsonOption = False,
) -> None:
    """Write the calls that count as a table that `calls import` and `tally` read.

    Example: budvision calls export calls.csv
    """
    import sys

    from budvision.store.session import Season
    from budvision.workflow.review.calls_table import export_calls

    with Season.open(season) as opened:
        text = export_calls(opened, file, sampling=sampling, block=block)
    n_buds = text.count("\r\n") - 1
    if as_json:
        show_json({"ok": True, "file": None if file is None else str(file), "n_buds": n_buds})
    elif file is None:
        sys.stdout.write(text.replace("\r\n", "\n"))
    else:
        say(f"{file}: {plain_count(n_buds, 'bud')}.")


def results(
    block: Annotated[str | None, typer.Option(help="One block only.")] = None,
    sampling: Annotated[str | None, typer.Option(
        help="Label of the sampling; each block's newest when left out.")] = None,
    policy: Annotated[str | None, typer.Option(
        help="Pruning policy for all blocks, instead of their own.")] = None,
    season: SeasonOption = Path(),
    as_json: JsonOption = False,
) -> None:
    """Give mortality, band and nodes to retain from confirmed calls, and what still waits.

    Only what a person has called is counted. Exit code 6 where nobody has called anything yet.

    Example: budvision results --block "Mill Row"
    """
    from budvision.report.uncalled import uncalled
    from budvision.store.session import Season
    from budvision.workflow.answers.results import BESIDE, answer_as_dict, season_results

    with Season.open(season) as opened:
        answers = season_results(opened, block=block, sampling=sampling, policy=policy)
        confirmed = [answer for answer in answers if answer.confirmed]
        if not as_json:
            _tell_results(opened, answers, confirmed)
    if as_json:
        show_json_rows("blocks", map(answer_as_dict, answers), BESIDE)
    if not confirmed:
        say(f"budvision: {uncalled(sampling, where='results')}")
        raise typer.Exit(6)


def _tell_results(
    season: Season, answers: Sequence[BlockAnswer], confirmed: Sequence[BlockAnswer]
) -> None:
    from budvision.cli.tally import print_results
    from budvision.report.readers import reader_words
    from budvision.workflow.answers.comparison import result_facts

    if confirmed:
        print_results(result_facts(season, confirmed), units=season.settings.units)
        typer.echo("")
    for answer in answers:
        _tell_waiting(answer)
    corrected = next((answer.corrected for answer in answers if answer.corrected), None)
    for reader in corrected.readers if corrected else ():
        typer.echo(reader_words(reader))


def _tell_waiting(answer: BlockAnswer) -> None:
    from budvision.report.words import count

    waiting = answer.waiting
    if answer.soak is not None and answer.soak.early:
        typer.echo(f"Block {answer.block.name}, sampling {answer.sampling}: {answer.soak.words}")
    head = f"Block {answer.block.name}, sampling {answer.sampling}: "
    if not waiting.buds:
        typer.echo(head + ("every bud is called." if answer.confirmed else
                           "no bud to call is there yet. Bring photographs in with `budvision "
                           "intake`, or a tally with `budvision calls import --create`."))
        return
    of_cane: dict[tuple[str, str], list[int]] = {}
    for bud in waiting.buds:
        of_cane.setdefault((bud.vine, bud.cane), []).append(bud.node)
    canes = [f"cane {cane} {'node' if len(nodes) == 1 else 'nodes'} {_runs(nodes)}"
             for (_, cane), nodes in of_cane.items()]
    more = ("" if len(canes) <= _MOST_NAMED else
            f"; and {plain_count(len(canes) - _MOST_NAMED, 'more cane')}")
    named = "; ".join(canes[:_MOST_NAMED])
    what = "waits for a person" if not answer.confirmed else "still waiting"
    typer.echo(f"{head}{what}: {count(waiting.n_buds, 'bud')}, "
               f"{count(waiting.n_tissues, 'tissue')} "
               f"({named}{more}).")


def _runs(nodes: list[int]) -> str:
    """Return numbers in order as runs: 1 to 4, 7."""
    runs: list[list[int]] = []
    for node in sorted(nodes):
        if runs and node == runs[-1][-1] + 1:
            runs[-1].append(node)
        else:
            runs.append([node])
    return ", ".join(
        str(run[0]) if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in runs
    )
