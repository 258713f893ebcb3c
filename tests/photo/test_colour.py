"""Colour against published numbers and scikit-image."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.color import deltaE_ciede2000, rgb2lab

from budvision.photo import colour

TRUTHS = Path(__file__).parents[1] / "truths"


def test_sharmas_34_pairs() -> None:
    """The difference that these tests measure colours by is the published one."""
    lines = (TRUTHS / "ciede2000_sharma.csv").read_text(encoding="utf-8").splitlines()
    rows = [
        [float(value) for value in row.values()]
        for row in csv.DictReader(line for line in lines if not line.startswith("#"))
    ]
    table = np.array(rows)
    assert table.shape == (34, 7)
    there = deltaE_ciede2000(table[:, :3], table[:, 3:6])
    back = deltaE_ciede2000(table[:, 3:6], table[:, :3])
    np.testing.assert_allclose(there, table[:, 6], atol=1e-4)
    np.testing.assert_allclose(back, table[:, 6], atol=1e-4)


def test_lab_agrees_with_scikit_image_over_the_colour_cube() -> None:
    steps = np.array([*range(0, 256, 9), 255], np.uint8)
    cube = np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(1, -1, 3)
    ours = colour.to_lab(cube)
    assert ours.dtype == np.float32
    np.testing.assert_allclose(ours, rgb2lab(cube), atol=0.06)
    np.testing.assert_allclose(
        colour.lab_from_linear(colour.linear_light(cube)), rgb2lab(cube), atol=1e-3
    )


@pytest.mark.parametrize(
    ("lab", "rgb"),
    [  # colour chart values, FOUND-2nd: a public test file citing B. Lindbloom's spreadsheet
        ((36.657, 8.250, 12.270), (106, 81, 67)),
        ((43.637, -12.265, 20.263), (95, 108, 69)),
        ((56.556, -29.605, 32.966), (101, 148, 76)),
        ((57.421, 22.476, 49.944), (194, 121, 48)),
        ((50.884, 0.149, 0.710), (122, 121, 120)),
    ],
)
def test_chart_values(lab: tuple[float, ...], rgb: tuple[int, ...]) -> None:
    """The 8-bit values are rounded, so the colours agree within half a step, below 0.6 dE."""
    ours = colour.to_lab(np.array([[rgb]], np.uint8))[0, 0]
    assert deltaE_ciede2000(ours, lab) < 0.6


def face(tint: tuple[float, float, float] = (1.0, 1.0, 1.0)) -> tuple[np.ndarray, np.ndarray]:
    """A grey wool ring on a dark ground, seen under a tint of the light."""
    rows, columns = np.mgrid[:100, :100] - 50
    radius = np.hypot(rows, columns)
    labels = np.zeros((100, 100), np.uint8)
    labels[radius < 45] = 4
    labels[radius < 20] = 1
    linear = np.full((100, 100, 3), 0.05)
    linear[labels == 4] = 0.5
    linear[labels == 1] = (0.1, 0.25, 0.06)
    coded = 255 * np.clip(1.055 * (linear * tint) ** (1 / 2.4) - 0.055, 0, 1)
    return np.rint(coded).astype(np.uint8), labels


@given(st.tuples(*[st.floats(0.5, 1.7)] * 3))
def test_white_balance_undoes_a_tint(tint: tuple[float, float, float]) -> None:
    plain, labels = face()
    tinted, _ = face(tint)
    neutral = colour.find_neutral(tinted, labels)
    assert neutral.source == "wool"
    fixed = colour.to_lab(colour.neutralise(tinted, neutral))
    assert np.abs(fixed[50, 80, 1:]).max() < 1.0
    wanted = colour.to_lab(colour.neutralise(plain, colour.find_neutral(plain, labels)))
    assert np.abs(np.arctan2(*fixed[50, 50, 2:0:-1]) - np.arctan2(*wanted[50, 50, 2:0:-1])) < 0.15


def test_neutral_evidence_in_order_of_trust() -> None:
    crop, labels = face()
    wool = colour.find_neutral(crop, labels)
    bare = np.where(labels == 4, 0, labels).astype(np.uint8)
    paper = colour.find_neutral(np.where(labels[..., None] == 0, 230, crop), bare)
    coloured = np.where(bare[..., None] == 0, (200, 90, 20), crop).astype(np.uint8)
    highlights = colour.find_neutral(coloured, bare)
    nothing = colour.find_neutral(crop, np.ones_like(labels))
    found = [wool, paper, highlights, nothing]
    assert [one.source for one in found] == ["wool", "paper", "highlights", "none"]
    doubts = [one.doubt for one in found]
    assert doubts == sorted(doubts)


def test_inputs_stay_as_they_are() -> None:
    crop, labels = face()
    before = crop.copy(), labels.copy()
    colour.neutralise(crop, colour.find_neutral(crop, labels))
    colour.to_lab(crop)
    np.testing.assert_array_equal(crop, before[0])
    np.testing.assert_array_equal(labels, before[1])
