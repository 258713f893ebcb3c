"""Outlines that a person has corrected, judged anew by the model that ships."""

from __future__ import annotations

from pathlib import Path

from budvision.settings import samples_folder
from budvision.verdict.propose import Proposer, propose_photo
from budvision.verdict.reasons import ALONE_UNCLEAR
from budvision.vocabulary import Tissue, Verdict
from budvision.workflow.intake.propose import ModelInUse
from budvision.workflow.review.regions import _judge_with


def test_a_person_has_said_which_flanker_it_is(tmp_path: Path) -> None:
    """What the model doubts of the names is settled by whoever drew the outlines."""
    data = (samples_folder() / "creek_c1_n7_k1.jpg").read_bytes()
    said, labels = propose_photo(data, proposer=Proposer.load("bench-1.0"))
    assert labels is not None
    flanker = said.tissues[Tissue.SECONDARY]
    # green is green, whichever of the two it is: the doubt is about the name alone
    assert (flanker.verdict, flanker.other_name) == (Verdict.LIVE, Tissue.TERTIARY)
    assert flanker.p_name is not None
    assert 0.5 <= flanker.p_name < 0.9
    assert ALONE_UNCLEAR in [reason.text for reason in said.reasons]
    judge = _judge_with(ModelInUse("bench-1.0", "0" * 64, "bench-1.0"), tmp_path)
    again = judge(data, labels, (0, 0, *labels.shape), "creek_c1_n7_k1.jpg")
    told = again.tissues[Tissue.SECONDARY]
    assert told.verdict is Verdict.LIVE
    assert (told.p_name, told.other_name) == (1.0, None)
