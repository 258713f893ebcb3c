"""An intake taken back, and taken in again, while stations propose and a person calls."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import numpy as np
import pytest
from sqlalchemy import text

from budvision.errors import ConflictError, NothingToDoError
from budvision.store import counts
from budvision.store.queries import people, proposals
from budvision.store.queries.canes import list_buds
from budvision.store.queries.photos import cuts_of_bud
from budvision.store.session import Season
from budvision.vocabulary import (
    TISSUES,
    CallValue,
    Proposal,
    Tissue,
    TissueProposal,
    Verdict,
)
from budvision.workflow.intake.intake import intake
from budvision.workflow.intake.propose import ModelInUse, propose_waiting
from budvision.workflow.intake.undo import list_batches, undo_intake
from budvision.workflow.review.save import NewCall, save
from budvision.workflow.season.check import check

ONE = ModelInUse("try-1.0", "1" * 64, "try-1.0")
N_PHOTOS, N_TURNS = 6, 3


def _look(data: bytes, name: str) -> tuple[Proposal, np.ndarray | None]:
    labels = np.zeros((640, 720), np.uint8)
    labels[150:250, 250:330] = Tissue.PRIMARY.label
    tissues = {t: TissueProposal(exposed=False) for t in TISSUES}
    tissues[Tissue.PRIMARY] = TissueProposal(
        exposed=True, verdict=Verdict.DEAD, p_dead=0.97, area_px=8000, centre=(199.5, 289.5),
        why="82 % brown", features={"brown_share": 0.82})
    return Proposal(file=name, sha256="", width_px=720, height_px=640, found=True, reasons=(),
                    mm_per_px=0.01, model="try", tissues=tissues), labels


@contextmanager
def _beside(*deeds: Callable[[], None]) -> Iterator[None]:
    """Do deeds over and over in threads of their own until the block ends; their errors count."""
    ended, errors = threading.Event(), []

    def again(deed: Callable[[], None]) -> None:
        try:
            while not ended.is_set():
                deed()
            deed()
        except BaseException as error:
            errors.append(error)
            raise

    threads = [threading.Thread(target=again, args=(deed,)) for deed in deeds]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        ended.set()
        for thread in threads:
            thread.join()
    assert not errors


@pytest.mark.slow
def test_nothing_is_lost_doubled_or_left_alone(
    any_season: Season, jpeg: Callable[..., bytes]
) -> None:
    card = any_season.folder.parent / "card"
    card.mkdir()
    for node in range(1, N_PHOTOS + 1):
        (card / f"Creek_1_n{node}_c1.jpg").write_bytes(jpeg(node))
    assert intake(any_season, [card], sampling="feb").count("new") == N_PHOTOS
    with any_season.write() as conn:
        who = people.ensure_person(conn, "Maren Holt")
    other = Season.open(any_season.folder)  # another program of the same season
    with any_season.read() as conn:
        buds = [bud.id for bud in list_buds(conn, sampling_id=1)]
    told = {"called": 0, "refused": 0, "back": 0}
    turn = iter(range(10**9))

    def call() -> None:
        bud_id = buds[next(turn) % 2]  # the others are never called: their intake can be taken back
        with other.read() as conn:
            shown = [cut.photo.id for cut in cuts_of_bud(conn, bud_id)]
        if not shown:
            return
        try:
            save(other, bud_id, {t: NewCall(CallValue.DEAD) for t in TISSUES}, person=who,
                 photos=shown)
            told["called"] += 1
        except ConflictError:
            told["refused"] += 1

    with other, _beside(
            lambda: propose_waiting(any_season, look=_look, used=ONE) and None,
            lambda: propose_waiting(other, look=_look, used=ONE) and None):
        for _ in range(N_TURNS):
            for batch in list_batches(other):
                undo_intake(other, batch.note, person_id=who.id)
                told["back"] += 1
            assert intake(other, [card], sampling="feb").count("placed") == N_PHOTOS
        with _beside(call):
            while not told["called"]:
                for batch in list_batches(other):
                    with contextlib.suppress(ConflictError, NothingToDoError):
                        undo_intake(other, batch.note, person_id=who.id)
                intake(other, [card], sampling="feb")
    assert told["back"] >= N_TURNS
    with any_season.read() as conn:
        assert not counts.wrong_samplings(conn)
        assert not proposals.photos_without_proposal(conn)
        assert conn.scalar(text("SELECT COUNT(*) FROM photo")) == N_PHOTOS
        assert not conn.execute(text(
            "SELECT photo_id FROM proposal GROUP BY photo_id, model_id HAVING COUNT(*) > 1")).all()
        for bud_id in buds:
            assert len(cuts_of_bud(conn, bud_id)) == 1
    assert check(any_season).ok
