"""Why a verdict came out as it did, in plain words, from the features that moved it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from budvision.errors import PhotoError
from budvision.language import plain_percent
from budvision.vocabulary import Proposal, Reason, Verdict

__all__ = ["ALONE_UNCLEAR", "NO_BUD", "SIDES_UNCLEAR", "STRANGE", "refused_photo", "why"]

STRANGE = "it looks unlike anything the model learned from"
"""The reason where a feature row lies far from all that was trained on."""
NO_BUD = "it may be no bud at all: wool, or green tissue round the buds, can look like this"
"""The reason where the network doubts that a flanker is one."""
SIDES_UNCLEAR = (
    "Which of the two flankers is the secondary is not clear. Say which: the secondary lies "
    "towards the cane base."
)
ALONE_UNCLEAR = (
    "Only one shows beside the primary, and whether it is the secondary or the tertiary is not "
    "clear. Say which: the secondary lies towards the cane base."
)


def _colour(dead: bool, row: Mapping[str, float]) -> str:
    brown, green = row["brown_share_inner"], row["green_share_inner"]
    if not dead:
        if green >= 0.5:
            return f"{plain_percent(green, 0)} of the middle is green"
        return (
            "it is greener than the other tissues of the face"
            if row["greener_than_others"] > 0.1 else ""
        )
    if max(brown, row["brown_share"]) >= 0.5:
        if brown > row["brown_share"] + 0.1:
            return f"{plain_percent(brown, 0)} of the middle is brown"
        return f"{plain_percent(row['brown_share'], 0)} of the area is brown"
    if row["dark_share_inner"] >= 0.6:
        return f"{plain_percent(row['dark_share_inner'], 0)} of the middle is dark"
    if green < 0.5:
        return f"only {plain_percent(green, 0)} of the middle is green"
    return "the green is dull, as in tissue frozen lately" if row["chroma_inner"] < 1.0 else ""


def _dark(dead: bool, row: Mapping[str, float]) -> str:
    light = 100 * math.exp(row["light_inner"])
    if dead and light < 35:
        return f"the middle gives back {light:.0f} % of the wool's light"
    if not dead and light > 20:
        return f"the middle is light, {light:.0f} % of the wool"
    return ""


def _pattern(dead: bool, row: Mapping[str, float]) -> str:
    if dead and row["rim_green_red"] < -0.1:
        return "the rim is browner than the middle"
    if not dead and row["texture_rings"] > 0.05:
        return "rings of leaf primordia show"
    return ""


def _network(dead: bool, row: Mapping[str, float]) -> str:
    if dead and row["dead_inner"] > 0.5:
        return f"the network reads {plain_percent(row['dead_inner'], 0)} of the middle as dead"
    if not dead and row["dead_inner"] < 0.5:
        return f"the network reads {plain_percent(1 - row['dead_inner'], 0)} of the middle as live"
    return ""


_PHRASES: dict[str, Callable[[bool, Mapping[str, float]], str]] = {
    **dict.fromkeys(("green", "brown", "context", "colour"), _colour),
    "dark": _dark, "pattern": _pattern, "network": _network,
}
"""What a group of features shows, if it agrees with the direction (dead or not); else nothing."""


def why(
    verdict: Verdict, row: Mapping[str, float], moved_by: Mapping[str, float], *,
    strange: bool = False,
) -> str:
    """Give the reason for a verdict in plain words.

    Parameters
    ----------
    row : mapping of str to float
        The tissue's features.
    moved_by : mapping of str to float
        How far each group of features moved the log-odds of dead, from `VerdictModel.moved_by`.
    strange : bool
        Whether the row lies far from everything trained on.

    Returns
    -------
    str
        One or two clauses, the strongest first, what a person can see before what the network
        reads; never empty.
    """
    if strange:
        return STRANGE
    if verdict is Verdict.UNSURE:
        for_dead = _strongest(row, moved_by, dead=True)
        for_live = _strongest(row, moved_by, dead=False)
        if for_dead and for_live:
            return f"{for_dead[0]}, but {for_live[0]}"
        if for_dead or for_live:
            return f"{(for_dead or for_live)[0]}, but not clearly enough"
        return "the signs of live and dead balance"
    found = _strongest(row, moved_by, dead=verdict is Verdict.DEAD)
    if found:
        return " and ".join(found[:2])
    if verdict is Verdict.DEAD:
        return f"{plain_percent(row['brown_share'], 0)} of the area is brown"
    return f"{plain_percent(row['green_share_inner'], 0)} of the middle is green"


def _strongest(
    row: Mapping[str, float], moved_by: Mapping[str, float], *, dead: bool
) -> list[str]:
    sign = 1.0 if dead else -1.0
    # what a person can see for himself comes first, the network's own reading last
    order = sorted(moved_by, key=lambda group: (group == "network", -sign * moved_by[group]))
    phrases = [
        _PHRASES[group](dead, row) for group in order
        if group in _PHRASES and sign * moved_by[group] > 0.15]
    return list(dict.fromkeys(phrase for phrase in phrases if phrase))


def refused_photo(
    name: str, error: PhotoError, *, sha256: str = "", model: str = ""
) -> Proposal:
    """Return the proposal of a photograph that could not be read: a refusal, with the reason."""
    reason = Reason(error.code, error.without_where())
    return Proposal(file=name, sha256=sha256, width_px=None, height_px=None, found=False,
                    reasons=(reason,), mm_per_px=None, model=model, tissues={})
