"""Turn calls and measured tissues into examples to learn from, with what each is worth."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from budvision.learning.adapt import Examples
from budvision.vocabulary import CallValue, Tissue

__all__ = ["Lesson", "Lessons", "make_lessons"]

BLIND_WORTH = 1.25
"""Worth of a call made without seeing the proposal: nobody was led (common practice)."""
AGREED_WORTH = 1.5
"""Worth of a call that a second reader shares, or that was settled between readers."""
DOUBT_WORTH = 0.4
"""Worth of an *unsure*, or of a call that a second reader contradicts, as a case of one half."""
_SWAP = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Lesson:
    """One tissue of one bud: what a person called and what the model measured.

    Attributes
    ----------
    cane : str
        Block, sampling and cane, so that canes can be told apart across labs.
    value : CallValue
    second : tuple of CallValue
        Second readings.
    row : ndarray, shape (d,)
        Feature row.
    base_logit : float
        Log-odds of dead by the model that learning starts from.
    settled, blind : bool
    lab : str
    moved : bool
        Whether a person moved the outline or the name away from this region: whatever the call of
        the tissue, the region is another or none.
    """

    bud: str
    cane: str
    tissue: Tissue
    value: CallValue
    second: tuple[CallValue, ...]
    row: NDArray[np.float64]
    base_logit: float
    settled: bool = False
    blind: bool = False
    lab: str = ""
    moved: bool = False


@dataclass(frozen=True, slots=True)
class Lessons:
    """Examples with where they came from, and what was left out and why.

    Attributes
    ----------
    examples : Examples
    kept : tuple of Lesson
        One an example.
    left_out : dict of str to int
        Reason to number of tissues.
    strays : tuple of Lesson
        Regions that are no such tissue: called not exposed, or moved away by a person.
    """

    examples: Examples
    kept: tuple[Lesson, ...]
    left_out: dict[str, int]
    strays: tuple[Lesson, ...] = ()


def _swapped(lessons: Iterable[Lesson]) -> set[tuple[str, Tissue]]:
    """Find buds whose secondary and tertiary seem to have changed places.

    One is called live and the other dead, and the model is confident of the opposite for both:
    the regions are then more likely exchanged than both calls wrong, and neither is learnt from.
    """
    pairs: dict[str, dict[Tissue, Lesson]] = defaultdict(dict)
    for lesson in lessons:
        if lesson.tissue is not Tissue.PRIMARY:
            pairs[lesson.bud][lesson.tissue] = lesson
    out: set[tuple[str, Tissue]] = set()
    for bud, pair in pairs.items():
        if len(pair) < 2:
            continue
        signs = [
            (1.0 if lesson.value is CallValue.DEAD else -1.0) * lesson.base_logit
            for lesson in pair.values()
            if lesson.value in (CallValue.DEAD, CallValue.LIVE)
        ]
        values = {lesson.value for lesson in pair.values()}
        if len(signs) == 2 and len(values) == 2 and max(signs) < -_SWAP:
            out |= {(bud, tissue) for tissue in pair}
    return out


def make_lessons(lessons: Sequence[Lesson]) -> Lessons:
    """Weigh calls for what they are.

    Certain calls count 1, blind ones a little more, agreed and settled ones more. *Unsure* and
    contradicted calls count as one half with a small weight, so that the model stays doubtful
    where people are. *Not exposed* beside a region that the model found, or an outline that a
    person moved, says that the region is something else: it teaches nothing about life, and goes
    to the strays.
    """
    left: Counter[str] = Counter()
    swapped = _swapped(lessons)
    kept: list[Lesson] = []
    dead: list[float] = []
    weight: list[float] = []
    strays: list[Lesson] = []
    for lesson in lessons:
        if lesson.moved:
            strays.append(lesson)
            continue
        if lesson.value is CallValue.NOT_EXPOSED:
            strays.append(lesson)
            left["called not exposed"] += 1
            continue
        if (lesson.bud, lesson.tissue) in swapped:
            left["secondary and tertiary look exchanged"] += 1
            continue
        others = [v for v in lesson.second if v in (CallValue.LIVE, CallValue.DEAD)]
        contradicted = not lesson.settled and any(v is not lesson.value for v in others)
        if lesson.value is CallValue.UNSURE or contradicted:
            dead.append(0.5)
            weight.append(DOUBT_WORTH)
        else:
            dead.append(float(lesson.value is CallValue.DEAD))
            agreed = lesson.settled or bool(others)
            weight.append(AGREED_WORTH if agreed else BLIND_WORTH if lesson.blind else 1.0)
        kept.append(lesson)
    canes = np.unique([lesson.cane for lesson in kept], return_inverse=True)[1]
    d = len(lessons[0].row) if lessons else 0
    rows = np.array([lesson.row for lesson in kept], np.float64).reshape(len(kept), d)
    examples = Examples(
        rows, np.array([lesson.base_logit for lesson in kept], np.float64), np.array(dead),
        np.array(weight), np.asarray(canes, np.int64).reshape(len(kept)))
    return Lessons(examples, tuple(kept), dict(left), tuple(strays))
