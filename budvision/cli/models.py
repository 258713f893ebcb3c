"""`budvision models`: list, show, verify and evaluate the models at hand."""

from __future__ import annotations

import errno
import os
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from budvision.cli.progress import stage_bars
from budvision.cli.terminal import ClusterOption, JsonOption, results_console, show_json
from budvision.cli.winters import winters
from budvision.language import plain_count, plain_percent

if TYPE_CHECKING:
    from collections.abc import Iterator

    from budvision.errors import StorageError
    from budvision.learning.observe import Observation
    from budvision.learning.stress import Slice
    from budvision.verdict.propose import Proposer
    from budvision.verdict.registry import ModelEntry

__all__ = ["register"]

Named = Annotated[str | None, typer.Argument(
    metavar="NAME_OR_PATH", help="Model by name or folder; the default model when left out.")]


def register(app: typer.Typer) -> None:
    """Add the group to the application."""
    group = typer.Typer(
        help="Look at models: what is there, what was measured, whether the files are as listed.",
        no_args_is_help=True,
    )
    group.command("list")(list_them)
    group.command("show")(show)
    group.command("verify")(verify)
    group.command("evaluate")(evaluate)
    group.command("winters")(winters)
    app.add_typer(group, name="models")


def _folders() -> list[Path]:
    return [folder for folder in (Path("models"),) if (folder / "registry.toml").is_file()]


def _known() -> list[ModelEntry]:
    from budvision.verdict.registry import list_models

    listed = [entry for folder in _folders() for entry in list_models(folder)] + list_models()
    return list({entry.label: entry for entry in reversed(listed)}.values())[::-1]


def list_them(as_json: JsonOption = False) -> None:
    """List the models at hand: the season's own (in `models/`), then those that ship.

    Example: budvision models list
    """
    from budvision.verdict.registry import DEFAULT_MODEL

    entries = _known()
    if as_json:
        show_json({"models": [
            {"model": one.label, "path": str(one.folder), "made": one.made, "note": one.note,
             "feature_version": one.feature_version, "default": one.label == DEFAULT_MODEL}
            for one in entries
        ]})
        return
    for one in entries:
        mark = " (default)" if one.label == DEFAULT_MODEL else ""
        typer.echo(f"{one.label}{mark}  {one.made}  {one.note}")


def show(model: Named = None) -> None:
    """Print a model's card.

    Example: budvision models show bench-1.0
    """
    from budvision.verdict.registry import find_model, verify_model

    entry = find_model(model, folders=_folders())
    verify_model(entry, names=["CARD.md"])
    typer.echo((entry.folder / "CARD.md").read_text(encoding="utf-8"))


def verify(model: Named = None, as_json: JsonOption = False) -> None:
    """Compare the files of a model, or of all models, with their listed hashes.

    Example: budvision models verify
    """
    from budvision.verdict.registry import find_model, verify_model

    entries = _known() if model is None else [find_model(model, folders=_folders())]
    for entry in entries:
        verify_model(entry)
    if as_json:
        show_json({"ok": True, "models": [entry.label for entry in entries]})
        return
    for entry in entries:
        typer.echo(f"{entry.label}: {plain_count(len(entry.files), 'file')} as listed")


def _check_place(traced: Path | None, cluster: str, montage: Path | None) -> None:
    """Refuse before all the looking what could not be done after it."""
    if montage is not None and not montage.parent.is_dir():
        raise _unwritten(montage, os.strerror(errno.ENOENT))
    if traced is not None and cluster:
        from budvision.errors import UsageError

        raise UsageError("--traced and --cluster are given together", where="models evaluate",
                         expected="one of them", do="Leave --cluster out: those photographs lie "
                         "on this machine.")


def evaluate(
    model: Named = None,
    photos: Annotated[int, typer.Option(
        min=20, help="Rendered photographs to draw.")] = 200,
    first: Annotated[int | None, typer.Option(
        help="First seed; seeds that nothing was trained on when left out.")] = None,
    other_hand: Annotated[bool, typer.Option(
        "--other-hand", help="Draw with the second, independent renderer.")] = False,
    stress: Annotated[bool, typer.Option(
        "--stress", help="Draw benches that nobody staged; a table of the kinds.")] = False,
    traced: Annotated[Path | None, typer.Option(
        help="Instead of drawing: a folder of path-traced photographs with masks and truth; every "
        "third is held out, and only those are looked at.")] = None,
    against: Annotated[str | None, typer.Option(
        help="A second model to look at the same photographs; the table has a column for each."),
    ] = None,
    workers: Annotated[int, typer.Option(min=1, help="Processes.")] = 1,
    cluster: ClusterOption = "",
    montage: Annotated[Path | None, typer.Option(
        help="Also write a sheet of 30 of them, truth beside found, as a PNG file; "
        "of 60 of all kinds, those to refuse too, with --stress.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Measure a model on freshly rendered photographs; it says nothing of real buds.

    Example: budvision models evaluate bench-1.0 --photos 300 --json
    """
    from budvision.learning.evaluate import evaluate_observations
    from budvision.learning.observe import FIRST_SEED, columns_of, observe_together, observe_traced
    from budvision.learning.stress import slices, whole
    from budvision.verdict.propose import Proposer
    from budvision.verdict.registry import find_model

    _check_place(traced, cluster, montage)
    names = [model] if against is None else [model, against]
    entries = [find_model(one, folders=_folders()) for one in names]
    proposers = [Proposer.load(one, folders=_folders()) for one in names]
    hand = "standin" if other_hand else "staged" if stress else "tidy"
    start = first if first is not None else (5000 if other_hand else FIRST_SEED + 900_000_000)
    seeds, folders = range(start, start + photos), [entry.folder for entry in entries]
    looks = observe_traced(traced, folders=folders) if traced is not None else observe_together(
        seeds, folders=folders, hand=hand, workers=workers, cluster=cluster)
    tables = [columns_of(own) for own in zip(*_counting(looks, photos), strict=True)]
    found = evaluate_observations(tables[0], proposers[0].verdict)
    counted = [
        (entry.label, whole(table, proposer.verdict), whole(table, proposer.verdict, as_drawn=True))
        for entry, table, proposer in zip(entries, tables, proposers, strict=True)]
    found["beside"] = {label: {"judged": asdict(plain), "as_drawn": asdict(drawn)}
                       for label, plain, drawn in counted}
    kinds = slices(tables[0], proposers[0].verdict) if stress else None
    if kinds is not None:
        found["kinds"] = [asdict(one) for one in kinds]
    if montage is not None:
        _write_sheet(montage, seeds, proposers[0], hand, n=60 if stress else 30)
    if as_json:
        show_json({"model": entries[0].label, **found})
        return
    _print(entries[0].label, found)
    _print_asked_for(counted, kinds)


def _counting(
    looks: Iterator[tuple[Observation, ...]], photos: int
) -> list[tuple[Observation, ...]]:
    """Gather what models see, and say how far it is."""
    seen = []
    with stage_bars() as step:
        for one in looks:
            seen.append(one)
            step("drawing and looking", len(seen), photos)
    return seen


def _write_sheet(path: Path, seeds: range, proposer: Proposer, hand: str, *, n: int) -> None:
    from budvision.learning.montage import montage
    from budvision.photo.overlay import encode_picture

    picture = montage(seeds, segmenter=proposer.segmenter, hand=hand, n=n,
                      all_kinds=hand == "staged")
    try:
        path.write_bytes(encode_picture(picture, "png"))
    except OSError as error:
        raise _unwritten(path, str(error.strerror)) from error


def _unwritten(path: Path, strerror: str) -> StorageError:
    from budvision.errors import StorageError

    return StorageError(
        f"the sheet could not be written ({strerror})", where=str(path),
        do="Name a file in a folder that exists and has room.")


def _print_asked_for(counted: list[tuple[str, Slice, Slice]], kinds: list[Slice] | None) -> None:
    """Print what was asked for beside what was found; of a stress, the kinds as well."""
    from budvision.learning.stress import behind, beside_lines, stress_lines, worst_slices

    if kinds is not None or len(counted) > 1:
        for line in beside_lines(counted):
            typer.echo("| " + " | ".join(line) + " |")
    if kinds is None:
        return
    for row in stress_lines(kinds):
        typer.echo(f"{row[0]:<34}" + "  ".join(f"{cell:<22}" for cell in row[1:]).rstrip())
    typer.echo("bad at: " + ("; ".join(
        f"{one.kind} ({one.called - one.right} of {plain_count(one.called, 'call')} wrong)"
        for one in worst_slices(kinds, least=10)) or "no kind with a wrong call"))
    typer.echo("missed, and where:")
    for text in behind(counted[0][1], kinds):
        typer.echo("  " + text)


def _print(label: str, found: dict[str, Any]) -> None:
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    console = results_console()
    gate, parts = found["gate"], found["segmentation"]
    console.print(
        f"{label} on {plain_count(found['photos'], 'rendered photograph')}. Unusable refused: "
        f"{plain_percent(gate['unusable_refused'])} of {gate['n_unusable']}; good refused: "
        f"{plain_percent(gate['good_refused'])} of {gate['n_good']}. Exposed or not, right: "
        f"{plain_percent(parts['exposed_right'])}.", highlight=False,
    )
    table = Table(box=SIMPLE_HEAD, header_style="bold")
    for head in ("", "tissues", "centre inside", "called", "right of called", "dead called live",
                 "live called dead"):
        table.add_column(head)
    rows = {"all": found["verdicts"]["all"], **found["verdicts"]["tissue"]}
    for name, score in rows.items():
        inside = parts[name]["centre_inside"] if name in parts else None
        table.add_row(
            name, str(score["n"]), plain_percent(inside), plain_percent(score["called"]),
            plain_percent(score["right"]), plain_percent(score["dead_called_live"]),
            plain_percent(score["live_called_dead"]),
        )
    console.print(table, highlight=False)
    doubted = found["unsure"]
    console.print(
        f"Besides, {doubted['n']} tissues that people would leave unsure in these photographs; it "
        f"leaves {doubted['left_unsure']} of them unsure.", highlight=False)
    console.print("It has not been measured on photographs of real cut buds.", highlight=False)
