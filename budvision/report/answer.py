"""A block's answer in words: worded and rounded once, for page, sheet, command line and tables.

`answer_words` takes the facts of a block and gives every name, number and sentence in the order in
which they are told: what must be said first, what was found, how sure, what to do.
"""

from __future__ import annotations

from dataclasses import dataclass

from budvision.language import form_of, mark, say, say_n
from budvision.report.bearing import bearing_words, counted_words
from budvision.report.choices import Choice
from budvision.report.facts import BlockFacts, RuleFacts, TissueFacts
from budvision.report.first import first_words, unjudged_open, unjudged_words, zones_differ
from budvision.report.sure import sure_words
from budvision.report.uncalled import uncalled_words
from budvision.report.ways import choice_words, choices_for
from budvision.report.wood import wood_action, wood_found, wood_state
from budvision.report.words import (
    band_name,
    chance_words,
    check_units,
    count,
    ends,
    number,
    percent,
    percent_range,
)
from budvision.vineyard.units import ACRE_HA

__all__ = [
    "CROP_NAME", "NODE_HEADS", "NO_ENDS", "NO_NUMBER", "NO_RESULT", "TISSUE_HEADS", "AnswerWords",
    "BandLine", "NodeLine", "ShareLine", "ZoneLine", "answer_words", "share_line",
]

TISSUE_HEADS = (mark("bud"), mark("live"), mark("dead"), mark("unsure"), mark("not exposed"),
                mark("not called"), mark("share dead"), mark("range"))
"""Heads of a table of tissues."""

NODE_HEADS = (mark("rule"), mark("nodes a vine"), mark("range"))
"""Heads of a table of nodes; with spacings "nodes a hectare" or "nodes an acre" follows."""

CROP_NAME = mark("crop potential")
NO_RESULT, NO_NUMBER = mark("no result"), mark("no number")
NO_ENDS = mark("no number at either end")
"""A rule's range, where the rule has a number for the share found but for neither of its ends."""
ASSUMED = mark("range rests on an assumption")


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareLine:
    """A share with its range in words; `ends` are (share, low, high) for drawing to scale."""

    name: str
    n_live: int = 0
    n_dead: int = 0
    n_unsure: int = 0
    n_not_exposed: int = 0
    n_not_called: int = 0
    share: str
    span: str
    ends: tuple[float, float, float] | None
    note: str = ""

    def cells(self) -> tuple[str, ...]:
        """Return the line under `TISSUE_HEADS`."""
        return (self.name, str(self.n_live), str(self.n_dead), str(self.n_unsure),
                str(self.n_not_exposed), str(self.n_not_called), self.share, self.span)


@dataclass(frozen=True, slots=True, kw_only=True)
class BandLine:
    """A band of the policy, and how likely the block lies in it."""

    name: str
    span: str
    action: str
    chance: str
    probability: float
    here: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeLine:
    """Nodes to retain by one rule or policy."""

    name: str
    retain: str
    span: str
    per_area: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneLine:
    """One zone: its weight in the block, its primaries, and the advice for it."""

    weight: str
    line: ShareLine
    action: str
    nodes: NodeLine


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerWords:
    """Every word of a block's answer, in the order in which it is told.

    Attributes
    ----------
    first : tuple of str
        What must be known before any number is used; empty where nothing stands against it.
    by_zone : bool
        Whether zones need different pruning, so that no band or number holds for the whole block.
    area : str
        "a hectare" or "an acre"; empty where the spacings are not known.
    disagreement, why : str
        Where published rules do not agree, and why they differ by more than the sample's range.
    crop_counted : str
        What the crop potential counts.
    basal : str
        What is published of the fruit of the nodes that pruning keeps.
    """

    headline: str
    first: tuple[str, ...]
    found: tuple[str, ...]
    zones: tuple[ZoneLine, ...]
    tissues: tuple[ShareLine, ...]
    crop: ShareLine | None
    bands: tuple[BandLine, ...]
    sure: tuple[str, ...]
    by_zone: bool
    next_step: str
    band: str
    action: str
    choices: tuple[Choice, ...]
    choices_for: str
    nodes: tuple[NodeLine, ...]
    area: str
    normal: str
    arrangement: str
    policy: str
    policy_source: str
    policies: tuple[NodeLine, ...]
    disagreement: str
    why: str
    crop_counted: str
    basal: str

    @property
    def retain(self) -> str:
        """Nodes a vine in one line: a number, "by zone", or empty where nothing is judged."""
        if not self.nodes:
            return ""
        return say("by zone") if self.by_zone else self.nodes[0].retain


def answer_words(facts: BlockFacts, *, units: str = "metric") -> AnswerWords:
    """Turn the facts of a block into the words of its answer.

    Parameters
    ----------
    facts : BlockFacts
        Confirmed calls and what follows from them.
    units : {"metric", "us"}
        Nodes per hectare or per acre.

    Returns
    -------
    AnswerWords
        No sentence claims more than the facts: where nothing is judged it says so.

    Raises
    ------
    UsageError
        When the units are unknown.
    """
    check_units(units)
    primary = _primary(facts)
    per_area = facts.vines_per_ha
    if per_area is not None and units == "us":
        per_area *= ACRE_HA
    rows = () if primary is None else tuple(
        node_line(rule, per_area=per_area) for rule in facts.rules)
    split, by_zone = _disagreement(facts), zones_differ(facts.zones)
    return AnswerWords(
        headline=_headline(primary), first=first_words(facts, primary), found=_found(facts),
        zones=tuple(
            ZoneLine(weight="" if zone.weight is None else percent(zone.weight),
                     line=share_line(zone.primary), action=say(zone.action),
                     nodes=node_line(zone.rule, name=zone.name))
            for zone in facts.zones
        ),
        tissues=tuple(share_line(row) for row in facts.tissues), crop=_crop(facts),
        bands=tuple(
            BandLine(name=band_name(b.name), span=percent_range(b.low, b.high),
                     action=say(b.action),
                     chance=chance_words(b.probability), probability=b.probability,
                     here=b.name == facts.band)
            for b in facts.bands if b.probability is not None
        ),
        sure=sure_words(facts, primary),
        by_zone=by_zone, next_step=_next_step(facts, primary),
        band="" if primary is None else say("by zone") if by_zone else band_name(facts.band),
        action=_action(facts, primary),
        choices=choice_words(facts), choices_for=choices_for(facts), nodes=rows,
        area="" if not (rows and per_area) else say("an acre") if units == "us"
        else say("a hectare"),
        normal="" if facts.normal_nodes is None
        else form_of("Normal year: {n} node a vine.", "Normal year: {n} nodes a vine.",
                     round(facts.normal_nodes)).format(n=number(facts.normal_nodes)),
        arrangement="" if by_zone else facts.arrangement, policy=say(facts.policy),
        policy_source=say(facts.policy_source),
        policies=tuple(
            node_line(p.rule, name=say(p.title), note=say(p.action)) for p in facts.policies),
        disagreement=split, why=_why(facts) if split else "", crop_counted=counted_words(facts),
        basal=facts.basal,
    )


def _primary(facts: BlockFacts) -> TissueFacts | None:
    """Return the primaries where some are judged."""
    first = facts.tissues[0] if facts.tissues else None
    return first if first is not None and first.share is not None else None


def share_line(row: TissueFacts) -> ShareLine:
    """Return one tissue's counts and share as a line of a table."""
    known = row.share is not None and row.low is not None and row.high is not None
    ends_ = (row.share or 0.0, row.low or 0.0, row.high or 0.0) if known else None
    return ShareLine(
        name=row.name, n_live=row.n_live, n_dead=row.n_dead, n_unsure=row.n_unsure,
        n_not_exposed=row.n_not_exposed, n_not_called=row.n_not_called,
        share=percent(row.share) if known else say(NO_RESULT),
        span=percent_range(ends_[1], ends_[2]) if ends_ else "", ends=ends_,
        note=say(ASSUMED) if row.assumed else "",
    )


def node_line(
    rule: RuleFacts, *, per_area: float | None = None, name: str = "", note: str = ""
) -> NodeLine:
    """Return a rule's nodes as a line of a table; `per_area` is vines on an area."""
    notes = [note] if note else []
    if rule.stopped == "all":
        notes.append(say("stopped at the practical maximum"))
    elif rule.stopped:
        notes.append(say("the upper end stopped at the practical maximum"))
    return NodeLine(
        name=name or rule.name,
        retain=say(NO_NUMBER) if rule.retain is None else number(rule.retain),
        span="" if rule.retain is None else say("the practical maximum") if rule.stopped == "all"
        and rule.low == rule.high else ends(rule.low, rule.high) or say(NO_ENDS),
        per_area="" if rule.retain is None or not per_area
        else number(_round(rule.retain * per_area)),
        note=" ".join(notes),
    )


def _round(value: float) -> float:
    """Round to two leading digits more than the sample can carry."""
    step = 1000.0 if value >= 10_000 else 100.0
    return round(value / step) * step


def _headline(primary: TissueFacts | None) -> str:
    if primary is None or primary.low is None or primary.high is None:
        return say("No primary bud has been judged live or dead yet, so there is no result.")
    share, span = primary.share or 0.0, percent_range(primary.low, primary.high)
    if 0 < share < 0.005:
        return say("Under 1 % of the primary buds are dead (likely {span}).", span=span)
    if 0.995 <= share < 1:
        return say("Over 99 % of the primary buds are dead (likely {span}).", span=span)
    return say("About {share} of the primary buds are dead (likely {span}).",
               share=percent(share), span=span)


# ---- what was found, and how sure --------------------------------------------------------------


def _found(facts: BlockFacts) -> tuple[str, ...]:
    first = facts.tissues[0] if facts.tissues else None
    lines = []
    if first is not None and first.n_judged:
        lines.append(say_n(
            "{n_dead} of the {n} primary bud that could be judged was dead, on {canes}.",
            "{n_dead} of the {n} primary buds that could be judged were dead, on {canes}.",
            first.n_judged, n_dead=first.n_dead, canes=count(first.n_canes, "cane")))
        lines += _weighted(facts, first)
        lines.append(unjudged_words(facts, first, lead=False))
    if facts.kept and facts.beyond is not None:
        lines.append(say("Only {nodes} count, those that pruning keeps.", nodes=facts.kept))
    if facts.beyond is not None and facts.beyond.share is not None:
        row = share_line(facts.beyond)
        lines.append(say("Of {primaries} further out, which pruning takes off, {share} were dead "
                         "({span}).", share=row.share, span=row.span,
                         primaries=count(facts.beyond.n_judged, "primary", "primaries")))
    lines.append(bearing_words(facts))
    return tuple(line for line in (*lines, wood_found(facts.wood), *facts.causes) if line)


def _weighted(facts: BlockFacts, first: TissueFacts) -> list[str]:
    """Say how zones or vine sizes count: by known shares, or as they were cut."""
    of = facts.weighting
    if facts.zones and (of is None or not of.applied):
        return [say("How much of the block each zone is, is not known: the zones count by the buds "
                    "that were cut in them.")]
    weights = {} if of is None else {
        name: weight for name, weight in of.weights.items() if of.n_units[name]}
    if of is None or len(weights) < 2:
        return []
    each = ", ".join(f"{name} {percent(weight)}" for name, weight in weights.items())
    values = {"each": each, "share": percent(first.share)}
    return [say("Weighted by zones ({each} of the vines), that is {share}.", **values)
            if of.by == "zone" else
            say("Weighted by vine sizes ({each} of the vines), that is {share}.", **values),
            say("Shares of the table are weighted too, its counts are not.")]


def _crop(facts: BlockFacts) -> ShareLine | None:
    if facts.crop_share is None:
        return None
    share, low, high = facts.crop_share
    return ShareLine(name=say(CROP_NAME), share=percent(share), span=percent_range(low, high),
                     ends=facts.crop_share)


def _next_step(facts: BlockFacts, primary: TissueFacts | None) -> str:
    """Return what a block needs next, short enough for a table."""
    if primary is None:
        return (say("No primary could be judged.") if facts.n_buds
                else uncalled_words())
    if zones_differ(facts.zones) or wood_state(facts.wood) in ("hurt", "dead"):
        return _action(facts, primary)
    if facts.more_buds == 0 and unjudged_open(facts, primary):
        return say("What nobody judged could put it into another band: judge that first.")
    if facts.more_buds == 0:
        return _action(facts, primary)
    if facts.more_buds is None:
        return say("On the edge of a band: decide with your adviser.")
    return say("Cut about {n} more: they may settle the band.", n=facts.more_buds)


# ---- what to do --------------------------------------------------------------------------------


def _action(facts: BlockFacts, primary: TissueFacts | None) -> str:
    if primary is None and facts.n_buds and not facts.waiting:
        return say("Nothing waits that could give a result: have other buds cut before you decide "
                   "how to prune.")
    if primary is None:
        return say("Wait for the result before you decide how to prune.")
    return wood_action(say("Prune each zone by its own answer.") if zones_differ(facts.zones)
                       else say(facts.action), facts.wood)


def _disagreement(facts: BlockFacts) -> str:
    told_ = {(policy.rule.retain, policy.action if policy.rule.retain is None else "")
            for policy in facts.policies}
    if len(told_) < 2:
        return ""
    numbers = _numbers(facts)
    if not numbers:
        return say("No published rule gives a number of nodes here. Choose with your adviser.")
    phrases = []
    if len(set(numbers)) > 1:
        phrases.append(say("from {low} to {high} nodes a vine", low=number(numbers[0]),
                           high=number(numbers[-1])))
    without_number = sum(policy.rule.retain is None for policy in facts.policies)
    if without_number:
        phrases.append(
            say_n("{n} rule gives no number", "{n} rules give no number", without_number))
    if not phrases:
        return say("Published rules do not agree here. Choose with your adviser.")
    return say("Published rules do not agree here: {spread}. Choose with your adviser.",
               spread="; ".join(phrases))


def _numbers(facts: BlockFacts) -> list[float]:
    return sorted(p.rule.retain for p in facts.policies if p.rule.retain is not None)


def _why(facts: BlockFacts) -> str:
    """Say why rules differ by more than the sample's own range."""
    if not facts.rules_apart:
        return ""
    return say("They differ by more than the sample's own range: steps jump at their edges, adding "
               "the share dead makes up for less than was lost, dividing by the share alive for "
               "all of it.")
