"""The ways on after a bad winter that fit a block: by its share dead, zones, wood and training."""

from __future__ import annotations

from dataclasses import replace

from budvision.language import say
from budvision.report.choices import SEVERE_SHARE, Choice, ways_on
from budvision.report.facts import BlockFacts
from budvision.report.first import zones_differ
from budvision.report.wood import wood_state
from budvision.report.words import and_list

__all__ = ["choice_words", "choices_for"]

_LAST_BAND_IN_QUESTION = 0.1


def choice_words(facts: BlockFacts) -> tuple[Choice, ...]:
    """Return the ways on above half dead, or where the policy's last band is one in ten likely."""
    last = facts.bands[-1] if facts.bands else None
    share = facts.tissues[0].share if facts.tissues else None
    if zones_differ(facts.zones):     # the worst zone asks for them
        share = max(zone.primary.share or 0.0 for zone in facts.zones)
    wood = wood_state(facts.wood)
    likely = max(last.probability or 0.0 if last else 0.0,
                 float((share or 0.0) > SEVERE_SHARE or wood in ("hurt", "dead")))
    if likely < _LAST_BAND_IN_QUESTION:
        return ()
    return tuple(replace(one, when=say(one.when), deed=say(one.deed), more=say(one.more))
                 for one in ways_on(share, training=facts.training, wood=wood).values())


def choices_for(facts: BlockFacts) -> str:
    """Say which zones the ways on are for, where zones differ and only some are badly hurt."""
    names = [zone.name for zone in facts.zones if (zone.primary.share or 0.0) > SEVERE_SHARE]
    if not zones_differ(facts.zones) or not names or len(names) == len(facts.zones):
        return ""
    return say("For {zones}:", zones=and_list(names))
