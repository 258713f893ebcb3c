"""What the buds that are left could bear, in words, and what counts for it."""

from __future__ import annotations

from budvision.language import say
from budvision.report.facts import BlockFacts
from budvision.report.words import number, percent, percent_range

__all__ = ["bearing_words", "counted_words"]


def bearing_words(facts: BlockFacts) -> str:
    """Return what the buds could carry, with its range; empty where it cannot be told."""
    if facts.crop_share is None:
        return ""
    share, low, high = facts.crop_share
    values = {"share": percent(share), "span": percent_range(low, high)}
    if facts.secondaries_unknown:
        return say("No secondary bud under a dead primary was judged. Were they all dead, the buds "
                   "left could carry about {share} of a full crop if you pruned as usual ({span}, "
                   "the upper end with all of them live).", **values)
    return say("With the live secondary buds counted for their smaller crop, the buds left could "
               "carry about {share} of a full crop ({span}) if you pruned as usual.", **values)


def counted_words(facts: BlockFacts) -> str:
    """Return what a live primary, secondary and tertiary count for it."""
    if facts.secondary_crop is None or facts.crop_share is None:
        return ""
    return say("The crop potential counts a live primary 1, a live secondary under a dead primary "
               "{share}, a tertiary 0.", share=number(facts.secondary_crop, 2))
