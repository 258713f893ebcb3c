"""What stands beside a block's numbers in words: what they rest on, what was left out."""

from __future__ import annotations

from collections.abc import Mapping

from budvision.vineyard.potential import CropShares
from budvision.vineyard.results import Reach, TissueResult
from budvision.vineyard.strata import Weighting
from budvision.vineyard.tissues import UNSURE_TO_WARN
from budvision.vocabulary import Tissue

__all__ = ["remarks"]


def remarks(
    tissues: Mapping[Tissue, TissueResult], crop: CropShares, at: int, prior_icc: float,
    reach: Reach | None, weighting: Weighting | None,
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return notes and warnings for one block.

    Parameters
    ----------
    tissues : mapping of Tissue to TissueResult
    crop : CropShares
        Of all blocks; `at` is this one's number.
    prior_icc : float
        The likeness assumed beforehand.
    reach : Reach, optional
        Where no number of buds within reach settles the band.
    weighting : Weighting, optional
        How strata were weighted.
    """
    primary = tissues[Tissue.PRIMARY]
    notes, warnings = _of_units(tissues, prior_icc)
    if primary.mortality is None:
        warnings.append("No primary was called live or dead: there is no mortality, band or count.")
    elif reach is not None:
        notes.append(
            f"Even {reach.buds} more buds would leave the band open: the share found is on, or "
            "close to, the edge of a band."
        )
    if (primary.unsure_share or 0) > UNSURE_TO_WARN:
        warnings.append(
            f"{primary.n_unsure} of {primary.n_unsure + primary.n_judged} primaries are unsure: "
            f"with all that nobody could judge live, {primary.if_missing_live or 0:.0%} are dead; "
            f"with all of them dead, {primary.if_missing_dead or 0:.0%}."
        )
    if crop.unknown[at]:
        notes.append(
            "No secondary under a dead primary was judged: the crop potential counts them as "
            "bearing nothing, and its upper end counts them as live."
        )
    elif crop.n_filled[at]:
        notes.append(
            f"{int(crop.n_filled[at])} dead primaries have no judged secondary; they are taken to "
            "be like the others."
        )
    left_out = sum(row.n_other_cause for row in tissues.values())
    if left_out:
        notes.append(f"{left_out} tissues dead for another cause than cold are left out.")
    if weighting is not None:
        warnings += _of_weights(weighting, primary.unit)
    return tuple(notes), tuple(warnings)


def _of_units(
    tissues: Mapping[Tissue, TissueResult], prior_icc: float
) -> tuple[list[str], list[str]]:
    primary = tissues[Tissue.PRIMARY]
    notes: list[str] = []
    warnings: list[str] = []
    if primary.n_units == 1:
        warnings.append(
            f"All buds come from one {primary.unit}, so the sample cannot show how {primary.unit}s "
            f"differ; the interval rests on an assumed likeness (icc {prior_icc:g}) alone."
        )
    elif primary.few_units and primary.n_units:
        warnings.append(
            f"The buds come from {primary.n_units} {primary.unit}s only: few to judge a block by, "
            "and the interval is wide for it."
        )
    unseen = [name.value for name, row in tissues.items() if row.design_effect_from_prior]
    if unseen:
        notes.append(
            f"The interval for {', '.join(unseen)} rests on an assumed likeness of buds of one "
            f"{primary.unit} (icc {prior_icc:g}), because the sample cannot show it."
        )
    return notes, warnings


def _of_weights(weighting: Weighting, unit: str) -> list[str]:
    what = "zone" if weighting.by == "zone" else "vine-size class"
    if not weighting.applied:
        return [f"No {what} with a known share was sampled: nothing is weighted."]
    told = []
    if weighting.n_without:
        s = "" if weighting.n_without == 1 else "s"
        told.append(f"{weighting.n_without} {unit}{s} without a {what} that has a share: not "
                    "counted.")
    if weighting.unsampled:
        told.append(
            f"Not sampled: {', '.join(weighting.unsampled)}, {weighting.unsampled_weight:.0%} of "
            "the block. The answer is of the rest."
        )
    return told
