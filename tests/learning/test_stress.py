"""Slices of a stress: what is counted in which kind."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from budvision.learning.observe import HALF_DEAD
from budvision.learning.stress import Slice, slices, stress_lines, worst_slices
from budvision.photo.features import FEATURE_NAMES
from budvision.verdict.persist import load_verdict

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
