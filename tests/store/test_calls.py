"""Calls: new rows only, each with its person; which of them count."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from sqlalchemy import Connection, insert

from budvision.errors import ConflictError, InputError, NotFoundError
from budvision.store.queries import (
    blocks,
    calls,
    canes,
    learning,
    models,
    people,
    review,
    undoing,
)
from budvision.store.queries.columns import call_columns
from budvision.store.queries.states import bud_states
from budvision.store.session import Season
from budvision.store.tables import assignment, call, photo, proposal, proposal_tissue
from budvision.vineyard.buds import CALL_CODES
from budvision.vocabulary import TISSUES, CallValue, Cause, Tissue

P, S, T = Tissue.PRIMARY, Tissue.SECONDARY, Tissue.TERTIARY
LIVE, DEAD, UNSURE = CallValue.LIVE, CallValue.DEAD, CallValue.UNSURE


def _bud(conn: Connection, node: int = 1) -> tuple[int, int]:
    sampling = blocks.ensure_sampling(conn, blocks.ensure_block(conn, "Creek Terrace"), "feb")
    return sampling, canes.ensure_bud(conn, canes.ensure_cane(conn, sampling, "1"), node)


def _now(conn: Connection, bud: int) -> dict[Tissue, CallValue | None]:
    return {tissue: row.value for tissue, row in calls.current_calls_of_bud(conn, bud).items()}


def test_a_change_of_mind_is_a_new_row(any_season: Season) -> None:
    with any_season.write() as conn:
        sampling, bud = _bud(conn)
        who = people.ensure_person(conn, "Maren Holt")
        calls.save_calls(conn, bud, {P: DEAD, S: LIVE}, person_id=who.id)
        calls.save_calls(conn, bud, {P: LIVE}, person_id=who.id)
        history = calls.call_history(conn, bud)
        assert [(row.tissue, row.value) for row in history] == [(P, DEAD), (S, LIVE), (P, LIVE)]
        assert history[2].replaces_id == history[0].id
        assert _now(conn, bud) == {P: LIVE, S: LIVE}
        [told] = calls.current_calls(conn, sampling_id=sampling)
        assert (told.primary, told.secondary, told.tertiary) == (LIVE, LIVE, None)


def test_undo_brings_back_what_stood_under_its_own_name(any_season: Season) -> None:
    with any_season.write() as conn:
        _, bud = _bud(conn)
        first = people.ensure_person(conn, "Maren Holt")
        second = people.ensure_person(conn, "Ivo Lund")
        calls.save_calls(conn, bud, {P: calls.NewCall(DEAD, cause=Cause.MITES, note="x")},
                         person_id=first.id, blind=True)
        batch = calls.save_calls(conn, bud, {P: LIVE, S: LIVE}, person_id=second.id)
        done = undoing.undo(conn, batch, person_id=second.id)
        assert done.restored == (P, S)
        row = calls.current_calls_of_bud(conn, bud)[P]
        assert (row.value, row.cause, row.note) == (DEAD, Cause.MITES, "x")
        assert (row.person, row.blind) == ("Maren Holt", True)
        assert row.entered_by_id == second.id
        assert S not in calls.current_calls_of_bud(conn, bud)
        again = undoing.undo(conn, done.batch, person_id=second.id)  # undo of the undo
        assert _now(conn, bud) == {P: LIVE, S: LIVE}
        assert len(calls.call_history(conn, bud)) == 7
        with pytest.raises(ConflictError, match="replaced since"):
            undoing.undo(conn, batch, person_id=second.id)
        assert undoing.undo(conn, again.batch, person_id=first.id).restored == (P, S)


def test_three_calls_are_taken_back_one_after_the_other(any_season: Season) -> None:
    with any_season.write() as conn:
        _, bud = _bud(conn)
        who = people.ensure_person(conn, "Maren Holt")
        batches = [calls.save_calls(conn, bud, {P: value}, person_id=who.id)
                   for value in (DEAD, LIVE, UNSURE)]
        stood = []
        for batch in reversed(batches):
            undoing.undo(conn, batch, person_id=who.id)
            stood.append(_now(conn, bud).get(P))
        assert stood == [LIVE, DEAD, None]
        with pytest.raises(ConflictError, match="replaced since"):
            undoing.undo(conn, batches[0], person_id=who.id)


def test_undo_leaves_what_somebody_called_again(season: Season) -> None:
    with season.write() as conn:
        _, bud = _bud(conn)
        who = people.ensure_person(conn, "Maren Holt")
        other = people.ensure_person(conn, "Ivo Lund")
        batch = calls.save_calls(conn, bud, {P: DEAD, S: DEAD}, person_id=who.id)
        calls.save_calls(conn, bud, {S: LIVE}, person_id=other.id)
        done = undoing.undo(conn, batch, person_id=who.id)
        assert (done.restored, done.left) == ((P,), (S,))
        assert _now(conn, bud) == {S: LIVE}


def test_second_readings_never_count_and_settled_calls_stand_on_top(any_season: Season) -> None:
    with any_season.write() as conn:
        sampling, bud = _bud(conn)
        one = people.ensure_person(conn, "Maren Holt")
        two = people.ensure_person(conn, "Ivo Lund")
        calls.save_calls(conn, bud, {P: DEAD}, person_id=one.id)
        calls.save_calls(conn, bud, {P: LIVE, S: LIVE}, person_id=two.id, round="second",
                         blind=True)
        assert _now(conn, bud) == {P: DEAD}
        assert {key: row.value for key, row in
                calls.newest_rows(conn, [bud], person_id=two.id)[bud].items()} == {
                    (P, "first"): DEAD, (P, "second"): LIVE, (S, "second"): LIVE}
        settled = calls.save_calls(conn, bud, {P: LIVE}, person_id=one.id, round="settled")
        assert _now(conn, bud) == {P: LIVE}
        calls.save_calls(conn, bud, {P: UNSURE}, person_id=one.id)  # a first call under a settled
        assert _now(conn, bud) == {P: LIVE}
        undoing.undo(conn, settled, person_id=one.id)
        assert _now(conn, bud) == {P: UNSURE}
        columns = call_columns(conn, [(sampling, 1)], blocks.list_blocks(conn))
        assert columns.calls.tolist() == [[2, -1, -1]]


def test_what_is_no_call_is_refused(season: Season) -> None:
    with season.write() as conn:
        _, bud = _bud(conn)
        who = people.ensure_person(conn, "Maren Holt").id
        with pytest.raises(InputError, match="no tissue is called"):
            calls.save_calls(conn, bud, {}, person_id=who)
        with pytest.raises(InputError, match="the round is 'third'"):
            calls.save_calls(conn, bud, {P: LIVE}, person_id=who, round="third")
        with pytest.raises(InputError, match="primary is live with the cause mites"):
            calls.save_calls(conn, bud, {P: calls.NewCall(LIVE, cause=Cause.MITES)}, person_id=who)
        with pytest.raises(NotFoundError, match="no person number 99"):
            calls.save_calls(conn, bud, {P: LIVE}, person_id=99)
        with pytest.raises(NotFoundError, match="no bud number 99"):
            calls.save_calls(conn, 99, {P: LIVE}, person_id=who)
        with pytest.raises(ValueError, match="withdrawn"):
            calls.save_calls(conn, bud, {P: "withdrawn"}, person_id=who)  # type: ignore[dict-item]
        with pytest.raises(NotFoundError, match="no batch 'x'"):
            undoing.undo(conn, "x", person_id=who)
        assert calls.call_history(conn, bud) == []


def test_columns_agree_with_rows(any_season: Season) -> None:
    with any_season.write() as conn:
        who = people.ensure_person(conn, "Maren Holt").id
        for node, value in enumerate([LIVE, DEAD, UNSURE, CallValue.NOT_EXPOSED], start=1):
            sampling, bud = _bud(conn, node)
            calls.save_calls(conn, bud, {P: value, T: LIVE}, person_id=who)
        sampling, bud = _bud(conn, 5)
        calls.save_calls(conn, bud, {S: calls.NewCall(DEAD, cause=Cause.MITES),
                                     T: calls.NewCall(DEAD, cause=Cause.COLD)}, person_id=who)
        _bud(conn, 6)
        columns = call_columns(conn, [(sampling, 1)], blocks.list_blocks(conn))
    assert columns.node.tolist() == [1, 2, 3, 4, 5, 6]
    assert columns.calls.tolist() == [
        [0, -1, 0], [1, -1, 0], [2, -1, 0], [3, -1, 0], [-1, 1, 1], [-1, -1, -1]]
    assert columns.other_cause.any(axis=1).tolist() == [False] * 4 + [True, False]
    assert columns.other_cause[4].tolist() == [False, True, False]


def test_columns_agree_with_rows_after_changes_of_mind(any_season: Season) -> None:
    rng = np.random.default_rng(5)
    with any_season.write() as conn:
        who = people.ensure_person(conn, "Maren Holt").id
        for node in range(1, 31):
            sampling, bud = _bud(conn, node)
            for _ in range(int(rng.integers(0, 5))):
                batch = calls.save_calls(
                    conn, bud, {TISSUES[at]: calls.NewCall(
                        DEAD, cause=(Cause.COLD, Cause.MITES)[rng.integers(0, 2)])
                        if rng.random() < 0.5 else (LIVE, UNSURE)[rng.integers(0, 2)]
                        for at in rng.choice(3, rng.integers(1, 4), replace=False)},
                    person_id=who, round=("first", "first", "settled")[rng.integers(0, 3)])
                if rng.random() < 0.3:
                    undoing.undo(conn, batch, person_id=who)
        for turn in range(40):     # more changes than a byte holds
            calls.save_calls(conn, bud, {P: (LIVE, DEAD)[turn % 2]}, person_id=who)
        calls.save_calls(conn, bud, {P: LIVE}, person_id=who)
        columns = call_columns(conn, [(sampling, 1)], blocks.list_blocks(conn))
        told = {one.node: one for one in calls.current_calls(conn, sampling_id=sampling)}
    for node, values, other in zip(columns.node.tolist(), columns.calls.tolist(),
                                   columns.other_cause.tolist(), strict=True):
        row = told.get(node)
        for tissue, value, cause in zip(TISSUES, values, other, strict=True):
            assert value == CALL_CODES[row.call(tissue) if row else None]
            if value == CALL_CODES[DEAD]:
                assert row is not None
                assert cause == (row.causes.get(tissue, Cause.COLD) is not Cause.COLD)


def test_the_queue_knows_what_waits(season: Season) -> None:
    with season.write() as conn:
        maren = people.ensure_person(conn, "Maren Holt")
        sampling, bud = _bud(conn, 1)
        _, other = _bud(conn, 2)
        calls.save_calls(conn, bud, {P: LIVE, S: LIVE, T: LIVE}, person_id=maren.id)
        states = bud_states(conn, sampling)
        assert [(row.state, row.n_called) for row in states] == [("done", 3), ("no_photo", 0)]
        mine = review.take_lease(conn, other, maren)
        ivo = people.ensure_person(conn, "Ivo Lund")
        theirs = review.take_lease(conn, other, ivo)
        assert (mine.mine, theirs.mine, theirs.person) == (True, False, "Maren Holt")
        review.release(conn, other, ivo.id)  # not theirs to give back
        assert not review.take_lease(conn, other, ivo).mine
        review.release(conn, other, maren.id)
        assert review.take_lease(conn, other, ivo).mine
        review.set_bookmark(conn, maren.id, "review", {"bud": other})
        review.set_bookmark(conn, maren.id, "review", {"bud": bud})
        assert review.get_bookmark(conn, maren.id, "review") == {"bud": bud}
        assert review.get_bookmark(conn, ivo.id, "review") is None


def _random_calls(conn: Connection, rng: np.random.Generator) -> dict[int, tuple[str, str]]:
    """Write calls and proposals of ten buds at random; return each blind one that counts."""
    who = people.ensure_person(conn, "Maren Holt").id
    model = models.ensure_model(conn, "drawn-1", "0" * 64, "drawn-1")
    standing: dict[tuple[int, str, str], dict[str, Any]] = {}
    verdicts: dict[tuple[int, str], list[tuple[str, str]]] = {}
    for node in range(1, 11):
        _, bud = _bud(conn, node)
        number = conn.execute(insert(photo).values(
            file_name="p.jpg", format="JPEG", n_bytes=1, sha256=f"{node:064x}", width_px=9,
            height_px=9, added_at="2026-02-01")).inserted_primary_key[0]
        conn.execute(insert(assignment).values(
            photo_id=number, bud_id=bud, cut=1, source="manifest", added_at="2026-02-01"))
        for day in ("2026-02-02", "2026-02-05"):
            told = conn.execute(insert(proposal).values(
                photo_id=number, model_id=model, found=True, added_at=day)).inserted_primary_key[0]
            for tissue in TISSUES:
                verdict = str(rng.choice(["live", "dead", "unsure"]))
                verdicts.setdefault((bud, tissue.value), []).append((day, verdict))
                conn.execute(insert(proposal_tissue).values(
                    proposal_id=told, tissue=tissue.value, exposed=True, verdict=verdict,
                    p_dead=0.5))
        for day in range(3, 9):
            row: dict[str, Any] = {
                "bud_id": bud, "tissue": str(rng.choice([t.value for t in TISSUES])),
                "round": str(rng.choice(["first", "first", "second", "settled"])),
                "value": str(rng.choice(["live", "dead", "unsure", "withdrawn"])),
                "blind": bool(rng.random() < 0.7), "added_at": f"2026-02-0{day}",
                "person_id": who, "source": "page"}
            row["id"] = conn.execute(insert(call).values(**row)).inserted_primary_key[0]
            standing[bud, row["tissue"], row["round"]] = row
    wanted = {}
    for (bud, tissue, round_), row in standing.items():
        settled = standing.get((bud, tissue, "settled"), {"value": "withdrawn"})
        counts = round_ == "settled" or (round_ == "first" and settled["value"] == "withdrawn")
        if counts and row["blind"] and row["value"] in ("live", "dead"):
            wanted[row["id"]] = row["value"], [
                verdict for day, verdict in verdicts[bud, tissue] if day <= row["added_at"]][-1]
    return wanted


def test_blind_calls_that_count_stand_beside_the_newest_verdict_before_them(
    any_season: Season,
) -> None:
    rng = np.random.default_rng(5)
    with any_season.write() as conn:
        sampling, _ = _bud(conn)
        wanted = _random_calls(conn, rng)
    with any_season.read() as conn:
        found = learning.blind_agreement(conn, [sampling])[sampling]
    assert len(wanted) >= 10
    assert {number: (value, verdict) for _, number, value, verdict, _ in found} == wanted
    assert found == sorted(found)


def test_samplings_that_are_called_in_full_have_nothing_out_of_step(any_season: Season) -> None:
    with any_season.write() as conn:
        _random_calls(conn, np.random.default_rng(5))
        sampling, _ = _bud(conn)
    with any_season.read() as conn:
        before = len(learning.photos_out_of_step(conn, None))
        assert learning.count_out_of_step(conn, None, [sampling]) == {sampling: before}
    assert before > 0
    with any_season.write() as conn:
        who = people.ensure_person(conn, "Maren Holt")
        for node in range(1, 11):
            calls.save_calls(conn, _bud(conn, node)[1], dict.fromkeys(TISSUES, LIVE),
                             person_id=who.id, round="settled")
    with any_season.read() as conn:
        assert learning.photos_out_of_step(conn, None) == []
        assert learning.count_out_of_step(conn, None, [sampling]) == {sampling: 0}
