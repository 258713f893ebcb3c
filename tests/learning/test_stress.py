"""Slices of a stress: what is counted in which kind."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from budvision.learning.evaluate import evaluate_observations, training_rows
from budvision.learning.observe import HALF_DEAD, WORLD_KEYS
from budvision.learning.stress import Slice, slices, stress_lines, worst_slices
from budvision.photo.features import FEATURE_NAMES
from budvision.verdict.persist import load_verdict
from budvision.vocabulary import Verdict

MODEL = Path(__file__).parents[2] / "models" / "bench-1.0"


def test_each_kind_counts_its_own_photographs() -> None:
    model = load_verdict(MODEL / "verdict.skops")
    row = np.full((3, 3, len(FEATURE_NAMES)), np.nan)
    row[0, 0] = row[1, 0] = model.novelty.middle
    table = {
        "row": row, "usable": np.array([True, True, False]), "found": np.array([True, True, False]),
        "why_not": np.array(["", "", "torn"]),
        "kinds": np.array(["bent,usb camera", "bent", "torn"]),
        "exposed_true": np.array([[1, 0, 0]] * 2 + [[0, 0, 0]], bool),
        "clear": np.ones((3, 3), bool), "centre_inside": np.array([[1, 0, 0]] * 3, bool),
        "dead": np.array([[1, -1, -1], [HALF_DEAD, -1, -1], [-1, -1, -1]]),
        "swap_doubt": np.zeros(3),
    }
    found = {one.kind: one for one in slices(table, model)}
    assert set(found) == {"bent", "usb camera", "torn"}
    assert (found["bent"].tissues, found["bent"].half_dead, found["bent"].dead) == (2, 1, 1)
    assert (found["usb camera"].photos, found["usb camera"].half_dead) == (1, 0)
    assert (found["torn"].unusable, found["torn"].refused, found["torn"].photos) == (1, 1, 0)
    assert len(stress_lines(list(found.values()))) == 4


def test_the_worst_are_those_with_most_wrong_calls() -> None:
    plain = dict.fromkeys(Slice.__dataclass_fields__, 0)
    kinds = [Slice(**{**plain, "kind": name, "called": called, "right": right})
             for name, called, right in (("a", 50, 45), ("b", 50, 50), ("c", 50, 40), ("d", 9, 1))]
    assert [one.kind for one in worst_slices(kinds)] == ["c", "a"]
    assert kinds[0].wrong == pytest.approx(0.1)


def test_what_people_would_leave_unsure_is_learned_by_none_and_counted_apart() -> None:
    model = load_verdict(MODEL / "verdict.skops")
    row = np.full((4, 3, len(FEATURE_NAMES)), np.nan)
    certain = model.reserve_rows[np.argmax(model.p_dead(model.reserve_rows))]
    row[:, 0] = *[model.novelty.middle] * 3, certain
    first = np.zeros((4, 3), bool)
    first[:, 0] = True
    state = np.array([[0, -1, -1], [0, -1, -1], [HALF_DEAD, -1, -1], [HALF_DEAD, -1, -1]])
    table = {
        "row": row, "usable": np.ones(4, bool), "found": np.ones(4, bool),
        "why_not": np.array([""] * 4), "reasons": np.array([""] * 4),
        "world": np.full((4, len(WORLD_KEYS)), "any"), "dead": state, "dead_here": state,
        "exposed_true": first, "exposed_said": first, "centre_inside": first, "based_said": first,
        "based_inside": first, "clear": np.ones((4, 3), bool), "swap_doubt": np.zeros(4),
        "overlap": np.where(first, 0.9, np.nan),
    }
    found = evaluate_observations(table, model)
    said = [model.verdicts(row[at, :1])[0] for at in (2, 3)]
    assert said[1] is Verdict.DEAD
    assert found["verdicts"]["all"]["n"] == 2
    assert found["unsure"] == {"n": 2, "left_unsure": int(said[0] is Verdict.UNSURE)}
    assert found["segmentation"]["primary"]["n_exposed"] == 4  # finding it is asked all the same
    rows, dead, photo = training_rows(table)
    assert (len(rows), dead.tolist(), photo.tolist()) == (2, [False] * 2, [0, 1])
