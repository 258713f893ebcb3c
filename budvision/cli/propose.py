"""`budvision propose`: photographs in, one proposal a photograph out; needs no season folder."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from budvision.cli.terminal import ClusterOption, results_console
from budvision.language import plain_count

if TYPE_CHECKING:
    from budvision.verdict.batch import Answer

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command("propose")(propose)


def propose(
    photos: Annotated[list[Path], typer.Argument(
        metavar="PHOTO...", help="Photographs of cuts, or folders of them.")],
    as_lines: Annotated[bool, typer.Option(
        "--jsonl", help="Print one JSON object a photograph, for scripts.")] = False,
    table: Annotated[Path | None, typer.Option(
        metavar="FILE", help="Write a CSV there, one row a tissue; it may not exist yet.")] = None,
    masks: Annotated[Path | None, typer.Option(
        metavar="DIR", help="Write each photograph's labels there as <stem>.png: 0 background, "
        "1 primary, 2 secondary, 3 tertiary, 4 scales and wool.")] = None,
    model: Annotated[str | None, typer.Option(
        metavar="NAME_OR_PATH", help="Model to use; see `budvision models list`.")] = None,
    cane_base: Annotated[str, typer.Option(
        "--cane-base", metavar="SIDE", help="Side of every photograph on which the cane base "
        "lies: left, right, top or bottom. It tells secondary from tertiary where only one of "
        "them shows; a photo card in the picture says it better.")] = "unknown",
    workers: Annotated[int, typer.Option(
        min=0, help="Processes; 0 takes one a core where there are many photographs.")] = 0,
    cluster: ClusterOption = "",
) -> None:
    """Propose live, dead or unsure for each tissue of each photograph.

    A proposal is not a call: nothing counts until a person has confirmed it.

    Example: budvision propose cuts/ --jsonl > proposals.jsonl
    """
    from budvision.errors import UsageError
    from budvision.verdict.batch import UNUSABLE, collect_photos, propose_many
    from budvision.verdict.propose import proposal_as_dict

    if table is not None and table.exists():
        raise UsageError("the file exists already", where=str(table), expected="a new name",
                         do="Name another file, or move this one away.")
    paths = collect_photos(photos)
    folders = [folder for folder in (Path("models"),) if (folder / "registry.toml").is_file()]
    answers = propose_many(paths, model=model, folders=folders, masks=masks, workers=workers,
                           cane_base=cane_base, cluster=cluster)
    kept: list[Answer] = []
    rows: list[list[object]] = []
    n_bad = n_failed = 0
    for answer in _with_progress(answers, len(paths)):
        n_failed += answer.failed
        if answer.failed or any(
            reason.code in UNUSABLE for reason in answer.proposal.reasons
        ):
            n_bad += 1
            typer.echo(
                f"budvision: {answer.path}: {answer.proposal.reasons[0].text}", err=True)
        if answer.trouble:
            n_bad += 1
            typer.echo(f"budvision: {answer.trouble}", err=True)
        if as_lines:
            line = proposal_as_dict(answer.proposal)
            typer.echo(json.dumps(line, ensure_ascii=False, allow_nan=False))
            sys.stdout.flush()
        else:
            kept.append(answer)
        rows += _rows(answer) if table is not None else []
    if table is not None:
        _write_table(table, rows)
    if not as_lines:
        _print_table(kept)
    if n_bad:
        raise typer.Exit(1 if n_failed else 3)


COLUMNS = ("file", "sha256", "found", "tissue", "exposed", "verdict", "p_dead", "area_px", "row",
           "column", "why", "reasons", "model")


def _rows(answer: Answer) -> list[list[object]]:
    """Return a photograph's rows of the table: one a tissue, one alone where nothing was found."""
    proposal = answer.proposal
    reasons = " ".join(reason.text for reason in proposal.reasons)
    rows: list[list[object]] = []
    for tissue, one in proposal.tissues.items():
        row, column = one.centre or ("", "")
        rows.append([
            str(answer.path), proposal.sha256, "yes", tissue.value, "yes" if one.exposed else "no",
            one.verdict.value if one.verdict is not None else "", one.p_dead, one.area_px, row,
            column, one.why, reasons, proposal.model,
        ])
    return rows or [[str(answer.path), proposal.sha256, "no", *[""] * 8, reasons, proposal.model]]


def _write_table(path: Path, rows: list[list[object]]) -> None:
    import csv
    import io

    from budvision.errors import StorageError
    from budvision.files import write_whole

    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for row in rows:  # a text that a spreadsheet would take for a formula is given a quote
        writer.writerow([f"'{cell}" if isinstance(cell, str) and cell[:1] in "=+-@" and cell
                         else cell for cell in row])
    try:
        write_whole(path, text.getvalue())
    except OSError as error:
        raise StorageError(f"it cannot be written ({error.strerror})", where=str(path),
                           expected="a folder that can be written",
                           do="Name another file.") from error


def _with_progress(answers: Iterator[Answer], n_photos: int) -> Iterator[Answer]:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
    from rich.progress import TimeRemainingColumn as Remaining

    console = Console(stderr=True)
    bar = Progress(
        TextColumn("reading"), BarColumn(), MofNCompleteColumn(), Remaining(), console=console,
        transient=True, disable=not console.is_terminal or n_photos < 8,
    )
    with bar:
        task = bar.add_task("reading", total=n_photos)
        for answer in answers:
            yield answer
            bar.advance(task)


def _dead_share(share: float | None) -> str:
    if share is None:
        return ""
    if share < 0.01:
        return "<1 %"
    return ">99 %" if share > 0.99 else f"{100 * share:.0f} %"


def _print_table(answers: list[Answer]) -> None:
    from rich.box import SIMPLE_HEAD
    from rich.markup import escape
    from rich.table import Table

    console = results_console()
    table = Table(box=SIMPLE_HEAD, header_style="bold")
    table.add_column("photograph", overflow="fold", max_width=28)
    table.add_column("tissue", no_wrap=True)
    table.add_column("proposal", no_wrap=True)
    table.add_column("dead", no_wrap=True, justify="right")
    table.add_column("why", overflow="fold")
    for answer in answers:
        proposal, name = answer.proposal, escape(answer.path.name)
        if not proposal.found:
            reasons = " ".join(reason.text for reason in proposal.reasons)
            table.add_row(name, "", "not judged", "", escape(reasons))
        for tissue, one in proposal.tissues.items():
            verdict = one.verdict.value if one.verdict is not None else "not exposed"
            which = f"{tissue.value}, or {one.other_name.value}?" if one.other_name else tissue
            table.add_row(name, which, verdict, _dead_share(one.p_dead), escape(one.why))
            name = ""
        for reason in proposal.reasons:
            if proposal.found and reason.look:
                table.add_row("", "", "look yourself", "", escape(reason.text))
    console.print(table, highlight=False)
    n_found = sum(answer.proposal.found for answer in answers)
    console.print(
        f"{n_found} of {plain_count(len(answers), 'photograph')} judged. These are proposals: "
        f"nothing counts "
        "until a person has confirmed it.", highlight=False,
    )
