"""`budvision paper`: photo cards, walking sheet, cane tags and bench tally as PDFs."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

__all__ = ["register"]

KINDS = ("card", "walk", "tags", "tally", "counts", "all")


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command("paper")(paper)


def paper(
    kind: Annotated[str, typer.Argument(
        metavar="KIND", help="card (photo cards), walk (walking sheet), tags (cane tags), tally "
        "(bench tally, a box a bud), counts (bench tally, a row a cane) or all.")],
    out: Annotated[Path, typer.Option(
        help="PDF to write; for all, a folder.")] = Path(),
    block: Annotated[str, typer.Option(help="Block of the plan.")] = "",
    sampling: Annotated[str, typer.Option(help="Sampling of the plan.")] = "",
    plan: Annotated[Path | None, typer.Option(
        help="A plan made with `budvision plan --json`, instead of a season's.")] = None,
    size: Annotated[str, typer.Option(
        "--paper", help="a4 or us-letter; the season's setting when left out.")] = "",
    tag: Annotated[str, typer.Option(
        help="Tags: cut (sheet to cut), a4-21 or letter-30 (label sheets), or WIDTHxHEIGHT in mm "
        "for a label printer.")] = "cut",
    season: Annotated[Path | None, typer.Option(
        "--season", help="Season folder; the working directory when left out.")] = None,
) -> None:
    """Print the paper of the vineyard and the bench. Photo cards need no season and no plan.

    Example: budvision paper all --out paper/
    """
    from budvision.errors import UsageError
    from budvision.language import LANGUAGES, speak
    from budvision.settings import Settings
    from budvision.store.session import Season
    from budvision.vineyard.sample_plan import plan_from_dict
    from budvision.workflow.sampling.paper import bench_paper, photo_cards, write_paper
    from budvision.workflow.sampling.plan import find_plan

    if kind not in KINDS:
        raise UsageError(f"the paper is {kind!r}", expected=f"one of {', '.join(KINDS)}",
                         where="paper", do="Correct the word.")
    in_season = season is not None or Path("budvision.toml").exists()
    settings, found = Settings(), None
    if in_season and (plan is None or not size):
        with Season.open(season) as opened:
            settings = opened.settings
            if plan is None and kind != "card":
                found = find_plan(opened, block=block, sampling=sampling)
    if plan is not None:
        found = plan_from_dict(_read(plan), where=plan.name)
    sheets = size or settings.paper
    if settings.language in LANGUAGES:
        speak(settings.language)
    if kind == "card":
        made = {"photo-cards.pdf": photo_cards(paper=sheets)}
    elif found is None:
        raise UsageError("there is no plan to print", expected="a season with a plan, or --plan",
                         where="paper", do="Run `budvision plan` in the season first." if in_season
                         else "Make a season with `budvision init DIR`, plan in it with `budvision "
                         "plan`, and print from there; a plan made elsewhere is not kept.")
    else:
        made = bench_paper(found, kinds=KINDS[:-1] if kind == "all" else (kind,), paper=sheets,
                           tag=tag, settings=settings, folder=season if in_season else None)
    for path in write_paper(made, out):
        typer.echo(str(path))


def _read(path: Path) -> dict[str, object]:
    from budvision.errors import InputError

    try:
        table = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise InputError(f"it cannot be read as JSON ({error})", where=path.name,
                         expected="the output of `budvision plan --json`") from error
    if not isinstance(table, dict):
        raise InputError("it is no plan", where=path.name,
                         expected="the output of `budvision plan --json`")
    return table
