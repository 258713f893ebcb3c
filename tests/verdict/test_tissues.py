"""What is proposed for each tissue of a face, where it is in doubt whether it is one."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from budvision.photo.gate import DOUBTS, doubts
from budvision.photo.quality import measure_quality
from budvision.photo.read import read_photo
from budvision.photo.segment import Segmentation
from budvision.verdict.propose import Proposer, look_at
from budvision.verdict.reasons import NO_BUD
from budvision.verdict.tissues import judge_tissues
from budvision.vocabulary import Tissue, Verdict

SAMPLES = Path(__file__).parents[2] / "sample_images"


@pytest.fixture(scope="module")
def proposer() -> Proposer:
    return Proposer.load()


@pytest.fixture(scope="module")
def found(proposer: Proposer) -> Segmentation:
    """Return a face on which both flankers show and are called."""
    for path in sorted(SAMPLES.glob("*.jpg")):
        seen = look_at(read_photo(path, max_side_px=1000), segmenter=proposer.segmenter)
        face = seen.segmentation
        if not face.found or face.doubtful:
            continue
        said = judge_tissues(face, verdict=proposer.verdict, scale=seen.scale)
        if all(one.verdict in (Verdict.LIVE, Verdict.DEAD) for one in said.values()):
            return face
    raise AssertionError("no sample shows three called tissues")


def test_a_flanker_that_may_be_no_bud_is_unsure_and_says_so(
    found: Segmentation, proposer: Proposer
) -> None:
    plain = judge_tissues(found, verdict=proposer.verdict, scale=1.0)
    doubted = judge_tissues(
        replace(found, doubtful=frozenset({Tissue.TERTIARY})), verdict=proposer.verdict, scale=1.0)
    assert doubted[Tissue.TERTIARY].verdict is Verdict.UNSURE
    assert doubted[Tissue.TERTIARY].why == NO_BUD
    assert doubted[Tissue.TERTIARY].exposed, "it stays on the page, for a person to judge"
    assert doubted[Tissue.TERTIARY].p_dead == plain[Tissue.TERTIARY].p_dead
    assert doubted[Tissue.PRIMARY] == plain[Tissue.PRIMARY]
    assert doubted[Tissue.SECONDARY].verdict is plain[Tissue.SECONDARY].verdict


def test_the_gate_asks_for_eyes_at_the_place(found: Segmentation) -> None:
    quality = measure_quality(found.crop, found.labels, face_px=400)
    assert "perhaps_no_bud" not in [one.code for one in doubts(found, quality, scale=1.0)]
    asked = doubts(
        replace(found, doubtful=frozenset({Tissue.TERTIARY})), quality, scale=1.0)
    [reason] = [one for one in asked if one.code == "perhaps_no_bud"]
    assert reason.look
    assert reason.text == DOUBTS["perhaps_no_bud"]
    row0, col0, row1, col1 = reason.place
    row, col = judged_centre(found)
    assert row0 <= row <= row1
    assert col0 <= col <= col1


def judged_centre(found: Segmentation) -> tuple[float, float]:
    """Return the middle of the tertiary's region in pixels of the photograph."""
    rows, cols = (found.labels == Tissue.TERTIARY.label).nonzero()
    per_px = (found.box[2] - found.box[0]) / found.labels.shape[0]
    return found.box[0] + rows.mean() * per_px, found.box[1] + cols.mean() * per_px
