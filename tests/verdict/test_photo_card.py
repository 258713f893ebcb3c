"""A cut bud photographed through the photo card: judged inside the opening, with its scale."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import cv2
import numpy as np
import pytest

from budvision.photo.card import card_rectangles
from budvision.photo.card_layout import PHONE
from budvision.render.standin.cut import StandinCut, draw_lab, render
from budvision.verdict.propose import Proposer, propose_photo
from budvision.vocabulary import TISSUES, Verdict

PX_PER_MM = 48


@pytest.fixture(scope="module")
def proposer() -> Proposer:
    return Proposer.load(None)


def _cuts(n: int) -> Iterator[StandinCut]:
    """Draw cuts whose face lies well inside the frame, as a bud lies in the card's opening."""
    rng = np.random.default_rng(20260211)
    lab = replace(draw_lab(rng), face_share=(0.26, 0.52), aspect=4 / 3, megapixels=0.9,
                  turn_spread=0.35)
    for k in range(n):
        dead = {tissue: bool(rng.random() < 0.3) for tissue in TISSUES}
        yield render(np.random.default_rng([7, k]), lab=lab, cultivar=lab.cultivars[0], dead=dead,
                     depth=float(rng.uniform(0.46, 0.62)))


def _through_card(picture: np.ndarray) -> tuple[np.ndarray, tuple[int, int]]:
    """Lay a card over a picture of a cut; return it and the opening's upper left (row, col)."""
    width, height = 44.0, 34.0              # what a phone sees of the card from near
    rows, cols = round(height * PX_PER_MM), round(width * PX_PER_MM)
    card = np.full((rows, cols, 3), 225, np.uint8)
    for left, top, wide, high, share in card_rectangles(PHONE):
        tone = round(225 * share ** (1 / 2.2)) if share else 25
        row, col = ((v * PX_PER_MM) for v in (top + height / 2, left + width / 2))
        card[round(row): round(row + high * PX_PER_MM),
             round(col): round(col + wide * PX_PER_MM)] = tone
    hole = round(PHONE.opening_mm[1] * PX_PER_MM), round(PHONE.opening_mm[0] * PX_PER_MM)
    scale = hole[0] / picture.shape[0]
    seen = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    cut = (seen.shape[1] - hole[1]) // 2
    top, left = (rows - hole[0]) // 2, (cols - hole[1]) // 2
    card[top: top + hole[0], left: left + hole[1]] = seen[: hole[0], cut: cut + hole[1]]
    return card, (top, left)


@pytest.mark.slow
def test_buds_in_the_opening_are_judged_as_without_a_card(proposer: Proposer) -> None:
    right = judged = 0
    for k, cut in enumerate(_cuts(6)):
        card, (top, left) = _through_card(cut.image)
        data = cv2.imencode(".jpg", card[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes()
        proposal, labels = propose_photo(data, proposer=proposer, name=f"cut{k}.jpg")
        assert proposal.found, (k, proposal.reasons)
        assert proposal.mm_per_px == pytest.approx(1 / PX_PER_MM, rel=0.02)
        assert labels is not None
        assert labels.shape == card.shape[:2]
        inside = labels[top: -top, left: -left]
        assert np.count_nonzero(inside) == np.count_nonzero(labels)     # nothing on the card
        for tissue in TISSUES:
            said, own = proposal.tissues[tissue], cut.truth.tissues[tissue]
            if said.exposed and own.exposed and said.verdict is not Verdict.UNSURE:
                judged += 1
                right += (said.verdict is Verdict.DEAD) == own.dead
                assert said.centre is not None
                where = labels[round(said.centre[0]), round(said.centre[1])]
                assert where == tissue.label
    assert judged >= 10
    assert right >= 0.9 * judged
