"""Features of drawn faces whose colours and areas are known."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from budvision.photo.features import FEATURE_NAMES, FEATURES, measure, row_of
from budvision.vocabulary import Tissue

GREEN, BROWN = (0.10, 0.22, 0.05), (0.12, 0.07, 0.03)  # linear light
WOOL, BARK = (0.60, 0.52, 0.40), (0.10, 0.06, 0.04)


def drawn(
    primary: tuple[float, float, float] = GREEN,
    secondary: tuple[float, float, float] = BROWN,
    gains: tuple[float, float, float] = (1.0, 1.0, 1.0),
) -> tuple[np.ndarray, np.ndarray]:
    """Draw a face of 320 px: wool, two tissues; in the given light."""
    rows, columns = np.mgrid[:320, :320] - 159.5
    labels = np.zeros((320, 320), np.uint8)
    labels[np.hypot(rows, columns) < 140] = 4
    labels[np.hypot(rows, columns) < 60] = 1
    labels[np.hypot(rows, columns - 90) < 26] = 2
    linear = np.empty((320, 320, 3))
    linear[:] = BARK
    for label, colour in ((4, WOOL), (1, primary), (2, secondary)):
        linear[labels == label] = colour
    light = np.clip(linear * gains, 0, 1)
    coded = np.where(light < 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.rint(coded * 255).astype(np.uint8), labels


def test_the_table_is_complete() -> None:
    rows = measure(*drawn())
    assert set(rows) == {Tissue.PRIMARY, Tissue.SECONDARY}
    assert len(set(FEATURE_NAMES)) == len(FEATURES)
    for row in rows.values():
        assert tuple(row) == FEATURE_NAMES
        for feature in FEATURES:
            assert feature.low <= row[feature.name] <= feature.high
            assert feature.meaning
            assert not re.search(r"the same|of it\b|likewise|`", feature.meaning), "stands alone"
            assert feature.unit in ("log", "1", "dE")
        assert row_of(row).shape == (len(FEATURES),)


def test_ratios_are_the_ones_drawn() -> None:
    rows = measure(*drawn())
    wool = math.log(WOOL[1] / WOOL[0])
    for tissue, colour in ((Tissue.PRIMARY, GREEN), (Tissue.SECONDARY, BROWN)):
        wanted = math.log(colour[1] / colour[0]) - wool
        assert rows[tissue]["green_red_inner"] == pytest.approx(wanted, abs=0.05)
        wanted = sum(math.log(c / w) for c, w in zip(colour, WOOL, strict=True)) / 3
        assert rows[tissue]["light_inner"] == pytest.approx(wanted, abs=0.06)
    assert rows[Tissue.PRIMARY]["green_share_inner"] == 1.0
    assert rows[Tissue.SECONDARY]["brown_share"] > 0.99
    difference = rows[Tissue.PRIMARY]["green_red_inner"] - rows[Tissue.SECONDARY]["green_red_inner"]
    assert rows[Tissue.SECONDARY]["greener_than_others"] == pytest.approx(-difference)
    assert rows[Tissue.PRIMARY]["area_share"] == pytest.approx((60 / 140) ** 2, abs=0.01)
    assert rows[Tissue.PRIMARY]["roundness"] > 0.85


RELATIVE = [
    feature.name for feature in FEATURES
    if feature.name.startswith(("green_red", "green_blue", "light_in", "brown", "green_share"))
]


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(st.tuples(*[st.floats(0.6, 1.5)] * 3))
def test_light_and_white_balance_fall_out(gains: tuple[float, float, float]) -> None:
    plain = measure(*drawn())
    other = measure(*drawn(gains=gains))
    for tissue, row in plain.items():
        for name in RELATIVE:
            assert other[tissue][name] == pytest.approx(row[name], abs=0.09), name


def test_turns_and_mirrors_change_nothing() -> None:
    crop, labels = drawn()
    rng = np.random.default_rng(4)
    noisy = np.clip(crop.astype(int) + rng.normal(0, 5, crop.shape), 0, 255).astype(np.uint8)
    plain = measure(noisy, labels)
    for turned in (np.rot90, np.rot90, np.fliplr):
        noisy, labels = np.ascontiguousarray(turned(noisy)), np.ascontiguousarray(turned(labels))
        for tissue, row in measure(noisy, labels).items():
            np.testing.assert_allclose(row_of(row), row_of(plain[tissue]), atol=0.02)


def test_a_brown_rim_is_not_a_brown_middle() -> None:
    crop, labels = drawn()
    rows, columns = np.mgrid[:320, :320] - 159.5
    brown = drawn(primary=BROWN)[0]
    radius = np.hypot(rows, columns)
    rim, middle = crop.copy(), crop.copy()
    rim[(radius < 60) & (radius > 45)] = brown[159, 159]
    middle[radius < 25] = brown[159, 159]
    of_rim = measure(rim, labels)[Tissue.PRIMARY]
    of_middle = measure(middle, labels)[Tissue.PRIMARY]
    assert of_rim["brown_share_inner"] < 0.01
    assert of_rim["brown_share"] > 0.3
    assert of_middle["brown_share_inner"] > 0.5
    assert of_middle["green_red_core"] < -0.2


def test_what_counts_lies_round_the_growing_point_where_one_is_seen() -> None:
    crop, labels = drawn()
    brown = drawn(primary=BROWN)[0]
    columns = np.mgrid[:320, :320][1]
    half = np.where(((labels == 1) & (columns > 160))[..., None], brown, crop)
    left, right = (
        measure(half, labels, growing_points={Tissue.PRIMARY: (160, column)})[Tissue.PRIMARY]
        for column in (125, 195))
    plain = measure(half, labels)[Tissue.PRIMARY]
    assert left["green_red_core"] > 0.5
    assert right["green_red_core"] < -0.2
    shares = [row["brown_share_inner"] for row in (left, plain, right)]
    assert min(np.diff(shares)) > 0.2  # a quarter, a half, three quarters
    assert left["brown_share"] == right["brown_share"] == plain["brown_share"]


def test_small_regions_and_bare_faces_are_measured() -> None:
    crop, labels = drawn()
    tiny = np.where(labels == 1, 4, labels).astype(np.uint8)
    tiny[158:162, 158:162] = 1
    assert Tissue.PRIMARY in measure(crop, tiny)
    tiny[tiny == 1] = 4
    tiny[158:160, 158:160] = 1
    assert Tissue.PRIMARY not in measure(crop, tiny)
    bare = np.where(labels == 4, 0, labels).astype(np.uint8)
    row = measure(crop, bare)[Tissue.PRIMARY]
    assert np.isfinite(row_of(row)).all()
    assert row["neutral_doubt"] > 0.15
    assert measure(crop, np.zeros_like(labels)) == {}


def test_the_networks_maps_are_read() -> None:
    crop, labels = drawn()
    confidence = np.where(labels == 1, 0.9, 0.6).astype(np.float32)
    dead = np.where(labels == 2, 0.95, 0.1).astype(np.float32)
    rows = measure(crop, labels, confidence=confidence, dead_map=dead)
    assert rows[Tissue.PRIMARY]["confidence"] == pytest.approx(0.9)
    assert rows[Tissue.SECONDARY]["dead_inner"] == pytest.approx(0.95)
    assert measure(crop, labels)[Tissue.PRIMARY]["dead_all"] == 0.5
