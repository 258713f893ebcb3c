"""What a model says of a photograph, kept and read back whole."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from budvision.store.labels import decode_labels, encode_labels
from budvision.store.queries import models, photos, proposals
from budvision.store.session import Season
from budvision.vocabulary import GateAnswer, Proposal, Reason, Tissue, TissueProposal, Verdict


def test_doubts_of_photograph_and_name_come_back(any_season: Season) -> None:
    glare = Reason("glare", "Look yourself.", look=True, place=(1.0, 2.0, 30.5, 40.0))
    flanker = TissueProposal(exposed=True, verdict=Verdict.LIVE, p_dead=0.03, area_px=512,
                             centre=(10.5, 20.25), why="green", features={"a": 1.5},
                             p_name=0.71, other_name=Tissue.TERTIARY)
    said = Proposal(file="c1.jpg", sha256="a" * 64, width_px=900, height_px=700, found=True,
                    reasons=(glare,), mm_per_px=None, model="bench-1.0",
                    tissues={Tissue.SECONDARY: flanker})
    with any_season.write() as conn:
        photo = photos.add_photo(conn, sha256="a" * 64, file_name="c1.jpg", format="JPEG",
                                 n_bytes=9, width_px=900, height_px=700, camera="")
        model = models.ensure_model(conn, "bench-1.0", "b" * 64, "bench-1.0", facts={})
        proposals.save_proposal(conn, photo.id, model, said)
    with any_season.read() as conn:
        row = proposals.latest_proposals(conn, photo_ids=[photo.id])[photo.id]
    assert row.reasons == (glare,)
    assert row.answer is GateAnswer.LOOK
    assert row.tissues[Tissue.SECONDARY] == flanker


def test_labels_are_kept_exactly_and_small() -> None:
    row, col = np.ogrid[:400, :500]
    labels = (((row - 200) ** 2 + (col - 250) ** 2 < 150 ** 2) * 4).astype(np.uint8)
    for k in (1, 2, 3):
        labels[(row - 200) ** 2 + (col - 60 - 90 * k) ** 2 < 40 ** 2] = k
    kept = encode_labels(labels)
    assert (decode_labels(kept) == labels).all()
    by_default = cv2.imencode(".png", labels)[1].tobytes()
    assert len(kept) <= 0.8 * len(by_default) or not hasattr(cv2, "IMWRITE_PNG_FILTER")
    with pytest.raises(ValueError, match="read-only"):
        decode_labels(kept)[0, 0] = 1
