"""The answer for a block, as pages, paper and JSON read it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from budvision.vineyard.more_buds import Outlook
from budvision.vineyard.policies import Band
from budvision.vineyard.pruning import NodeCount
from budvision.vocabulary import Tissue

__all__ = ["BlockResult", "CropPotential", "PolicyAnswer", "TissueResult"]


@dataclass(frozen=True, slots=True)
class TissueResult:
    """What the calls say of one tissue of one block.

    Attributes
    ----------
    n_live, n_dead, n_unsure, n_not_exposed, n_not_called : int
        Buds by call. Mortality is n_dead / (n_live + n_dead).
    n_other_cause : int
        Dead for another cause than cold and left out (only where the setting says so).
    mortality, low, high, design_effect, icc : float or None
        None where nothing was judged (`reason` says so) or the sample cannot show it.
    design_effect_from_prior : bool
        True where the interval rests on the prior icc, not on the sample.
    if_missing_live, if_missing_dead : float or None
        Mortality with every unsure, unexposed or uncalled tissue taken as live, or as dead.
    """

    n_live: int
    n_dead: int
    n_unsure: int
    n_not_exposed: int
    n_not_called: int
    n_other_cause: int
    n_canes: int
    mortality: float | None
    low: float | None
    high: float | None
    confidence: float
    design_effect: float | None
    design_effect_from_prior: bool
    icc: float | None
    method: str
    reason: str
    if_missing_live: float | None
    if_missing_dead: float | None


@dataclass(frozen=True, slots=True)
class CropPotential:
    """Share of a full crop that the block's buds could bear; None where no primary was judged."""

    share: float | None
    low: float | None
    high: float | None
    secondary_crop: float


@dataclass(frozen=True, slots=True)
class PolicyAnswer:
    """What another policy would say of the same block."""

    policy: str
    band: Band
    nodes: NodeCount


@dataclass(frozen=True, slots=True)
class BlockResult:
    """The answer for one block.

    Attributes
    ----------
    band : Band or None
        By the primaries' mortality; None where no primary was judged.
    band_probabilities : mapping of str to float
        By band name; they sum to 1. Empty without a band.
    nodes : mapping of str to NodeCount
        By rule: "band", "exact" (normal / share alive), "crop_potential" (normal / share of crop).
    more_buds : int or None
        More judged buds that would put the whole interval into one band; 0 when it is; None
        where nothing was judged or no practicable number would.
    other_policies : tuple of PolicyAnswer
        What the other policies say, for showing where they disagree.
    """

    block: str
    n_buds: int
    n_canes: int
    tissues: Mapping[Tissue, TissueResult]
    crop_potential: CropPotential
    policy: str
    band: Band | None
    band_probabilities: Mapping[str, float]
    normal_nodes: float
    nodes: Mapping[str, NodeCount]
    more_buds: int | None
    other_policies: tuple[PolicyAnswer, ...]
    outlook: Outlook
    notes: tuple[str, ...]
    warnings: tuple[str, ...]
