"""The season after: shoots and crop to expect, thinning, vine balance, predicted and harvested."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

from scipy import special

from budvision.settings import Settings
from budvision.store.queries.crop import CropRecord
from budvision.store.session import Season
from budvision.vineyard.balance import Placed, place, pruning_weight_per_m, ravaz, shoots_to_remove
from budvision.vineyard.buds import BudTable
from budvision.vineyard.crop import (
    LAG_FACTOR,
    LAG_FACTOR_SD,
    Estimate,
    Forecast,
    Measured,
    Thinning,
    cluster_thinning,
    compare_with_harvest,
    expected_crop,
    expected_shoots,
    yield_estimate,
)
from budvision.vineyard.mortality import summarise_table
from budvision.vineyard.units import vines_per_hectare
from budvision.workflow.after.records import newest, records
from budvision.workflow.answers.answers import Answer, answer_of, counted_buds, season_answers

__all__ = ["LAG_GROWTH", "SeasonAfter", "forecast_of_season", "season_after"]

LAG_GROWTH = Measured(LAG_FACTOR, LAG_FACTOR_SD)
"""Growth of clusters from lag phase to harvest, where no factor of one's own was recorded."""


@dataclass(frozen=True, slots=True)
class SeasonAfter:
    """What follows for one block; None where an input is missing, which `missing` names.

    Attributes
    ----------
    nodes : float or None
        Nodes a vine: recorded at pruning, else those the winter's result advises.
    nodes_recorded : bool
        True where they were recorded.
    growth_assumed : bool
        True where lag-phase weights were doubled for want of a factor of one's own.
    shoots_a_vine, shoots_per_m : Estimate or None
        To expect from those nodes.
    crop_from_nodes, crop_from_clusters : Estimate or None
        Tonnes per hectare, from nodes and buds, and from counted and weighed clusters.
    shoots : Placed or None
        Counted shoots a metre against the published band.
    shoots_to_remove : float or None
        A metre of canopy, to come down to the band's upper end.
    thinning : Thinning or None
        For the wanted yield.
    ravaz, pruning_weight : Placed or None
        Yield over pruning weight; prunings a metre of canopy.
    error : float or None
        Predicted over harvested, less 1; the estimate from clusters counts before that from nodes.
    inside : bool or None
        Whether the harvest lay inside the prediction's interval.
    missing : mapping of str to tuple of str
        For each answer that could not be given, the kinds of record it waits for.
    """

    nodes: float | None
    nodes_recorded: bool
    shoots_a_vine: Estimate | None
    shoots_per_m: Estimate | None
    crop_from_nodes: Estimate | None
    crop_from_clusters: Estimate | None
    growth_assumed: bool
    shoots: Placed | None
    shoots_to_remove: float | None
    thinning: Thinning | None
    ravaz: Placed | None
    pruning_weight: Placed | None
    harvest: float | None
    error: float | None
    inside: bool | None
    missing: Mapping[str, tuple[str, ...]]

    @property
    def prediction(self) -> Estimate | None:
        """The prediction that is held against the harvest."""
        return self.crop_from_clusters or self.crop_from_nodes

    def as_dict(self) -> dict[str, Any]:
        """Return everything as JSON has it."""
        return asdict(self)


def _as_measured(share: float | None, low: float | None, high: float | None, confidence: float
                 ) -> Measured | None:
    """Return a share with the standard error that its interval stands for."""
    if not share or low is None or high is None:
        return None
    return Measured(share, (high - low) / (2 * float(special.ndtri(0.5 + confidence / 2))))


def _buds(season: Season, answer: Answer) -> tuple[Measured | None, Measured | None]:
    """Return the share of nodes that can shoot, and the crop they can bear."""
    confidence = season.settings.number("confidence")
    if answer.judged is None:
        return None, None
    crop = answer.judged.crop_potential
    buds = [replace(bud, block="") for bud in counted_buds(season, answer)]
    settings = Settings({**season.settings, "policy": "common"})
    alive = summarise_table(BudTable.from_calls(buds), settings=settings, secondary_crop=1.0,
                            compare_policies=False)[0].crop_potential
    return (_as_measured(alive.share, alive.low, alive.high, confidence),
            _as_measured(crop.share, crop.low, crop.high, confidence))


def season_after(season: Season, block: str | int, *, canopy: str = "single") -> SeasonAfter:
    """Return what the winter's buds and the season's records say of a block's crop.

    Parameters
    ----------
    season : Season
    block : str or int
        Name or id.
    canopy : {"single", "divided"}
        For the published bands of vine balance.

    Returns
    -------
    SeasonAfter
        Every estimate carries the uncertainty of its inputs.

    Raises
    ------
    NotFoundError
        When there is no such block.
    InputError
        When a record is outside its range.
    """
    answer = answer_of(season, block)
    return _work(season, answer, newest(records(season, answer.block.name)), canopy)


def _work(
    season: Season, answer: Answer, told: Mapping[str, CropRecord], canopy: str
) -> SeasonAfter:
    confidence = season.settings.number("confidence")
    missing: dict[str, tuple[str, ...]] = {}

    def get(kind: str) -> Measured | None:
        row = told.get(kind)
        return None if row is None else Measured(row.value, row.spread or 0.0)

    def lacks(answer_name: str, **inputs: object) -> bool:
        lacking = tuple(name for name, value in inputs.items() if value is None)
        if lacking:
            missing[answer_name] = lacking
        return bool(lacking)

    block = answer.block
    spaced = block.row_spacing_m and block.vine_spacing_m
    vines = get("vines") or (
        Measured(vines_per_hectare(block.row_spacing_m or 1, block.vine_spacing_m or 1))
        if spaced else None)
    advised = answer.judged.nodes["band"].retain if answer.judged else None
    recorded = get("retained_nodes")
    nodes = recorded.value if recorded else float(advised) if advised else None
    alive, crop = _buds(season, answer)
    a_shoot, a_vine, target = get("clusters_per_shoot"), get("clusters_per_vine"), get("target")
    weight, assumed = _final_weight(get)

    shoots = per_m = from_nodes = from_clusters = thinning = None
    if not lacks("shoots", calls=alive, retained_nodes=nodes) and nodes and alive:
        shoots = expected_shoots(nodes, alive, confidence=confidence)
        if not lacks("shoots_per_m", vine_spacing=block.vine_spacing_m):
            per_m = _scaled(shoots, 1 / (block.vine_spacing_m or 1.0))
    if not lacks("crop_from_nodes", calls=crop, retained_nodes=nodes, clusters_per_shoot=a_shoot,
                 cluster_weight=weight, vines=vines) and (
            nodes and crop and a_shoot and weight and vines):
        from_nodes = expected_crop(
            nodes, crop, clusters_a_shoot=a_shoot, cluster_kg=weight, vines_per_ha=vines.value,
            confidence=confidence)
    if not lacks("crop_from_clusters", clusters_per_vine=a_vine, cluster_weight=weight,
                 vines=vines) and a_vine and weight and vines:
        from_clusters = yield_estimate(vines, a_vine, weight, confidence=confidence)
    if not lacks("thinning", target=target, clusters_per_vine=a_vine, cluster_weight=weight,
                 vines=vines) and target and a_vine and weight and vines:
        thinning = cluster_thinning(
            target.value, vines_per_ha=vines.value, clusters_a_vine=a_vine.value,
            cluster_kg=weight.value)
    counted = get("shoots_per_m")
    placed = None if lacks("thinning_shoots", shoots_per_m=counted) or counted is None else place(
        counted.value, "shoots")
    harvest, prunings = get("harvest"), get("prunings")
    balance = per_metre = error = inside = None
    if not lacks("ravaz", harvest=harvest, prunings=prunings, vines=vines) and (
            harvest and prunings and vines):
        balance = place(ravaz(harvest.value * 1000 / vines.value, prunings.value), "ravaz",
                        canopy=canopy)
    if not lacks("pruning_weight", prunings=prunings, vine_spacing=block.vine_spacing_m) and (
            prunings and block.vine_spacing_m):
        per_metre = place(pruning_weight_per_m(prunings.value, block.vine_spacing_m),
                          "pruning_weight", canopy=canopy)
    predicted = from_clusters or from_nodes
    if not lacks("loop", harvest=harvest, prediction=predicted) and predicted and harvest:
        error = predicted.value / harvest.value - 1
        inside = predicted.interval.low <= harvest.value <= predicted.interval.high
    return SeasonAfter(
        nodes, recorded is not None, shoots, per_m, from_nodes, from_clusters,
        assumed, placed,
        shoots_to_remove(counted.value, placed.band.high) if counted and placed else None,
        thinning, balance, per_metre, harvest.value if harvest else None, error, inside, missing,
    )


def _final_weight(get: Callable[[str], Measured | None]) -> tuple[Measured | None, bool]:
    """Return the weight of a cluster at harvest in kg, and whether its growth was assumed."""
    ripe, lag, growth = (
        get(kind) for kind in ("cluster_weight_harvest", "cluster_weight_lag", "growth_factor"))
    if ripe is not None:
        return Measured(ripe.value / 1000, ripe.se / 1000), False
    if lag is None:
        return None, False
    times = growth or LAG_GROWTH
    value = lag.value * times.value / 1000
    relative = (lag.se / lag.value) ** 2 + (times.se / times.value) ** 2
    return Measured(value, value * float(relative**0.5)), growth is None


def _scaled(estimate: Estimate, by: float) -> Estimate:
    ends = estimate.interval
    return Estimate(estimate.value * by, replace(ends, low=ends.low * by, high=ends.high * by))


def forecast_of_season(
    season: Season, *, canopy: str = "single"
) -> tuple[Forecast | None, tuple[str, ...]]:
    """Hold predictions against harvests over all blocks that have both.

    Returns
    -------
    forecast : Forecast or None
        None where no block has both.
    blocks : tuple of str
        Their names, in the order of the forecast's errors.
    """
    pairs = []
    for answer in season_answers(season):
        after = _work(season, answer, newest(records(season, answer.block.name)), canopy)
        if after.prediction is not None and after.harvest is not None:
            pairs.append((answer.block.name, after.prediction, after.harvest))
    if not pairs:
        return None, ()
    return compare_with_harvest(
        [p.value for _, p, _ in pairs], [h for _, _, h in pairs],
        intervals=[p.interval for _, p, _ in pairs],
    ), tuple(name for name, _, _ in pairs)
