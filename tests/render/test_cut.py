"""The renderer: determinism, exact labels, truths that agree with the picture, a wide world."""

from __future__ import annotations

import numpy as np
import pytest

from budvision.errors import UsageError
from budvision.render.cut import render_cut
from budvision.render.examples import JUDGEMENTS, draw_example
from budvision.render.negatives import NEGATIVES, render_negative
from budvision.render.world import BENCHES, CAMERAS, DEPTHS, FAULTS, LIGHTS, sample_world
from budvision.vocabulary import TISSUES


def _cut(seed: int, **given: object):  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(seed)
    return render_cut(rng, world=sample_world(rng, **given), size_px=200)  # type: ignore[arg-type]


def test_the_same_state_gives_the_same_picture() -> None:
    for seed in range(3):
        first, second = _cut(seed), _cut(seed)
        assert np.array_equal(first.image, second.image)
        assert np.array_equal(first.labels, second.labels)
        assert first.truth == second.truth
    assert not np.array_equal(_cut(1).image, _cut(2).image)


def test_shapes_types_and_label_values() -> None:
    cut = render_cut(np.random.default_rng(4), size_px=160, aspect=0.75, out_px=320)
    assert cut.image.shape == (240, 320, 3)
    assert cut.labels.shape == cut.brown.shape == (240, 320)
    assert cut.image.dtype == cut.labels.dtype == np.uint8
    assert set(np.unique(cut.labels)) <= {0, 1, 2, 3, 4}


@pytest.mark.slow
def test_truth_agrees_with_labels_and_world() -> None:
    for seed in range(20):
        cut = _cut(seed, fault="", face_share=(0.5, 0.9))
        for index, tissue in enumerate(TISSUES):
            seen = bool((cut.labels == tissue.label).sum() >= 4)
            if cut.truth.depth not in ("too_shallow", "too_deep"):
                assert cut.truth.exposed[tissue] == seen
            if cut.truth.exposed[tissue]:
                assert cut.truth.world.exposed[index]
                assert cut.truth.dead[tissue] == cut.truth.world.is_dead(tissue)
        assert cut.truth.usable == (cut.truth.depth not in ("too_shallow", "too_deep"))


@pytest.mark.slow
def test_brown_growing_points_are_those_called_dead() -> None:
    agree = []
    for seed in range(60):
        cut = _cut(seed, fault="", depths=("full",), face_share=(0.6, 0.9), blades=("sharp",))
        agree += [(cut.truth.core_brown[t] > 0.5) == dead for t, dead in cut.truth.dead.items()]
    assert np.mean(agree) > 0.97  # patches may reach the growing point of a few


@pytest.mark.slow
def test_the_primary_is_largest_and_the_secondary_lies_toward_the_cane_base() -> None:
    toward, larger = [], []
    for seed in range(40):
        cut = _cut(seed, fault="", depths=("full",), base_deg=180.0, face_share=(0.6, 0.9),
                   blades=("sharp",))
        area = {t: int((cut.labels == t.label).sum()) for t in TISSUES}
        if all(cut.truth.exposed[t] for t in TISSUES):
            centre = {t: np.argwhere(cut.labels == t.label).mean(0) for t in TISSUES}
            toward.append(centre[TISSUES[1]][1] < centre[TISSUES[0]][1] < centre[TISSUES[2]][1])
            larger.append(area[TISSUES[0]] > area[TISSUES[1]] > area[TISSUES[2]])
    assert len(toward) > 20
    assert np.mean(toward) > 0.95
    assert np.mean(larger) > 0.9


@pytest.mark.parametrize("fault", FAULTS)
def test_faults_are_named(fault: str) -> None:
    cut = _cut(7, fault=fault)
    assert (cut.truth.usable, cut.truth.why_not) == (False, fault)


@pytest.mark.parametrize("kind", NEGATIVES)
def test_every_other_picture_can_be_drawn(kind: str) -> None:
    image = render_negative(np.random.default_rng(3), kind=kind, size_px=128)
    assert image.shape == (128, 128, 3)
    assert image.std() > 0.5


@pytest.mark.slow
@pytest.mark.parametrize("names", [
    {"lights": (name,)} for name in LIGHTS] + [{"cameras": (name,)} for name in CAMERAS] + [
    {"benches": (name,)} for name in BENCHES] + [{"depths": (name,)} for name in DEPTHS])
def test_a_world_can_be_narrowed(names: dict[str, tuple[str]]) -> None:
    cut = _cut(5, **names)
    (what, (name,)), = names.items()
    field = {"lights": "light", "cameras": "camera", "benches": "bench", "depths": "depth"}[what]
    assert getattr(cut.truth.world, field) == name


def test_wrong_names_and_sizes_are_refused() -> None:
    with pytest.raises(UsageError, match="light is 'moon'"):
        sample_world(np.random.default_rng(0), lights=("moon",))
    with pytest.raises(UsageError, match="size_px is 3"):
        render_cut(np.random.default_rng(0), size_px=3)


@pytest.mark.slow
def test_examples_hold_what_the_network_learns() -> None:
    seen = set()
    for seed in range(30):
        example = draw_example(np.random.default_rng(seed), side_px=128)
        assert example.image.shape == (128, 128, 3)
        assert example.labels.shape == example.dead.shape == (128, 128)
        assert not (example.dead[(example.labels == 0) | (example.labels == 4)]).any()
        seen.add(example.judgement)
    assert seen <= set(JUDGEMENTS)
    assert {"usable", "no_cut_face"} <= seen
