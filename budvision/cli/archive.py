"""`budvision archive`: export, verify and import the photographs, calls and models."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, cast

import typer

from budvision.cli.progress import stage_bars
from budvision.cli.terminal import JsonOption, SeasonOption, show_json
from budvision.language import plain_count

__all__ = ["register"]


_ANSWERS: dict[object, str] = {
    "all": "Its answers come out as they were.",
    "counts": "Its counts come out as they were; its intervals come from another rule than this "
    "program's and were not compared.",
    None: "It keeps no answers to compare with.",
}


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    group = typer.Typer(
        help="Photographs, calls and models in a form that outlives this program.",
        no_args_is_help=True)
    group.command("export")(export)
    group.command("verify")(verify)
    group.command("import")(import_)
    group.command("key")(key)
    app.add_typer(group, name="archive")


def export(
    folder: Annotated[Path, typer.Argument(help="New folder, or an earlier export to add to.")],
    season: SeasonOption = Path(),
    whole: Annotated[bool, typer.Option(
        "--whole", help="For your own backup: photographs byte for byte, people by name.")] = False,
    names: Annotated[bool, typer.Option(
        "--names", help="Give people by name instead of by pseudonym.")] = False,
    sign: Annotated[bool, typer.Option(
        "--sign", help="Sign it with the season's key (`budvision archive key`).")] = False,
    as_it_is: Annotated[bool, typer.Option(
        "--as-it-is", help="Export also where another program changed rows; the archive says "
        "so.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Export the season as an archive (BagIt 1.0); run again, it adds only what is new.

    Places, owners and serial numbers are taken out of the photographs' metadata and people get
    pseudonyms, unless --whole asks for an exact copy.

    Example: budvision archive export ../archive
    """
    from budvision.store.session import Season
    from budvision.workflow.archive.export import export_archive

    with Season.open(season) as opened, stage_bars() as step:
        report = export_archive(opened, folder, whole=whole, names=names, sign=sign,
                                as_it_is=as_it_is, progress=step)
    whole_season = not (report.missing or report.models or report.not_as_saved)
    if as_json:
        show_json({"ok": whole_season, **report.as_dict()})
    else:
        typer.echo(
            f"{report.folder}: {plain_count(report.n_photos, 'photograph')} ({report.n_new} new, "
            f"{report.n_kept} there already), {plain_count(report.n_calls, 'call')}, "
            f"{plain_count(report.n_rows, 'row')}.")
        if not whole:
            typer.echo(f"Private metadata was taken out of "
                       f"{plain_count(report.n_cleaned, 'photograph')}.")
    for sha256 in report.missing:
        typer.echo(f"photograph {sha256[:12]} is missing from the season; run `budvision check`.",
                   err=True)
    for model in report.models:
        typer.echo(f"{model} is missing or damaged in the season; run `budvision check`.", err=True)
    for rows in report.not_as_saved:
        typer.echo(f"not as it was saved, and the archive says so: {rows}.", err=True)
    if not whole_season:
        raise typer.Exit(5 if report.not_as_saved else 3)


KeyOption = Annotated[str | None, typer.Option(
    "--key", help="Public key that it has to be signed with, as its laboratory gave it to you.")]


def key(season: SeasonOption = Path()) -> None:
    """Print the public key of this season's signatures, to be given to whoever gets archives.

    Example: budvision archive key
    """
    from budvision.archive.signature import SigningKey
    from budvision.store.session import Season

    with Season.open(season) as opened:
        typer.echo(SigningKey(opened.folder).public)


def verify(
    folder: Annotated[Path, typer.Argument(help="The archive.")], key: KeyOption = None,
    as_json: JsonOption = False,
) -> None:
    """Check every byte of an archive; nothing missing, nothing extra, nothing changed.

    Example: budvision archive verify ../archive
    """
    from budvision.workflow.archive.merge import verify_archive

    with stage_bars() as step:
        facts = verify_archive(
            folder, key=key, progress=lambda done, total: step("files", done, total))
    if as_json:
        show_json(facts)
    else:
        whole = not (facts["missing"] or facts["models"] or facts["not_as_saved"])
        sound = "sound" if whole else "as it was exported"
        typer.echo(f"{folder} is {sound}: {plain_count(cast(int, facts['n_files']), 'file')}, "
                   f"{facts['n_bytes']} bytes, "
                   f"{facts['kind']} archive of {facts['lab']}, exported {facts['exported_at']}. "
                   + _ANSWERS[facts["answers_compared"]]
                   + (f" Signed by {facts['signed_by']}." if facts["signed_by"] else ""))
        for sha256 in cast(list[str], facts["missing"]):
            typer.echo(f"photograph {sha256[:12]} was missing when it was exported.", err=True)
        for model in cast(list[str], facts["models"]):
            typer.echo(f"model {model} was missing or damaged when it was exported.", err=True)
        if facts["signed_by"] and key is None:
            typer.echo("Compare that key with one its laboratory gave you (--key).", err=True)
        _tell_changed(cast(list[str], facts["not_as_saved"]))
    if not facts["ok"]:
        raise typer.Exit(5)


def import_(
    folder: Annotated[Path, typer.Argument(help="The archive.")],
    season: SeasonOption = Path(),
    key: KeyOption = None,
    as_it_is: Annotated[bool, typer.Option(
        "--as-it-is", help="Import also where the archive says that its rows had been "
        "changed.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Import an archive: restore an empty season, or add what another laboratory called.

    The archive is verified in full first. Nothing of the season is changed or removed; what the
    two sides say differently is listed.

    Example: budvision archive import ../archive
    """
    from budvision.store.session import Season
    from budvision.workflow.archive.merge import import_archive

    with Season.open(season) as opened, stage_bars() as step:
        report = import_archive(opened, folder, key=key, as_it_is=as_it_is,
                                progress=step)
    whole = not (report.missing or report.not_as_saved)
    if as_json:
        show_json({"ok": whole, **report.as_dict()})
    else:
        done = "restored from" if report.restored else "merged with"
        typer.echo(
            f"The season was {done} {report.folder} ({report.lab}): "
            f"{plain_count(report.n_photos_new, 'new photograph')}, {report.n_photos_known} known, "
            f"{plain_count(report.added.get('call', 0), 'new call')}, "
            f"{report.known.get('call', 0)} known.")
        for line in report.conflicts:
            typer.echo(f"to settle: {line}", err=True)
        _tell_changed(report.not_as_saved)
    if not whole:
        raise typer.Exit(5 if report.not_as_saved else 3)


def _tell_changed(rows: Sequence[str]) -> None:
    """Name the rows that an archive says were changed before its export."""
    for one in rows:
        typer.echo(f"not as it had been saved when it was exported: {one}.", err=True)
