"""`budvision crop` and `budvision cold`: crop-load work of the season, and a station's record."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from budvision.cli.terminal import JsonOption, show_json
from budvision.language import plain_count

if TYPE_CHECKING:
    from budvision.vineyard.units import Quantity

__all__ = ["register"]

RowOption = Annotated[str, typer.Option(help="Row spacing with its unit, as 2.7m or 9ft.")]
VineOption = Annotated[str, typer.Option(help="Vine spacing with its unit, as 1.8m or 6ft.")]
MissingOption = Annotated[float, typer.Option(help="Share of vines missing.")]
ClustersOption = Annotated[str, typer.Option(
    help="Clusters a vine: a number, counts as \"38 42 40\", or \"40 +- 2\" with a standard error "
    "of many counts.")]
WeightOption = Annotated[str, typer.Option(
    help="Cluster weight with its unit: \"120g\", \"0.25lb 0.3lb\", or \"120g +- 8g\".")]


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    group = typer.Typer(
        help="Crop of the coming season, worked out from figures given; no season folder needed.",
        no_args_is_help=True,
    )
    for name, command in (
        ("shoots", shoots), ("expect", expect), ("estimate", estimate), ("table", table),
        ("thin", thin), ("balance", balance), ("compare", compare),
    ):
        group.command(name)(command)
    app.add_typer(group, name="crop")
    app.command("cold")(cold)


def _quantity(text: str, kind: str, name: str) -> Quantity:
    from budvision.vineyard.units import parse_quantity

    return parse_quantity(text, kind, name=name)


def _yield_text(answer: dict[str, Any]) -> str:
    return (
        f"{answer['t_per_ha']:.1f} t/ha ({answer['low_t_per_ha']:.1f} to "
        f"{answer['high_t_per_ha']:.1f}), "
        f"{answer['tons_per_acre']:.1f} tons an acre ({answer['low_tons_per_acre']:.1f} to "
        f"{answer['high_tons_per_acre']:.1f})"
    )


def shoots(
    nodes: Annotated[float, typer.Option(help="Nodes retained on a vine.")],
    alive: Annotated[str, typer.Option(
        help="Share of nodes with a live primary or secondary: 0.8, or \"0.8 +- 0.05\".")],
    canopy: Annotated[str, typer.Option(help="Canopy length a vine, as 1.8m or 6ft.")] = "",
    target_per_m: Annotated[float | None, typer.Option(help="Shoots wanted a metre.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Say how many shoots to expect, and how many to take off.

    Example: budvision crop shoots --nodes 54 --alive "0.8 +- 0.05" --canopy 1.8m
    """
    from budvision.vineyard.units import FOOT_M
    from budvision.workflow.after.crop import parse_measured, shoots_answer

    answer = shoots_answer(
        nodes=nodes, share_alive=parse_measured(alive, name="alive"),
        canopy=_quantity(canopy, "length", "canopy") if canopy else None,
        target_per_m=target_per_m,
    )
    if as_json:
        return show_json(answer)
    typer.echo(f"{plain_count(round(answer['shoots_per_vine']), 'shoot')} a vine "
               f"({answer['low']:.0f} to "
               f"{answer['high']:.0f}).")
    if "shoots_per_m" in answer:
        us = _quantity(canopy, "length", "canopy").system == "us"
        per, word = (FOOT_M, "a foot") if us else (1.0, "a metre")
        low, high = (end * per for end in answer["band_per_m"])
        typer.echo(
            f"{answer['shoots_per_m'] * per:.1f} {word} ({answer['low_per_m'] * per:.1f} to "
            f"{answer['high_per_m'] * per:.1f}), {answer['place']} {low:.1f} to {high:.1f} {word}"
            + ("" if answer["place_sure"] else "; the range reaches over an edge of that")
            + f". Source: {answer['source']}.\n"
            f"Take off {answer['remove_per_m'] * per:.1f} {word} for "
            f"{answer['target_per_m'] * per:.1f}. {answer['note']}"
        )
    return None


def expect(
    nodes: Annotated[float, typer.Option(help="Nodes retained on a vine.")],
    crop_share: Annotated[str, typer.Option(
        help="Crop potential of the buds: 0.75, or \"0.75 +- 0.05\".")],
    clusters_a_shoot: Annotated[str, typer.Option(help="Clusters on a primary's shoot.")],
    cluster_weight: WeightOption,
    row: RowOption,
    vine: VineOption,
    missing_share: MissingOption = 0.0,
    as_json: JsonOption = False,
) -> None:
    """Say what crop to expect from the nodes retained.

    Example: budvision crop expect --nodes 54 --crop-share "0.75 +- 0.04" --clusters-a-shoot 1.8
    --cluster-weight 120g --row 2.7m --vine 1.2m
    """
    from budvision.workflow.after.crop import expect_answer, parse_measured

    answer = expect_answer(
        nodes=nodes, crop_share=parse_measured(crop_share, name="crop share"),
        clusters_a_shoot=parse_measured(clusters_a_shoot, name="clusters a shoot"),
        cluster_weight=parse_measured(cluster_weight, name="cluster weight",
                                      unit_kind="weight"),
        row=_quantity(row, "length", "row spacing"),
        vine=_quantity(vine, "length", "vine spacing"), missing_share=missing_share,
    )
    if as_json:
        return show_json(answer)
    typer.echo(f"{_yield_text(answer)}.\n{answer['note']}")
    return None


def estimate(
    clusters: ClustersOption,
    cluster_weight: WeightOption,
    row: RowOption,
    vine: VineOption,
    missing_share: MissingOption = 0.0,
    lag: Annotated[bool, typer.Option("--lag", help="Weighed at lag phase, about half of final "
                                      "weight.")] = False,
    final_share: Annotated[float | None, typer.Option(
        help="Share of final weight reached, from your own table.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Estimate the crop from cluster counts and weights.

    Example: budvision crop estimate --row 9ft --vine 6ft --missing-share 0.05
    --clusters "38 42 40 45" --cluster-weight 0.12lb --lag
    """
    from budvision.workflow.after.crop import estimate_answer, growth_factor, parse_measured

    answer = estimate_answer(
        row=_quantity(row, "length", "row spacing"),
        vine=_quantity(vine, "length", "vine spacing"),
        clusters=parse_measured(clusters, name="clusters"),
        cluster_weight=parse_measured(cluster_weight, name="cluster weight",
                                      unit_kind="weight"),
        growth=growth_factor(at_lag=lag, final_share=final_share),
        missing_share=missing_share,
    )
    if as_json:
        return show_json(answer)
    typer.echo(
        f"{_yield_text(answer)},\nfrom {plain_count(round(answer['vines_per_ha']), 'vine')} a "
        f"hectare "
        f"({answer['vines_per_acre']:.0f} an acre), "
        f"{answer['clusters_per_vine']:.1f} clusters a vine, "
        f"{1000 * answer['cluster_kg']:.0f} g times {answer['growth']:.2g}.\n{answer['note']}"
    )
    return None


def table(
    file: Annotated[Path, typer.Argument(
        metavar="BLOCKS.csv", help="Columns block,row,vine,clusters,cluster_weight; optionally "
        "missing_share, at_lag, final_share.")],
    as_json: JsonOption = False,
) -> None:
    """Estimate the crop of many blocks from a table.

    Example: budvision crop table blocks.csv --json
    """
    from budvision.workflow.after.crop_tables import estimate_table

    answer = estimate_table(file)
    if as_json:
        return show_json(answer)
    for block in answer["blocks"]:
        typer.echo(f"{block['block']}: {_yield_text(block)}")
    typer.echo(answer["blocks"][0]["note"])
    return None


def thin(
    target: Annotated[str, typer.Option(help="Wanted yield, as 8t/ha or 4tons/acre.")],
    clusters: Annotated[float, typer.Option(help="Clusters a vine now.")],
    cluster_weight: Annotated[str, typer.Option(help="Cluster weight expected at harvest.")],
    row: RowOption,
    vine: VineOption,
    missing_share: MissingOption = 0.0,
    as_json: JsonOption = False,
) -> None:
    """Say how many clusters to take off for a target yield.

    Example: budvision crop thin --target 4tons/acre --clusters 60 --cluster-weight 0.3lb
    --row 9ft --vine 8ft
    """
    from budvision.workflow.after.crop import thinning_answer

    answer = thinning_answer(
        target=_quantity(target, "yield", "target"),
        row=_quantity(row, "length", "row spacing"),
        vine=_quantity(vine, "length", "vine spacing"), clusters=clusters,
        cluster_weight=_quantity(cluster_weight, "weight", "cluster weight"),
        missing_share=missing_share,
    )
    if as_json:
        return show_json(answer)
    typer.echo(
        f"Now {answer['now_t_per_ha']:.1f} t/ha ({answer['now_tons_per_acre']:.2f} tons an acre). "
        f"Keep {answer['keep']:.1f} clusters a vine, take off {answer['remove']:.1f} "
        f"({100 * answer['remove_share']:.1f} %).\n"
        f"If vines make up for thinning as in the trial: take off "
        f"{answer['remove_if_compensating']:.1f}.\n{answer['warning']}"
    )
    return None


def balance(
    prunings: Annotated[str, typer.Option(help="Weight of one vine's cane prunings.")],
    fruit: Annotated[str, typer.Option("--yield", help="Yield of the vine.")] = "",
    canopy: Annotated[str, typer.Option(help="Canopy length of the vine.")] = "",
    divided: Annotated[bool, typer.Option("--divided", help="The canopy is divided.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Place yield to pruning weight, and pruning weight a metre, in published bands.

    Example: budvision crop balance --prunings 2kg --yield 15kg --canopy 2m
    """
    from budvision.vineyard.units import FOOT_M, POUND_KG
    from budvision.workflow.after.crop import balance_answer

    answer = balance_answer(
        prunings=_quantity(prunings, "weight", "prunings"),
        fruit=_quantity(fruit, "weight", "yield") if fruit else None,
        canopy=_quantity(canopy, "length", "canopy") if canopy else None, divided=divided,
    )
    if as_json:
        return show_json(answer)
    us = _quantity(prunings, "weight", "prunings").system == "us"
    for measure, words in (("ravaz", "Yield to pruning weight"),
                           ("pruning_weight", "Pruning weight along the canopy")):
        if measure in answer:
            row = answer[measure]
            in_us = us and measure == "pruning_weight"
            per, unit = (FOOT_M / POUND_KG, "lb/ft") if in_us else (1.0, row["unit"])
            typer.echo(f"{words}: {row['value'] * per:.2f} {unit}".rstrip() + f", {row['place']} "
                       f"{row['low'] * per:.2g} to {row['high'] * per:.2g} ({answer['canopy']} "
                       "canopy). "
                       f"Source: {row['source']}.")
    return None


def compare(
    file: Annotated[Path, typer.Argument(
        metavar="HARVEST.csv", help="Columns block,predicted,harvested; optionally low, high.")],
    as_json: JsonOption = False,
) -> None:
    """Compare predicted crops with what was harvested.

    Example: budvision crop compare harvest.csv
    """
    from budvision.workflow.after.crop_tables import compare_table

    answer = compare_table(file)
    if as_json:
        return show_json(answer)
    for block in answer["blocks"]:
        typer.echo(f"{block['block']}: predicted {block['predicted']:g}, harvested "
                   f"{block['harvested']:g}, {100 * block['error']:+.0f} %")
    typer.echo(f"Mean error {100 * answer['mean_error']:+.0f} %, usual miss "
               f"{100 * answer['mean_absolute_error']:.0f} %.")
    if answer["n_within"] is not None:
        typer.echo(f"{answer['n_within']} of "
                   f"{plain_count(len(answer['blocks']), 'harvest')} inside the interval.")
    return None


def _on_scale(row: dict[str, Any], minimum_c: float) -> str:
    """Draw lethal temperatures and the coldest reading on one scale, in characters."""
    marks = {"1": row["lt10_c"], "5": row["lt50_c"], "9": row["lt90_c"], "v": minimum_c}
    known = {sign: value for sign, value in marks.items() if value is not None}
    low, high = min(known.values()) - 1, max(known.values()) + 1
    cells = ["-"] * 48
    for sign, value in known.items():
        column = round((value - low) / (high - low) * 47)
        cells[column] = "*" if cells[column] != "-" else sign
    return (f"{low:.0f} C {''.join(cells)} {high:.0f} C   v coldest reading; 1, 5, 9: a tenth, "
            "half, nine tenths dead there; * two in one place")


def cold(
    file: Annotated[Path, typer.Argument(
        metavar="RECORD.csv", help="A station's times and temperatures, any separator.")],
    unit: Annotated[str, typer.Option(help="Unit of the temperatures, C or F.")],
    zone: Annotated[str, typer.Option(
        help="Time zone that the station writes, as America/Vancouver or -08:00.")],
    below: Annotated[list[float] | None, typer.Option(
        help="Threshold in the file's unit; once for each.")] = None,
    start: Annotated[dt.datetime | None, typer.Option(help="From this time on.")] = None,
    end: Annotated[dt.datetime | None, typer.Option(help="Up to this time.")] = None,
    time_column: Annotated[str, typer.Option(help="Name of the time column.")] = "",
    temperature_column: Annotated[str, typer.Option(help="Name of the temperature column.")] = "",
    cultivar: Annotated[str, typer.Option(help="For published background values.")] = "",
    as_json: JsonOption = False,
) -> None:
    """Read a station's record: the coldest reading and the hours below thresholds.

    Works without a season folder; `budvision station` keeps records in a season.

    Example: budvision cold station.csv --unit C --zone America/Vancouver --below -20
    --cultivar Riesling
    """
    from budvision.vineyard.cold import hours_words
    from budvision.workflow.after.cold import cold_answer

    answer = cold_answer(
        file, unit=unit, zone=zone, thresholds=below or (), start=start, end=end,
        time_column=time_column, temperature_column=temperature_column, cultivar=cultivar,
    )
    if as_json:
        return show_json(answer)
    typer.echo(f"Coldest {answer['minimum_c']:.1f} C ({answer['minimum_f']:.1f} F) at "
               f"{answer['at']}, {plain_count(answer['n_readings'], 'reading')}, "
               f"{answer['gap_h']:.0f} h without "
               "record.")
    for row in answer["hours_below"]:
        typer.echo(f"  below {row['c']:6.1f} C ({row['f']:6.1f} F): {hours_words(row['hours'])}")
    for row in answer["background"]:
        others = ", ".join(f"{share} at {row[name]:.1f} C" for share, name in (
            ("a tenth", "lt10_c"), ("nine tenths", "lt90_c")) if row[name] is not None)
        typer.echo(f"  half of the buds of {row['cultivar']} died at {row['lt50_c']:.1f} C "
                   f"({others}): {row['when']} ({row['source']})")
        typer.echo(f"    {_on_scale(row, answer['minimum_c'])}")
    if cultivar and not answer["background"]:
        typer.echo(f"  No published values of {cultivar} are known here; there are some of "
                   f"{', '.join(answer['known_cultivars'])}.")
    typer.echo(answer["caution"])
    return None
