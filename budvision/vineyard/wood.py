"""Wood as well as buds: cuts into canes, cordons and trunks, and how much of their bark is dead.

Phloem is hurt first and renewed each year; where the cambium is dead, nothing grows anew. No share
of dead bark is published from which a vine is to be retrained: any that is found is told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from budvision.settings import Settings
from budvision.stats.posterior import share_posterior
from budvision.stats.units import Units
from budvision.vineyard.tissues import as_number
from budvision.vocabulary import CallValue

__all__ = ["PARTS", "WOOD_TISSUES", "WoodCut", "WoodResult", "wood_results"]

PARTS = ("trunk", "cordon", "cane")
"""What is cut, from the ground up."""
WOOD_TISSUES = ("cambium", "phloem")


@dataclass(frozen=True, slots=True, kw_only=True)
class WoodCut:
    """One cut through the bark: a person's call of its phloem and cambium.

    Attributes
    ----------
    vine : str
        Label of the vine; cuts of one vine are alike.
    position : str
        Where on it, in words: "30 cm above ground".
    phloem, cambium : CallValue or None
        Live, dead or unsure; None where nobody looked.
    """

    part: str
    vine: str
    position: str = ""
    phloem: CallValue | None = None
    cambium: CallValue | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WoodResult:
    """How much of one tissue of one part is dead; None where nothing was judged.

    Attributes
    ----------
    n_vines : int
        Vines that it was judged on; the interval rests on their number.
    few_vines : bool
        Fewer than the interval can rest on by itself.
    """

    part: str
    tissue: str
    n_live: int
    n_dead: int
    n_unsure: int
    n_vines: int
    mortality: float | None
    low: float | None
    high: float | None
    few_vines: bool


def wood_results(
    cuts: Sequence[WoodCut], *, settings: Settings | None = None
) -> tuple[WoodResult, ...]:
    """Return the share dead of each tissue of each part that was cut, with its interval.

    Parameters
    ----------
    cuts : sequence of WoodCut
        Those of one block.
    settings : Settings, optional
        Uses confidence and prior_icc.

    Returns
    -------
    tuple of WoodResult
        Trunks first, the cambium before the phloem; only what somebody looked at.

    Notes
    -----
    Vines are the units, as for buds: `budvision.stats.posterior.share_posterior`.
    """
    settings = settings or Settings()
    kinds = [(part, tissue) for part in PARTS for tissue in WOOD_TISSUES
             if any(cut.part == part and getattr(cut, tissue) is not None for cut in cuts)]
    judged: dict[tuple[int, str], list[int]] = {}
    unsure = [0] * len(kinds)
    for row, (part, tissue) in enumerate(kinds):
        for cut in cuts:
            call = getattr(cut, tissue) if cut.part == part else None
            if call in (CallValue.LIVE, CallValue.DEAD):
                count = judged.setdefault((row, cut.vine), [0, 0])
                count[0] += call is CallValue.DEAD
                count[1] += 1
            elif call is not None:
                unsure[row] += 1
    if not kinds:
        return ()
    units = Units.of([dead for dead, _ in judged.values()], [n for _, n in judged.values()],
                     [row for row, _ in judged], len(kinds))
    found = share_posterior(units, prior_icc=settings.prior_icc)
    low, high = found.limits(settings.confidence)
    return tuple(
        WoodResult(
            part=part, tissue=tissue, n_live=int(found.n[row] - found.hits[row]),
            n_dead=int(found.hits[row]), n_unsure=unsure[row], n_vines=int(found.n_units[row]),
            mortality=as_number(found.share[row]), low=as_number(low[row]),
            high=as_number(high[row]), few_vines=bool(found.few_units[row]),
        )
        for row, (part, tissue) in enumerate(kinds)
    )
