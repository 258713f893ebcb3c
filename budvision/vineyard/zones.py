"""Zones of a block, each by itself: what one number for the whole block may fit none of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from budvision.settings import Settings
from budvision.vineyard.buds import BudTable, Factor
from budvision.vineyard.mortality import summarise_table
from budvision.vineyard.policies import Policy
from budvision.vineyard.results import BlockResult

__all__ = ["zone_results"]


def zone_results(
    table: BudTable,
    *,
    settings: Settings,
    policies: Mapping[str, Policy] | None,
    normal_nodes: Mapping[str, float],
    secondary_crop: Mapping[str, float],
) -> dict[str, tuple[BlockResult, ...]]:
    """Return the answer of each zone of blocks whose sample names two or more.

    Parameters
    ----------
    table : BudTable
        Current confirmed calls.
    settings, policies
        As in `budvision.vineyard.mortality.summarise_table`.
    normal_nodes, secondary_crop : mapping of block name to float
        What differs from the settings.

    Returns
    -------
    dict of str to tuple of BlockResult
        By block; `block` of each result is the zone's name.
    """
    width = len(table.zone.names)
    keys = np.unique(table.block.codes * width + table.zone.codes)
    keys = keys[np.array([bool(name) for name in table.zone.names], bool)[keys % width]]
    block, n_zones = np.unique(keys // width, return_counts=True)
    keys = keys[np.isin(keys // width, block[n_zones > 1])]
    pairs = [divmod(key, width) for key in keys.tolist()]
    if not pairs:
        return {}
    here = table.block.codes * width + table.zone.codes
    code = np.minimum(np.searchsorted(keys, here), len(keys) - 1)
    rows = keys[code] == here
    units = np.where(table.unit_is_vine[table.unit], table.unit + 1, 0)
    vines = ("", *map(str, range(len(table.unit_is_vine))))
    part = replace(BudTable.from_columns(
        block=Factor(tuple(f"{b} {z}" for b, z in pairs), code[rows]),
        cane=table.cane.codes[rows] * len(keys) + code[rows], vine=Factor(vines, units[rows]),
        node=table.node[rows], calls=table.calls[rows], other_cause=table.other_cause[rows],
    ), paired=table.paired)

    def own(values: Mapping[str, float]) -> dict[str, float]:
        return {f"{b} {z}": values[name] for b, z in pairs
                if (name := table.block.names[b]) in values}

    zones = summarise_table(
        part, settings=settings, policies=policies, compare_policies=False,
        normal_nodes=own(normal_nodes), secondary_crop=own(secondary_crop))
    found: dict[str, tuple[BlockResult, ...]] = {}
    for (b, z), result in zip(pairs, zones, strict=True):
        name = table.block.names[b]
        found[name] = (*found.get(name, ()), replace(result, block=table.zone.names[z]))
    return found
