"""How sure an answer is, in words: its range, its band, and what more buds would settle."""

from __future__ import annotations

from budvision.language import say, say_n
from budvision.report.facts import BlockFacts, TissueFacts
from budvision.report.first import unjudged_open
from budvision.report.readers import corrected_words
from budvision.report.words import band_name, chance_words, number, percent, percent_range
from budvision.stats.posterior import LEAST_UNITS

__all__ = ["sure_words"]

_LIKELY = 0.9


def sure_words(facts: BlockFacts, primary: TissueFacts | None) -> tuple[str, ...]:
    """Return how sure the answer is, sentence by sentence; `primary` is None without a result."""
    if primary is None:
        return (say("Nothing can be said yet."),)
    lines = [say("Ranges like these hold the true share {n} times in 100 if the calls are right; "
                 "they allow for buds of one vine or cane being alike.",
                 n=number(facts.confidence * 100))]
    known = [b for b in facts.bands if b.probability is not None]
    if known:
        best = max(known, key=lambda b: b.probability or 0.0)
        certain = (best.probability or 0.0) >= _LIKELY and primary.n_units >= LEAST_UNITS
        values = {"band": band_name(best.name), "chance": chance_words(best.probability)}
        lines.append(
            say("The block lies in the band “{band}” ({chance} likely).", **values) if certain
            else say("The block most likely lies in the band “{band}” ({chance} likely).",
                     **values))
    lines.append(_if_whole(primary))
    lines.append(_more(facts, primary))
    lines.append(corrected_words(facts, primary))
    return tuple(line for line in lines if line)


def _if_whole(primary: TissueFacts) -> str:
    """Say what a sample with none or all dead leaves open: whether whole units would die."""
    end, n = primary.if_units_whole, primary.n_units
    if end is None or n < 2:
        return ""
    if primary.n_dead and primary.unit == "vine":
        return say("Every bud was dead: were whole vines to live or die together, these {n} leave "
                   "as little as {share} dead possible.", n=n, share=percent(end))
    if primary.n_dead:
        return say("Every bud was dead: were whole canes to live or die together, these {n} leave "
                   "as little as {share} dead possible.", n=n, share=percent(end))
    if primary.unit == "vine":
        return say("No bud was dead: were whole vines to live or die together, these {n} leave up "
                   "to {share} dead possible.", n=n, share=percent(end))
    return say("No bud was dead: were whole canes to live or die together, these {n} leave up to "
               "{share} dead possible.", n=n, share=percent(end))


def _whole_elsewhere(facts: BlockFacts, primary: TissueFacts) -> bool:
    """Say whether whole units, live or dead, would leave another band open."""
    end, share = primary.if_units_whole, primary.share
    return end is not None and share is not None and any(
        min(end, share) < band.high < max(end, share) for band in facts.bands[:-1])


def _more(facts: BlockFacts, primary: TissueFacts) -> str:
    if facts.more_buds == 0 and unjudged_open(facts, primary):
        return say("The whole range lies in one band, but what nobody judged could put the block "
                   "into another.")
    if facts.more_buds == 0 and _whole_elsewhere(facts, primary):
        return say("The whole range lies in one band: the sample is large enough unless whole "
                   "canes or vines live or die together.")
    if facts.more_buds == 0:
        return say("The whole range lies in one band: the sample is large enough.")
    if facts.more_buds is None and facts.reach is not None:
        reach = facts.reach
        return say_n(
            "Even {n} more bud like these would leave the band open (about {span}): decide with "
            "your adviser.",
            "Even {n} more buds like these would leave the band open (about {span}): decide with "
            "your adviser.",
            reach.buds, span=percent_range(reach.low, reach.high))
    if facts.more_buds is None:
        return say("The share lies next to the edge of a band; more cutting would not settle it.")
    return say_n("About {n} more bud like these would settle the band; the next ones will differ, "
                 "and so many are enough in about four of ten blocks.",
                 "About {n} more buds like these would settle the band; the next ones will differ, "
                 "and so many are enough in about four of ten blocks.", facts.more_buds)
