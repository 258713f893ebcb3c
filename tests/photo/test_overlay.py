"""Outlines for people: drawn where the tissues are, told apart without colour."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage.color import deltaE_ciede2000

from budvision.errors import InputError
from budvision.photo.colour import to_lab
from budvision.photo.overlay import LINES, draw_overlay, encode_picture
from budvision.vocabulary import TISSUES, Tissue


def scene() -> tuple[np.ndarray, np.ndarray]:
    labels = np.zeros((600, 800), np.uint8)
    cv2.circle(labels, (400, 300), 120, 1, -1)
    cv2.circle(labels, (620, 300), 70, 2, -1)
    cv2.circle(labels, (190, 300), 50, 3, -1)
    return np.full((600, 800, 3), 128, np.uint8), labels


def test_outlines_follow_the_regions() -> None:
    image, labels = scene()
    before = image.copy()
    picture = draw_overlay(image, labels, texts=dict.fromkeys(TISSUES, ""))
    np.testing.assert_array_equal(image, before)
    changed = (picture != 128).any(axis=2)
    distance = np.full(labels.shape, 1e9)
    for tissue in TISSUES:
        region = (labels == tissue.label).astype(np.uint8)
        inner = cv2.distanceTransform(region, cv2.DIST_L2, 3)
        outer = cv2.distanceTransform(1 - region, cv2.DIST_L2, 3)
        distance = np.minimum(distance, np.maximum(inner, outer))
    assert changed.any()
    assert distance[changed].max() < 8


def test_lines_differ_in_dashes_and_in_lightness() -> None:
    dashes = [line for _, line in LINES.values()]
    assert len(set(dashes)) == 3
    colours = np.array([[colour for colour, _ in LINES.values()]], np.uint8)
    lab = to_lab(colours)[0]
    for one, other in ((0, 1), (0, 2), (1, 2)):
        grey = lab[[one, other]].copy()
        grey[:, 1] = 0.0  # as seen without red against green
        assert deltaE_ciede2000(grey[0], grey[1]) > 10


def test_dashes_leave_gaps_in_the_colour() -> None:
    image, labels = scene()
    picture = draw_overlay(image, labels, texts=dict.fromkeys(TISSUES, ""))
    shares = {}
    for tissue in TISSUES:
        region = (labels == tissue.label).astype(np.uint8)
        contour = cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0][0][:, 0]
        colour = np.array(LINES[tissue][0], int)
        here = picture[contour[:, 1], contour[:, 0]].astype(int)
        shares[tissue] = float((np.abs(here - colour).max(axis=1) < 60).mean())
    assert shares[Tissue.PRIMARY] > 0.95
    assert 0.5 < shares[Tissue.SECONDARY] < 0.95
    assert 0.2 < shares[Tissue.TERTIARY] < 0.75


def test_large_photographs_come_smaller_and_labels_may_differ_in_size() -> None:
    image, labels = scene()
    large = np.repeat(np.repeat(image, 4, 0), 4, 1)
    assert draw_overlay(large, labels, max_side_px=900).shape == (675, 900, 3)


@pytest.mark.parametrize("kind", ["png", "jpeg"])
def test_pictures_are_encoded_in_the_right_order(kind: str) -> None:
    picture = np.zeros((64, 64, 3), np.uint8)
    picture[..., 0] = 220
    data = encode_picture(picture, kind)
    back = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert back[30, 30, 2] > 200
    assert back[30, 30, 0] < 30
    with pytest.raises(InputError, match="kind is 'gif'"):
        encode_picture(picture, "gif")
