"""What the bench says of a photograph within a second or two: good, look, or again.

It says what is exposed, never whether it is alive, unless the season's setting
`bench_verdicts` allows that: the reviewer is not to be led.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from budvision.language import say, say_n, told_text
from budvision.report.words import and_list
from budvision.vocabulary import TISSUES, GateAnswer, Proposal, Tissue

__all__ = ["BenchAnswer", "answer_photo"]

MOST_CUTS = 6
"""After so many cuts without a new tissue the bud is taken as used up."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchAnswer:
    """The answer to one photograph.

    Attributes
    ----------
    answer : GateAnswer
        good, look_yourself or take_again.
    next : str
        retake, deeper, next_bud or stop; where the technician is to look himself, what comes next
        if the photograph will do.
    headline : str
        What to do, in a few words.
    details : tuple of str
        Why, in sentences.
    usable : bool
        The photograph can be judged, by the model or by a person.
    seen : mapping of str to bool
        Tissues exposed in this photograph.
    seen_before : tuple of str
        Tissues exposed in this bud's other cuts.
    missing : tuple of str
        Tissues that no cut of the bud has shown.
    verdicts : mapping of str to str
        Only where the setting allows it.
    """

    answer: GateAnswer
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
    here = [t for t in TISSUES if t in proposal.tissues and proposal.tissues[t].exposed]
    missing = [t for t in TISSUES if t not in here and t not in before]
    reasons = tuple(told_text(reason.text) for reason in proposal.reasons
                    if not reason.code.endswith("_not_exposed") and reason.code != "name_unclear")
    if proposal.answer is GateAnswer.RETAKE:
        step, headline = "retake", say("Take it again")
        details = reasons or (
            say("No cut face was found. Move closer and let the cut fill the frame."),)
    else:
        step, headline, steps = _next_step(here, before, missing, cut)
        details = (*steps, *reasons)
        if proposal.answer is GateAnswer.LOOK:
            details = (*reasons, say("If it will do: {headline}.", headline=headline))
            headline = say("Look yourself")
    return BenchAnswer(
        answer=proposal.answer, next=step, headline=headline, details=details,
        usable=proposal.found,
        seen={t.value: t in here for t in TISSUES} if proposal.found else {},
        seen_before=tuple(t.value for t in before), missing=tuple(t.value for t in missing),
        verdicts=_verdicts(proposal, here) if verdicts else {}, mm_per_px=proposal.mm_per_px,
    )


def _next_step(
    here: Sequence[Tissue], before: Sequence[Tissue], missing: Sequence[Tissue], cut: int
) -> tuple[str, str, tuple[str, ...]]:
    """Return the next step, its headline and its sentences, for a photograph that will do."""
    words = and_list([say(t.value) for t in missing])
    if not missing:
        return "next_bud", say("All three seen: next bud"), ()
    if Tissue.PRIMARY in before and not here:
        if len(missing) == 1:
            return "stop", say("Too deep: stop here"), (
                say("Nothing green or brown of the bud is left in this cut, and the {tissue} was "
                    "not seen. Go on to the next bud.", tissue=words),)
        return "stop", say("Too deep: stop here"), (
            say("Nothing of the bud is left in this cut. Go on to the next bud."),)
    if cut >= MOST_CUTS:
        return "stop", say("Deep enough: next bud"), (
            say_n("After {n} cut not seen: {tissues}.", "After {n} cuts not seen: {tissues}.", cut,
                  tissues=words),)
    return "deeper", say("Cut deeper for the {tissues}", tissues=words), (
        say("Not seen yet: {tissues}. Take off a thin slice.", tissues=words),)


def _verdicts(proposal: Proposal, here: Sequence[Tissue]) -> dict[str, str]:
    found = {t: proposal.tissues[t].verdict for t in here}
    return {t.value: verdict.value for t, verdict in found.items() if verdict is not None}
