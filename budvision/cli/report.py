"""`budvision report`: grower sheets, the program summary and the appendix, as PDF."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from budvision.errors import UsageError

if TYPE_CHECKING:
    from budvision.store.session import Season

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command("report")(report)


def report(
    block: Annotated[str, typer.Argument(help="Block; left out with --all or --summary.")] = "",
    out: Annotated[Path | None, typer.Option(
        help="File to write; with --all a folder (reports when left out).")] = None,
    every: Annotated[bool, typer.Option(
        "--all", help="A sheet and an appendix for every block, and the program summary.")] = False,
    summary: Annotated[bool, typer.Option(
        "--summary", help="The program summary over all blocks.")] = False,
    appendix: Annotated[bool, typer.Option(
        "--appendix", help="Every bud of the block with its calls, instead of the sheet.")] = False,
    sampling: Annotated[str, typer.Option(
        help="Label of the sampling; the newest of each block when left out.")] = "",
    units: Annotated[str, typer.Option(help="metric or us; the season's setting.")] = "",
    paper: Annotated[str, typer.Option(help="a4 or us-letter; the season's setting.")] = "",
    language: Annotated[str, typer.Option(
        help="en, fr, de or es; the season's setting, else English.")] = "",
    season: Annotated[Path, typer.Option(
        "--season", help="Season folder; the working directory when left out.")] = Path(),
) -> None:
    """Write a grower sheet (one page), the program summary or every bud's calls as PDF.

    Example: budvision report "Kettle Bench" --out sheet.pdf --units us --paper us-letter
    """
    from budvision.store.session import Season

    if bool(block) + every + summary != 1:
        raise UsageError(
            "it is not clear what to report", where="report",
            expected="one of: a block, --all, --summary",
            do='For example: budvision report "Kettle Bench" --out sheet.pdf',
        )
    if appendix and not block:
        raise UsageError("--appendix names no block", where="report", expected="a block with it",
                         do="Add the block's name, or use --all.")
    form: dict[str, str | None] = {
        "sampling": sampling or None, "paper": paper or None, "units": units or None,
        "language": language or None}
    with Season.open(season) as opened:
        if every:
            _write_all(opened, out or Path("reports"), form)
            return
        from budvision.workflow.answers import report as work

        if summary:
            data, name = work.program_summary(opened, **form), "program summary"
        elif appendix:
            data, name = work.appendix(opened, block, **form), f"{block} - every bud"
        else:
            data, name = work.grower_sheet(opened, block, **form), f"{block} - sheet"
        target = out or Path(f"{work.safe_name(name)}.pdf")
        work.write_pdf(target, data)
        typer.echo(str(target))


def _write_all(season: Season, folder: Path, form: dict[str, str | None]) -> None:
    from budvision.cli.progress import stage_bars
    from budvision.workflow.answers.report import write_all

    with stage_bars() as step:
        written = write_all(season, folder, **form,
                            progress=lambda done, total: step("Setting pages", done, total))
    for path in written:
        typer.echo(str(path))
