"""Outlines that a person has corrected, judged anew by the model that ships."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import seasons

from budvision.errors import InputError
from budvision.store.queries.people import find_person
from budvision.verdict.propose import Proposer, propose_photo
from budvision.verdict.reasons import ALONE_UNCLEAR
from budvision.vocabulary import Proposal, Tissue, Verdict
from budvision.workflow.intake.propose import ModelInUse
from budvision.workflow.review.regions import _judge_with, apply_steps, correct
from budvision.workflow.review.steps import Step


def test_a_person_has_said_which_flanker_it_is(tmp_path: Path) -> None:
    """What the model doubts of the names is settled by whoever drew the outlines."""
    data = (Path(__file__).parent / "fixtures" / "lone_flanker.jpg").read_bytes()
    said, labels = propose_photo(data, proposer=Proposer.load("bench-1.0"))
    assert labels is not None
    flanker = said.tissues[Tissue.SECONDARY]
    # green is green, whichever of the two it is: the doubt is about the name alone
    assert (flanker.verdict, flanker.other_name) == (Verdict.LIVE, Tissue.TERTIARY)
    assert flanker.p_name is not None
    assert 0.5 <= flanker.p_name < 0.9
    assert ALONE_UNCLEAR in [reason.text for reason in said.reasons]
    judge = _judge_with(ModelInUse("bench-1.0", "0" * 64, "bench-1.0"), tmp_path)
    again = judge(data, labels, (0, 0, *labels.shape), "lone_flanker.jpg")
    told = again.tissues[Tissue.SECONDARY]
    assert told.verdict is Verdict.LIVE
    assert (told.p_name, told.other_name) == (1.0, None)


def test_saying_that_the_names_are_right_leaves_the_outlines() -> None:
    labels = np.array([[0, 1, 2], [4, 1, 3]], np.uint8)
    image = np.zeros((2, 3, 3), np.uint8)
    named = apply_steps(image, 1.0, labels, (0, 0, 2, 3), [Step("named")])
    np.testing.assert_array_equal(named, labels)
    other = [Step("rename", Tissue.SECONDARY, Tissue.TERTIARY), Step("named")]
    swapped = apply_steps(image, 1.0, labels, (0, 0, 2, 3), other)
    np.testing.assert_array_equal(swapped, [[0, 1, 3], [4, 1, 2]])


def test_no_proposal_is_made_from_bytes_that_have_changed(tmp_path: Path) -> None:
    """Outlines drawn by a person were judged on whatever lay under the photograph's name."""
    seen: list[bytes] = []

    def judge(data: bytes, *_: object) -> Proposal:
        seen.append(data)
        raise InputError("not asked here")

    with seasons.make_season(tmp_path / "season", n_photos=1) as season:
        [path] = season.photos.folder.glob("??/*")
        with season.read() as conn:
            person = find_person(conn, "Petra Quill")
        assert person is not None
        used = ModelInUse("drawn-1", "d" * 64, "drawn-1")
        correct(season, 1, [Step("named")], person=person, used=used, judge=judge)
        assert seen == [path.read_bytes()]
        path.chmod(0o644)
        path.write_bytes(path.read_bytes() + b"other")
        made = correct(season, 1, [Step("named")], person=person, used=used, judge=judge)
        assert len(seen) == 1
        assert "has changed since it was taken in" in made.message
