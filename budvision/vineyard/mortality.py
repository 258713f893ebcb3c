"""Mortality of blocks, and the answer it leads to: band, nodes to retain, more buds.

One code path for a paper tally and for a season's results. `summarise` takes the buds of one
block; `summarise_table` takes a `BudTable` of any number of blocks and works in arrays.

    table = BudTable.from_columns(block=..., cane=..., node=..., calls=...)   # from a query
    results = summarise_table(table, settings=settings, normal_nodes={"North slope": 44})
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from budvision.errors import InputError, NothingToDoError, UsageError
from budvision.settings import Settings
from budvision.stats.groups import GroupShares, group_limits, group_shares
from budvision.vineyard.buds import DEAD, LIVE, NOT_CALLED, NOT_EXPOSED, UNSURE, BudTable
from budvision.vineyard.more_buds import Outlook
from budvision.vineyard.policies import Policy, shipped_policies
from budvision.vineyard.potential import CropShares, block_potential
from budvision.vineyard.pruning import NodeCount, band_probabilities, check_normal, node_ranges
from budvision.vineyard.results import BlockResult, CropPotential, PolicyAnswer, TissueResult
from budvision.vineyard.strata import StrataShares, stratified_shares
from budvision.vocabulary import TISSUES, BudCalls, Tissue

__all__ = [
    "BlockResult",
    "CropPotential",
    "PolicyAnswer",
    "TissueResult",
    "chosen_policy",
    "summarise",
    "summarise_table",
    "tissue_shares",
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
    name = settings.text("policy")
    if name not in known:
        raise InputError(
            f"there is no policy {name!r}", expected=f"one of {', '.join(known)}",
            do="Choose a name from the list, or add the policy to policies.toml.",
            where="policy", code="unknown_policy",
        )
    return known[name]


def tissue_shares(
    table: BudTable,
    tissue: Tissue,
    *,
    cold_only: bool = False,
    strata_shares: StrataShares | None = None,
) -> GroupShares:
    """Return the share dead of one tissue in every block, canes as clusters.

    Parameters
    ----------
    table : BudTable
    tissue : Tissue
    cold_only : bool
        Leave out tissues dead for another cause.
    strata_shares : mapping, optional
        For each block, the share of its vines in each vine-size class; blocks named here are
        weighted by it, the others are not weighted.

    Returns
    -------
    GroupShares
        Arrays with one value a block.

    Raises
    ------
    InputError
        When the shares of a block are negative or sum to nothing.
    """
    column = TISSUES.index(tissue)
    calls = table.calls[:, column]
    dead = calls == DEAD
    if cold_only:
        dead &= ~table.other_cause[:, column]
    n_canes, n_blocks = len(table.block_of_cane), len(table.block.names)
    hits = np.bincount(table.cane.codes[dead], minlength=n_canes)
    sizes = hits + np.bincount(table.cane.codes[calls == LIVE], minlength=n_canes)
    if strata_shares:
        return stratified_shares(table, hits, sizes, strata_shares)
    return group_shares(hits, sizes, table.block_of_cane, n_blocks)


def _per_block(table: BudTable, rows: NDArray[np.bool_]) -> NDArray[np.int64]:
    return np.bincount(table.block.codes[rows], minlength=len(table.block.names))


def _number(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


def _tissue_results(
    table: BudTable, tissue: Tissue, groups: GroupShares, *, settings: Settings
) -> tuple[list[TissueResult], Outlook, Floats]:
    confidence = settings.number("confidence")
    low, high, effect = group_limits(
        groups, prior_icc=settings.number("prior_icc"), confidence=confidence
    )
    column = TISSUES.index(tissue)
    calls, other = table.calls[:, column], table.other_cause[:, column]
    if not settings["cold_only"]:
        other = np.zeros_like(other)
    left_out = _per_block(table, (calls == DEAD) & other).tolist()
    counts = [
        _per_block(table, (calls == code) & ~((calls == DEAD) & other)).tolist()
        for code in (LIVE, DEAD, UNSURE, NOT_EXPOSED, NOT_CALLED)
    ]
    share, icc = groups.share, groups.icc
    results = []
    for at, (live, dead, unsure, hidden, silent) in enumerate(zip(*counts, strict=True)):
        judged, missing = live + dead, unsure + hidden + silent
        prior, single = bool(effect.from_prior[at]), bool(effect.single[at])
        method = "wilson" if single else "korn_graubard_prior" if prior else "korn_graubard"
        bounds = bool(settings["bound_missing"]) and judged + missing > 0
        results.append(TissueResult(
            live, dead, unsure, hidden, silent, left_out[at], int(groups.n_clusters[at]),
            _number(share[at]), _number(low[at]), _number(high[at]), confidence,
            float(effect.design_effect[at]) if judged else None, prior and judged > 0,
            _number(icc[at]), method if judged else "none",
            "" if judged else f"no {tissue.value} was called live or dead",
            dead / (judged + missing) if bounds else None,
            (dead + missing) / (judged + missing) if bounds else None,
        ))
    return results, Outlook.of(groups, effect, confidence), effect.n_effective


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
        return np.full(len(names), default)
    if isinstance(given, Mapping):
        return np.array([float(given.get(name, default)) for name in names])
    return np.full(len(names), float(given))


def _say(
    primary: TissueResult, crop: CropShares, at: int, n_canes: int, prior_icc: float,
    tissues: Mapping[Tissue, TissueResult], more: int,
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    notes, warnings = [], []
    if n_canes == 1:
        warnings.append(
            "All buds come from one cane, so the sample cannot show how alike the buds of a cane "
            f"are; the interval rests on an assumed likeness (icc {prior_icc:g}) alone."
        )
    from_prior = [name.value for name, row in tissues.items() if row.design_effect_from_prior]
    if from_prior:
        notes.append(
            f"The interval for {', '.join(from_prior)} rests on an assumed likeness of buds of one "
            f"cane (icc {prior_icc:g}), because the sample is too thin to show it."
        )
    if primary.mortality is None:
        warnings.append("No primary was called live or dead: there is no mortality, band or count.")
    elif more < 0:
        notes.append("The share lies on the edge of a band; more cutting would not settle it.")
    if crop.unknown[at]:
        notes.append(
            "No secondary under a dead primary was judged: the crop potential counts them as "
            "bearing nothing, and its upper end counts them as live."
        )
    elif crop.n_filled[at]:
        notes.append(
            f"{int(crop.n_filled[at])} dead primaries have no judged secondary; they are taken to "
            "be like the others."
        )
    left_out = sum(row.n_other_cause for row in tissues.values())
    if left_out:
        notes.append(f"{left_out} tissues dead for another cause than cold are left out.")
    return tuple(notes), tuple(warnings)


def summarise_table(
    table: BudTable,
    *,
    settings: Settings | None = None,
    policies: Mapping[str, Policy] | None = None,
    normal_nodes: Mapping[str, float] | float | None = None,
    secondary_crop: Mapping[str, float] | float | None = None,
    strata_shares: StrataShares | None = None,
    compare_policies: bool = True,
) -> list[BlockResult]:
    """Return the answer for every block of a table, in the order of its blocks.

    Parameters
    ----------
    table : BudTable
        Current confirmed calls; proposals have no place here.
    settings : Settings, optional
        Uses confidence, policy, normal_nodes, secondary_crop, prior_icc, max_nodes_factor,
        bound_missing and cold_only.
    policies : mapping of str to Policy, optional
        Those that ship with the package when left out.
    normal_nodes, secondary_crop : mapping of block name to float, or one float, optional
        What differs from the settings.
    strata_shares : mapping, optional
        As in `tissue_shares`.
    compare_policies : bool
        Whether to work out what the other policies say.

    Returns
    -------
    list of BlockResult

    Raises
    ------
    InputError
        When a normal node count is not positive, a secondary's crop is not a share, or the policy
        is unknown.
    """
    settings = settings or Settings()
    known = shipped_policies() if policies is None else policies
    policy, names = chosen_policy(settings, known), table.block.names
    normal = _values(normal_nodes, settings.number("normal_nodes"), names)
    crop_each = _values(secondary_crop, settings.number("secondary_crop"), names)
    for name, count, value in zip(names, normal, crop_each, strict=True):
        check_normal(float(count), where=f"block {name}")
        if not 0 <= value <= 1:
            raise InputError(f"the secondary's crop is {value:g}", where=f"block {name}",
                             expected="a share from 0 to 1", do="Give 0.33 for a third.")
    prior_icc, max_factor = settings.number("prior_icc"), settings.number("max_nodes_factor")
    by_tissue, outlooks, sizes = {}, {}, {}
    for tissue in TISSUES:
        groups = tissue_shares(table, tissue, cold_only=bool(settings["cold_only"]),
                               strata_shares=strata_shares)
        by_tissue[tissue], outlooks[tissue], sizes[tissue] = _tissue_results(
            table, tissue, groups, settings=settings)
    outlook = outlooks[Tissue.PRIMARY]
    low, high = outlook.limits(np.zeros(len(names)))
    share, size = outlook.share, np.maximum(sizes[Tissue.PRIMARY], 1e-9)
    crop = block_potential(table, crop_each, prior_icc=prior_icc,
                           confidence=settings.number("confidence"))

    def factors(of: Policy) -> tuple[Floats, Floats, Floats]:
        one, two, three = (
            np.where(np.isnan(ends), np.nan, of.factor(np.nan_to_num(ends)))
            for ends in (share, low, high)
        )
        return one, two, three

    nodes = _node_counts(share, low, high, factors(policy), crop, normal, max_factor)
    index = policy.band_index(np.nan_to_num(share))
    chances = band_probabilities(policy, np.nan_to_num(share), size).tolist()
    more = outlook.buds_to_settle(policy)
    others = [
        (of, of.band_index(np.nan_to_num(share)).tolist(),
         node_ranges(normal, *factors(of), max_factor=max_factor))
        for of in known.values() if compare_policies and of.name != policy.name
    ]
    n_buds = np.bincount(table.block.codes, minlength=len(names))
    n_canes = np.bincount(table.block_of_cane, minlength=len(names))
    results = []
    for at, name in enumerate(names):
        tissues = {tissue: by_tissue[tissue][at] for tissue in TISSUES}
        primary = tissues[Tissue.PRIMARY]
        judged = primary.mortality is not None
        notes, warnings = _say(primary, crop, at, int(n_canes[at]), prior_icc, tissues,
                               int(more[at]))
        results.append(BlockResult(
            name, int(n_buds[at]), int(n_canes[at]), tissues,
            CropPotential(_number(crop.share[at]), _number(crop.low[at]), _number(crop.high[at]),
                          float(crop_each[at])),
            policy.name, policy.bands[int(index[at])] if judged else None,
            {band.name: chance for band, chance in zip(policy.bands, chances[at], strict=True)}
            if judged else {},
            float(normal[at]), nodes[at], int(more[at]) if more[at] >= 0 else None,
            tuple(
                PolicyAnswer(of.name, of.bands[bands[at]], counts[at])
                for of, bands, counts in others if judged
            ),
            outlook.at(at), notes, warnings,
        ))
    return results


def summarise(
    buds: Sequence[BudCalls],
    *,
    settings: Settings | None = None,
    policies: Mapping[str, Policy] | None = None,
    normal_nodes: float | None = None,
    secondary_crop: float | None = None,
    strata_shares: Mapping[str, float] | None = None,
) -> BlockResult:
    """Return the answer for the buds of one block.

    Parameters
    ----------
    buds : sequence of BudCalls
        All of one block, at least one.
    settings, policies, normal_nodes, secondary_crop
        As in `summarise_table`.
    strata_shares : mapping of str to float, optional
        Share of the block's vines in each vine-size class.

    Returns
    -------
    BlockResult

    Raises
    ------
    NothingToDoError
        When there are no buds.
    UsageError
        When the buds come from several blocks.
    InputError
        When a bud stands twice or a value is outside its range.
    """
    blocks = {bud.block for bud in buds}
    if not blocks:
        raise NothingToDoError("there are no buds", expected="at least one",
                               do="Import or confirm calls first.")
    if len(blocks) > 1:
        raise UsageError(f"buds come from {len(blocks)} blocks", expected="one",
                         do="Use summarise_table for several.")
    return summarise_table(
        BudTable.from_calls(buds), settings=settings, policies=policies,
        normal_nodes=normal_nodes, secondary_crop=secondary_crop,
        strata_shares=None if strata_shares is None else {buds[0].block: strata_shares},
    )[0]
