"""What must be said before any number: an edge inside the range, many buds nobody could judge."""

from __future__ import annotations

from collections.abc import Iterable

from budvision.language import form_of, say
from budvision.report.facts import BandFacts, BlockFacts, TissueFacts, ZoneFacts
from budvision.report.readers import other_band_words
from budvision.report.wood import wood_first
from budvision.report.words import (
    and_list,
    band_name,
    chance_words,
    number,
    percent,
    percent_range,
)

__all__ = ["first_words", "unjudged_open", "unjudged_words", "zones_differ"]

_MANY_UNJUDGED = 0.1
"""Above this share of unjudged primaries both bounds lead the answer (our choice, no source)."""
_HARDLY = 0.5
"""A band less than half as likely as another is not told alone (our choice, no source)."""


def first_words(facts: BlockFacts, primary: TissueFacts | None) -> tuple[str, ...]:
    """Return what must be known before any number is used; `primary` is None without a result."""
    if primary is None:
        return ()
    lines = (wood_first(facts.wood, live_buds=primary.n_live > 0),
             _strata(facts), unjudged_words(facts, primary, lead=True), _zones(facts),
             other_band_words(facts, primary), _unlikely(facts), _edge(facts, primary))
    return tuple(line for line in lines if line)


def _strata(facts: BlockFacts) -> str:
    """Say of which zones or vine sizes nothing is known, where others are."""
    of = facts.weighting
    if of is None or not of.applied or not of.unsampled:
        return ""
    return say("Nothing was judged in {names}, {share} of the block. The answer is of the rest.",
               names=and_list(list(of.unsampled)), share=percent(of.unsampled_weight))


def unjudged_words(facts: BlockFacts, primary: TissueFacts, *, lead: bool) -> str:
    """Return the bounds for unjudged primaries: first where they are many, else below."""
    bounds, total = primary.bounds, primary.n_judged + primary.n_missing
    if bounds is None or (primary.n_missing / total > _MANY_UNJUDGED) != lead:
        return ""
    low, high = bounds
    values = {"n": primary.n_judged, "total": total, "low": percent(low), "high": percent(high)}
    if facts.weighting is not None and facts.weighting.applied:
        return say("Judged primaries: {n} of {total}. If all the others were live {low} of all "
                   "that were cut would be dead, if all were dead {high}; that is before "
                   "weighting.", **values)
    if lead:
        return form_of(
            "Only {n} of {total} primary could be judged. If all the others were live {low} would "
            "be dead, if all were dead {high}.",
            "Only {n} of {total} primaries could be judged. If all the others were live {low} "
            "would be dead, if all were dead {high}.", total).format(**values)
    return say("Judged primaries: {n} of {total}. If all the others were live {low} would be "
               "dead, if all were dead {high}.", **values)


def unjudged_open(facts: BlockFacts, primary: TissueFacts) -> bool:
    """Say whether what nobody judged could put the block into another band: buds or whole strata.
    """
    bounds = primary.bounds
    if facts.weighting is not None and facts.weighting.unsampled:
        return True
    edges = [band.high for band in facts.bands[:-1]]
    return bounds is not None and any(bounds[0] < edge <= bounds[1] for edge in edges)


def zones_differ(zones: Iterable[ZoneFacts]) -> bool:
    """Say whether the policy says different things of a block's zones."""
    return len({zone.action for zone in zones if zone.action}) > 1


def _zones(facts: BlockFacts) -> str:
    """Say that zones need different pruning, where the policy says different things of them."""
    if not zones_differ(facts.zones):
        return ""
    each = and_list([say("{name} {share} dead", name=zone.name, share=percent(zone.primary.share))
                     for zone in facts.zones if zone.action])
    return say("The zones need different pruning: {each}. One number for the whole block fits none "
               "of them.", each=each)


def _unlikely(facts: BlockFacts) -> str:
    """Say that the share found lies in a band where the block hardly does.

    The share counts every bud alike, the chances lean on canes or vines: they part most where those
    with many buds were otherwise than those with few.
    """
    chances = {band.name: band.probability or 0.0 for band in facts.bands}
    if not facts.band or not chances.get(facts.band):
        return ""
    likeliest = max(chances, key=lambda name: chances[name])
    if chances[facts.band] > _HARDLY * chances[likeliest]:
        return ""
    return say("The share found lies in the band “{band}” ({own} likely), but the block more "
               "likely lies in “{other}” ({chance}): the share counts every bud alike, the chances "
               "allow for canes and vines that differ. Cut more before you decide.",
               band=band_name(facts.band), own=chance_words(chances[facts.band]),
               other=band_name(likeliest), chance=chance_words(chances[likeliest]))


def _touched(facts: BlockFacts, primary: TissueFacts) -> list[BandFacts]:
    """Return the bands that the interval reaches into."""
    assert primary.low is not None
    assert primary.high is not None
    return [b for b in facts.bands if b.low < primary.high and b.high > primary.low]


def _edge(facts: BlockFacts, primary: TissueFacts) -> str:
    """Say what each side would mean where the interval holds an edge."""
    touched = _touched(facts, primary)
    if len(touched) < 2 or primary.low is None or primary.high is None:
        return ""
    edges = [band.high for band in touched[:-1]]
    named = and_list([number(100 * edge) for edge in edges])
    each = " ".join(
        say("{span} dead: {deed}", span=percent_range(band.low, band.high), deed=_deed(band))
        for band in touched)
    smooth = ", ".join(
        say("{n} by {rule}", n=number(rule.retain), rule=rule.name) for rule in facts.continuous
        if rule.retain is not None)
    return " ".join(part for part in (
        _one_bud(facts, primary)
        or say("The sample cannot tell on which side of {edges} % dead the block lies.",
               edges=named),
        each, say("Nodes a vine by rules without steps: {each}.", each=smooth) if smooth else "")
        if part)


def _deed(band: BandFacts) -> str:
    action = say(band.action).rstrip(".")
    if band.nodes is None:
        return f"{action}."
    return form_of("{action} ({n} node).", "{action} ({n} nodes).", round(band.nodes)).format(
        action=action, n=number(band.nodes))


def _one_bud(facts: BlockFacts, primary: TissueFacts) -> str:
    edge = facts.edge
    if edge is None or edge.buds_to_cross != 1 or primary.share is None:
        return ""
    if facts.weighting is not None and facts.weighting.applied:
        return say("One bud of {n} decides here: the share found lies next to the edge at {edge} "
                   "%.", n=primary.n_judged, edge=number(100 * edge.share))
    other = primary.n_dead + (-1 if facts.band == edge.above.name else 1)
    return say("One bud decides here: with {other} dead of {n} instead of {n_dead} the block would "
               "lie in another band.", other=other, n=primary.n_judged, n_dead=primary.n_dead)
