"""What nobody could see in a render is asked of nobody."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from budvision.render.examples import JUDGEMENTS, UNKNOWN, draw_example
from budvision.render.palette import CULTIVARS, DEAD_LOOKS, away_from, lch_to_linear
from budvision.render.visible import life_seen, on_the_border, sights
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


_GREEN, _BROWN = (0.16, 0.30, 0.08), (0.16, 0.09, 0.05)  # linear light
_OLIVE = tuple(lch_to_linear(42, 20, 102).tolist())  # what dead and what living tissue may be


def _lit(
    tissue: tuple[float, float, float], *, cast: tuple[float, float, float] = (1.0, 1.0, 1.0),
    reach: int = 45,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A photograph under a lamp, what was drawn, and labels: a disc of tissue in pale wool."""
    drawn = np.full((320, 320, 3), (0.1, 0.06, 0.03), np.float32)
    labels = np.zeros((320, 320), np.uint8)
    cv2.circle(labels, (160, 160), 120, 4, -1)
    cv2.circle(labels, (160, 160), reach, 1, -1)
    drawn[labels == 4], drawn[labels == 1] = (0.5, 0.47, 0.4), tissue
    light = np.clip(drawn * cast, 0, 1)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.rint(255 * coded).astype(np.uint8), drawn, labels


def _why_not(
    tissue: tuple[float, float, float], *, dead: bool, brown: float | None = None,
    shows: bool = True, reach: int = 45, cast: tuple[float, float, float] = (1.0, 1.0, 1.0),
) -> str:
    points = {Tissue.PRIMARY: (160.0, 160.0, float(reach))} if shows else {}
    found = life_seen(
        *_lit(tissue, cast=cast, reach=reach), points=points, dead={Tissue.PRIMARY: dead},
        core_brown={Tissue.PRIMARY: float(dead) if brown is None else brown})
    return found[Tissue.PRIMARY].why_not


@pytest.mark.parametrize("cast", [(1.0, 1.0, 1.0), (1.5, 0.9, 0.45), (0.7, 1.0, 1.3)])
def test_green_and_brown_are_judged_whatever_the_lamp(cast: tuple[float, float, float]) -> None:
    assert _why_not(_GREEN, dead=False, cast=cast) == ""
    assert _why_not(_BROWN, dead=True, cast=cast) == ""


def test_a_growing_point_striped_green_and_brown_is_judged_by_what_prevails() -> None:
    image, drawn, labels = _lit(_GREEN)
    brown_image, brown, _ = _lit(_BROWN)
    points, dead = {Tissue.PRIMARY: (160.0, 160.0, 45.0)}, {Tissue.PRIMARY: False}
    found = []
    for every in (8, 4):  # every eighth stripe of four pixels is brown; every second but one
        stripes = np.arange(320) // 4 % every < 2
        striped = np.where(stripes[None, :, None], brown_image, image)
        below = np.where(stripes[None, :, None], brown, drawn)
        found.append(life_seen(striped, below, labels, points=points, dead=dead,
                               core_brown={})[Tissue.PRIMARY])
    assert [one.why_not for one in found] == ["", "between living and dead"]
    assert found[0].looks_live == pytest.approx(0.75, abs=0.06)
    assert found[1].looks_dead == pytest.approx(0.5, abs=0.06)


@pytest.mark.parametrize(
    ("case", "why_not"),
    [
        ({"tissue": (0.12, 0.12, 0.11), "dead": False}, "of the other side's colour"),  # grey
        ({"tissue": _OLIVE, "dead": False}, "between living and dead"),
        ({"tissue": _OLIVE, "dead": True}, "between living and dead"),
        ({"tissue": _GREEN, "dead": True}, "of the other side's colour"),
        ({"tissue": _BROWN, "dead": False}, "of the other side's colour"),
        ({"tissue": _GREEN, "dead": False, "brown": 0.5}, "half and half"),
        ({"tissue": _GREEN, "dead": False, "shows": False}, "hidden"),
        ({"tissue": _GREEN, "dead": False, "reach": 3}, "too small"),
        ({"tissue": _GREEN, "dead": False, "cast": (9.0, 9.0, 9.0)}, "burnt out"),
    ],
)
def test_what_nobody_could_judge_says_why(case: dict[str, object], why_not: str) -> None:
    assert _why_not(**case) == why_not  # type: ignore[arg-type]


def test_a_colour_of_a_look_is_no_way_off_and_others_are_measured_from_its_edge() -> None:
    from skimage.color import lch2lab

    for spans in (CULTIVARS[0].live, *DEAD_LOOKS.values()):
        (low, high), (dull, strong), (first, last) = spans
        inside = lch2lab([(low + high) / 2, (dull + strong) / 2, np.deg2rad((first + last) / 2)])
        assert away_from(inside, spans) == pytest.approx(0.0, abs=1e-9)
        above = inside + np.array([(high - low) / 2 + 7.0, 0.0, 0.0])
        assert away_from(above, spans) == pytest.approx(7.0)
        corners = [lch2lab([at, c, np.deg2rad(h)]) for at in np.linspace(low, high, 9)
                   for c in np.linspace(dull, strong, 25) for h in np.linspace(first, last, 25)]
        elsewhere = np.array([inside[0], -60.0, -10.0])
        least = np.linalg.norm(np.array(corners) - elsewhere, axis=1).min()
        assert away_from(elsewhere, spans) == pytest.approx(least, abs=0.5)


def test_of_tissue_that_does_not_show_nothing_is_read() -> None:
    image, drawn, labels = _lit(_GREEN)
    assert life_seen(image, drawn, labels, points={}, dead={}, core_brown={}) == {}


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
