"""The steps of a correction, and what they do to a proposal where no model looks again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from budvision.errors import InputError
from budvision.language import plain_count
from budvision.store.queries.photos import PhotoRow
from budvision.store.queries.proposals import ProposalRow
from budvision.vocabulary import Proposal, Tissue, TissueProposal

__all__ = ["Point", "Step", "renamed"]

Point = tuple[float, float]
_KINDS = ("draw", "grow", "rename", "delete", "original", "named")
_MODES = ("replace", "add", "take")
_MAX_POINTS = 4000


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a correction; points are (row, col) of the upright photograph at full size.

    Attributes
    ----------
    kind : str
        draw, an outline through `points`; grow, the area like the colour at the one point;
        rename, `tissue` becomes `to` (and `to`, if there was one, becomes `tissue`); delete;
        original, back to what the model had drawn; named, nothing changes and a person stands
        behind the names.
    mode : str
        For draw and grow: replace the tissue's area, add to it, or take from it.
    """

    kind: str
    tissue: Tissue | None = None
    to: Tissue | None = None
    points: tuple[Point, ...] = ()
    mode: str = "replace"

    def __post_init__(self) -> None:
        where = "outlines"
        if self.kind not in _KINDS:
            raise InputError(f"the step is {self.kind!r}", where=where,
                             expected=f"one of {', '.join(_KINDS)}")
        if self.mode not in _MODES:
            raise InputError(f"the mode is {self.mode!r}", where=where,
                             expected=f"one of {', '.join(_MODES)}")
        if self.kind not in ("original", "named") and self.tissue is None:
            raise InputError(f"{self.kind} names no tissue", where=where,
                             expected="primary, secondary or tertiary")
        if self.kind == "rename" and self.to in (None, self.tissue):
            raise InputError("rename names no other tissue", where=where,
                             expected="the tissue that the outline belongs to")
        n = len(self.points)
        if self.kind == "draw" and not 3 <= n <= _MAX_POINTS:
            raise InputError(f"the outline has {plain_count(n, 'point')}", where=where,
                             expected=f"3 to {_MAX_POINTS}", do="Draw round the tissue.")
        if self.kind == "grow" and n != 1:
            raise InputError(f"grow has {plain_count(n, 'point')}", expected="1", where=where,
                             do="Click once, in the middle of the tissue.")
        if not np.isfinite(np.array(self.points, np.float64)).all():
            raise InputError("a point is no number", where=where, expected="row and column")


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
