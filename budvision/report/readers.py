"""What second readings say of a block's share dead, in words: raw and corrected beside each other.
"""

from __future__ import annotations

from budvision.report.facts import BlockFacts, TissueFacts
from budvision.report.misread import LEAST_KNOWN, CorrectedFacts, ReaderErrors
from budvision.report.words import count, percent, percent_range

__all__ = ["corrected_words", "other_band_words", "reader_words"]


def corrected_words(facts: BlockFacts, primary: TissueFacts) -> str:
    """Return the corrected share beside the raw one, or why there is none; else empty."""
    told = facts.corrected
    if told is None:
        return ""
    waits = "" if not told.n_open else (
        f" {count(told.n_open, 'primary', 'primaries')} on which two readers differ "
        f"{'waits' if told.n_open == 1 else 'wait'} to be settled.")
    if told.by_chance:
        return f"Readers do no better than chance: the share dead says nothing.{waits}"
    if told.share is None or told.low is None or told.high is None:
        return (f"How often readers err: too few to tell ({told.n_dead} dead and {told.n_live} "
                f"live primaries known from two readings, {LEAST_KNOWN} of each are needed)."
                f"{waits}")
    return (f"{_errors(told)} With these errors taken out about {percent(told.share)} are dead "
            f"({percent_range(told.low, told.high)}) instead of {percent(primary.share)}; errors "
            f"that two readers share stay hidden.{waits}")


def reader_words(reader: ReaderErrors) -> str:
    """Return one person's errors for the program lead; they never stand on a grower's paper."""
    few = "" if reader.enough else ": too few to tell"
    return (f"{reader.person}: {reader.dead_wrong} of {reader.n_dead} dead primaries read live, "
            f"{reader.live_wrong} of {reader.n_live} live ones read dead{few}")


def _errors(told: CorrectedFacts) -> str:
    return (f"Second readings show that readers took {told.dead_wrong} of {told.n_dead} dead "
            f"primaries for live and {told.live_wrong} of {told.n_live} live ones for dead.")


def other_band_words(facts: BlockFacts, primary: TissueFacts) -> str:
    """Say, before any number, where the corrected share lies in another band than the raw one."""
    told = facts.corrected
    if told is None or told.share is None or told.low is None or told.high is None:
        return ""
    share = told.share
    band = next((b for b in facts.bands if b.low <= share < b.high or b.high >= 1), None)
    if band is None or band.name == facts.band:
        return ""
    return (f"Readers err: with their errors taken out {percent(share)} "
            f"({percent_range(told.low, told.high)}) are dead instead of "
            f"{percent(primary.share)}, which is another band: {band.action.rstrip('.')}.")
