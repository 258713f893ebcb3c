"""The one set of a block's facts, before they become words (`budvision.report.answer`).

Shares are in [0, 1], lengths in metres, nodes are per vine. Nothing here knows the database:
`result_facts` takes the answer of a tally or of a season, and the workflow adds to it who judged
what. Page, sheet, command line and tables all read these facts.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field

from budvision.language import mark, say
from budvision.report.kept import arrangement_words, basal_words, kept_words
from budvision.report.misread import CorrectedFacts
from budvision.vineyard.breakdown import Part
from budvision.vineyard.policies import Band, Policy
from budvision.vineyard.pruning import NodeCount, add_share_dead, round_nodes
from budvision.vineyard.results import BandEdge, BlockResult, Reach, TissueResult
from budvision.vineyard.strata import Weighting
from budvision.vineyard.training import Training
from budvision.vineyard.wood import WoodResult

__all__ = [
    "BandFacts",
    "BlockFacts",
    "BudLine",
    "HistoryLine",
    "PhotoFacts",
    "PolicyFacts",
    "ReaderFacts",
    "RuleFacts",
    "TissueFacts",
    "ZoneFacts",
    "part_facts",
    "result_facts",
    "zone_facts",
]

RULES = {
    "band": mark("band of the policy"),
    "exact": mark("normal / share alive"),
    "crop_potential": mark("normal / crop potential"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TissueFacts:
    """Counts and share of one tissue; the share is None where nothing is judged."""

    name: str
    n_live: int
    n_dead: int
    n_unsure: int
    n_not_exposed: int
    share: float | None
    low: float | None
    high: float | None
    n_not_called: int = 0
    assumed: bool = False
    unit: str = "cane"
    n_units: int = 0
    n_canes: int = 0
    if_units_whole: float | None = None

    @property
    def n_judged(self) -> int:
        """Buds called live or dead."""
        return self.n_live + self.n_dead

    @property
    def n_missing(self) -> int:
        """Buds in the table that are neither live nor dead."""
        return self.n_unsure + self.n_not_exposed + self.n_not_called

    @property
    def bounds(self) -> tuple[float, float] | None:
        """Share dead with every unjudged bud taken as live, and as dead; None where none is."""
        total = self.n_judged + self.n_missing
        if not self.n_missing or not total:
            return None
        return self.n_dead / total, (self.n_dead + self.n_missing) / total


@dataclass(frozen=True, slots=True, kw_only=True)
class BandFacts:
    """One band of the policy in use, with the probability that the true share lies in it."""

    name: str
    low: float
    high: float
    action: str
    probability: float | None
    nodes: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleFacts:
    """Nodes to retain on a vine by one rule; None where the rule gives no number.

    `stopped` says what of it stopped at the practical maximum: "", "all" or "upper end".
    """

    name: str
    retain: float | None
    low: float | None
    high: float | None
    note: str = ""
    stopped: str = ""


@dataclass(frozen=True, slots=True)
class PolicyFacts:
    """What one published policy says of the block."""

    title: str
    action: str
    rule: RuleFacts
    chosen: bool = False


@dataclass(frozen=True, slots=True)
class ReaderFacts:
    """Who judged how many buds, from which day to which."""

    name: str
    n_buds: int
    first: dt.date
    last: dt.date


@dataclass(frozen=True, slots=True)
class ZoneFacts:
    """One zone by itself: its weight in the block, its primaries and what the policy says of it."""

    name: str
    weight: float | None
    primary: TissueFacts
    action: str
    rule: RuleFacts


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryLine:
    """One sampling of a block in words, and the change since the one before."""

    sampling: str
    collected: str
    n_judged: int
    share: str
    span: str
    change: str


@dataclass(frozen=True, slots=True)
class PhotoFacts:
    """An example photograph: the JPEG as it goes to paper, and whose it is."""

    jpeg: bytes
    caption: str
    mark: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BudLine:
    """One bud of the appendix: its place, the calls as words, who called and from what."""

    cane: str
    node: int
    vine: str
    primary: str
    secondary: str
    tertiary: str
    reader: str
    called_on: str
    photos: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockFacts:
    """All that the sheet of one block says.

    Attributes
    ----------
    waiting, unsure, left_out : tuple of str
        Buds by name with a tissue that nobody has called yet, or called unsure; and those of
        `unsure` whose primary is, so that the share leaves them out.
    n_unseen : int
        Those of `waiting` that have neither photograph nor call.
    more_buds : int or None
        Buds that would settle the band; 0 when settled, None when no practicable number would.
    crop_share : tuple of float, or None
        Crop potential with its interval.
    secondary_crop : float or None
        What a live secondary under a dead primary counts, as a share of a primary's crop.
    continuous : tuple of RuleFacts
        What the published rules without steps give at the share found.
    warnings, notes : tuple of str
        Sentences: limits of the result, and what people wrote.
    confidence, normal_nodes : float
        Nominal coverage of the intervals, in (0, 1); nodes retained on a vine in a normal year.
    kept, training : str
        Nodes that count since pruning keeps them, as "nodes 1 to 2", empty where all count; and
        "spur" or "cane", empty where it is not known.
    beyond : TissueFacts or None
        Primaries of the nodes that pruning takes off.
    basal : str
        What is published of the fruit of the basal nodes of the block's cultivar class.
    zones : tuple of ZoneFacts
        Empty where the sample names fewer than two.
    weighting : Weighting or None
        How zones or vine sizes were weighted; None where the sample counts as it is.
    edge : BandEdge or None
        The edge of a band nearest to the share, where the interval holds one.
    reach : Reach or None
        What the most buds within reach would leave open, where they would not settle the band.
    rules_apart, secondaries_unknown : bool
        Whether policies differ by more nodes than the sample's own range; whether no secondary
        under a dead primary was judged.
    corrected : CorrectedFacts or None
        Mortality with readers' errors taken out; None where nobody read a bud twice.
    wood : tuple of WoodResult
        What cuts into trunks, cordons and canes say; empty where nobody cut them.
    arrangement, trust : str
        The nodes as canes or spurs of the block's training system, empty when unknown; whether
        readers saw proposals and on what ground, empty where there were none.
    """

    block: str
    site: str = ""
    cultivar: str = ""
    sampling: str = ""
    collected_on: dt.date | None = None
    n_buds: int = 0
    n_canes: int = 0
    tissues: tuple[TissueFacts, ...] = ()
    crop_share: tuple[float, float, float] | None = None
    secondary_crop: float | None = None
    secondaries_unknown: bool = False
    bands: tuple[BandFacts, ...] = ()
    band: str = ""
    action: str = ""
    policy: str = ""
    policy_source: str = ""
    more_buds: int | None = None
    normal_nodes: float | None = None
    rules: tuple[RuleFacts, ...] = ()
    continuous: tuple[RuleFacts, ...] = ()
    policies: tuple[PolicyFacts, ...] = ()
    arrangement: str = ""
    vines_per_ha: float | None = None
    readers: tuple[ReaderFacts, ...] = ()
    n_photos: int = 0
    photos: tuple[PhotoFacts, ...] = ()
    waiting: tuple[str, ...] = ()
    unsure: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    n_unseen: int = 0
    causes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    confidence: float = 0.95
    lab: str = ""
    lab_phone: str = ""
    logo: bytes = b""
    logo_kind: str = "png"
    history: tuple[HistoryLine, ...] = ()
    kept: str = ""
    training: str = ""
    beyond: TissueFacts | None = None
    basal: str = ""
    zones: tuple[ZoneFacts, ...] = ()
    weighting: Weighting | None = None
    edge: BandEdge | None = None
    reach: Reach | None = None
    rules_apart: bool = False
    corrected: CorrectedFacts | None = None
    trust: str = ""
    wood: tuple[WoodResult, ...] = ()
    appendix: tuple[BudLine, ...] = field(default=())


def result_facts(
    result: BlockResult, policy: Policy, *, policies: Mapping[str, Policy] | None = None,
    training: Training | None = None, beyond: Part | None = None, cultivar_class: str = "",
) -> BlockFacts:
    """Return the facts of one block's answer, from a tally or a season alike.

    Parameters
    ----------
    policy : Policy
        The one that the answer was worked out with.
    policies : mapping of str to Policy, optional
        All known, for the titles of those that the answer is compared with.
    training : Training, optional
        How the block is pruned, if the result is of the nodes that pruning keeps.
    beyond : Part, optional
        Primaries of the nodes that pruning takes off.
    cultivar_class : str
        For the fruit of the basal nodes.

    Returns
    -------
    BlockFacts
        Without what only a season knows.
    """
    band, crop, normal = result.band, result.crop_potential, result.normal_nodes
    primary = next(iter(result.tissues.values()))
    titles = {name: one.title for name, one in (policies or {}).items()}
    own = result.nodes["band"]
    compared = () if band is None else (
        PolicyFacts(policy.title, band.action, _rule("", own), chosen=True),
        *(PolicyFacts(titles.get(o.policy, o.policy), o.band.action, _rule("", o.nodes))
          for o in result.other_policies),
    )
    return BlockFacts(
        block=result.block, n_buds=result.n_buds, n_canes=result.n_canes,
        tissues=tuple(_tissue(say(tissue.value), row) for tissue, row in result.tissues.items()),
        crop_share=None if crop.share is None or crop.low is None or crop.high is None
        else (crop.share, crop.low, crop.high),
        secondary_crop=crop.secondary_crop, secondaries_unknown=crop.unknown,
        bands=tuple(
            BandFacts(name=b.name, low=b.low, high=b.high, action=b.action,
                      probability=result.band_probabilities.get(b.name),
                      nodes=_band_nodes(b, normal, policy))
            for b in policy.bands
        ),
        band=band.name if band else "", action=band.action if band else "", policy=policy.title,
        policy_source=policy.source, more_buds=result.more_buds, normal_nodes=normal,
        rules=tuple(
            _rule(say(RULES[rule]), nodes, note=band.action if rule == "band" and band else "")
            for rule, nodes in result.nodes.items()
        ),
        continuous=_continuous(primary, result, normal), policies=compared,
        edge=result.edge, reach=result.reach, rules_apart=result.rules_apart,
        weighting=result.weighting, warnings=result.warnings, notes=result.notes,
        confidence=primary.confidence,
        arrangement=arrangement_words(own.retain if band else None, training),
        kept=kept_words(training),
        training="" if training is None else training.kind,
        beyond=None if beyond is None else part_facts(say("further out"), beyond),
        basal="" if training is None else basal_words(cultivar_class),
    )


def part_facts(name: str, part: Part) -> TissueFacts:
    """Return the primaries of one part of a block's buds."""
    return TissueFacts(
        name=name, n_live=part.n_judged - part.n_dead, n_dead=part.n_dead, n_unsure=0,
        n_not_exposed=0, share=part.mortality, low=part.low, high=part.high,
        assumed=part.design_effect_from_prior)


def zone_facts(result: BlockResult, weight: float | None) -> ZoneFacts:
    """Return the facts of one zone from its own answer."""
    primary = next(iter(result.tissues.values()))
    band = result.band
    return ZoneFacts(result.block, weight, _tissue(result.block, primary),
                     band.action if band else "", _rule("", result.nodes["band"]))


def _tissue(name: str, row: TissueResult) -> TissueFacts:
    return TissueFacts(
        name=name, n_live=row.n_live, n_dead=row.n_dead, n_unsure=row.n_unsure,
        n_not_exposed=row.n_not_exposed, share=row.mortality, low=row.low,
        high=row.high, n_not_called=row.n_not_called, assumed=row.design_effect_from_prior,
        unit=row.unit, n_units=row.n_units, n_canes=row.n_canes, if_units_whole=row.if_units_whole,
    )


def _rule(name: str, nodes: NodeCount, *, note: str = "") -> RuleFacts:
    stopped = "" if not nodes.capped or nodes.retain is None else (
        "all" if nodes.retain_capped else "upper end")
    return RuleFacts(name=name, retain=nodes.retain, low=nodes.low, high=nodes.high, note=note,
                     stopped=stopped)


def _band_nodes(band: Band, normal: float, policy: Policy) -> float | None:
    """Return the nodes of a band that leaves one number wherever in it the share lies."""
    if band.rule not in ("usual", "times"):
        return None
    return round_nodes(normal * float(policy.factor((band.low + band.high) / 2)))


def _continuous(
    primary: TissueResult, result: BlockResult, normal: float
) -> tuple[RuleFacts, ...]:
    share = primary.mortality
    if share is None or primary.low is None or primary.high is None or share >= 1:
        return ()
    exact = result.nodes["exact"]
    low, retain, high = (
        round_nodes(add_share_dead(normal, m)) for m in (primary.low, share, primary.high))
    return (
        RuleFacts(name=say("adding the share dead"), retain=retain, low=low, high=high),
        RuleFacts(name=say("dividing by the share alive"), retain=exact.retain, low=exact.low,
                  high=exact.high),
    )
