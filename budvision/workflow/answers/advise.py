"""Nodes to retain, from counts of dead buds or from a normal year's rules; the words to go with it.

The functions answer with dictionaries that are ready for JSON; commands and pages show the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from budvision.errors import InputError, UsageError
from budvision.language import plain_count
from budvision.report.choices import SEVERE_SHARE, ways_on
from budvision.settings import Settings
from budvision.stats.posterior import totals_posterior
from budvision.stats.proportions import clopper_pearson
from budvision.vineyard.balanced import (
    BALANCED_FORMULAS,
    balanced_nodes,
    charge_nodes,
    lay_out,
    spacing_nodes,
)
from budvision.vineyard.mortality import chosen_policy
from budvision.vineyard.policies import Policy, shipped_policies
from budvision.vineyard.pruning import check_normal, node_range
from budvision.vineyard.units import (
    ACRE_HA,
    Quantity,
    one_system,
    vines_on_area,
    vines_per_hectare,
)
from budvision.workflow.answers.tally import CAUTION, nodes_as_dict

__all__ = ["advise_nodes", "advise_normal"]


def _layouts(nodes: int | None, each: Mapping[str, int | None]) -> dict[str, Any]:
    return {
        name: asdict(lay_out(nodes, size)) for name, size in each.items()
        if size is not None and nodes is not None
    }


def _on_area(
    row: Quantity | None, vine: Quantity | None, missing_share: float
) -> dict[str, Any] | None:
    if row is None and vine is None:
        return None
    if row is None or vine is None:
        raise UsageError("only one of row and vine spacing is given", expected="both",
                         do="Give both, or neither.")
    one_system([("row spacing", row), ("vine spacing", vine)])
    per_ha = vines_on_area(vines_per_hectare(row.value, vine.value), missing_share=missing_share)
    return {"vines_per_ha": per_ha, "vines_per_acre": per_ha * ACRE_HA}


def advise_nodes(
    n_dead: int,
    n_judged: int,
    *,
    settings: Settings | None = None,
    policies: Mapping[str, Policy] | None = None,
    n_canes: int | None = None,
    normal_nodes: float | None = None,
    nodes_per_cane: int | None = None,
    nodes_per_spur: int | None = None,
    row: Quantity | None = None,
    vine: Quantity | None = None,
    missing_share: float = 0.0,
) -> dict[str, Any]:
    """Return what every policy says of counted primaries, with nodes as canes, spurs and per area.

    Parameters
    ----------
    n_dead, n_judged : int
        Primaries called dead, and called live or dead.
    settings, policies
        As in `budvision.vineyard.mortality.summarise_table`.
    n_canes : int, optional
        Canes they came from. Counts alone cannot show how alike the buds of a cane are, so the
        prior icc stands in; without a number of canes buds are taken as independent.
    normal_nodes : float, optional
        Nodes retained on a vine in a normal year; the setting when left out.
    nodes_per_cane, nodes_per_spur : int, optional
        To lay the nodes out.
    row, vine : Quantity, optional
        Spacings, to count nodes on an area; both or neither, in one system of units.
    missing_share : float
        Share of vines missing.

    Returns
    -------
    dict
        mortality with its interval, and for each policy band, action, probabilities and nodes.

    Raises
    ------
    InputError
        When counts are impossible or a value is outside its range.
    UsageError
        When units are mixed or one spacing is missing.
    """
    settings = settings or Settings()
    known = shipped_policies() if policies is None else policies
    normal = float(settings.normal_nodes) if normal_nodes is None else normal_nodes
    check_normal(normal)
    if n_canes is not None and not 1 <= n_canes <= n_judged:
        raise InputError(f"there are {plain_count(n_canes, 'cane')} for "
                         f"{plain_count(n_judged, 'bud')}",
                         expected="1 up to the number of buds")
    found = totals_posterior(n_dead, n_judged, n_units=n_canes,
                             prior_icc=settings.prior_icc)
    confidence = settings.confidence
    low, high = (float(end[0]) for end in found.limits(confidence))
    if n_canes is None:  # the grid above comes within 0.00001 of the exact interval
        exactly = clopper_pearson(n_dead, n_judged, confidence=confidence)
        low, high = exactly.low, exactly.high
    share = n_dead / n_judged
    area = _on_area(row, vine, missing_share)
    each = {"canes": nodes_per_cane, "spurs": nodes_per_spur}
    kinds = [name.removesuffix("s") for name, size in each.items() if size]
    most = settings.max_nodes_factor

    def adjusted(factors: tuple[float, float, float]) -> dict[str, Any]:
        count = node_range(normal, *factors, max_factor=most)
        answer = nodes_as_dict(count) | _layouts(count.retain, each)
        if area is not None and count.retain is not None:
            answer["per_ha"] = count.retain * area["vines_per_ha"]
            answer["per_acre"] = count.retain * area["vines_per_acre"]
        return answer

    points = (share, low, high)
    exact = [1 / (1 - point) if point < 1 else float("inf") for point in points]
    answer: dict[str, Any] = {
        "primary": {
            "n_dead": n_dead, "n_live": n_judged - n_dead, "mortality": share,
            "low": low, "high": high, "confidence": confidence,
            "design_effect": float(found.design_effect[0]) if n_canes is not None else 1.0,
            "design_effect_from_prior": n_canes is not None,
            "independent": n_canes is None,
            "method": "clopper_pearson" if n_canes is None else "beta_binomial_totals",
        },
        "normal_nodes": normal,
        "policy": chosen_policy(settings, known).name,
        "policies": {
            policy.name: {
                "title": policy.title, "source": policy.source,
                "band": policy.band(share).name, "action": policy.band(share).action,
                "band_probabilities": dict(zip(
                    [band.name for band in policy.bands],
                    found.band_chances(policy.edges)[0].tolist(), strict=True,
                )),
                "nodes": adjusted((float(policy.factor(points[0])), float(policy.factor(points[1])),
                                   float(policy.factor(points[2])))),
            }
            for policy in known.values()
        },
        "exact": adjusted((exact[0], exact[1], exact[2])),
        "options": {name: one.words for name, one in ways_on(
            share, training=kinds[0] if len(kinds) == 1 else "").items()}
        if share > SEVERE_SHARE else {},
        "caution": CAUTION,
    }
    if area is not None:
        answer["area"] = area
    return answer


def advise_normal(
    *,
    vine_type: str = "",
    prunings: list[Quantity] | None = None,
    vine: Quantity | None = None,
    least: float | None = None,
    most: float | None = None,
    nodes_per_cane: int | None = None,
    nodes_per_spur: int | None = None,
) -> dict[str, Any]:
    """Return the nodes of a normal year, from prunings, from vine spacing, or both.

    Parameters
    ----------
    vine_type : str
        A key of `BALANCED_FORMULAS`; needed with prunings.
    prunings : list of Quantity, optional
        Weight of one-year cane prunings of each weighed vine.
    vine : Quantity, optional
        Vine spacing in the row.
    least, most : float, optional
        Limits of the A + B formula.
    nodes_per_cane, nodes_per_spur : int, optional
        To lay the nodes out.

    Returns
    -------
    dict
        By way of working it out.

    Raises
    ------
    UsageError
        When neither is given, the type is missing or unknown, or units are mixed.
    InputError
        When a value is outside its range.
    """
    weights = prunings or []
    if not weights and vine is None:
        raise UsageError("neither prunings nor a vine spacing is given", expected="one of them",
                         do="Weigh the prunings of a few vines, or give the spacing.")
    one_system([*(("prunings", item) for item in weights),
                *([("vine spacing", vine)] if vine else [])])
    each = {"canes": nodes_per_cane, "spurs": nodes_per_spur}
    answer: dict[str, Any] = {}
    if weights:
        if vine_type not in BALANCED_FORMULAS:
            raise UsageError(f'the vine type is "{vine_type}"',
                             expected=f"one of {', '.join(BALANCED_FORMULAS)}",
                             do="Name the type; the formula depends on it.")
        formula = BALANCED_FORMULAS[vine_type]
        vines = [balanced_nodes(item.value, formula, least=least, most=most) for item in weights]
        mean = float(np.mean([one.nodes for one in vines]))
        notes = []
        if any(one.pro_rata for one in vines):
            notes.append("Vines with less than one pound (0.45 kg) of prunings are counted pro "
                         "rata; sources do not agree. Prune such vines to rebuild their size.")
        if any(one.limited for one in vines):
            notes.append("A limit decided for some vines.")
        low, high = charge_nodes(float(np.mean([item.value for item in weights])))
        answer["balanced"] = {
            "formula": f"{formula.first} + {formula.further}", "source": formula.source,
            "thin_clusters": formula.thin_clusters, "n_vines": len(vines), "nodes": mean,
            "fewest": min(one.nodes for one in vines), "most": max(one.nodes for one in vines),
            "notes": notes, **_layouts(int(mean + 0.5), each),
        }
        answer["by_shoot_weight"] = {"low": low, "high": high}
    if vine is not None:
        low, high = spacing_nodes(vine.value)
        answer["spacing"] = {"low": low, "high": high,
                             "source": "general guide, 4 to 6 nodes a foot of vine spacing"}
    answer["caution"] = CAUTION
    return answer
