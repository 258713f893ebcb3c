"""Mortality of blocks, and the answer it leads to: band, nodes to retain, more buds.

One code path for a paper tally and for a season's results. `summarise_table` takes a
`BudTable` of any number of blocks and works in arrays.

    table = BudTable.from_columns(block=..., cane=..., node=..., calls=...)   # from a query
    results = summarise_table(table, settings=settings, normal_nodes={"North slope": 44})
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from budvision.errors import InputError
from budvision.settings import Settings
from budvision.vineyard.buds import BudTable
from budvision.vineyard.edges import edges_within, most_within_reach, rules_apart
from budvision.vineyard.more_buds import Outlook, buds_to_settle
from budvision.vineyard.policies import Policy, shipped_policies
from budvision.vineyard.potential import CropShares, block_potential
from budvision.vineyard.pruning import NodeCount, check_normal, node_ranges
from budvision.vineyard.remarks import remarks
from budvision.vineyard.results import (
    BandEdge,
    BlockResult,
    CropPotential,
    PolicyAnswer,
    Reach,
    TissueResult,
)
from budvision.vineyard.strata import StrataShares, block_strata
from budvision.vineyard.tissues import JudgedTissue, as_number, tissue_results
from budvision.vocabulary import TISSUES, Tissue

__all__ = [
    "BlockResult",
    "CropPotential",
    "PolicyAnswer",
    "TissueResult",
    "chosen_policy",
    "summarise_table",
]

Floats = NDArray[np.float64]



def chosen_policy(settings: Settings, policies: Mapping[str, Policy] | None = None) -> Policy:
    """Return the policy that the settings name.

    Parameters
    ----------
    settings : Settings
        Its `policy` names one.
    policies : mapping of str to Policy, optional
        Those that ship when left out.

    Raises
    ------
    InputError
        When there is no policy of that name; the text lists the names.
    """
    known = shipped_policies() if policies is None else policies
    name = settings.policy
    if name not in known:
        raise InputError(
            f"there is no policy {name!r}", expected=f"one of {', '.join(known)}",
            do="Choose a name from the list, or add the policy to policies.toml.",
            where="policy", code="unknown_policy",
        )
    return known[name]


def _node_counts(
    share: Floats, low: Floats, high: Floats, factors: tuple[Floats, Floats, Floats],
    crop: CropShares, normal: Floats, max_factor: float,
) -> list[dict[str, NodeCount]]:
    with np.errstate(divide="ignore"):
        exact = [1 / (1 - value) for value in (share, low, high)]
        by_crop = [1 / value for value in (crop.share, crop.high, crop.low)]
    rules = {"band": factors, "exact": exact, "crop_potential": by_crop}
    counts = {rule: node_ranges(normal, *columns, max_factor=max_factor)
              for rule, columns in rules.items()}
    return [dict(zip(counts, row, strict=True)) for row in zip(*counts.values(), strict=True)]


def _values(
    given: Mapping[str, float] | float | None, default: float, names: Sequence[str]
) -> Floats:
    if given is None:
        return np.full(len(names), float(default))
    if isinstance(given, Mapping):
        return np.array([float(given.get(name, default)) for name in names])
    return np.full(len(names), float(given))


def summarise_table(
    table: BudTable,
    *,
    settings: Settings | None = None,
    policies: Mapping[str, Policy] | None = None,
    normal_nodes: Mapping[str, float] | float | None = None,
    secondary_crop: Mapping[str, float] | float | None = None,
    strata_shares: StrataShares | None = None,
    zone_shares: StrataShares | None = None,
    compare_policies: bool = True,
) -> list[BlockResult]:
    """Return the answer for every block of a table, in the order of its blocks.

    Parameters
    ----------
    table : BudTable
        Current confirmed calls; proposals have no place here.
    settings : Settings, optional
        Uses confidence, policy, normal_nodes, secondary_crop, prior_icc, max_nodes_factor
        and cold_only.
    policies : mapping of str to Policy, optional
        Those that ship with the package when left out.
    normal_nodes, secondary_crop : mapping of block name to float, or one float, optional
        What differs from the settings.
    strata_shares, zone_shares : mapping, optional
        For each block, the share of its vines in each vine-size class, and in each zone. A block
        is weighted by its zones where it names any, else by its vine sizes.
    compare_policies : bool
        Whether to work out what the other policies say.

    Raises
    ------
    InputError
        When a normal node count is not positive, a secondary's crop is not a share, or the policy
        is unknown.
    """
    settings = settings or Settings()
    known = shipped_policies() if policies is None else policies
    policy, names = chosen_policy(settings, known), table.block.names
    normal = _values(normal_nodes, settings.normal_nodes, names)
    crop_each = _values(secondary_crop, settings.secondary_crop, names)
    _checked(names, normal, crop_each)
    strata = block_strata(table, zones=zone_shares, sizes=strata_shares)
    judged = {tissue: JudgedTissue.of(table, tissue, strata, settings) for tissue in TISSUES}
    by_tissue = {tissue: tissue_results(table, tissue, judged[tissue], settings=settings)
                 for tissue in TISSUES}
    primary = judged[Tissue.PRIMARY]
    share, low, high = primary.posterior.share, primary.low, primary.high
    all_causes = primary.posterior
    if settings.cold_only:
        every = replace(settings, cold_only=False)
        all_causes = JudgedTissue.of(table, Tissue.PRIMARY, strata, every).posterior
    crop = block_potential(table, crop_each, all_causes, strata=strata,
                           confidence=settings.confidence)

    def factors(of: Policy) -> tuple[Floats, Floats, Floats]:
        one, two, three = (
            np.where(np.isnan(ends), np.nan, of.factor(np.nan_to_num(ends)))
            for ends in (share, low, high)
        )
        return one, two, three

    max_factor = settings.max_nodes_factor
    more = buds_to_settle(
        primary.units, primary.posterior, policy, confidence=settings.confidence,
        prior_icc=settings.prior_icc, strata=primary.strata)
    others = [
        (of, of.band_index(np.nan_to_num(share)),
         node_ranges(normal, *factors(of), max_factor=max_factor))
        for of in known.values() if compare_policies and of.name != policy.name
    ]
    blocks = _Blocks(
        policy=policy, settings=settings, tissues=by_tissue, primary=primary, crop=crop,
        crop_each=crop_each, normal=normal, more=more,
        n_buds=np.bincount(table.block.codes, minlength=len(names)),
        n_canes=_per_block_canes(table),
        nodes=_node_counts(share, low, high, factors(policy), crop, normal, max_factor),
        index=policy.band_index(np.nan_to_num(share)), others=others,
        chances=primary.posterior.band_chances(policy.edges),
        edges=edges_within(policy, primary.posterior, low, high),
        reach=most_within_reach(primary.units, primary.posterior, policy, (more < 0),
                                strata=primary.strata, settings=settings),
        paired=table.paired,
    )
    return [blocks.result(index, name) for index, name in enumerate(names)]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Blocks:
    """All blocks' columns, to be handed out block by block."""

    policy: Policy
    settings: Settings
    tissues: Mapping[Tissue, Sequence[TissueResult]]
    primary: JudgedTissue
    crop: CropShares
    crop_each: Floats
    normal: Floats
    more: NDArray[np.int64]
    n_buds: NDArray[np.int64]
    n_canes: NDArray[np.int64]
    nodes: Sequence[dict[str, NodeCount]]
    index: NDArray[np.int64]
    others: Sequence[tuple[Policy, NDArray[np.int64], Sequence[NodeCount]]]
    chances: Floats
    edges: Sequence[tuple[BandEdge, ...]]
    reach: Mapping[int, Reach]
    paired: bool

    def result(self, row: int, name: str) -> BlockResult:
        """Return the answer of the block with this number and name."""
        tissues = {tissue: rows[row] for tissue, rows in self.tissues.items()}
        judged = tissues[Tissue.PRIMARY].mortality is not None
        prior_icc = self.settings.prior_icc
        strata, units, reach = self.primary.strata, self.primary.units, self.reach.get(row)
        weighting = strata.facts(units, row) if strata else None
        notes, warnings = remarks(
            tissues, self.crop, row, prior_icc, reach, weighting, paired=self.paired)
        others = tuple(
            PolicyAnswer(of.name, of.bands[int(index[row])], counts[row])
            for of, index, counts in self.others if judged
        )
        crop = self.crop
        chances = zip(self.policy.bands, self.chances[row].tolist(), strict=True)
        return BlockResult(
            block=name, n_buds=int(self.n_buds[row]), n_canes=int(self.n_canes[row]),
            tissues=tissues,
            crop_potential=CropPotential(
                as_number(crop.share[row]), as_number(crop.low[row]), as_number(crop.high[row]),
                float(self.crop_each[row]), bool(crop.unknown[row])),
            policy=self.policy.name,
            band=self.policy.bands[int(self.index[row])] if judged else None,
            band_probabilities={band.name: chance for band, chance in chances} if judged else {},
            edges=self.edges[row] if judged else (), normal_nodes=float(self.normal[row]),
            nodes=self.nodes[row], rules_apart=rules_apart(self.nodes[row], others),
            more_buds=int(self.more[row]) if self.more[row] >= 0 else None, reach=reach,
            other_policies=others, weighting=weighting,
            outlook=Outlook(units, strata, row, prior_icc, self.settings.confidence),
            notes=notes, warnings=warnings,
        )


def _checked(names: Sequence[str], normal: Floats, crop_each: Floats) -> None:
    for name, count, value in zip(names, normal, crop_each, strict=True):
        check_normal(float(count), where=f"block {name}")
        if not 0 <= value <= 1:
            raise InputError(f"the secondary's crop is {value:g}", where=f"block {name}",
                             expected="a share from 0 to 1", do="Give 0.33 for a third.")


def _per_block_canes(table: BudTable) -> NDArray[np.int64]:
    canes = np.unique(table.cane.codes)
    return np.bincount(table.block_of_cane[canes], minlength=len(table.block.names))
