"""What nobody could see in a render is asked of nobody."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from budvision.render.examples import JUDGEMENTS, UNKNOWN, draw_example
from budvision.render.visible import on_the_border, sights
from budvision.vocabulary import Tissue


def _face(green: int, *, at: int = 160) -> tuple[np.ndarray, np.ndarray]:
    """A grey-white face with a green disc as primary."""
    image = np.full((320, 320, 3), (90, 60, 40), np.uint8)
    labels = np.zeros((320, 320), np.uint8)
    cv2.circle(image, (160, 160), 120, (200, 195, 185), -1)
    cv2.circle(labels, (160, 160), 120, 4, -1)
    cv2.circle(image, (at, 160), 45, (200 - green, 195, 185 - green), -1)
    cv2.circle(labels, (at, 160), 45, 1, -1)
    return image, labels


def test_a_green_primary_in_pale_wool_is_clear() -> None:
    seen = sights(*_face(90))[Tissue.PRIMARY]
    assert seen.clear
    assert seen.clipped == 0.0
    # scikit-image, the same two colours: an independent CIE 1976 difference
    from skimage.color import rgb2lab

    lab = rgb2lab(np.array([[[110, 195, 95], [200, 195, 185]]], np.uint8))
    assert seen.difference == pytest.approx(np.linalg.norm(lab[0, 0] - lab[0, 1]), rel=0.05)


def test_tissue_of_the_wools_own_colour_is_not_clear() -> None:
    assert not sights(*_face(2))[Tissue.PRIMARY].clear


def test_burnt_out_tissue_is_not_clear() -> None:
    image, labels = _face(90)
    image[labels == 1] = 255
    seen = sights(image, labels)[Tissue.PRIMARY]
    assert seen.clipped > 0.9
    assert not seen.clear


def test_tissue_burnt_out_in_two_channels_is_not_clear() -> None:
    image, labels = _face(90)
    image[labels == 1] = (255, 254, 120)  # yellow lamp: green or brown, nobody can tell
    assert sights(image, labels)[Tissue.PRIMARY].clipped > 0.9


def test_burnt_out_is_told_by_the_top_of_the_cameras_curve() -> None:
    image, labels = _face(90)
    image[labels == 1] = 228  # a curve that ends at 228
    image[image > 228] = 228
    assert sights(image, labels)[Tissue.PRIMARY].clipped > 0.9
    image[60:90, 140:180] = 255  # wool beside it goes higher: 228 is pale, not burnt out
    assert sights(image, labels)[Tissue.PRIMARY].clipped == 0.0


@pytest.mark.parametrize(
    ("light", "why_not", "border"),
    [(1.0, "", False), (0.25, "", True), (0.25, "too_dark", False), (1.0, "too_dark", True)],
)
def test_a_fault_of_light_is_told_by_the_finished_picture(
    light: float, why_not: str, border: bool
) -> None:
    image, labels = _face(90)
    dimmed = (image * light).astype(np.uint8)
    assert on_the_border(dimmed, labels, why_not) is border


def test_a_lamp_too_strong_that_left_the_primary_well_lit_counts_neither_way() -> None:
    image, labels = _face(90)
    image[labels == 4] = 255
    assert on_the_border(image, labels, "blown_out")
    image[labels == 1] = 255
    assert not on_the_border(image, labels, "blown_out")


def test_faults_of_depth_and_pictures_without_a_face_are_no_border() -> None:
    image, labels = _face(90)
    assert not on_the_border(image // 8, labels, "too_deep")
    assert not on_the_border(image, np.zeros_like(labels), "too_dark")


def test_tissue_cut_by_the_frame_is_not_clear() -> None:
    image, labels = _face(90)
    seen = sights(image[:, 150:], labels[:, 150:])[Tissue.PRIMARY]
    assert seen.cut_off
    assert not seen.clear


def test_nothing_labelled_gives_nothing() -> None:
    assert sights(np.zeros((64, 64, 3), np.uint8), np.zeros((64, 64), np.uint8)) == {}


@pytest.mark.slow
def test_examples_ask_nothing_where_nobody_could_tell() -> None:
    examples = [draw_example(np.random.default_rng(77_000 + i), side_px=160) for i in range(120)]
    said = {example.judgement for example in examples}
    assert said <= {*JUDGEMENTS, ""}
    marks = {mark for example in examples for mark in example.exposed}
    assert marks == {0, 1, UNKNOWN}
    for example in examples:
        if example.judgement == "usable" and example.close:
            assert example.exposed[0] == 1
            assert (example.labels == 1).sum() >= 4
