"""Slices of a stress: what is counted in which kind."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from budvision.learning import observe
from budvision.learning.evaluate import evaluate_observations, training_rows
from budvision.learning.observe import (
    HALF_DEAD,
    WORLD_KEYS,
    Scene,
    columns_of,
    observe_together,
)
from budvision.learning.stress import (
    Slice,
    behind,
    beside_lines,
    slices,
    stress_lines,
    whole,
    worst_slices,
)
from budvision.photo.features import FEATURE_NAMES
from budvision.photo.read import read_photo
from budvision.verdict.persist import load_verdict
from budvision.vocabulary import TISSUES, Tissue, Verdict

SAMPLE = Path(__file__).parents[2] / "sample_images" / "apricot_c1_n1_k1.jpg"
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
        "drawn": np.array([[1, -1, -1], [0, -1, -1], [-1, -1, -1]]),
        "swap_doubt": np.zeros(3), "doubtful": np.zeros((3, 3), bool),
        "exposed_said": np.array([[1, 0, 0]] * 3, bool),
        "dead_here": np.array([[1, -1, -1], [HALF_DEAD, -1, -1], [-1, -1, -1]]),
    }
    judged, drawn = whole(table, model), whole(table, model, as_drawn=True)
    assert (judged.photos, judged.unusable, judged.asked, judged.half_dead) == (2, 1, 1, 1)
    assert (drawn.asked, drawn.half_dead, drawn.dead) == (2, 0, 1)  # drawn live, for nobody to see
    found = {one.kind: one for one in slices(table, model)}
    assert set(found) == {"bent", "usb camera", "torn"}
    assert (found["bent"].tissues, found["bent"].inside) == ((2, 0, 0), (2, 0, 0))
    assert (found["bent"].half_dead, found["bent"].dead, found["bent"].asked) == (1, 1, 1)
    assert (found["usb camera"].photos, found["usb camera"].half_dead) == (1, 0)
    assert (found["torn"].unusable, found["torn"].refused, found["torn"].photos) == (1, 1, 0)
    assert len(stress_lines(list(found.values()))) == 4


def test_what_is_called_where_no_bud_lies_is_counted_and_doubt_is_no_call() -> None:
    model = load_verdict(MODEL / "verdict.skops")
    certain = model.reserve_rows[np.argmax(model.p_dead(model.reserve_rows))]
    row = np.full((2, 3, len(FEATURE_NAMES)), np.nan)
    row[:, :2] = certain
    both = np.array([[1, 1, 0]] * 2, bool)
    table = {
        "row": row, "usable": np.ones(2, bool), "found": np.ones(2, bool),
        "why_not": np.array(["", ""]), "kinds": np.array(["bent", "bent"]),
        "exposed_true": np.array([[1, 0, 0]] * 2, bool), "exposed_said": both,
        "clear": np.ones((2, 3), bool), "centre_inside": np.array([[1, 0, 0]] * 2, bool),
        "dead": np.array([[1, -1, -1]] * 2), "drawn": np.array([[1, -1, -1]] * 2),
        "dead_here": np.array([[1, -1, -1]] * 2), "swap_doubt": np.zeros(2),
        "doubtful": np.array([[0, 0, 0], [0, 1, 0]], bool),
    }
    found = whole(table, model)
    assert (found.said, found.no_bud, found.no_bud_called) == (4, 2, 1)
    assert (found.asked, found.called, found.right) == (2, 2, 2)  # which the other rows overlook
    lines = beside_lines([("one", found, found)])
    assert ["called where no bud tissue lies, of tissues shown", "25.0 % of 4", "at most 1 %"] in \
        lines


def _slice(**given: object) -> Slice:
    none = {**dict.fromkeys(Slice.__dataclass_fields__, 0), "tissues": (0,) * 3, "inside": (0,) * 3}
    return Slice(**{**none, **given})


def test_models_stand_beside_each_other_and_what_is_missed_is_told_by_kind() -> None:
    good = _slice(kind="all", photos=100, tissues=(100, 90, 80), inside=(100, 90, 60), asked=200,
                  called=190, right=190, dead=100, unusable=10, refused=10)
    drawn = _slice(kind="all", asked=250, called=220, right=210, dead=120, dead_called_live=6)
    lines = beside_lines([("one", good, drawn), ("other", good, good)])
    assert {len(line) for line in lines} == {4}
    cells = {line[0]: line[1:] for line in lines}
    assert cells["right among called"] == ["100.0 % of 190", "100.0 % of 190", "98.5 %"]
    assert cells["dead called live, asked of what nobody could judge too"] == [
        "5.0 % of 120", "0.0 % of 100", "at most 1 %"]
    kinds = [_slice(kind="stacked", tissues=(50, 50, 50), inside=(50, 50, 20)),
             _slice(kind="torn", tissues=(9, 9, 4), inside=(9, 9, 3)),
             _slice(kind="in line", tissues=(50, 50, 50), inside=(50, 50, 48))]
    assert behind(good, kinds) == ["centre of the tertiary inside: stacked 40.0 % of 50"]
    assert behind(_slice(kind="all", called=100, right=98), kinds)[0].endswith("a little")


def test_two_models_look_at_one_drawing(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: list[int] = []

    def draw(seed: int) -> Scene:
        drawn.append(seed)
        image = read_photo(SAMPLE, max_side_px=640).image
        return Scene(
            image=image, labels=np.zeros(image.shape[:2], np.uint8), usable=True, why_not="",
            exposed=dict.fromkeys(TISSUES, True), dead={Tissue.PRIMARY: True},
            unsure=(Tissue.PRIMARY, Tissue.SECONDARY), world=dict.fromkeys(WORLD_KEYS, "any"),
            base_deg=0.0)

    monkeypatch.setattr(observe, "HANDS", {"one": draw})
    folders = [MODEL, MODEL.parent / "staged-1.0"]
    [pair] = observe_together([7], folders=folders, hand="one", workers=1)
    assert (drawn, len(pair)) == ([7], 2)
    assert not np.array_equal(pair[0].row, pair[1].row, equal_nan=True)
    table = columns_of(pair)
    assert table["drawn"].tolist() == [[1, HALF_DEAD, -1]] * 2  # the primary nobody could judge
    assert table["dead"].tolist() == [[HALF_DEAD, HALF_DEAD, -1]] * 2


def test_the_worst_are_those_with_most_wrong_calls() -> None:
    kinds = [_slice(kind=name, called=called, right=right)
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
        "doubtful": np.zeros((4, 3), bool),
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
