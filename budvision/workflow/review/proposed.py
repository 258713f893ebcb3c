"""What was proposed for a bud: the cut that shows each tissue best, the call that agrees."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection

from budvision.errors import InputError
from budvision.store.queries.photos import cuts_of_bud, photos_ever_of
from budvision.store.queries.proposals import ProposalRow, latest_proposals, proposals_by_id
from budvision.vocabulary import TISSUES, CallValue, Tissue, TissueProposal, Verdict

__all__ = ["Best", "best_proposals", "proposals_shown", "proposed_value"]

Best = dict[Tissue, tuple[int, ProposalRow, TissueProposal]]
"""Tissue to the cut that shows it best, that cut's proposal, and its part for the tissue."""


def best_proposals(found: Sequence[tuple[int, ProposalRow]]) -> Best:
    """Choose for each tissue the cut that shows it best.

    Parameters
    ----------
    found : sequence of (cut, ProposalRow)
        One proposal of each cut.

    Returns
    -------
    dict
        Of the cuts that expose a tissue, the one with the largest area; where none does, the
        deepest usable cut, which says not exposed. A tissue is left out where no cut could be
        judged.
    """
    best: Best = {}
    for tissue in TISSUES:
        shown = [
            (cut, row, row.tissues[tissue]) for cut, row in found
            if row.found and tissue in row.tissues
        ]
        if not shown:
            continue
        exposed = [one for one in shown if one[2].exposed]
        best[tissue] = max(
            exposed or shown, key=lambda one: (one[2].area_px or 0, one[0])
        )
    return best


def proposed_value(proposal: TissueProposal) -> CallValue:
    """Return the call that would agree with a proposal."""
    if not proposal.exposed:
        return CallValue.NOT_EXPOSED
    if proposal.verdict is None or proposal.verdict is Verdict.UNSURE:
        return CallValue.UNSURE
    return CallValue(proposal.verdict.value)


def proposals_shown(conn: Connection, bud_id: int, shown: Sequence[int] | None) -> Best:
    """Return the best proposals among those that a person's page showed, or hid.

    Parameters
    ----------
    bud_id : int
        The bud.
    shown : sequence of int or None
        Numbers of the proposals, one a cut, as they travelled with the page; None for the newest.

    Raises
    ------
    InputError
        When a number is of no proposal for a photograph that this bud has or had.
    """
    if shown is None:
        latest = latest_proposals(conn, bud_id=bud_id)
        return best_proposals([
            (cut.cut, latest[cut.photo.id]) for cut in cuts_of_bud(conn, bud_id)
            if cut.photo.id in latest
        ])
    rows = proposals_by_id(conn, shown)
    cut_of = photos_ever_of(conn, bud_id)
    wrong = sorted(set(shown) - {row.id for row in rows if row.photo_id in cut_of})
    if wrong:
        raise InputError(
            f"proposal {wrong[0]} is of no photograph of this bud", where="review",
            expected="the proposals that the page showed", do="Load the page again.",
        )
    return best_proposals([(cut_of[row.photo_id], row) for row in rows])
