"""`budvision demo`: the whole job on the sample photographs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from budvision.cli.terminal import JsonOption, say, show_json
from budvision.language import plain_count

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command("demo")(demo)


def demo(
    folder: Annotated[Path, typer.Argument(
        help="Season folder to make, or to complete.")] = Path("demo-season"),
    serve: Annotated[bool, typer.Option(
        "--serve/--no-serve", help="Serve the pages when done; --no-serve for scripts.")] = True,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port; 0 takes a free one.")] = 8765,
    as_json: JsonOption = False,
) -> None:
    """Run the whole job on the sample photographs: intake, proposals, calls, results, pages.

    Example: budvision demo /tmp/try --no-serve
    """
    from budvision.cli.progress import progress_bar
    from budvision.cli.tally import print_results
    from budvision.store.session import Season
    from budvision.workflow.answers.comparison import result_facts
    from budvision.workflow.answers.results import results, season_results
    from budvision.workflow.season.demo import REVIEWER, build_demo

    say("Invented vineyard, invented people, modelled photographs: a demonstration, not data.")
    with progress_bar("Taking photographs in") as on_intake, \
            progress_bar("Proposing") as on_propose:
        done = build_demo(folder, on_intake=on_intake, on_propose=on_propose)
    taken, proposed, calls = done.taken, done.proposed, done.calls
    new, known = taken.count("new"), len(taken.taken) - taken.count("new")
    if done.created:
        say(f"Made the season {folder}: {plain_count(new, 'photograph')} taken in.")
    else:
        say(f"The season {folder} is there already: {plain_count(known, 'photograph')} known, "
            f"{new} new.")
    if proposed.n_looked:
        say(f"Model {proposed.model} looked at {proposed.n_looked}: proposals for "
            f"{proposed.n_found}, {proposed.n_refused} refused as not to be judged.")
    else:
        say("Every photograph has its proposal.")
    say(f"{REVIEWER}'s recorded calls: {calls.n_calls} new, {calls.n_unchanged} there already.")
    with Season.open(folder) as season:
        if as_json:
            show_json(results(season))
        answers = season_results(season)
        called = [a for a in answers if a.confirmed]
        if not as_json:
            print_results(result_facts(season, called), units=season.settings.units)
        for answer in answers:
            if answer.waiting.n_buds:
                say(f"{answer.block.name}: waiting for a person: "
                    f"{plain_count(answer.waiting.n_buds, 'bud')}"
                    + ("." if answer.confirmed else "; nothing of it is counted until then."))
    if serve:
        from budvision.web.serving import serve_season

        serve_season(folder, host="127.0.0.1", port=port, ready=lambda address: say(
            f"Open {address} to review (stop with Ctrl+C)."))
    else:
        say(f"Next: budvision serve --season {folder}")
