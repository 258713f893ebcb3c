"""`budvision models winters`: whole winters played, with what errors and being led do to them."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from budvision.cli.terminal import JsonOption, SeasonOption, results_console, show_json
from budvision.language import plain_count

if TYPE_CHECKING:
    from budvision.learning.winter_rates import ModelRates
    from budvision.learning.winters import Answers, Play, Score
    from budvision.settings import Settings

__all__ = ["winters"]

COVERAGE_ASKED, BIAS_ASKED = 0.935, 0.01
"""What is asked for: at least this coverage of a nominal 95 %, and less bias than this."""
HONEST = (
    "Played, not lived: proposals are drawn tissue by tissue with the rates above, measured on "
    "drawn photographs and never on real buds; only primaries are played; readers never say "
    "unsure; 4 keys a bud and 1.2 s a judgement are common practice without a source."
)


def winters(
    model: Annotated[str | None, typer.Argument(
        metavar="NAME_OR_PATH", help="Model; the season's, or the default, when left out.")] = None,
    season: SeasonOption = Path(),
    photos: Annotated[int, typer.Option(
        min=1, help="Stand-in photographs on which the model's rates are measured.")] = 90,
    wrong: Annotated[float | None, typer.Option(
        min=0, max=1, help="Play a model wrong in this share of tissues; measure none.")] = None,
    keep: Annotated[Path | None, typer.Option(
        help="Folder that keeps measured rates; ~/.cache/budvision when left out.")] = None,
    played: Annotated[int, typer.Option("--winters", min=2, help="Winters to play.")] = 300,
    blocks: Annotated[int, typer.Option(min=1, help="Blocks a winter.")] = 4,
    vines: Annotated[int, typer.Option(min=2, help="Vines sampled a block.")] = 20,
    canes: Annotated[int, typer.Option(min=1, help="Canes a vine.")] = 2,
    nodes: Annotated[int, typer.Option(min=1, help="Buds cut a cane.")] = 3,
    zones: Annotated[bool, typer.Option(
        help="Blocks have a hard-frozen and a mild zone, answers are weighted (slower).")] = False,
    likeness: Annotated[float, typer.Option(
        min=0, max=0.95, help="True likeness of buds of one vine.")] = 0.2,
    error: Annotated[list[float] | None, typer.Option(
        help="Share of tissues a reader calls wrong unaided; once for each reader. [0.03 0.03]",
    )] = None,
    pull: Annotated[float, typer.Option(
        min=0, max=1, help="Share of doubts in which a reader follows the proposal.")] = 0.5,
    blind: Annotated[float | None, typer.Option(
        min=0, max=1, help="Share of blind buds; the setting `blind_share` when left out.")] = None,
    second: Annotated[float | None, typer.Option(
        min=0, max=1, help="Share read twice; the setting `second_read_share` when left out.",
    )] = None,
    start: Annotated[int, typer.Option(min=0, help="Start of the random numbers.")] = 1,
    as_json: JsonOption = False,
) -> None:
    """Play whole winters: what the model's errors and readers who are led do to the answer.

    Truth is known, so bias, coverage and right bands can be counted. The model's rates are
    measured on stand-in photographs (--photos, about 0.6 s each), kept, and then drawn tissue by
    tissue: photographs are not drawn anew for every winter.

    Example: budvision models winters --winters 300 --error 0.03 --error 0.05 --pull 0.5
    """
    from budvision.cli.progress import progress_bar
    from budvision.learning.winters import Play, play_winters

    settings, model, folders = _of_season(season, model)
    play = Play(
        winters=played, blocks=blocks, vines=vines, canes=canes, nodes=nodes, zones=zones,
        likeness=likeness, errors=tuple(error or (0.03, 0.03)), pull=pull, start=start,
        blind_share=settings.blind_share if blind is None else blind,
        second_share=settings.second_read_share if second is None else second)
    rates = _rates(wrong, model, photos, keep, folders)
    with progress_bar("playing winters") as step:
        found = play_winters(play, rates, settings=settings, progress=step)
    if as_json:
        show_json(_as_dict(play, rates, found))
        return
    _print(play, rates, found, settings.confidence)


def _of_season(season: Path, model: str | None) -> tuple[Settings, str | None, list[Path]]:
    """Return settings, model and model folders of a season; the defaults where there is none."""
    from budvision.settings import Settings
    from budvision.store.config import CONFIG
    from budvision.store.session import Season

    if not (season / CONFIG).exists():
        return Settings(), model, []
    from budvision.workflow.intake.propose import model_in_use

    with Season.open(season) as opened:
        used = model_in_use(opened, model)
        inside = opened.folder / used.path
        return (opened.settings, str(inside) if inside.is_dir() else used.label,
                [opened.models_folder])


def _rates(
    wrong: float | None, model: str | None, photos: int, keep: Path | None, folders: list[Path]
) -> ModelRates:
    from budvision.cli.progress import progress_bar
    from budvision.learning.winter_rates import ModelRates, measure_rates

    if wrong is not None:
        right, off = round(1000 * (1 - wrong)), round(1000 * wrong)
        return ModelRates.of((right, off, 0, 0), (off, right, 0, 0),
                             model=f"a model wrong in {wrong:.1%} of tissues")
    keep = keep or Path.home() / ".cache" / "budvision"
    with progress_bar("drawing and looking") as step:
        return measure_rates(model, photos=photos, folders=folders, keep=keep, progress=step)


def _targets(score: Score, by_band: dict[str, Score]) -> dict[str, Any]:
    """Return what was asked for beside what came out, over all blocks and in the worst band."""
    all_ = [score, *by_band.values()]
    low, bias = min(one.coverage for one in all_), max(abs(one.bias) for one in all_)
    return {
        "coverage_held": score.coverage >= COVERAGE_ASKED,
        "bias_held": abs(score.bias) < BIAS_ASKED,
        "held_in_every_band": low >= COVERAGE_ASKED and bias < BIAS_ASKED,
        "lowest_coverage": low, "largest_bias": bias,
    }


def _as_dict(play: Play, rates: ModelRates, found: list[Answers]) -> dict[str, Any]:
    from budvision.learning.winter_rates import OUTCOMES

    return {
        "model": rates.model, "photos": rates.photos, "said": list(OUTCOMES),
        "primaries": {"live": rates.primary[0].tolist(), "dead": rates.primary[1].tolist()},
        "play": asdict(play), "asked": {"coverage": COVERAGE_ASKED, "bias": BIAS_ASKED},
        "ways": [{
            **asdict(one), "called_targets": _targets(one.called, dict(one.called_by_band)),
            "corrected_targets": _targets(one.corrected, dict(one.corrected_by_band)),
        } for one in found],
        "note": HONEST,
    }


def _rate_words(rates: ModelRates) -> str:
    live, dead = rates.primary.tolist()
    if not rates.photos:
        return f"{rates.model}."
    words = [
        f"primaries {truth}: {sum(row)}, of them {row[0]} said live, {row[1]} dead, "
        f"{row[2]} unsure, {row[3]} nothing" for truth, row in (("live", live), ("dead", dead))
    ]
    return f"{rates.model} on {rates.photos} stand-in photographs: {'; '.join(words)}."


def _row(name: str, score: Score, *more: str) -> list[str]:
    return [name, f"{100 * score.bias:+.1f}", f"{100 * score.coverage:.1f}",
            f"{100 * score.band_right:.0f}", *more]


def _print(play: Play, rates: ModelRates, found: list[Answers], confidence: float) -> None:
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    console = results_console()
    errors = ", ".join(f"{100 * one:g} %" for one in play.errors)
    console.print(
        f"{_rate_words(rates)}\n"
        f"{plain_count(play.winters, 'winter')} of {plain_count(play.blocks, 'block')}, "
        f"{plain_count(play.vines, 'vine')} of "
        f"{plain_count(play.canes, 'cane')} of {plain_count(play.nodes, 'bud')}"
        f"{', two zones' if play.zones else ''}, truth "
        f"{play.lowest:.0%} to {play.highest:.0%} dead, likeness {play.likeness:g}. Readers err "
        f"in {errors}; {play.blind_share:.0%} of buds blind, {play.second_share:.0%} read "
        "twice. Bias is in points of mortality (standard error up to "
        f"{100 * max(one.called.bias_error for one in found):.1f}), coverage is of the nominal "
        f"{confidence:.0%} (up to {100 * max(one.called.coverage_error for one in found):.1f}); "
        "band is how often it is right, wrong is of calls, all in %; minutes are for 100 buds.",
        highlight=False)
    for title, which in (("As called", "called"),
                         ("Corrected by what the second readings show", "corrected")):
        table = Table(box=SIMPLE_HEAD, header_style="bold", title=title, title_justify="left")
        for head in ("", "bias", "coverage", "band", "wrong", "min"):
            table.add_column(head, justify="right" if head else "left", no_wrap=True)
        for number, one in enumerate(found):
            table.add_row(*_row(one.name, getattr(one, which), f"{100 * one.wrong:.1f}",
                                f"{one.minutes:.1f}"))
            if number == 2:  # the way that was asked for
                for band, score in getattr(one, f"{which}_by_band").items():
                    table.add_row(*_row(f"  where truth is {band}", score), style="dim")
        console.print(table, highlight=False)
    for line in _sentences(found):
        console.print(line, highlight=False)
    console.print(HONEST, highlight=False)


def _sentences(found: list[Answers]) -> list[str]:
    """Say what errors and being led do, whether what was asked for is held, and what would mend."""
    _, free, stated, never, *mends = found

    def step(of: Answers, to: Answers) -> str:
        return (f"bias {100 * (to.called.bias - of.called.bias):+.2f} points, coverage "
                f"{100 * (to.called.coverage - of.called.coverage):+.1f}, right bands "
                f"{100 * (to.called.band_right - of.called.band_right):+.1f}, wrong calls "
                f"{100 * (to.wrong - of.wrong):+.2f}, minutes {to.minutes - of.minutes:+.2f}")

    lines = [f"Being led ({stated.name} against pull 0): {step(free, stated)}.",
             f"The model's errors (against a model never wrong): {step(never, stated)}."]
    for words, score, bands in (("as called", stated.called, stated.called_by_band),
                                ("corrected", stated.corrected, stated.corrected_by_band)):
        targets = _targets(score, dict(bands))
        over_all = targets["coverage_held"] and targets["bias_held"]
        lines.append(
            f"Asked: coverage of {COVERAGE_ASKED:.1%} or more, bias under {100 * BIAS_ASKED:g} "
            f"point. {stated.name}, {words}: {'held' if over_all else 'missed'} over all blocks; "
            f"{'held' if targets['held_in_every_band'] else 'not'} in every band "
            f"({_worst(targets)}).")
    lines.append("Too few dead or live buds were read twice to correct "
                 f"{stated.uncorrected:.0%} of the winters; they count as called.")
    for one in mends:
        targets = _targets(one.called, dict(one.called_by_band))
        lines.append(f"{one.name} instead: {step(stated, one)}; {_worst(targets)}.")
    return lines


def _worst(targets: dict[str, Any]) -> str:
    return (f"lowest coverage of a band {targets['lowest_coverage']:.1%}, largest bias "
            f"{100 * targets['largest_bias']:.1f} points")
