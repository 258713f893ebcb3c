"""What a person's answer to a flanker's name does to a proposal where no model looks again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from budvision.store.queries.photos import PhotoRow
from budvision.store.queries.proposals import ProposalRow
from budvision.vocabulary import Proposal, Tissue, TissueProposal

if TYPE_CHECKING:
    from budvision.workflow.review.regions import Step

__all__ = ["renamed"]


def renamed(row: ProposalRow, photo: PhotoRow, steps: Sequence[Step]) -> Proposal | None:
    """Return a proposal under the names that a person gives; its verdicts hold whichever it is.

    Parameters
    ----------
    row : ProposalRow
        What was proposed.
    photo : PhotoRow
        Its photograph.
    steps : sequence of Step
        The correction.

    Returns
    -------
    Proposal or None
        None where the steps do more than name: outlines that moved are to be looked at anew.
    """
    if any(step.kind not in ("rename", "named") for step in steps):
        return None
    tissues = dict(row.tissues)
    for step in steps:
        if step.kind == "rename" and step.tissue in tissues and step.to in tissues:
            one, other = tissues[step.tissue], tissues[step.to]
            tissues[step.tissue] = _called(other, step.to, step.tissue)
            tissues[step.to] = _called(one, step.tissue, step.to)
    sure = {tissue: replace(one, p_name=1.0 if one.exposed else None, other_name=None)
            for tissue, one in tissues.items()}
    return Proposal(
        file=photo.file_name, sha256=photo.sha256, width_px=photo.width_px,
        height_px=photo.height_px, found=row.found,
        reasons=tuple(r for r in row.reasons if r.look), mm_per_px=row.mm_per_px, model=row.model,
        tissues=sure,
    )


def _called(one: TissueProposal, before: Tissue, now: Tissue) -> TissueProposal:
    """Return a tissue's proposal under another name, which two of its features tell."""
    features = {f"is_{before}": 0.0, f"is_{now}": 1.0}
    return replace(one, features={name: features.get(name, v) for name, v in one.features.items()})
