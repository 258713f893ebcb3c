"""The segmenter on renders with seeds never trained on, and on real pictures that are not buds."""

from __future__ import annotations

import pickle
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage.data

from budvision.errors import InputError, NotFoundError
from budvision.photo.refusals import JUDGEMENTS, reason_for
from budvision.photo.segment import Segmentation, Segmenter, segment
from budvision.render.cut import RenderedCut, render_cut
from budvision.render.visible import on_the_border
from budvision.render.world import sample_world
from budvision.settings import models_folder
from budvision.vocabulary import TISSUES

SHARED = Path(__file__).resolve().parents[2].parent / "shared" / "real"
SEEDS = range(980_000_000, 980_000_024)  # the training blocks lie below 900,000,000


@lru_cache(maxsize=1)
def _segmenter() -> Segmenter:
    return Segmenter.load(models_folder() / "bench-1.0")


@lru_cache(maxsize=32)
def _seen(seed: int) -> tuple[RenderedCut, Segmentation]:
    rng = np.random.default_rng(seed)
    world = sample_world(rng, depths=("middle", "full"), fault="", face_share=(0.3, 0.8),
                         blades=("sharp",))
    cut = render_cut(rng, world=world, size_px=480, aspect=0.75)
    return cut, segment(cut.image, segmenter=_segmenter())


def _inside(mask: np.ndarray) -> tuple[int, int]:
    depth = cv2.distanceTransform(np.pad(mask.astype(np.uint8), 1), cv2.DIST_L2, 3)[1:-1, 1:-1]
    row, col = np.unravel_index(int(depth.argmax()), depth.shape)
    return int(row), int(col)


@pytest.mark.slow
def test_primary_is_found_in_renders_never_trained_on() -> None:
    right = []
    for seed in SEEDS:
        cut, found = _seen(seed)
        labels = found.full_labels(*cut.image.shape[:2])
        right.append(found.found and bool((labels == 1).any())
                     and bool((cut.labels == 1)[_inside(labels == 1)]))
    assert np.mean(right) >= 0.95  # first bar of the main job


def test_at_most_one_region_a_tissue_and_flankers_apart() -> None:
    for seed in list(SEEDS)[:12]:
        found = _seen(seed)[1]
        centres = {}
        for tissue in TISSUES:
            mask = (found.labels == tissue.label).astype(np.uint8)
            count, _, _, centre = cv2.connectedComponentsWithStats(mask)
            assert count <= 2 or mask.sum() < 0.01 * mask.size
            if count == 2:
                centres[tissue] = centre[1]
        if len(centres) == 3:
            primary, second, third = (centres[tissue] for tissue in TISSUES)
            assert (second - primary) @ (third - primary) < 0.3 * np.hypot(
                *(second - primary)) * np.hypot(*(third - primary))


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_quarter_turns_change_nothing(turns: int) -> None:
    for seed in list(SEEDS)[:5]:
        cut, plain = _seen(seed)
        turned = segment(np.ascontiguousarray(np.rot90(cut.image, turns)), segmenter=_segmenter())
        assert turned.found == plain.found
        agree = np.rot90(turned.full_labels(*np.rot90(cut.image, turns).shape[:2]), -turns)
        assert np.mean(agree == plain.full_labels(*cut.image.shape[:2])) > 0.985
        for tissue in TISSUES:
            assert (turned.exposed[tissue] > 0.5) == (plain.exposed[tissue] > 0.5)


def test_labels_are_pasted_to_full_size() -> None:
    cut, found = _seen(SEEDS[0])
    small = found.full_labels(*cut.image.shape[:2])
    large = found.full_labels(3 * cut.image.shape[0], 3 * cut.image.shape[1])
    assert np.mean(large[1::3, 1::3] == small) > 0.99
    assert found.confidence.shape == found.labels.shape == found.dead_map.shape
    assert 0 <= float(found.confidence.min()) <= float(found.confidence.max()) <= 1


def test_the_image_is_not_changed_and_answers_repeat() -> None:
    cut, found = _seen(SEEDS[1])
    before = cut.image.copy()
    again = segment(cut.image, segmenter=pickle.loads(pickle.dumps(_segmenter())))  # noqa: S301
    assert np.array_equal(before, cut.image)
    assert np.array_equal(again.labels, found.labels)


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["too_dark", "too_blurred", "blown_out"])
def test_faults_are_refused_with_a_next_step(fault: str) -> None:
    refused = drawn = 0
    for seed in range(981_000_000, 981_000_012):
        rng = np.random.default_rng(seed)
        world = sample_world(rng, depths=("full",), fault=fault, face_share=(0.4, 0.8))
        cut = render_cut(rng, world=world, size_px=400)
        if on_the_border(cut.image, cut.labels, fault):  # the lamp too strong, the tissue lit well
            continue
        found = segment(cut.image, segmenter=_segmenter())
        drawn += 1
        refused += not found.found
        assert found.found or all(len(reason.text.split(". ")) >= 2 for reason in found.reasons)
    assert drawn >= 6
    assert refused >= drawn - 1


COLOUR_PHOTOGRAPHS = ("astronaut", "chelsea", "coffee", "colorwheel", "immunohistochemistry",
                      "hubble_deep_field", "retina", "rocket")


@pytest.mark.parametrize("name", COLOUR_PHOTOGRAPHS)
def test_photographs_of_other_things_are_refused(name: str) -> None:
    image = np.ascontiguousarray(getattr(skimage.data, name)()[..., :3])
    found = segment(image, segmenter=_segmenter())
    assert not found.found
    assert found.reasons


def test_sample_images_of_scikit_learn_are_refused() -> None:
    from sklearn.datasets import load_sample_images

    for image in load_sample_images().images:
        assert not segment(image, segmenter=_segmenter()).found


@pytest.mark.slow
@pytest.mark.shared
def test_real_pictures_without_a_cut_face_are_refused() -> None:
    files = sorted(SHARED.glob("*/*.[jp][pn]g"))
    assert len(files) >= 20
    accepted = []
    for path in files:
        picture = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_COLOR)
        image = np.ascontiguousarray(picture[..., ::-1])
        if segment(image, segmenter=_segmenter()).found:
            accepted.append(path.name)
    assert accepted == []


def test_a_folder_without_a_network_is_named(tmp_path: Path) -> None:
    with pytest.raises(NotFoundError, match=r"segmenter\.onnx is missing"):
        Segmenter.load(tmp_path)
    (tmp_path / "segmenter.onnx").write_bytes(b"not a network")
    with pytest.raises(InputError, match="not a network"):
        Segmenter.load(tmp_path)


@pytest.mark.parametrize(
    ("whole", "damaged"),
    [
        (b"kernel_shape@\x03@\x03", b"kernel_shape@\x07@\x03"),
        (b"crop_px\x12\x03384", b"crop_px\x12\x03abc"),
    ],
    ids=["opens but does not run", "its facts are no text"],
)
def test_a_damaged_network_is_refused_before_a_photograph(
    tmp_path: Path, whole: bytes, damaged: bytes
) -> None:
    data = (models_folder() / "staged-1.0" / "segmenter.onnx").read_bytes()
    assert whole in data
    (tmp_path / "segmenter.onnx").write_bytes(data.replace(whole, damaged, 1))
    with pytest.raises(InputError, match="not a network"):
        Segmenter.load(tmp_path)


@pytest.mark.parametrize("code", [name for name in JUDGEMENTS if name != "usable"])
def test_each_reason_has_its_text(code: str) -> None:
    reason = reason_for(code)
    assert reason.code == code
    assert reason.text.endswith(".")


def test_nothing_is_found_outside_the_photograph() -> None:
    for seed in SEEDS:
        cut, found = _seen(seed)
        if not found.found:
            continue
        rows = np.nonzero(cut.labels == 1)[0]
        cropped = np.ascontiguousarray(cut.image[: int(np.quantile(rows, 0.9))])
        again = segment(cropped, segmenter=_segmenter())
        row0, _, row1, _ = again.box
        if row1 <= cropped.shape[0]:
            continue
        n = again.labels.shape[0]
        beyond = int(np.ceil((cropped.shape[0] - row0) * n / (row1 - row0))) + 2
        assert not again.labels[beyond:].any()
        return
    pytest.fail("no photograph was cut off")


@pytest.mark.slow
def test_a_burnt_out_flanker_does_not_count_as_exposed() -> None:
    done = 0
    for seed in SEEDS:
        cut, found = _seen(seed)
        if not found.found or not (found.labels == 2).any() or not (cut.labels == 2).any():
            continue
        image = cut.image.copy()
        spot = cv2.dilate((cut.labels == 2).astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
        image[spot & (cut.labels != 1)] = 255
        again = segment(image, segmenter=_segmenter())
        if not again.found:
            continue
        for label, tissue in ((2, TISSUES[1]), (3, TISSUES[2])):
            region = again.labels == label
            if region.any():
                assert (again.crop[region].min(axis=1) >= 250).mean() <= 0.85
            else:
                assert again.exposed[tissue] < 0.5
        done += 1
    assert done >= 3
