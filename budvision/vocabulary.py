"""Words shared by every room: tissues, verdicts, calls, intervals and proposals.

A *proposal* is what the model says, a *call* is what a named person says. They are different
types on purpose: no function that counts takes a proposal.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

__all__ = [
    "CANE_BASE_DEG",
    "LABEL_BACKGROUND",
    "LABEL_SCALES",
    "TISSUES",
    "BudCalls",
    "CallValue",
    "Cause",
    "GateAnswer",
    "Interval",
    "Proposal",
    "Reason",
    "Tissue",
    "TissueProposal",
    "Verdict",
    "gate_answer",
]


class Tissue(StrEnum):
    """One of the three buds under one set of scales."""

    PRIMARY = "primary"
    SECONDARY = "secondary"
    TERTIARY = "tertiary"

    @property
    def label(self) -> int:
        """The tissue's number in a ``labels`` array."""
        return _LABELS[self]


TISSUES: tuple[Tissue, ...] = tuple(Tissue)
LABEL_BACKGROUND = 0
_LABELS = {Tissue.PRIMARY: 1, Tissue.SECONDARY: 2, Tissue.TERTIARY: 3}
LABEL_SCALES = 4
CANE_BASE_DEG: Mapping[str, float] = {"right": 0.0, "bottom": 90.0, "left": 180.0, "top": 270.0}
"""Direction of the cane base by the side of the upright photo it lies on, degrees clockwise from
the right."""


class Verdict(StrEnum):
    """What the model proposes for a tissue."""

    LIVE = "live"
    DEAD = "dead"
    UNSURE = "unsure"


class CallValue(StrEnum):
    """What a person calls a tissue."""

    LIVE = "live"
    DEAD = "dead"
    UNSURE = "unsure"
    NOT_EXPOSED = "not_exposed"


class Cause(StrEnum):
    """Why a tissue is dead, as far as a person can tell from the cut."""

    COLD = "cold"
    NECROSIS = "necrosis"
    MITES = "mites"
    DISEASE = "disease"
    OLD_WOOD = "old_wood"
    MECHANICAL = "mechanical"
    OTHER = "other"


class GateAnswer(StrEnum):
    """Whether a photograph can be judged: by the model, by a person's own eyes only, or not."""

    GOOD = "good"
    LOOK = "look_yourself"
    RETAKE = "take_again"


@dataclass(frozen=True, slots=True)
class Reason:
    """A machine-readable code with the sentence that a person reads.

    Attributes
    ----------
    code, text : str
    look : bool
        Whether it asks a person to look for himself: the photograph may be judged, but the model
        may be wrong about it.
    place : tuple of float or None
        (row0, col0, row1, col1) of what it speaks of, in pixels of the upright photo at full
        size; None where it speaks of the whole photograph.
    """

    code: str
    text: str
    look: bool = False
    place: tuple[float, float, float, float] | None = None

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> Reason:
        """Return the reason that `as_dict` has made."""
        place = stored.get("place")
        return cls(stored["code"], stored["text"], bool(stored.get("look", False)),
                   None if place is None else tuple(place))

    def as_dict(self) -> dict[str, Any]:
        """Return the reason as JSON holds it; `look` and `place` only where they say something."""
        more: dict[str, Any] = {"look": True} if self.look else {}
        if self.place is not None:
            more["place"] = list(self.place)
        return {"code": self.code, "text": self.text, **more}


def gate_answer(found: bool, reasons: Iterable[Reason]) -> GateAnswer:
    """Return the gate's answer to a photograph of which the model says this.

    Parameters
    ----------
    found : bool
        Whether a cut face was found that can be judged.
    """
    if not found:
        return GateAnswer.RETAKE
    return GateAnswer.LOOK if any(reason.look for reason in reasons) else GateAnswer.GOOD


@dataclass(frozen=True, slots=True)
class Interval:
    """A two-sided interval and how it was made.

    Attributes
    ----------
    low, high : float
        Ends, in the unit of the estimate.
    confidence : float
        Nominal coverage in (0, 1).
    method : str
        Name of the method.
    """

    low: float
    high: float
    confidence: float
    method: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TissueProposal:
    """What the model says of one tissue in one photograph.

    Doubt about the name is not doubt about life: `p_dead` holds whichever flanker it is, and
    `p_name` says how sure the name is.

    Attributes
    ----------
    exposed : bool
        Whether the cut has reached this tissue; when False the other fields are None.
    verdict : Verdict or None
        live, dead or unsure.
    p_dead : float or None
        Calibrated probability of dead, in [0, 1].
    area_px : int or None
        Area in pixels of the upright photo at full size.
    centre : tuple of float or None
        (row, col) in pixels of the upright photo at full size, a point inside the region.
    why : str
        The reason in plain words.
    features : mapping of str to float
        The feature row that the verdict rests on.
    p_name : float or None
        Probability that it is this tissue and not the other flanker, in [0, 1]; None where the
        model does not say.
    other_name : Tissue or None
        Which tissue it may be instead, where a person is to be asked for the name.
    """

    exposed: bool
    verdict: Verdict | None = None
    p_dead: float | None = None
    area_px: int | None = None
    centre: tuple[float, float] | None = None
    why: str = ""
    features: Mapping[str, float] = field(default_factory=dict)
    p_name: float | None = None
    other_name: Tissue | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """What the model says of one photograph.

    Attributes
    ----------
    found : bool
        False where no cut face was found or the photo cannot be judged; then `tissues` is
        empty and `reasons` says why.
    width_px, height_px : int or None
        Size of the upright photo, None when it could not be read.
    mm_per_px : float or None
        Scale at full size, None without a photo card.
    model : str
        Name and version of the model, ``bench-1.0``.
    """

    file: str
    sha256: str
    width_px: int | None
    height_px: int | None
    found: bool
    reasons: tuple[Reason, ...]
    mm_per_px: float | None
    model: str
    tissues: Mapping[Tissue, TissueProposal]

    @property
    def answer(self) -> GateAnswer:
        """Good, look yourself, or take it again."""
        return gate_answer(self.found, self.reasons)


@dataclass(frozen=True, slots=True, kw_only=True)
class BudCalls:
    """The current calls of one bud, as a tally row has them.

    A tissue is None where nobody has called it. `vigor` is the vine-size class of the cane's
    vine (small, medium, large), empty when unknown. `causes` holds causes of death other than
    cold, per tissue.
    """

    block: str
    cane: str
    node: int
    primary: CallValue | None = None
    secondary: CallValue | None = None
    tertiary: CallValue | None = None
    vine: str = ""
    vigor: str = ""
    zone: str = ""
    cultivar: str = ""
    causes: Mapping[Tissue, Cause] = field(default_factory=dict)

    def call(self, tissue: Tissue) -> CallValue | None:
        """Return the call of one tissue."""
        value: CallValue | None = getattr(self, tissue.value)
        return value
