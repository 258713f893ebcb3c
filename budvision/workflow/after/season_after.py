"""The season after: shoots and crop to expect, thinning, vine balance, predicted and harvested."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

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
    multiply,
    yield_estimate,
)
from budvision.vineyard.mortality import summarise_table
from budvision.vineyard.units import vines_per_hectare
from budvision.vocabulary import Interval
from budvision.workflow.after.records import newest, of_record, records
from budvision.workflow.answers.answers import Answer, answer_of, counted_buds, season_answers
from budvision.workflow.answers.summaries import weights_of

__all__ = ["LAG_GROWTH", "SeasonAfter", "forecast_of_season", "season_after"]

LAG_GROWTH = Measured(LAG_FACTOR, LAG_FACTOR_SD)
"""Growth of clusters from lag phase to harvest, where no factor of one's own was recorded."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonAfter:
    """What follows for one block; None where an input is missing, which `missing` names.

    Attributes
    ----------
    nodes : float or None
        Nodes a vine: recorded at pruning, else those the winter's result advises; none where it
        advises each zone by itself.
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
    keep_range : Interval or None
        Of the clusters to leave; None where nothing that it rests on is of some of many.
    ravaz, pruning_weight : Placed or None
        Yield over the prunings weighed after that harvest (P. Skinkis, Oregon State EM 9069, 2013:
        dormant wood shows the growth of the season before it); prunings a metre of canopy.
    error : float or None
        Predicted over harvested, less 1; the estimate from clusters counts before that from nodes.
    inside : bool or None
        Whether the harvest lay inside the prediction's interval.
    missing : mapping of str to tuple of str
        For each answer that could not be given, the kinds of record it waits for.
    uncounted : tuple of str
        Kinds whose record says nothing of how many were counted: kept before that was asked.
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
    keep_range: Interval | None
    ravaz: Placed | None
    pruning_weight: Placed | None
    harvest: float | None
    error: float | None
    inside: bool | None
    missing: Mapping[str, tuple[str, ...]]
    uncounted: tuple[str, ...]

    @property
    def prediction(self) -> Estimate | None:
        """The prediction that is held against the harvest."""
        return self.crop_from_clusters or self.crop_from_nodes

    def as_dict(self) -> dict[str, Any]:
        """Return everything as JSON has it."""
        return asdict(self)


def _as_measured(share: float | None, low: float | None, high: float | None, confidence: float
                 ) -> Measured | None:
    """Return a share with its own range."""
    if not share or low is None or high is None:
        return None
    return Measured(share, interval=Interval(low, high, confidence, "of the buds"))


def _buds(season: Season, answer: Answer) -> tuple[Measured | None, Measured | None]:
    """Return the share of nodes that can shoot, and the crop they can bear."""
    confidence = season.settings.confidence
    if answer.judged is None:
        return None, None
    crop = answer.judged.crop_potential
    buds = [replace(bud, block="") for bud in counted_buds(season, answer)]
    settings = replace(season.settings, policy="common")
    zones, sizes = weights_of({"": answer.block})
    alive = summarise_table(
        BudTable.from_calls(buds), settings=settings, secondary_crop=1.0, zone_shares=zones,
        strata_shares=sizes, compare_policies=False)[0].crop_potential
    return (_as_measured(alive.share, alive.low, alive.high, confidence),
            _as_measured(crop.share, crop.low, crop.high, confidence))


def season_after(season: Season, block: str | int, *, canopy: str = "single") -> SeasonAfter:
    """Return what the winter's buds and the season's records say of a block's crop.

    Parameters
    ----------
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


class _Inputs:
    """What was recorded and found for one block, and which answers wait for which of it."""

    def __init__(self, season: Season, answer: Answer, records: Mapping[str, CropRecord]) -> None:
        self.records, self.missing = records, dict[str, tuple[str, ...]]()
        self.confidence = season.settings.confidence
        block = answer.block
        self.vine_m = block.vine_spacing_m
        spaced = block.row_spacing_m and block.vine_spacing_m
        self.vines = self.get("vines") or (
            Measured(vines_per_hectare(block.row_spacing_m or 1, block.vine_spacing_m or 1))
            if spaced else None)
        advised = (answer.judged.nodes["band"].retain
                   if answer.judged and not answer.zones_differ else None)
        recorded = self.get("retained_nodes")
        self.nodes_recorded = recorded is not None
        self.nodes = recorded or (Measured(float(advised)) if advised else None)
        self.alive, self.crop = _buds(season, answer)
        self.of_buds = "live_buds" if answer.judged else "calls"
        self.a_vine = self.get("clusters_per_vine")
        self.weight, self.growth, self.growth_assumed = _weight(self.get)
        self.harvest, self.prunings = self.get("harvest"), self.get("prunings")

    def get(self, kind: str) -> Measured | None:
        """Return the newest record of a kind."""
        row = self.records.get(kind)
        return None if row is None else of_record(row)

    def lacks(self, answer: str, **inputs: object) -> bool:
        """Say whether an answer wants an input, and keep which."""
        lacking = tuple(name for name, value in inputs.items() if value is None)
        if lacking:
            self.missing[answer] = lacking
        return bool(lacking)

    def around(self, value: float, **inputs: Measured) -> Interval | None:
        """Return the range of a product or quotient of inputs, None where all are exact."""
        got = multiply(inputs, confidence=self.confidence)
        reach = got.interval.high / got.value
        return None if reach == 1 else replace(
            got.interval, low=value / reach, high=value * reach)


def _work(
    season: Season, answer: Answer, records: Mapping[str, CropRecord], canopy: str
) -> SeasonAfter:
    known = _Inputs(season, answer, records)
    shoots, per_m = _shoots(known)
    from_nodes, from_clusters = _from_nodes(known), _from_clusters(known)
    counted, placed = _counted_shoots(known)
    thinning, keep_range = _thinning(known)
    error, inside = _loop(known, from_clusters or from_nodes)
    return SeasonAfter(
        nodes=known.nodes.value if known.nodes else None, nodes_recorded=known.nodes_recorded,
        shoots_a_vine=shoots, shoots_per_m=per_m, crop_from_nodes=from_nodes,
        crop_from_clusters=from_clusters,
        growth_assumed=known.growth_assumed, shoots=placed,
        shoots_to_remove=shoots_to_remove(counted, placed.band.high)
        if placed and counted is not None else None,
        thinning=thinning, keep_range=keep_range, ravaz=_ravaz(known, canopy),
        pruning_weight=_per_metre(known, canopy),
        harvest=known.harvest.value if known.harvest else None, error=error, inside=inside,
        missing=known.missing, uncounted=tuple(
            kind for kind, row in records.items() if row.n_counted is None),
    )


def _shoots(known: _Inputs) -> tuple[Estimate | None, Estimate | None]:
    """Return the shoots to expect on a vine, and on a metre of canopy."""
    if known.lacks("shoots", **{known.of_buds: known.alive}, retained_nodes=known.nodes) or not (
            known.nodes and known.alive):
        return None, None
    shoots = expected_shoots(known.nodes, known.alive, confidence=known.confidence)
    if known.lacks("shoots_per_m", vine_spacing=known.vine_m) or not known.vine_m:
        return shoots, None
    return shoots, _scaled(shoots, 1 / known.vine_m)


def _from_nodes(known: _Inputs) -> Estimate | None:
    a_shoot = known.get("clusters_per_shoot")
    if known.lacks("crop_from_nodes", **{known.of_buds: known.crop}, retained_nodes=known.nodes,
                   clusters_per_shoot=a_shoot, cluster_weight=known.weight, vines=known.vines):
        return None
    if not (known.nodes and known.crop and a_shoot and known.weight and known.vines):
        return None
    return expected_crop(
        known.nodes, known.crop, clusters_a_shoot=a_shoot, cluster_kg=known.weight,
        vines_per_ha=known.vines, growth=known.growth, confidence=known.confidence)


def _from_clusters(known: _Inputs) -> Estimate | None:
    if known.lacks("crop_from_clusters", clusters_per_vine=known.a_vine,
                   cluster_weight=known.weight, vines=known.vines):
        return None
    if not (known.a_vine and known.weight and known.vines):
        return None
    return yield_estimate(known.vines, known.a_vine, known.weight, growth=known.growth,
                          confidence=known.confidence)


def _thinning(known: _Inputs) -> tuple[Thinning | None, Interval | None]:
    """Return what to leave and take off a vine, and the range of what to leave."""
    target = known.get("target")
    if known.lacks("thinning", target=target, clusters_per_vine=known.a_vine,
                   cluster_weight=known.weight, vines=known.vines):
        return None, None
    if not (target and known.a_vine and known.weight and known.vines):
        return None, None
    got = cluster_thinning(
        target.value, vines_per_ha=known.vines.value, clusters_a_vine=known.a_vine.value,
        cluster_kg=known.weight.value * known.growth.value)
    return got, known.around(got.keep, vines=known.vines, weight=known.weight, growth=known.growth)


def _counted_shoots(known: _Inputs) -> tuple[float | None, Placed | None]:
    counted = known.get("shoots_per_m")
    if known.lacks("thinning_shoots", shoots_per_m=counted) or counted is None:
        return None, None
    return counted.value, place(counted.value, "shoots",
                                interval=known.around(counted.value, shoots=counted))


def _ravaz(known: _Inputs, canopy: str) -> Placed | None:
    """Return yield over the prunings of the winter after that harvest."""
    harvest, prunings, vines = known.harvest, known.prunings, known.vines
    later: Measured | None = prunings
    if harvest and prunings and (
            known.records["prunings"].measured_on < known.records["harvest"].measured_on):
        later = None
    if known.lacks("ravaz", harvest=harvest, prunings=prunings, vines=vines):
        return None
    if known.lacks("ravaz", prunings_after_harvest=later) or not (harvest and later and vines):
        return None
    value = ravaz(harvest.value * 1000 / vines.value, later.value)
    return place(value, "ravaz", canopy=canopy, interval=known.around(
        value, harvest=harvest, vines=vines, prunings=later))


def _per_metre(known: _Inputs, canopy: str) -> Placed | None:
    prunings, vine_m = known.prunings, known.vine_m
    if known.lacks("pruning_weight", prunings=prunings, vine_spacing=vine_m) or not (
            prunings and vine_m):
        return None
    value = pruning_weight_per_m(prunings.value, vine_m)
    return place(value, "pruning_weight", canopy=canopy,
                 interval=known.around(value, prunings=prunings))


def _loop(known: _Inputs, predicted: Estimate | None) -> tuple[float | None, bool | None]:
    """Return predicted over harvested less 1, and whether the harvest lay inside."""
    harvest = known.harvest
    if known.lacks("loop", harvest=harvest, prediction=predicted) or not (predicted and harvest):
        return None, None
    return (predicted.value / harvest.value - 1,
            predicted.interval.low <= harvest.value <= predicted.interval.high)


def _weight(get: Callable[[str], Measured | None]) -> tuple[Measured | None, Measured, bool]:
    """Return the weight of a cluster in kg, its growth to harvest, and whether that was assumed.

    The growth is that of one more season: its error is the spread between seasons, of a single
    season's own factor that of `LAG_GROWTH`.
    """
    ripe, lag, own = (
        get(kind) for kind in ("cluster_weight_harvest", "cluster_weight_lag", "growth_factor"))
    weighed = ripe or lag
    kg = weighed and Measured(weighed.value / 1000, weighed.se / 1000, weighed.n)
    if ripe is not None or lag is None:
        return kg, Measured(1.0), False
    if own is None:
        return kg, LAG_GROWTH, True
    spread = (own.se * math.sqrt(own.n + 1) if own.se
              else own.value * LAG_GROWTH.se / LAG_GROWTH.value)
    return kg, Measured(own.value, spread, own.n), False


def _scaled(estimate: Estimate, by: float) -> Estimate:
    ends = estimate.interval
    return Estimate(estimate.value * by, replace(ends, low=ends.low * by, high=ends.high * by))


def forecast_of_season(season: Season) -> tuple[Forecast | None, tuple[str, ...]]:
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
        after = _work(season, answer, newest(records(season, answer.block.name)), "single")
        if after.prediction is not None and after.harvest is not None:
            pairs.append((answer.block.name, after.prediction, after.harvest))
    if not pairs:
        return None, ()
    return compare_with_harvest(
        [p.value for _, p, _ in pairs], [h for _, _, h in pairs],
        intervals=[p.interval for _, p, _ in pairs],
    ), tuple(name for name, _, _ in pairs)
