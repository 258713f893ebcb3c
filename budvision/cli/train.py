"""`budvision train` and what follows it under `budvision models`: compare, promote, go back."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from budvision.cli.progress import stage_bars
from budvision.cli.terminal import ClusterOption, JsonOption, SeasonOption, show_json
from budvision.language import plain_count

if TYPE_CHECKING:
    from budvision.store.session import Season
    from budvision.workflow.intake.propose import ProposeReport
    from budvision.workflow.learning.agreed import Agreed

__all__ = ["register"]

LaterOption = Annotated[bool, typer.Option(
    "--later", help="Leave waiting buds as they are; `budvision models look-again` does them.")]


def register(app: typer.Typer) -> None:
    """Add the commands to the application; those on models join the group of that name."""
    app.command("train")(train)
    group = next(
        (g.typer_instance for g in app.registered_groups if g.name == "models"), None)
    if group is None:
        group = typer.Typer(help="The models at hand.", no_args_is_help=True)
        app.add_typer(group, name="models")
    for name, command in (("compare", compare), ("promote", promote), ("back", back),
                          ("look-again", look_again), ("watch", watch), ("slips", slips)):
        group.command(name)(command)


def train(
    season: SeasonOption = Path(),
    base: Annotated[str | None, typer.Option(
        help="Model to start from; the default model when left out.")] = None,
    bag: Annotated[list[Path] | None, typer.Option(
        help="Archive to learn from as well; once for each.")] = None,
    regions: Annotated[bool, typer.Option(
        "--regions", help="Train the segmenter too, on corrected and confirmed regions; needs "
        "the extra `train` and some minutes.")] = False,
    minutes: Annotated[float, typer.Option(
        min=0.01, help="Time for the segmenter's steps, with --regions.")] = 10.0,
    cluster: ClusterOption = "",
    as_json: JsonOption = False,
) -> None:
    """Train a model on the season's confirmed calls. It proposes only once it is promoted.

    Example: budvision train
    """
    from budvision.errors import UsageError
    from budvision.store.session import Season
    from budvision.workflow.learning.regions import train_regions
    from budvision.workflow.learning.train import train as run

    if regions and cluster:
        raise UsageError("--regions and --cluster are given together", where="train",
                         expected="one of them", do="Leave --cluster out: the segmenter is "
                         "trained on this machine.")
    if regions and bag:
        raise UsageError("--regions and --bag are given together", where="train",
                         expected="one of them", do="Train on regions first, then on archives "
                         "with --base and the model that it made.")
    with Season.open(season) as opened, stage_bars() as step:
        report = (train_regions(opened, base=base, minutes=minutes, progress=step) if regions
                  else run(opened, base=base, bags=bag or [], cluster=cluster, progress=step))
    if as_json:
        show_json(report.as_dict())
        return
    scores = report.metrics["canes_left_out"]
    typer.echo(f"{report.model}: {report.metrics['why']}")
    for name in ("base", "tuned"):
        score = scores[name]
        right = "-" if score["accuracy"] is None else f"{score['accuracy']:.1%}"
        typer.echo(f"  {name}: {right} right among the {score['called']:.1%} called, "
                   f"{plain_count(score['n'], 'tissue')}, canes left out in turn")
    strays = report.metrics["strays"]
    if strays["n"]:
        typer.echo(f"  {plain_count(strays['n'], 'region')} called not exposed or moved: the base "
                   f"proposes a verdict for {strays['called_before']}, tuned for "
                   f"{strays['called_after']}")
    if report.metrics["likely_slips"]:
        typer.echo("Likely slips of the hand: "
                   f"{plain_count(report.metrics['likely_slips'], 'call')}; "
                   "see `budvision models slips`.", err=True)
    typer.echo(f"{report.path}\nCompare it with `budvision models compare {report.model}`; "
               "nothing changes until a person promotes it.", err=True)


def compare(
    candidate: Annotated[str, typer.Argument(help="The model that might be promoted.")],
    against: Annotated[str | None, typer.Option(
        help="The other model; the one in use when left out.")] = None,
    every: Annotated[bool, typer.Option(
        "--all-calls", help="Use calls that were not blind too; they flatter the old model.",
    )] = False,
    season: SeasonOption = Path(),
    as_json: JsonOption = False,
) -> None:
    """Compare a model with the one in use on the same blind-called buds.

    Example: budvision models compare winter-1
    """
    from budvision.store.session import Season
    from budvision.workflow.learning.models import compare_models

    with Season.open(season) as opened:
        done = compare_models(opened, candidate, against=against, blind_only=not every)
    if as_json:
        show_json(done.as_dict())
        return
    typer.echo(f"{done.old} -> {done.new}; differences with 95 % intervals by cane")
    for row in done.rows:
        typer.echo(f"{row.name}: {plain_count(row.n, 'tissue')} on "
                   f"{plain_count(row.n_canes, 'cane')}")
        typer.echo(f"  called {row.called[0]:.1%} -> {row.called[1]:.1%}")
        for name, pair, gain in zip(
                ("right", "wrong"), (row.right, row.wrong), row.gains, strict=True):
            typer.echo(f"  {name} {pair[0]:.1%} -> {pair[1]:.1%}, points {gain}")
        typer.echo(f"  dead called live {row.dead_called_live[0]} -> {row.dead_called_live[1]}")
    typer.echo(done.words)


def promote(
    name: Annotated[str, typer.Argument(help="The model that is to propose from now on.")],
    reason: Annotated[str, typer.Option(help="Why, in a sentence; it is kept.")],
    by: Annotated[str, typer.Option(help="Who decides: a person of the season.")],
    later: LaterOption = False,
    season: SeasonOption = Path(),
) -> None:
    """Let a model propose from now on. Confirmed proposals stay; one can go back.

    Buds that wait are proposed anew at once; both versions are kept. `budvision models back` lets
    the model before it propose again.

    Example: budvision models promote winter-1 --by "Ada Quill" --reason "Agrees more often"
    """
    from budvision.store.session import Season
    from budvision.workflow.learning.models import promote_model

    with Season.open(season) as opened:
        label = promote_model(opened, name, person=by, reason=reason)
        typer.echo(f"{label} proposes from now on.")
        _anew(opened, later=later)


def back(
    reason: Annotated[str, typer.Option(help="Why, in a sentence; it is kept.")],
    by: Annotated[str, typer.Option(help="Who decides: a person of the season.")],
    later: LaterOption = False,
    season: SeasonOption = Path(),
) -> None:
    """Let the model before the present one propose again.

    Buds that wait are proposed anew at once; both versions are kept.

    Example: budvision models back --by "Ada Quill" --reason "Worse on the new lamp"
    """
    from budvision.store.session import Season
    from budvision.workflow.learning.models import go_back

    with Season.open(season) as opened:
        label = go_back(opened, person=by, reason=reason)
        typer.echo(f"{label} proposes again.")
        _anew(opened, later=later)


def look_again(
    cluster: ClusterOption = "",
    season: SeasonOption = Path(), as_json: JsonOption = False,
) -> None:
    """Propose anew for waiting buds that show another model's proposals; all versions are kept.

    Example: budvision models look-again
    """
    from budvision.store.session import Season

    with Season.open(season) as opened:
        report = _anew(opened, later=False, quiet=as_json, cluster=cluster)
    if as_json and report is not None:
        show_json(report.as_dict())


def _anew(
    opened: Season, *, later: bool, quiet: bool = False, cluster: str = ""
) -> ProposeReport | None:
    """Look again at the buds that wait, or say how many photographs are left as they are."""
    from budvision.cli.progress import progress_bar
    from budvision.workflow.learning.anew import count_out_of_step, propose_anew

    if later:
        n = count_out_of_step(opened)
        typer.echo(f"{plain_count(n, 'photograph')} of waiting buds show another model's "
                   f"proposals; "
                   "`budvision models look-again` proposes them anew.")
        return None
    with progress_bar("looking again") as step:
        report = propose_anew(opened, cluster=cluster, progress=step)
    if quiet:
        return report
    typer.echo(
        f"{report.model} looked at {plain_count(report.n_looked, 'photograph')} of waiting buds: "
        f"{report.n_found} with proposals, {report.n_refused} that cannot be judged. The proposals "
        "before are kept, and what people called is untouched."
        if report.n_looked else "No bud that waits shows another model's proposals.")
    if report.trouble:
        typer.echo(report.trouble, err=True)
    return report


def watch(season: SeasonOption = Path(), as_json: JsonOption = False) -> None:
    """Say how the model in use has been doing: agreement, drift, doubt, refusals.

    Example: budvision models watch
    """
    from budvision.store.session import Season
    from budvision.workflow.learning.models import watch_model

    with Season.open(season) as opened:
        seen = watch_model(opened)
    if as_json:
        show_json(seen.as_dict())
        return
    if not seen.n_proposed:
        typer.echo(f"{seen.model} has not looked at a photograph of this season yet.")
        return
    agreed = "not known yet" if seen.agreement is None else f"{seen.agreement:.1%}"
    typer.echo(f"{seen.model}: agreement with {plain_count(seen.n_blind, 'blind call')} {agreed}; "
               f"{seen.unsure:.1%} of {plain_count(seen.n_tissues, 'tissue')} unsure, "
               f"{seen.refused:.1%} of {plain_count(seen.n_proposed, 'photograph')} refused.")
    for model in seen.models:
        typer.echo(f"  {model.model}: agreed on {_agreed(model.live)} called live and "
                   f"{_agreed(model.dead)} called dead")
    for one in seen.advice:
        typer.echo(f"{one.level}: {one.text}")


def _agreed(one: Agreed) -> str:
    """Word a share with its interval, or that there was no such call."""
    if one.interval is None:
        return "none"
    return f"{one.n_same} of {one.n} ({one.interval.low:.1%} to {one.interval.high:.1%})"


def slips(season: SeasonOption = Path(), as_json: JsonOption = False) -> None:
    """List calls that look like slips of the hand, for a second look; nothing is changed.

    Example: budvision models slips
    """
    from dataclasses import asdict

    from budvision.store.session import Season
    from budvision.workflow.learning.models import find_slips

    with Season.open(season) as opened:
        found = find_slips(opened)
    if as_json:
        show_json([asdict(one) for one in found])
        return
    for one in found:
        typer.echo(f"{one.block}, cane {one.cane}, node {one.node}, {one.tissue}: {one.why}.")
    if not found:
        typer.echo("No call of a photographed bud looks like a slip of the hand.")
