"""Why a photograph is refused, in plain words, each with the next step."""

from __future__ import annotations

from budvision.vocabulary import Reason, Tissue

__all__ = ["JUDGEMENTS", "NOT_EXPOSED", "REFUSALS", "reason_for"]

JUDGEMENTS = (
    "usable",
    "no_cut_face",
    "too_small",
    "too_blurred",
    "too_dark",
    "blown_out",
    "glare",
    "too_deep",
    "too_shallow",
    "torn",
)
"""What the network says of a whole picture, in the order of its outputs."""

REFUSALS = {
    "no_cut_face": "No cut face of a bud was found. Cut the bud, fill the frame with the cut and "
    "take it again.",
    "too_small": "The cut face is too small in the picture. Go nearer or zoom in and take it "
    "again.",
    "too_blurred": "The cut face is too blurred. Rest the hand, focus on the cut and take it "
    "again.",
    "too_dark": "The picture is too dark. Put more light on the bud and take it again.",
    "blown_out": "The cut face is blown out to white. Take light away or expose for the bud and "
    "take it again.",
    "glare": "A reflection lies over the tissue. Tilt the bud or the lamp, dab it dry and take it "
    "again.",
    "too_deep": "The cut is under the buds: what shows is the cane's own green layer. Take another "
    "bud; this one cannot be judged from this cut.",
    "too_shallow": "The cut has reached scales and wool only. Take a thin slice more and take the "
    "picture again.",
    "unlike_a_cut_bud": "What was found looks unlike any cut bud the model knows. Check that the "
    "cut face fills the picture; if it does, call it by eye.",
    "torn": "The tissue is torn, so that no bud can be judged. Cut again with a new blade, or take "
    "another bud.",
}


NOT_EXPOSED = {
    Tissue.PRIMARY: "The primary is not exposed. Cut deeper if it is needed.",
    Tissue.SECONDARY: "The secondary is not exposed. Cut deeper if it is needed.",
    Tissue.TERTIARY: "The tertiary is not exposed. Cut deeper if it is needed.",
}


def reason_for(code: str) -> Reason:
    """Return the reason of a code with its text and next step."""
    return Reason(code, REFUSALS[code])
