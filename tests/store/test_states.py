"""What is known of buds and brought up to date is what a whole reading gives."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from sqlalchemy import Connection

from budvision.store.queries import blocks, calls, canes, marks, models, people, photos, proposals
from budvision.store.queries.states import KnownBuds, bud_states, known_buds
from budvision.store.queries.undoing import undo
from budvision.store.session import Season
from budvision.vocabulary import TISSUES, CallValue, Proposal, Tissue, TissueProposal, Verdict

N_BUDS = 6
N_PHOTOS = 8


def _filled(conn: Connection) -> int:
    sampling = blocks.ensure_sampling(conn, blocks.ensure_block(conn, "Heron slope"), "march")
    for number in range(N_BUDS):
        canes.ensure_bud(conn, canes.ensure_cane(conn, sampling, str(number // 3)), number % 3 + 1)
    for name in ("Ines Roth", "Per Dahl"):
        people.ensure_person(conn, name)
    for number in range(N_PHOTOS):
        photos.add_photo(conn, sha256=f"{number:064x}", file_name=f"{number}.jpg", format="JPEG",
                         n_bytes=1, width_px=700, height_px=700)
    models.ensure_model(conn, "bench-1.0", "b" * 64, "bench-1.0")
    return sampling


def _deed(conn: Connection, rng: np.random.Generator, batches: list[str]) -> None:
    """Do one thing, drawn by lot, of those that change how a bud stands."""
    bud, photo, who = (int(rng.integers(1, n + 1)) for n in (N_BUDS, N_PHOTOS, 2))
    kind = rng.choice(["call", "undo", "mark", "assign", "propose", "cane", "bud", "nothing"])
    if kind == "call":
        said: dict[Tissue, CallValue] = {
            tissue: list(CallValue)[rng.integers(len(CallValue))]
            for tissue in TISSUES if rng.random() < 0.7}
        if said:
            batches.append(calls.save_calls(
                conn, bud, said, person_id=who,
                round=str(rng.choice(["first", "first", "second", "settled"]))))
    elif kind == "undo" and batches:
        undo(conn, batches.pop(), person_id=who)
    elif kind == "mark":
        name, value = [("node", "blind"), ("node", ""), ("skipped", "yes"), ("skipped", ""),
                       ("cause", "mites")][rng.integers(5)]
        marks.set_mark(conn, bud, name, value, person_id=who)
    elif kind == "assign":
        photos.assign(conn, photo, bud if rng.random() < 0.8 else None, 1, source="page",
                      retake=True)
    elif kind == "propose":
        proposals.save_proposal(conn, photo, 1, Proposal(
            file="a.jpg", sha256="a" * 64, width_px=700, height_px=700,
            found=bool(rng.random() < 0.8), reasons=(), mm_per_px=None, model="bench-1.0",
            tissues={tissue: TissueProposal(
                exposed=True, verdict=list(Verdict)[rng.integers(len(Verdict))],
                p_dead=float(rng.random()), area_px=9, centre=None, why="", features={},
            ) for tissue in TISSUES}))
    elif kind == "cane":
        cane = canes.bud_place(conn, bud).cane_id
        canes.update_cane(conn, cane, vine=str(rng.integers(9)))
    elif kind == "bud":
        cane = canes.bud_place(conn, bud).cane_id
        canes.ensure_bud(conn, cane, int(rng.integers(1, 8)))


@pytest.mark.slow
@pytest.mark.parametrize("number", range(2))
def test_buds_brought_up_to_date_are_those_of_a_whole_reading(
    any_season: Season, number: int
) -> None:
    rng = np.random.default_rng(number)
    batches: list[str] = []
    kept: dict[bool, list[KnownBuds]] = {False: [], True: []}
    stood = 0
    with any_season.write() as conn:
        sampling = _filled(conn)
    for _ in range(12):
        with any_season.write() as conn:
            for _ in range(rng.integers(1, 9)):
                _deed(conn, rng, batches)
        with any_season.read() as conn:
            for doubts, earlier in kept.items():
                whole = bud_states(conn, sampling, doubts=doubts)
                for state in whole:
                    assert state.calls == {
                        tissue: row.value for tissue, row in calls.standing_calls(
                            calls.call_history(conn, state.bud_id)).items()}
                # whatever was known, newest or older, or of a moment that has gone
                for before in (*earlier[-1:], *earlier[:1], {}):
                    found = known_buds(conn, sampling, doubts=doubts, before=before)
                    assert [state for _, state in found.values()] == whole
                    assert list(found) == [state.bud_id for state in whole]
                earlier.append(found)
                stood += sum(bool(state.calls and state.n_cuts) for state in whole)
    assert stood, "the deeds did something"


def test_only_the_bud_that_was_called_is_read_again(any_season: Season) -> None:
    with any_season.write() as conn:
        sampling = _filled(conn)
        for number in range(N_BUDS):
            photos.assign(conn, number + 1, number + 1, 1, source="page")
    with any_season.read() as conn:
        before = known_buds(conn, sampling, doubts=False)
        same = known_buds(conn, sampling, doubts=False, before=before)
    assert all(same[bud][1] is before[bud][1] for bud in before)
    with any_season.write() as conn:
        calls.save_calls(conn, 2, {Tissue.PRIMARY: CallValue.LIVE}, person_id=1)
    with any_season.read() as conn:
        after = known_buds(conn, sampling, doubts=False, before=before)
    anew: list[Any] = [bud for bud in after if after[bud][1] is not before[bud][1]]
    assert anew == [2]
    assert after[2][1].calls == {Tissue.PRIMARY: CallValue.LIVE}
