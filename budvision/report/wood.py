"""What cuts into the wood say beside the buds, and how the advice changes by it."""

from __future__ import annotations

from collections.abc import Sequence

from budvision.language import mark, say
from budvision.report.choices import SEVERE_SHARE
from budvision.report.words import and_list, percent, percent_range
from budvision.vineyard.wood import WoodResult

__all__ = ["wood_action", "wood_first", "wood_found", "wood_state"]

_BEARS = ("trunk", "cordon")
"""What carries the buds: dead, it takes them with it. A dead cane is left at pruning."""
_SHARES = {
    ("trunk", "cambium"): mark("cambium of trunks ({n_dead} of {n}: {share}, {span})"),
    ("trunk", "phloem"): mark("phloem of trunks ({n_dead} of {n}: {share}, {span})"),
    ("cordon", "cambium"): mark("cambium of cordons ({n_dead} of {n}: {share}, {span})"),
    ("cordon", "phloem"): mark("phloem of cordons ({n_dead} of {n}: {share}, {span})"),
    ("cane", "cambium"): mark("cambium of canes ({n_dead} of {n}: {share}, {span})"),
    ("cane", "phloem"): mark("phloem of canes ({n_dead} of {n}: {share}, {span})"),
}


def wood_state(wood: Sequence[WoodResult]) -> str:
    """Return what cuts say of trunks and cordons: "", "sound", "hurt" or "dead".

    Parameters
    ----------
    wood : sequence of WoodResult
        "sound" only where enough vines were cut; "dead" above half of the cambium (our choice: no
        share is published), "hurt" with any.
    """
    bearing = [one for one in wood if one.part in _BEARS and one.tissue == "cambium"
               and one.mortality is not None]
    worst = max((one.mortality or 0.0 for one in bearing), default=0.0)
    if worst > 0:
        return "dead" if worst > SEVERE_SHARE else "hurt"
    return "sound" if bearing and not any(one.few_vines for one in bearing) else ""


def wood_first(wood: Sequence[WoodResult], *, live_buds: bool) -> str:
    """Say, before any number, that wood is dead.

    Parameters
    ----------
    live_buds : bool
        Whether some of the buds are alive.
    """
    dead_cambium = [one for one in wood if one.tissue == "cambium" and one.n_dead]
    bears = [one for one in dead_cambium if one.part in _BEARS]
    if not bears:
        return "" if not dead_cambium else say(
            "Wood is dead: {found}. Keep canes whose bark is green underneath.",
            found=_share(dead_cambium[0]))
    found = and_list([_share(one) for one in bears])
    lead = (say("Wood is dead under live buds: {found}.", found=found) if live_buds
            else say("Wood is dead: {found}.", found=found))
    rest = say("Buds above it can break and then wither: beyond a full ring of dead bark 5 to 7 % "
               "of shoots lived, beyond a spot 44 to 62 % (Am. J. Enol. Vitic. 32:223, 1981). Node "
               "numbers hold only for vines whose wood is sound.")
    return f"{lead} {rest}"


def wood_found(wood: Sequence[WoodResult]) -> str:
    """Return what was found in the wood, in one or two sentences; empty where nobody cut it."""
    judged = [one for one in wood if one.mortality is not None]
    if not judged:
        return ""
    texts = [say("Dead in the wood: {found}.", found=and_list([_share(one) for one in judged]))]
    if any(one.few_vines for one in judged):
        texts.append(say("Few vines were cut, so the ranges are wide."))
    dead = {one.tissue for one in judged if one.n_dead}
    if dead == {"phloem"}:
        texts.append(say(
            "Phloem is renewed each year (Good Fruit Grower): vines can stay productive with more "
            "than half of it dead (Washington State University), but bud break is later and "
            "clusters fewer (J. Plant Growth Regul. 2019)."))
    return " ".join(texts)


def wood_action(action: str, wood: Sequence[WoodResult]) -> str:
    """Return the advice of the buds as the wood changes it."""
    state = wood_state(wood)
    if state == "dead":
        return say("Renew from below the dead wood before pruning to a number of nodes. Vines "
                   "whose wood is sound: {action}", action=action)
    if state == "hurt":
        return say("{action} That is for vines whose wood is sound; renew the others from below "
                   "the dead wood.", action=action)
    return action


def _share(one: WoodResult) -> str:
    return say(_SHARES[one.part, one.tissue], n_dead=one.n_dead, n=one.n_live + one.n_dead,
               share=percent(one.mortality), span=percent_range(one.low or 0.0, one.high or 0.0))
