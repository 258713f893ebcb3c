"""What the bench says of a photograph within a second or two: usable or not, and what to do next.

It says what is exposed, never whether it is alive, unless the season's setting
`bench_verdicts` allows that: the reviewer is not to be led.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from budvision.vocabulary import TISSUES, Proposal, Tissue

__all__ = ["BenchAnswer", "answer_photo"]

MOST_CUTS = 6
"""After so many cuts without a new tissue the bud is taken as used up."""


@dataclass(frozen=True, slots=True)
class BenchAnswer:
    """The answer to one photograph.

    Attributes
    ----------
    next : str
        retake, deeper, next_bud or stop.
    headline : str
        What to do, in a few words.
    details : tuple of str
        Why, in sentences.
    usable : bool
        The photograph can be judged.
    seen : mapping of str to bool
        Tissues exposed in this photograph.
    seen_before : tuple of str
        Tissues exposed in this bud's other cuts.
    missing : tuple of str
        Tissues that no cut of the bud has shown.
    verdicts : mapping of str to str
        Only where the setting allows it.
    """

    next: str
    headline: str
    details: tuple[str, ...]
    usable: bool
    seen: Mapping[str, bool]
    seen_before: tuple[str, ...]
    missing: tuple[str, ...]
    verdicts: Mapping[str, str]
    mm_per_px: float | None

    def as_dict(self) -> dict[str, Any]:
        """Return the answer as JSON holds it."""
        return asdict(self)


def _and(words: Sequence[str]) -> str:
    return " and ".join(words) if len(words) < 3 else ", ".join(words[:-1]) + " and " + words[-1]


def answer_photo(
    proposal: Proposal, *, seen_before: Sequence[Tissue] = (), cut: int = 1, verdicts: bool = False,
) -> BenchAnswer:
    """Turn a proposal into the bench's answer.

    Parameters
    ----------
    proposal : Proposal
        What the model says of the photograph.
    seen_before : sequence of Tissue
        Tissues that the bud's shallower cuts have shown.
    cut : int
        Number of this cut, from 1.
    verdicts : bool
        Name live and dead too.
    """
    before = tuple(tissue for tissue in TISSUES if tissue in seen_before)
    told = tuple(reason.text for reason in proposal.reasons
                 if not reason.code.endswith("_not_exposed"))
    if not proposal.found:
        missing = tuple(t.value for t in TISSUES if t not in before)
        return BenchAnswer(
            next="retake", headline="Take it again", usable=False, seen={},
            details=told or ("No cut face was found. Move closer and let the cut fill the frame.",),
            seen_before=tuple(t.value for t in before), missing=missing, verdicts={},
            mm_per_px=proposal.mm_per_px,
        )
    here = {t: bool(t in proposal.tissues and proposal.tissues[t].exposed) for t in TISSUES}
    missing_now = [t for t in TISSUES if not here[t] and t not in before]
    words = [t.value for t in missing_now]
    if not missing_now:
        step, headline = "next_bud", "All three seen: next bud"
        details: list[str] = []
    elif Tissue.PRIMARY in before and not any(here.values()):
        step, headline = "stop", "Too deep: stop here"
        details = [f"Nothing green or brown of the bud is left in this cut, and the {_and(words)} "
                   "was not seen. Go on to the next bud." if len(words) == 1 else
                   "Nothing of the bud is left in this cut. Go on to the next bud."]
    elif cut >= MOST_CUTS:
        step, headline = "stop", "Deep enough: next bud"
        details = [f"After {cut} cuts the {_and(words)} has not come up."]
    else:
        step, headline = "deeper", f"Cut deeper for the {_and(words)}"
        details = [f"Not seen yet: {_and(words)}. Take off a thin slice."]
    return BenchAnswer(
        next=step, headline=headline, details=(*details, *told), usable=True,
        seen={t.value: here[t] for t in TISSUES}, seen_before=tuple(t.value for t in before),
        missing=tuple(words), mm_per_px=proposal.mm_per_px,
        verdicts={t.value: str(proposal.tissues[t].verdict) for t in TISSUES
                  if here[t] and proposal.tissues[t].verdict is not None} if verdicts else {},
    )
