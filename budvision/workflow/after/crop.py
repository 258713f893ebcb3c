"""The crop of the season: estimates, thinning, balance and prediction against harvest, as JSON.

Answers are dictionaries with both metric and US figures; commands and pages show the same.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from budvision.errors import InputError, NothingToDoError
from budvision.vineyard.balance import place, pruning_weight_per_m, ravaz, shoots_to_remove
from budvision.vineyard.counts import vines_to_count
from budvision.vineyard.crop import (
    LAG_FACTOR,
    LAG_FACTOR_SD,
    Estimate,
    Measured,
    cluster_thinning,
    expected_crop,
    expected_shoots,
    measured,
    yield_estimate,
)
from budvision.vineyard.units import (
    ACRE_HA,
    FOOT_M,
    Quantity,
    one_system,
    parse_quantity,
    tons_per_acre,
    vines_on_area,
    vines_per_hectare,
)

__all__ = [
    "balance_answer",
    "estimate_answer",
    "expect_answer",
    "growth_factor",
    "parse_measured",
    "shoots_answer",
    "thinning_answer",
]

RESOLUTION = (
    "A crop estimate tells a small crop from a large one, not 8 from 8.2 tons; estimates commonly "
    "miss by up to 30 %. Your own harvest records are the better guide."
)


def parse_measured(text: str, *, name: str, unit_kind: str = "") -> Measured:
    """Read a number, or several counts parted by spaces or semicolons, with an optional unit.

    Parameters
    ----------
    text : str
        ``42``, ``38 42 40 45``, ``42 +- 3``; with a unit after each weight where `unit_kind` is
        given, as ``0.3lb 0.28lb``.
    name : str
        Named in errors.
    unit_kind : str
        Kind of quantity as in `parse_quantity`; empty for plain numbers.

    Returns
    -------
    Measured
        Mean with its standard error; in the kind's base unit.

    Raises
    ------
    InputError
        When a part is no number or lacks its unit.
    UsageError
        When units are mixed.
    """
    parts = text.replace("±", "+-").split("+-")
    listed = [item for item in parts[0].replace(";", " ").split() if item]
    if not listed or len(parts) > 2:
        raise InputError(f'{name} is "{text}"', expected="a number, or several parted by spaces",
                         do="Write for instance 38 42 40, or 42 +- 3.")

    def number(item: str) -> float:
        try:
            value = float(item.replace(",", "."))
        except ValueError as error:
            raise InputError(f'{name} holds "{item}"', expected="a number") from error
        if not 0 <= value < 1e9:
            raise InputError(f'{name} holds "{item}"', expected="a number of at least 0")
        return value

    if unit_kind:
        read = [parse_quantity(item, unit_kind, name=name) for item in listed]
        one_system([(name, item) for item in read])
        mean = measured([item.value for item in read], name=name)
    else:
        mean = measured([number(item) for item in listed], name=name)
    if len(parts) == 2:
        error = (parse_quantity(parts[1], unit_kind, name=name).value if unit_kind
                 else number(parts[1].strip()))
        return Measured(mean.value, error)
    return mean


def growth_factor(*, at_lag: bool = False, final_share: float | None = None) -> Measured:
    """Return final over present cluster weight.

    Parameters
    ----------
    at_lag : bool
        Weighed at lag phase: factor 2 with a spread of 0.3 (about half of final weight).
    final_share : float, optional
        Share of final weight reached, from a table of your own, in (0, 1].

    Raises
    ------
    InputError
        When both are given or the share is out of range.
    """
    if final_share is not None:
        if at_lag or not 0 < final_share <= 1:
            raise InputError(f"the share of final weight is {final_share!r}",
                             expected="a number above 0 up to 1, and not lag phase as well")
        return Measured(1 / final_share)
    return Measured(LAG_FACTOR, LAG_FACTOR_SD) if at_lag else Measured(1.0)


def _vines(row: Quantity, vine: Quantity, missing_share: float) -> float:
    one_system([("row spacing", row), ("vine spacing", vine)])
    return vines_on_area(vines_per_hectare(row.value, vine.value), missing_share=missing_share)


def _yield(estimate: Estimate) -> dict[str, Any]:
    ends = estimate.interval
    return {
        "t_per_ha": estimate.value, "low_t_per_ha": ends.low, "high_t_per_ha": ends.high,
        "tons_per_acre": tons_per_acre(estimate.value),
        "low_tons_per_acre": tons_per_acre(ends.low),
        "high_tons_per_acre": tons_per_acre(ends.high),
        "confidence": ends.confidence, "method": ends.method,
    }


def estimate_answer(
    *,
    row: Quantity,
    vine: Quantity,
    clusters: Measured,
    cluster_weight: Measured,
    growth: Measured,
    missing_share: float = 0.0,
) -> dict[str, Any]:
    """Return the yield to expect from cluster counts and weights.

    Parameters
    ----------
    row, vine : Quantity
        Spacings, in one system of units.
    clusters : Measured
        A vine.
    cluster_weight : Measured
        Kilograms, as weighed.
    growth : Measured
        Of `growth_factor`.
    missing_share : float
        Share of vines missing.

    Raises
    ------
    InputError
        When a value is not positive.
    UsageError
        When units are mixed.
    """
    per_ha = _vines(row, vine, missing_share)
    got = yield_estimate(Measured(per_ha), clusters, cluster_weight, growth=growth)
    return {
        "vines_per_ha": per_ha, "vines_per_acre": per_ha * ACRE_HA,
        "clusters_per_vine": clusters.value, "cluster_kg": cluster_weight.value,
        "growth": growth.value, **_yield(got),
        "vines_to_count_for_5_percent": vines_to_count(per_ha, cv=clusters.cv)
        if clusters.cv else None,
        "note": RESOLUTION,
    }


def expect_answer(
    *,
    nodes: float,
    crop_share: Measured,
    clusters_a_shoot: Measured,
    cluster_weight: Measured,
    row: Quantity,
    vine: Quantity,
    missing_share: float = 0.0,
) -> dict[str, Any]:
    """Return the crop to expect from retained nodes and the crop potential of their buds.

    Parameters
    ----------
    nodes : float
        Retained on a vine.
    crop_share : Measured
        Crop potential of the buds.
    clusters_a_shoot : Measured
        On a primary's shoot.
    cluster_weight : Measured
        Kilograms, at harvest.
    row, vine : Quantity
        Spacings.
    missing_share : float
        Share of vines missing.
    """
    per_ha = _vines(row, vine, missing_share)
    got = expected_crop(Measured(nodes), crop_share, clusters_a_shoot=clusters_a_shoot,
                        cluster_kg=cluster_weight, vines_per_ha=Measured(per_ha))
    return {"vines_per_ha": per_ha, "nodes": nodes, "crop_share": crop_share.value,
            **_yield(got), "note": RESOLUTION}


def shoots_answer(
    *,
    nodes: float,
    share_alive: Measured,
    canopy: Quantity | None = None,
    target_per_m: float | None = None,
) -> dict[str, Any]:
    """Return shoots to expect on a vine, and how many to take off a metre of canopy.

    Parameters
    ----------
    nodes : float
        Retained on a vine.
    share_alive : Measured
        Share of nodes with a live primary or secondary.
    canopy : Quantity, optional
        Canopy length of a vine.
    target_per_m : float, optional
        Shoots wanted a metre; the upper end of the published band when left out.
    """
    got = expected_shoots(Measured(nodes), share_alive)
    answer: dict[str, Any] = {
        "shoots_per_vine": got.value, "low": got.interval.low, "high": got.interval.high,
        "confidence": got.interval.confidence,
    }
    if canopy is not None:
        per_m = got.value / canopy.value
        ends = replace(got.interval, low=got.interval.low / canopy.value,
                       high=got.interval.high / canopy.value)
        placed = place(per_m, "shoots", interval=ends)
        target = placed.band.high if target_per_m is None else target_per_m
        remove = shoots_to_remove(per_m, target)
        answer |= {
            "shoots_per_m": per_m, "shoots_per_ft": per_m * FOOT_M,
            "low_per_m": ends.low, "high_per_m": ends.high, "place_sure": placed.sure,
            "band_per_m": [placed.band.low, placed.band.high], "place": placed.where,
            "source": placed.band.source, "target_per_m": target, "remove_per_m": remove,
            "note": "After cold damage keep secondary shoots when thinning, for some crop and for "
                    "next year's spurs.",
        }
    return answer


def thinning_answer(
    *,
    target: Quantity,
    row: Quantity,
    vine: Quantity,
    clusters: float,
    cluster_weight: Quantity,
    missing_share: float = 0.0,
) -> dict[str, Any]:
    """Return clusters to leave and take off a vine for a target yield, with the warning.

    Parameters
    ----------
    target : Quantity
        Wanted yield.
    row, vine : Quantity
        Spacings.
    clusters : float
        A vine, now.
    cluster_weight : Quantity
        Expected at harvest.
    missing_share : float
        Share of vines missing.
    """
    one_system([("target", target), ("row spacing", row), ("vine spacing", vine),
                ("cluster weight", cluster_weight)])
    per_ha = _vines(row, vine, missing_share)
    got = cluster_thinning(target.value, vines_per_ha=per_ha, clusters_a_vine=clusters,
                           cluster_kg=cluster_weight.value)
    now = per_ha * clusters * cluster_weight.value / 1000
    return {
        "vines_per_ha": per_ha, "now_t_per_ha": now, "now_tons_per_acre": tons_per_acre(now),
        "target_t_per_ha": target.value, "target_tons_per_acre": tons_per_acre(target.value),
        "keep": got.keep, "remove": got.remove, "remove_share": got.remove_share,
        "remove_if_compensating": got.remove_if_compensating, "warning": got.warning,
    }


def balance_answer(
    *,
    prunings: Quantity,
    fruit: Quantity | None = None,
    canopy: Quantity | None = None,
    divided: bool = False,
) -> dict[str, Any]:
    """Return yield over pruning weight, and pruning weight a metre, against published bands.

    Parameters
    ----------
    prunings : Quantity
        Cane prunings of one vine.
    fruit : Quantity, optional
        Its yield.
    canopy : Quantity, optional
        Its canopy length.
    divided : bool
        Whether the canopy is divided.
    """
    form = "divided" if divided else "single"
    given = {"prunings": prunings, "yield": fruit, "canopy": canopy}
    one_system([(name, item) for name, item in given.items() if item is not None])
    values = {}
    if fruit is not None:
        values["ravaz"] = ravaz(fruit.value, prunings.value)
    if canopy is not None:
        values["pruning_weight"] = pruning_weight_per_m(prunings.value, canopy.value)
    if not values:
        raise NothingToDoError("neither yield nor canopy length is given",
                               expected="one of them, beside the prunings")
    answer: dict[str, Any] = {"canopy": form}
    if fruit is not None:
        answer["note"] = ("Divide by the prunings of the winter after this harvest, not of the "
                          "winter before it: they are the growth of the season that bore it.")
    for measure, value in values.items():
        placed = place(value, measure, canopy=form)
        answer[measure] = {
            "value": value, "low": placed.band.low, "high": placed.band.high,
            "unit": placed.band.unit, "place": placed.where, "source": placed.band.source,
        }
    return answer
