"""Which flanker is which: drawn discs with known places and sizes."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from budvision.photo.arrangement import arrange
from budvision.photo.rings import ring_contrast


def _shares(discs: list[tuple[int, int, int, int, float]], n: int = 160) -> np.ndarray:
    """Draw a face with discs of (label, row, col, radius, share of that label)."""
    shares = np.full((5, n, n), 0.01, np.float32)
    face = np.zeros((n, n), np.uint8)
    cv2.circle(face, (n // 2, n // 2), 70, 1, -1)
    shares[4][face > 0], shares[0][face == 0] = 0.9, 0.9
    for label, row, col, radius, sure in discs:
        disc = np.zeros((n, n), np.uint8)
        cv2.circle(disc, (col, row), radius, 1, -1)
        own = disc > 0
        shares[:, own] = 0.02
        shares[label][own] = sure
        if label in (2, 3):
            shares[5 - label][own] = 1 - sure
    return shares / shares.sum(0)


def _arranged(discs: list[tuple[int, int, int, int, float]], **given: float) -> np.ndarray:
    shares = _shares(discs)
    return arrange(shares, shares[0] < 0.5, **given).labels


def test_three_discs_keep_their_places() -> None:
    labels = _arranged([(1, 80, 80, 24, 0.95), (2, 80, 40, 13, 0.9), (3, 80, 115, 8, 0.9)])
    assert (labels[80, 80], labels[80, 40], labels[80, 115], labels[20, 80]) == (1, 2, 3, 4)


def test_the_larger_flanker_is_the_secondary_where_the_network_is_torn() -> None:
    labels = _arranged([(1, 80, 80, 24, 0.95), (3, 80, 40, 14, 0.52), (2, 80, 115, 8, 0.52)])
    assert (labels[80, 40], labels[80, 115]) == (2, 3)


@pytest.mark.parametrize(("base_deg", "left"), [(180.0, 2), (0.0, 3)])
def test_the_cane_base_decides_between_equals(base_deg: float, left: int) -> None:
    discs = [(1, 80, 80, 24, 0.95), (2, 80, 42, 10, 0.5), (3, 80, 118, 10, 0.5)]
    labels = _arranged(discs, base_direction_deg=base_deg)
    assert (labels[80, 42], labels[80, 118]) == (left, 5 - left)


@pytest.mark.parametrize(("base_deg", "named"), [(180.0, 2), (0.0, 3)])
def test_the_cane_base_names_a_flanker_alone(base_deg: float, named: int) -> None:
    discs = [(1, 80, 80, 24, 0.95), (2, 80, 42, 10, 0.6)]
    assert _arranged(discs, base_direction_deg=base_deg, lone_odds=0.5)[80, 42] == named


def test_a_flanker_alone_is_doubtful_where_the_network_is_torn() -> None:
    discs = [(1, 80, 80, 24, 0.95), (2, 80, 42, 10, 0.5)]
    shares = _shares(discs)
    torn = arrange(shares, shares[0] < 0.5)
    told = arrange(shares, shares[0] < 0.5, base_direction_deg=180.0)
    assert torn.swap_doubt > 0.3
    assert told.swap_doubt < 0.01


def test_equals_without_a_base_are_doubtful() -> None:
    shares = _shares([(1, 80, 80, 24, 0.95), (2, 80, 42, 10, 0.5), (3, 80, 118, 10, 0.5)])
    sure = _shares([(1, 80, 80, 24, 0.95), (2, 80, 42, 16, 0.9), (3, 80, 118, 8, 0.9)])
    assert arrange(shares, shares[0] < 0.5).swap_doubt > 0.3
    assert arrange(sure, sure[0] < 0.5).swap_doubt < 0.02


def test_only_one_region_a_tissue_on_opposite_sides() -> None:
    labels = _arranged([(1, 80, 80, 22, 0.95), (2, 80, 42, 12, 0.9), (3, 60, 44, 6, 0.9),
                        (3, 80, 116, 7, 0.9)])
    assert (labels[80, 42], labels[80, 116]) == (2, 3)
    assert cv2.connectedComponents((labels == 3).astype(np.uint8))[0] == 2


def test_an_empty_face_has_no_tissue() -> None:
    assert set(np.unique(_arranged([]))) == {0, 4}


def test_ring_contrast_tells_rings_from_a_smooth_patch() -> None:
    y, x = np.mgrid[:160, :160] - 80
    away = np.hypot(x, y)
    rings = np.repeat((120 + 12 * np.sin(away / 2))[..., None], 3, 2).astype(np.uint8)
    smooth = np.full((160, 160, 3), 120, np.uint8)
    primary = away < 40
    assert (ring_contrast(rings, primary) or 0) > 0.05
    assert (ring_contrast(smooth, primary) or 0) < 0.005
    assert ring_contrast(rings, away < 8) is None
