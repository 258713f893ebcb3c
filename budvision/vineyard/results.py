"""The answer for a block, as pages, paper and JSON read it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from budvision.vineyard.more_buds import Outlook
from budvision.vineyard.policies import Band
from budvision.vineyard.pruning import NodeCount
from budvision.vineyard.strata import Weighting
from budvision.vocabulary import Tissue

__all__ = ["BandEdge", "BlockResult", "CropPotential", "PolicyAnswer", "Reach", "TissueResult"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TissueResult:
    """What the calls say of one tissue of one block.

    Attributes
    ----------
    n_live, n_dead, n_unsure, n_not_exposed, n_not_called : int
        Buds by call. Mortality is n_dead / (n_live + n_dead) where nothing is weighted.
    n_other_cause : int
        Dead for another cause than cold and left out (only where the setting says so).
    n_canes : int
        Canes with a bud judged.
    unit : {"vine", "cane"}
        The highest thing that was drawn; buds of one unit are taken to be alike.
    n_units : int
        Units with a bud judged.
    few_units : bool
        Fewer than `budvision.stats.posterior.LEAST_UNITS`.
    mortality, low, high, design_effect, icc : float or None
        None where nothing was judged (`reason` says so); icc, the likeness to expect of buds of a
        unit given the sample, also where the sample cannot show it.
    design_effect_from_prior : bool
        True where the sample cannot show the likeness at all: one unit, none dead, or all dead.
    if_units_whole : float or None
        Where none (or all) are dead: the upper (or lower) end if units lived or died whole.
    method : str
        "beta_binomial", "beta_binomial_strata" where strata are weighted, or "none".
    unsure_share : float or None
        Unsure ones among those called live, dead or unsure.
    if_missing_live, if_missing_dead : float or None
        Mortality with every unsure, unexposed or uncalled tissue taken as live, or as dead; given
        where there is such a tissue.
    """

    n_live: int
    n_dead: int
    n_unsure: int
    n_not_exposed: int
    n_not_called: int
    n_other_cause: int
    n_canes: int
    unit: str
    n_units: int
    few_units: bool
    mortality: float | None
    low: float | None
    high: float | None
    confidence: float
    if_units_whole: float | None
    design_effect: float | None
    design_effect_from_prior: bool
    icc: float | None
    method: str
    reason: str
    unsure_share: float | None
    if_missing_live: float | None
    if_missing_dead: float | None

    @property
    def n_judged(self) -> int:
        """Called live or dead."""
        return self.n_live + self.n_dead


@dataclass(frozen=True, slots=True)
class CropPotential:
    """Share of a full crop that the block's buds could bear; None where no primary was judged.

    Where `unknown`, no secondary under a dead primary was judged: `share` and `low` count them as
    bearing nothing, `high` as live.
    """

    share: float | None
    low: float | None
    high: float | None
    secondary_crop: float
    unknown: bool = False


@dataclass(frozen=True, slots=True)
class PolicyAnswer:
    """What another policy would say of the same block."""

    policy: str
    band: Band
    nodes: NodeCount


@dataclass(frozen=True, slots=True, kw_only=True)
class BandEdge:
    """An edge between two bands that the interval holds.

    Attributes
    ----------
    share : float
        The edge.
    below, above : Band
        The bands that meet there.
    chance_above : float
        Probability that the true share lies above it.
    buds_to_cross : int
        How many of the judged buds would have to be of the other call for the share found to lie
        on the other side.
    """

    share: float
    below: Band
    above: Band
    chance_above: float
    buds_to_cross: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """What the most buds within reach would still leave open.

    Attributes
    ----------
    buds : int
        Further judged buds.
    low, high : float
        Interval to expect with them.
    bands : tuple of str
        Names of the bands it would still reach into.
    """

    buds: int
    low: float
    high: float
    bands: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockResult:
    """The answer for one block.

    Attributes
    ----------
    band : Band or None
        By the primaries' mortality; None where no primary was judged.
    band_probabilities : mapping of str to float
        By band name; they sum to 1. Empty without a band.
    edges : tuple of BandEdge
        Edges within the interval, the nearest to the share found first.
    nodes : mapping of str to NodeCount
        By rule: "band", "exact" (normal / share alive), "crop_potential" (normal / share of crop).
    rules_apart : bool
        Whether policies differ by more nodes than the whole interval makes within one rule.
    more_buds : int or None
        More judged buds that would put the whole interval into one band; 0 when it is; None
        where nothing was judged or no number within reach would.
    reach : Reach or None
        Where `more_buds` is None because of reach: what the most buds would leave.
    other_policies : tuple of PolicyAnswer
        What the other policies say, for showing where they disagree.
    weighting : Weighting or None
        How zones or vine sizes were weighted; None where nothing was to be.
    """

    block: str
    n_buds: int
    n_canes: int
    tissues: Mapping[Tissue, TissueResult]
    crop_potential: CropPotential
    policy: str
    band: Band | None
    band_probabilities: Mapping[str, float]
    edges: tuple[BandEdge, ...]
    normal_nodes: float
    nodes: Mapping[str, NodeCount]
    rules_apart: bool
    more_buds: int | None
    reach: Reach | None
    other_policies: tuple[PolicyAnswer, ...]
    weighting: Weighting | None
    outlook: Outlook
    notes: tuple[str, ...]
    warnings: tuple[str, ...]

    @property
    def edge(self) -> BandEdge | None:
        """The edge nearest to the share found, None where the interval holds none."""
        return self.edges[0] if self.edges else None
