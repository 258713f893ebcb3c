"""The gate's three answers: what nobody could judge is never good, and what is good is not held up.

How often each way, over many photographs: ``python -m budvision.learning.gate_table``.
"""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from budvision.learning.gate_table import smeared, veiled
from budvision.render.cut import RenderedCut, render_cut
from budvision.render.world import sample_world
from budvision.verdict.propose import Proposer, propose_photo
from budvision.vocabulary import GateAnswer, Proposal


@pytest.fixture(scope="module")
def proposer() -> Proposer:
    return Proposer.load()


@pytest.fixture(scope="module")
def cuts() -> list[RenderedCut]:
    made = []
    for seed in range(4):
        rng = np.random.default_rng(2_700_000_000 + seed)
        world = sample_world(rng, depths=("full",), lights=("daylight",), cameras=("camera",),
                             blades=("sharp",), fault="", dead=(bool(seed & 1),) * 3)
        made.append(render_cut(rng, world=replace(world, face_share=0.5, exposure_stops=0.0),
                               size_px=800, aspect=0.75))
    return made


def answered(image: np.ndarray, proposer: Proposer) -> Proposal:
    buffer = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(image)).save(buffer, "JPEG", quality=92)
    return propose_photo(buffer.getvalue(), proposer=proposer, with_labels=False)[0]


def long_px(cut: RenderedCut) -> int:
    rows, cols = np.nonzero(cut.labels)
    return max(int(np.ptp(rows)), int(np.ptp(cols)))


def test_what_is_good_is_not_held_up(cuts: list[RenderedCut], proposer: Proposer) -> None:
    for cut in cuts:
        proposal = answered(cut.image, proposer)
        assert proposal.answer is GateAnswer.GOOD, proposal.reasons


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.12, 0.2])
def test_a_hand_that_moved_is_never_good(
    share: float, cuts: list[RenderedCut], proposer: Proposer
) -> None:
    for number, cut in enumerate(cuts):
        proposal = answered(smeared(cut.image, share * long_px(cut), 0.7 * number), proposer)
        assert proposal.answer is not GateAnswer.GOOD
        if proposal.answer is GateAnswer.LOOK:
            assert "too_blurred" in [reason.code for reason in proposal.reasons if reason.look]


def test_a_reflection_over_the_tissue_is_never_good_and_shows_where(
    cuts: list[RenderedCut], proposer: Proposer
) -> None:
    for number, cut in enumerate(cuts):
        rng = np.random.default_rng(number)
        proposal = answered(veiled(cut.image, cut.labels, share=0.4, rng=rng), proposer)
        assert proposal.answer is not GateAnswer.GOOD
        for reason in proposal.reasons:
            if reason.look and reason.place is not None:
                row0, col0, row1, col1 = reason.place
                assert -5 <= row0 < row1 <= cut.image.shape[0] + 5
                assert -5 <= col0 < col1 <= cut.image.shape[1] + 5


def test_a_doubt_asks_for_eyes_and_says_what_else_to_do(
    cuts: list[RenderedCut], proposer: Proposer
) -> None:
    proposal = answered(smeared(cuts[0].image, 0.12 * long_px(cuts[0]), 0.3), proposer)
    looked = [reason for reason in proposal.reasons if reason.look]
    assert proposal.found == bool(looked)
    for reason in looked:
        assert "may " in reason.text
        assert " If " in reason.text        # what to do where one cannot tell
