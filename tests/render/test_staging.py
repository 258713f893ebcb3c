"""Benches that nobody staged: every kind is drawn, tidy worlds stay as they were."""

from __future__ import annotations

import numpy as np

from budvision.learning.scenes import FIRST_SEED, draw_staged
from budvision.render.cut import RenderedCut, render_cut
from budvision.render.process import processed
from budvision.render.staging import KINDS, TIDY, Staging
from budvision.render.world import World, sample_world, staged
from budvision.vocabulary import Tissue


def _world(**staging: object) -> World:
    rng = np.random.default_rng(5)
    world = sample_world(rng, depths=("full",), fault="", face_share=(0.8, 0.8))
    return world.changed(
        exposed=(True, True, True), conditions=("fresh",) * 3, blade="sharp",
        staging=Staging(**staging))  # type: ignore[arg-type]


def _cut(seed: int, **staging: object) -> RenderedCut:
    return render_cut(np.random.default_rng(seed), world=_world(**staging), size_px=160)


def _centre(cut: RenderedCut, tissue: Tissue) -> np.ndarray:
    return np.argwhere(cut.labels == tissue.label).mean(0)


def test_every_kind_comes_up() -> None:
    seen: set[str] = set()
    for seed in range(400):
        rng = np.random.default_rng(seed)
        world = staged(rng, sample_world(rng))
        seen |= set(world.staging.kinds(world.conditions))
    assert seen | {"tidy"} == set(KINDS)
    assert TIDY.kinds() == ("tidy",)


def test_flankers_of_one_side_and_stacked_ones_lie_there() -> None:
    for arrangement in ("one_side", "stacked"):
        beside = []
        for seed in range(12):
            cut = _cut(seed, arrangement=arrangement)
            if all(cut.truth.exposed.values()):
                first, second = (_centre(cut, t) - _centre(cut, Tissue.PRIMARY)
                                 for t in (Tissue.SECONDARY, Tissue.TERTIARY))
                beside.append(float(first @ second) > 0)
        assert len(beside) > 6
        assert np.mean(beside) > 0.8


def test_zones_fold_into_scales_and_growing_points_lie_in_their_tissues() -> None:
    for green, zone in (("cushion", 5), ("cortex", 5), ("slant", 5)):
        cut = _cut(3, green=green)
        assert (cut.zones == zone).any()
        assert (cut.labels[cut.zones >= 4] == 4).all()
        for tissue, (row, col, _) in cut.truth.growing_points.items():
            assert cut.labels[round(row), round(col)] == tissue.label


def test_torn_and_cut_through_the_cane_cannot_be_judged() -> None:
    torn = _cut(2, torn=1.3)
    assert torn.truth.why_not == "torn"
    assert (torn.zones == 7).any()
    world = _world(through_cane=True).changed(depth="too_deep", exposed=(False,) * 3)
    cut = render_cut(np.random.default_rng(1), world=world, size_px=160)
    assert cut.truth.why_not == "too_deep"
    assert (cut.zones == 6).mean() > 0.05


def test_half_dead_tissue_is_neither() -> None:
    world = _world().changed(conditions=("half", "wide_rim", "core_patch"))
    cut = render_cut(np.random.default_rng(4), world=world, size_px=160)
    assert Tissue.PRIMARY not in cut.truth.dead
    assert cut.truth.dead[Tissue.SECONDARY] is False
    assert cut.truth.dead[Tissue.TERTIARY] is True


def test_processing_keeps_the_picture_recognisable() -> None:
    image = _cut(6).image
    for process in ("usb", "phone", "smear"):
        out = processed(image, np.random.default_rng(1), process=process, face_px=120)
        assert out.shape == image.shape
        assert out.dtype == np.uint8
        alike = np.corrcoef(out.mean(2).ravel(), image.mean(2).ravel())[0, 1]
        assert 0.6 < alike < 0.99999
    assert processed(image, np.random.default_rng(1), process="", face_px=120) is image


def test_staged_scenes_name_their_kinds() -> None:
    scene = draw_staged(FIRST_SEED + 310_000_000)
    assert set(scene.kinds) <= set(KINDS)
    assert set(np.unique(scene.labels)) <= {0, 1, 2, 3, 4}


def test_what_nobody_could_judge_in_the_photograph_is_left_unsure_and_says_why() -> None:
    reasons: dict[str, int] = {}
    for seed in range(40):
        look = ("", "pale", "reddish", "brown_wool")[seed % 4]
        world = _world(look=look).changed(
            conditions=("smeared", "olive", "small_core"), cultivar="deep", exposure_stops=0.0)
        truth = render_cut(np.random.default_rng(seed), world=world, size_px=160).truth
        assert set(truth.unsure) <= {t for t, shown in truth.exposed.items() if shown}
        for why in truth.unsure.values():
            reasons[why] = reasons.get(why, 0) + 1
    assert {"of the other side's colour", "between living and dead"} <= set(reasons)
    assert sum(reasons.values()) < 80  # most can be judged


def test_plain_tissue_under_plain_light_is_hardly_ever_left_unsure() -> None:
    n = n_unsure = 0
    for seed in range(30):
        rng = np.random.default_rng(seed)
        world = sample_world(rng, depths=("full",), lights=("daylight",), cameras=("camera",),
                             cultivars=("mid_green",), fault="", face_share=(0.8, 0.8)).changed(
            conditions=("fresh", "reddish", "fresh"), blade="sharp", exposure_stops=0.0)
        truth = render_cut(rng, world=world, size_px=320).truth
        n += sum(truth.exposed.values())
        n_unsure += len(truth.unsure)
    assert n > 60
    assert n_unsure / n < 0.08
