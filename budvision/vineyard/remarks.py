"""What stands beside a block's numbers in words: what they rest on, what was left out."""

from __future__ import annotations

from collections.abc import Mapping

from budvision.language import form_of, percent_text, say, say_n
from budvision.vineyard.potential import CropShares
from budvision.vineyard.results import Reach, TissueResult
from budvision.vineyard.strata import Weighting
from budvision.vineyard.tissues import UNSURE_TO_WARN
from budvision.vocabulary import Tissue

__all__ = ["remarks"]


def remarks(
    tissues: Mapping[Tissue, TissueResult], crop: CropShares, index: int, prior_icc: float,
    reach: Reach | None, weighting: Weighting | None, *, paired: bool = True,
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return notes and warnings for one block.

    Parameters
    ----------
    tissues : mapping of Tissue to TissueResult
    crop : CropShares
        Of all blocks; `index` is this one's number.
    prior_icc : float
        The likeness assumed beforehand.
    reach : Reach, optional
        Where no number of buds within reach settles the band.
    weighting : Weighting, optional
        How strata were weighted.
    paired : bool
        As in `budvision.vineyard.buds.BudTable`.
    """
    primary = tissues[Tissue.PRIMARY]
    notes, warnings = _of_units(tissues, prior_icc)
    if primary.mortality is None:
        warnings.append(say("No primary was called live or dead: there is no mortality, band or "
                            "count."))
    elif reach is not None:
        notes.append(say_n(
            "Even {n} more bud like these would leave the band open: the share found is on, or "
            "close to, the edge of a band.",
            "Even {n} more buds like these would leave the band open: the share found is on, or "
            "close to, the edge of a band.", reach.buds))
    if (primary.unsure_share or 0) > UNSURE_TO_WARN:
        total = primary.n_unsure + primary.n_judged
        warnings.append(form_of(
            "{n} of {total} primary is unsure: with all that nobody could judge live, {low} are "
            "dead; with all of them dead, {high}.",
            "{n} of {total} primaries are unsure: with all that nobody could judge live, {low} are "
            "dead; with all of them dead, {high}.", total).format(
                n=primary.n_unsure, total=total, low=_percent(primary.if_missing_live or 0),
                high=_percent(primary.if_missing_dead or 0)))
        if weighting is not None and weighting.applied:
            warnings[-1] += " " + say("That is before weighting.")
    if not paired:
        notes.append(say(
            "Counts a cane do not say at which node a bud stood, nor which secondary sat under a "
            "dead primary: the crop potential, the share dead by node and that of the nodes kept "
            "cannot be told."))
    if crop.unknown[index]:
        notes.append(say(
            "No secondary under a dead primary was judged: the crop potential counts them as "
            "bearing nothing, and its upper end counts them as live."))
    elif crop.n_filled[index]:
        notes.append(say_n(
            "{n} dead primary has no judged secondary; it is taken to be like the others.",
            "{n} dead primaries have no judged secondary; they are taken to be like the others.",
            int(crop.n_filled[index])))
    left_out = sum(row.n_other_cause for row in tissues.values())
    if left_out:
        notes.append(say_n(
            "{n} tissue dead for another cause than cold is left out.",
            "{n} tissues dead for another cause than cold are left out.", left_out))
    if weighting is not None:
        warnings += _of_weights(weighting, primary.unit)
    return tuple(notes), tuple(warnings)


def _percent(share: float) -> str:
    return percent_text(int(100 * share + 0.5))


def _of_units(
    tissues: Mapping[Tissue, TissueResult], prior_icc: float
) -> tuple[list[str], list[str]]:
    primary = tissues[Tissue.PRIMARY]
    notes: list[str] = []
    warnings: list[str] = []
    if primary.n_units == 1:
        warnings.append(
            say("All buds come from one vine, so the sample cannot show how vines differ; the "
                "interval rests on an assumed likeness (icc {icc}) alone.", icc=f"{prior_icc:g}")
            if primary.unit == "vine" else
            say("All buds come from one cane, so the sample cannot show how canes differ; the "
                "interval rests on an assumed likeness (icc {icc}) alone.", icc=f"{prior_icc:g}"))
    elif primary.few_units and primary.n_units:
        warnings.append(
            say_n("The buds come from {n} vine only: few to judge a block by, and the interval is "
                  "wide for it.",
                  "The buds come from {n} vines only: few to judge a block by, and the interval is "
                  "wide for it.", primary.n_units) if primary.unit == "vine" else
            say_n("The buds come from {n} cane only: few to judge a block by, and the interval is "
                  "wide for it.",
                  "The buds come from {n} canes only: few to judge a block by, and the interval is "
                  "wide for it.", primary.n_units))
    unseen = [say(name.value) for name, row in tissues.items() if row.design_effect_from_prior]
    if unseen:
        values = {"tissues": ", ".join(unseen), "icc": f"{prior_icc:g}"}
        notes.append(
            say("The interval for {tissues} rests on an assumed likeness of buds of one vine (icc "
                "{icc}), because the sample cannot show it.", **values)
            if primary.unit == "vine" else
            say("The interval for {tissues} rests on an assumed likeness of buds of one cane (icc "
                "{icc}), because the sample cannot show it.", **values))
    return notes, warnings


def _of_weights(weighting: Weighting, unit: str) -> list[str]:
    by_zone = weighting.by == "zone"
    if not weighting.applied:
        return [say("No zone with a known share was sampled: nothing is weighted.") if by_zone else
                say("No vine-size class with a known share was sampled: nothing is weighted.")]
    sentences = []
    if weighting.n_without:
        units = (say_n("{n} vine", "{n} vines", weighting.n_without) if unit == "vine" else
                 say_n("{n} cane", "{n} canes", weighting.n_without))
        sentences.append(
            say("{units} without a zone that has a share: not counted.", units=units) if by_zone
            else say("{units} without a vine-size class that has a share: not counted.",
                     units=units))
    if weighting.unsampled:
        sentences.append(say(
            "Nothing was judged in {names}, {share} of the block. The answer is of the rest.",
            names=", ".join(weighting.unsampled), share=_percent(weighting.unsampled_weight)))
    return sentences
