"""Many photographs: what falls is told of photograph by photograph, and the rest goes on."""

from __future__ import annotations

import logging
import os
from pathlib import Path

import pytest

from budvision.errors import PhotoError
from budvision.photo import workers
from budvision.settings import samples_folder
from budvision.verdict import batch
from budvision.vocabulary import GateAnswer

SAMPLE = samples_folder() / "apricot_c1_n1_k1.jpg"


def test_a_defect_is_logged_and_told_of_and_the_rest_goes_on(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    fell = PhotoError("the decoder fell", where="b.jpg", code="unreadable")
    monkeypatch.setattr(batch, "run", lambda *_, **__: None)
    monkeypatch.setattr(
        batch, "run_many", lambda *_, **__: iter([IndexError("out of range"), fell]))
    with caplog.at_level(logging.ERROR):
        failed, refused = batch.propose_many([SAMPLE, SAMPLE])
    assert failed.failed
    assert [reason.code for reason in failed.proposal.reasons] == ["unexpected"]
    assert "IndexError: out of range" in failed.proposal.reasons[0].text
    assert len(failed.proposal.sha256) == 64
    assert caplog.records[0].exc_info is not None       # with its traceback
    assert not refused.failed
    assert refused.proposal.answer is GateAnswer.RETAKE
    assert refused.proposal.reasons[0].text == "The decoder fell."


def test_systems_that_do_not_count_the_cores_of_a_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows and macOS have no such function."""
    monkeypatch.delattr(os, "sched_getaffinity", raising=False)
    assert workers.cores() == os.cpu_count()
    answers = list(batch.propose_many([SAMPLE, Path("gone.jpg")], workers=1))
    assert [answer.proposal.found for answer in answers] == [True, False]
    assert answers[1].proposal.reasons[0].code == "unreadable"
