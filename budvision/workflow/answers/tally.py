"""From confirmed calls to the answer: the paper tally and the season's results are one path.

A season builds a `BudTable` from its database; a paper tally calls `tally_file(path)`. Both give
the same numbers for the same calls, because both end in
`budvision.vineyard.mortality.summarise_table`, and `results_as_dict` words them as JSON.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

from budvision.errors import InputError, NothingToDoError
from budvision.report.facts import BlockFacts, result_facts, zone_facts
from budvision.report.first import zones_differ
from budvision.settings import Settings
from budvision.vineyard.breakdown import Part, breakdown
from budvision.vineyard.buds import BudTable
from budvision.vineyard.mortality import summarise_table
from budvision.vineyard.policies import Policy
from budvision.vineyard.pruning import NodeCount
from budvision.vineyard.results import BlockResult, TissueResult
from budvision.vineyard.training import Training
from budvision.vineyard.zones import zone_results
from budvision.vocabulary import BudCalls
from budvision.workflow.review.calls_file import read_calls

__all__ = [
    "CAUTION",
    "Tally",
    "block_as_dict",
    "nodes_as_dict",
    "results_as_dict",
    "tally_file",
    "tissue_as_dict",
    "zones_apart",
    "zones_as_dict",
]

CAUTION = (
    "Razor blades cut people: cut away from the hand. Pruning after winter injury depends on "
    "site, cultivar and season; ask the local extension office or a licensed adviser before acting."
)
"""The cautions that stand under every result."""


def tissue_as_dict(row: TissueResult) -> dict[str, object]:
    """Return one tissue as the tally's JSON has it; numbers that cannot be given are None."""
    payload: dict[str, object] = {
        "n_live": row.n_live, "n_dead": row.n_dead, "n_unsure": row.n_unsure,
        "n_not_exposed": row.n_not_exposed, "n_not_called": row.n_not_called,
        "n_canes": row.n_canes, "mortality": row.mortality, "low": row.low, "high": row.high,
        "confidence": row.confidence, "design_effect": row.design_effect,
        "design_effect_from_prior": row.design_effect_from_prior, "icc": row.icc,
        "method": row.method,
    }
    if row.reason:
        payload["reason"] = row.reason
    if row.if_units_whole is not None:
        payload["if_units_whole"] = row.if_units_whole
    if row.n_other_cause:
        payload["n_other_cause"] = row.n_other_cause
    if row.if_missing_dead is not None:
        payload |= {"if_missing_live": row.if_missing_live, "if_missing_dead": row.if_missing_dead}
    return payload


def nodes_as_dict(count: NodeCount) -> dict[str, object]:
    """Return one rule's nodes as the tally's JSON has them."""
    return {
        "retain": count.retain, "low": count.low, "high": count.high,
        "unrounded": count.unrounded, "capped": count.capped,
    }


def block_as_dict(result: BlockResult) -> dict[str, object]:
    """Return one block as the tally's JSON has it."""
    band, crop = result.band, result.crop_potential
    payload: dict[str, object] = {
        "block": result.block, "n_buds": result.n_buds, "n_canes": result.n_canes,
    }
    for tissue, row in result.tissues.items():
        payload[tissue.value] = tissue_as_dict(row)
    by_band = result.nodes["band"]
    payload["crop_potential"] = {
        "share": crop.share, "low": crop.low, "high": crop.high,
        "secondary_crop": crop.secondary_crop,
    }
    payload["policy"] = result.policy
    payload["band"] = (
        None if band is None else {"name": band.name, "action": band.action, "nodes": band.rule}
    )
    payload["band_probabilities"] = dict(result.band_probabilities)
    payload["nodes"] = {
        "normal": (
            int(result.normal_nodes) if result.normal_nodes.is_integer() else result.normal_nodes
        ),
        "retain": by_band.retain, "low": by_band.low, "high": by_band.high,
        "by_rule": {rule: nodes_as_dict(count) for rule, count in result.nodes.items()},
    }
    payload["more_buds"] = result.more_buds
    payload["edges"] = [
        {"share": edge.share, "below": edge.below.name, "above": edge.above.name,
         "chance_above": edge.chance_above, "buds_to_cross": edge.buds_to_cross}
        for edge in result.edges
    ]
    payload["reach"] = None if result.reach is None else {
        "buds": result.reach.buds, "low": result.reach.low, "high": result.reach.high,
        "bands": list(result.reach.bands)}
    payload["weighting"] = None if result.weighting is None else asdict(result.weighting)
    payload["other_policies"] = [
        {"policy": other.policy, "band": other.band.name, "action": other.band.action,
         "nodes": nodes_as_dict(other.nodes)}
        for other in result.other_policies
    ]
    payload["notes"], payload["warnings"] = list(result.notes), list(result.warnings)
    return payload


def zones_apart(zones: Sequence[BlockResult]) -> bool:
    """Say whether the policy says different things of a block's zones."""
    return zones_differ(zone_facts(one, None) for one in zones)


def zones_as_dict(zones: Sequence[BlockResult]) -> dict[str, object]:
    """Return a block's zones as JSON has them, each like a block; empty where there are none.

    Where `zones_differ` is true the band and nodes of the whole block fit none of its zones.
    """
    return {"zones": [block_as_dict(zone) for zone in zones],
            "zones_differ": zones_apart(zones)} if zones else {}


def results_as_dict(
    results: Sequence[BlockResult], *, warnings: Sequence[str] = (),
    beyond: Mapping[str, Part] | None = None,
    zones: Mapping[str, Sequence[BlockResult]] | None = None,
) -> dict[str, object]:
    """Return blocks as the JSON object of the tally: {"blocks": [...], "caution", "warnings"}.

    Parameters
    ----------
    warnings : sequence of str
        What of the input was left aside; the blocks' own warnings follow it.
    beyond : mapping of str to Part, optional
        By block, the primaries of the nodes that pruning takes off.
    zones : mapping of str to sequence of BlockResult, optional
        By block, its zones each by itself.
    """
    further = {name: {"beyond": asdict(part)} for name, part in (beyond or {}).items()}
    return {
        "blocks": [
            block_as_dict(result) | further.get(result.block, {})
            | zones_as_dict((zones or {}).get(result.block, ())) for result in results],
        "caution": CAUTION,
        "warnings": [*warnings, *(
            f"block {result.block}: {text}" for result in results for text in result.warnings
        )],
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """What a paper tally tells.

    Attributes
    ----------
    results : tuple of BlockResult
    warnings : tuple of str
        What of the file was left aside.
    counted : bool
        Whether the file holds counts a cane.
    zones : mapping of str to tuple of BlockResult
        By block of which the file names two zones or more, each zone by itself.
    training : Training or None
        How the blocks are pruned, where the results are of the nodes that pruning keeps.
    beyond : mapping of str to Part
        By block, the primaries of the nodes that pruning takes off.
    """

    results: tuple[BlockResult, ...]
    warnings: tuple[str, ...] = ()
    training: Training | None = None
    beyond: Mapping[str, Part] = field(default_factory=dict)
    counted: bool = False
    zones: Mapping[str, tuple[BlockResult, ...]] = field(default_factory=dict)

    def facts(
        self, policy: Policy, *, policies: Mapping[str, Policy], cultivar_class: str = ""
    ) -> list[BlockFacts]:
        """Return what pages and commands say of each block.

        Parameters
        ----------
        policy, policies, cultivar_class
            As in `budvision.report.facts.result_facts`.
        """
        return [replace(
            result_facts(one, policy, policies=policies, training=self.training,
                         beyond=self.beyond.get(one.block), cultivar_class=cultivar_class),
            zones=tuple(zone_facts(zone, None) for zone in self.zones.get(one.block, ())))
            for one in self.results]


def tally_file(
    source: Path | bytes,
    *,
    name: str = "",
    settings: Settings | None = None,
    policies: Mapping[str, Policy] | None = None,
    normal_nodes: float | None = None,
    training: Training | None = None,
) -> Tally:
    """Read a paper tally and return the answer for each of its blocks.

    Parameters
    ----------
    source : Path or bytes
        The file, or what is in it: a table as `budvision.workflow.review.calls_file` describes
        it, a row a bud or counts a cane.
    name : str
        File name for errors; a path's own when left out.
    settings, policies, normal_nodes
        As in `budvision.vineyard.mortality.summarise_table`.
    training : Training, optional
        How the blocks are pruned: only the nodes that pruning keeps count.

    Raises
    ------
    NotFoundError, InputError, NothingToDoError
        As in `budvision.workflow.review.calls_file.read_calls`.
    """
    read = read_calls(source, name=name, nothing="tally again; nothing was counted",
                      one_spelling=True, counts=True)
    if read.counted and training is not None:
        raise InputError(
            "it holds counts a cane", code="counts_a_cane",
            where=source.name if isinstance(source, Path) else name,
            expected="a row a bud with its node, where only the nodes that pruning keeps count",
            do="Leave the training system out; the answer is then of all nodes that were cut.")
    kept, out = _parted(read.buds, training)
    table, settings = BudTable.from_calls(kept, paired=not read.counted), settings or Settings()
    results = summarise_table(
        table, settings=settings, policies=policies, normal_nodes=normal_nodes)
    zones = zone_results(
        table, settings=settings, policies=policies, secondary_crop={}, normal_nodes={}
        if normal_nodes is None else dict.fromkeys(table.block.names, normal_nodes))
    beyond = {part.name: part for part in breakdown(
        BudTable.from_calls(out), "block", settings=settings)} if out else {}
    judged = {result.block for result in results}
    lost = tuple(
        f"block {name}: no bud stands at {training.kept}, which pruning keeps; it has no answer"
        for name in beyond if training is not None and name not in judged)
    return Tally(results=tuple(results), warnings=(*read.warnings, *lost), training=training,
                 beyond=beyond, counted=read.counted, zones=zones)


def _parted(
    buds: Sequence[BudCalls], training: Training | None
) -> tuple[list[BudCalls], list[BudCalls]]:
    """Part buds into those that pruning keeps and those that it takes off."""
    if training is None:
        return list(buds), []
    kept = [bud for bud in buds if bud.node <= training.nodes]
    if not kept:
        raise NothingToDoError(
            f"no bud stands at {training.kept}, which pruning keeps", where="tally",
            expected=f"buds of {training.kept}", do="Name another training system.")
    return kept, [bud for bud in buds if bud.node > training.nodes]
