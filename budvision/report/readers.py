"""What second readings say of a block's share dead, in words: raw and corrected beside each other.
"""

from __future__ import annotations

from budvision.language import say, say_n
from budvision.report.facts import BlockFacts, TissueFacts
from budvision.report.misread import LEAST_KNOWN, CorrectedFacts, ReaderErrors
from budvision.report.words import percent, percent_range

__all__ = ["corrected_words", "other_band_words", "reader_words"]


def corrected_words(facts: BlockFacts, primary: TissueFacts) -> str:
    """Return the corrected share beside the raw one, or why there is none; else empty."""
    corrected = facts.corrected
    if corrected is None:
        return ""
    waits = "" if not corrected.n_open else say_n(
        "{n} primary on which two readers differ waits to be settled.",
        "{n} primaries on which two readers differ wait to be settled.", corrected.n_open)
    return " ".join(part for part in (*_corrected(corrected, primary), waits) if part)


def _corrected(corrected: CorrectedFacts, primary: TissueFacts) -> tuple[str, ...]:
    if corrected.by_chance:
        return (say("Readers do no better than chance: the share dead says nothing."),)
    if corrected.share is None or corrected.low is None or corrected.high is None:
        return (say("How often readers err: too few to tell (primaries known from two readings: "
                    "{n_dead} dead and {n_live} live; {needed} of each are needed).",
                    n_dead=corrected.n_dead, n_live=corrected.n_live, needed=LEAST_KNOWN),)
    return (
        say("Second readings show how readers err: of the dead primaries they took {dead_wrong} of "
            "{n_dead} for live, of the live ones {live_wrong} of {n_live} for dead.",
            dead_wrong=corrected.dead_wrong, n_dead=corrected.n_dead,
            live_wrong=corrected.live_wrong, n_live=corrected.n_live),
        say("With these errors taken out about {share} are dead ({span}) instead of {raw}; errors "
            "that two readers share stay hidden.", share=percent(corrected.share),
            span=percent_range(corrected.low, corrected.high), raw=percent(primary.share)))


def reader_words(reader: ReaderErrors) -> str:
    """Return one person's errors for the program lead; they never stand on a grower's paper."""
    values = {"person": reader.person, "dead_wrong": reader.dead_wrong, "n_dead": reader.n_dead,
              "live_wrong": reader.live_wrong, "n_live": reader.n_live}
    if reader.enough:
        return say("{person}: of the dead primaries {dead_wrong} of {n_dead} read live, of the "
                   "live ones {live_wrong} of {n_live} read dead", **values)
    return say("{person}: of the dead primaries {dead_wrong} of {n_dead} read live, of the live "
               "ones {live_wrong} of {n_live} read dead: too few to tell", **values)


def other_band_words(facts: BlockFacts, primary: TissueFacts) -> str:
    """Say, before any number, where the corrected share lies in another band than the raw one."""
    corrected = facts.corrected
    if (corrected is None or corrected.share is None or corrected.low is None
            or corrected.high is None):
        return ""
    share = corrected.share
    band = next((b for b in facts.bands if b.low <= share < b.high or b.high >= 1), None)
    if band is None or band.name == facts.band:
        return ""
    return say("Readers err: with their errors taken out {share} ({span}) are dead instead of "
               "{raw}, which is another band: {action}.", share=percent(share),
               span=percent_range(corrected.low, corrected.high), raw=percent(primary.share),
               action=say(band.action).rstrip("."))
