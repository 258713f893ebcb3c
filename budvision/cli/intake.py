"""`budvision intake` and `intake-undo`: photographs come in, and leave their buds again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from budvision.cli.progress import progress_bar
from budvision.cli.terminal import ClusterOption, JsonOption, SeasonOption, say, show_json
from budvision.errors import BudvisionError
from budvision.language import plain_count

if TYPE_CHECKING:
    from budvision.workflow.intake.intake import IntakeReport
    from budvision.workflow.intake.propose import ProposeReport

__all__ = ["register"]

PATTERN = "<block>_<cane>_n<node>_c<cut>"


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    app.command("intake")(intake)
    app.command("intake-undo")(intake_undo)


def intake(
    sources: Annotated[list[Path] | None, typer.Argument(
        metavar="FILES_OR_FOLDERS", help="Photographs, and folders of photographs.")] = None,
    sampling: Annotated[str, typer.Option(
        help="Label of the sampling; blocks that have none of that label get it.")] = "",
    manifest: Annotated[Path | None, typer.Option(
        help="CSV with the columns file,block,cane,node,cut; optionally vine, vigor, zone, "
        "cultivar.")] = None,
    pattern: Annotated[str, typer.Option(
        help="Pattern of the file names without their ending, where there is no manifest; parts "
        "<block>, <cane>, <vine>, <node>, <cut>.")] = PATTERN,
    block: Annotated[str, typer.Option(
        help="Block of every photograph, where the pattern has no <block>.")] = "",
    cultivar: Annotated[str, typer.Option(help="Cultivar of the blocks, where not known.")] = "",
    collected: Annotated[str | None, typer.Option(
        help="When the canes were collected, as 2026-02-11 or 2026-02-11T14:30Z; for a sampling "
        "that is new.")] = None,
    person: Annotated[str, typer.Option(help="Who takes the photographs in.")] = "",
    move: Annotated[bool, typer.Option(
        "--move", help="Give photographs that have another place already the new one.")] = False,
    propose: Annotated[bool, typer.Option(
        "--propose/--no-propose", help="Let the model look at the photographs after.")] = True,
    model: Annotated[str | None, typer.Option(
        help="Model that proposes, by name or folder; the season's own when left out.")] = None,
    cluster: ClusterOption = "",
    season: SeasonOption = Path(),
    as_json: JsonOption = False,
) -> None:
    """Take photographs in, each with its block, cane, node and cut, and propose for them.

    The original bytes are copied and kept. Bad files are reported and the others taken in; then
    the exit code is 3. Run again, it goes on where it stopped and changes nothing. `budvision
    intake-undo` takes an intake back.

    Example: budvision intake card/ --sampling feb --manifest card/manifest.csv
    """
    from budvision.errors import UsageError
    from budvision.store.session import Season
    from budvision.workflow.intake import intake as work

    with Season.open(season) as opened:
        if not sampling.strip():
            raise UsageError("the sampling has no label", where="--sampling",
                             expected="a label such as feb-cold-night",
                             do="Add --sampling LABEL.")
        if not sources and manifest is None:
            raise UsageError("no photograph is named", where="intake",
                             expected="files, folders or a manifest", do="Name the folder.")
        with progress_bar("taking in") as step:
            report = work.intake(
                opened, sources or (), sampling=sampling, manifest=manifest, pattern=pattern,
                block=block, cultivar=cultivar, collected_at=collected,
                person=person or None, move=move, progress=step,
            )
        proposed: ProposeReport | None = None
        failed: BudvisionError | None = None
        if propose and report.taken:
            from budvision.workflow.intake.propose import propose_waiting

            try:
                with progress_bar("looking") as step:
                    proposed = propose_waiting(
                        opened, model=model, cluster=cluster, progress=step)
            except BudvisionError as error:  # what was taken in stays, and is told of first
                failed = error
    if as_json:
        payload = report.as_dict() | {"proposals": proposed.as_dict() if proposed else None}
        show_json(payload if failed is None else payload | {"proposals": failed.as_dict()})
    else:
        _tell_intake(report, proposed)
    if failed is not None:
        raise failed
    if proposed is not None and proposed.n_failed:
        raise typer.Exit(1)
    if report.refused:
        raise typer.Exit(3)


def _tell_intake(report: IntakeReport, proposed: ProposeReport | None) -> None:
    words = [
        (report.count("new"), "new"), (report.count("known"), "there already"),
        (report.count("moved"), "moved"), (report.count("placed"), "given a place"),
        (report.count("same_bytes"), "with the same bytes as another"),
        (len(report.refused), "refused"),
    ]
    counts = ", ".join(f"{n} {word}" for n, word in words if n) or "nothing to do"
    typer.echo(f"Sampling {report.sampling}: {counts}.")
    for one in report.taken:
        if one.state == "same_bytes":
            say(f"{one.file}: same bytes as {one.same_as}; it is one photograph.")
    for bad in report.refused:
        say(str(bad.error))
    if report.not_listed:
        names = ", ".join(report.not_listed[:8]) + (" ..." if len(report.not_listed) > 8 else "")
        say("Left, with no row in the manifest: "
            f"{plain_count(len(report.not_listed), 'photograph')} in the folders: {names}")
    for remark in report.remarks:
        say(remark)
    if report.n_others:
        say(f"Not looked at: {plain_count(report.n_others, 'other file')} in the folders.")
    if proposed is not None and proposed.n_looked:
        typer.echo(
            f"{proposed.model} looked at {plain_count(proposed.n_looked, 'photograph')}: "
            f"{proposed.n_found} with "
            f"proposals, {proposed.n_refused} that cannot be judged."
        )
        for code, n in sorted(proposed.reasons.items(), key=lambda item: -item[1]):
            typer.echo(f"  {n} x {code.replace('_', ' ')}")
        typer.echo("Proposals are not calls: a person confirms each on the review page "
                   "(`budvision serve`).")
    if proposed is not None and proposed.trouble:
        say(proposed.trouble)


def intake_undo(
    note: Annotated[str, typer.Argument(
        metavar="[INTAKE]", help="Which intake; the list shows it first in each line.")] = "",
    person: Annotated[str, typer.Option(help="Who takes it back.")] = "",
    season: SeasonOption = Path(),
    as_json: JsonOption = False,
) -> None:
    """List the last intakes, or take one back while no call hangs on it; the files stay.

    Its photographs leave their buds, by new rows, and may be taken in again with other places.

    Example: budvision intake-undo 3f9c2a71d0be --person "Dana Iskar"
    """
    from dataclasses import asdict

    from budvision.store.queries.people import active_person
    from budvision.store.session import Season
    from budvision.workflow.intake.intake import BATCH
    from budvision.workflow.intake.undo import list_batches, undo_intake

    with Season.open(season) as opened:
        if not note:
            rows = list_batches(opened)
            if as_json:
                show_json({"intakes": [asdict(row) for row in rows]})
                return
            if not rows:
                say("Nothing was taken in yet.")
            typer.echo("intake\tat\tby\tsampling\tphotographs\tcalled")
            for row in rows:
                typer.echo("\t".join((
                    row.note.removeprefix(f"{BATCH} "), row.at, row.by, row.sampling,
                    str(row.n_photos), str(row.n_called))))
            return
        with opened.read() as conn:
            who = active_person(conn, person)
        n = undo_intake(opened, f"{BATCH} {note.removeprefix(f'{BATCH} ')}", person_id=who.id)
    if as_json:
        show_json({"ok": True, "n_photos": n})
    else:
        stand = "was taken back; it stands" if n == 1 else "were taken back; they stand"
        typer.echo(f"{plain_count(n, 'photograph')} {stand} with no bud now.")
